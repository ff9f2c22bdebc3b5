"""Both batteries: volts at rest, and how far a motor pulls them down."""

from __future__ import annotations

from math import isfinite, nan

from controller.power import Battery, sag_v

from .check_found import LEFT, OK, UNKNOWN, WRONG, Finding
from .check_kit import Course, Kit, Move, drive, may_move, still
from .check_output import REST_S, power_w, sure_duty

LOAD_S = 8.0
SAG_TIMES, SAG_LEAST_V = 3.0, 0.8  # a battery or wire that gives way by this is worn or badly connected (own judgement)
LEAST_V, MOST_V = 8.0, 16.0  # outside: no 12 V battery
CHARGE = "charge it; look at panel, fuses and charge controller"
WIRES = "clean and tighten clamps, thicker wires; if it stays so, the battery is worn"


def check_battery(kit: Kit) -> Course[None]:
    """Both, one after the other."""
    for output in ("pump", "fan"):
        yield from _one(kit, output)
    board = kit.board
    sources = board.sources if board else {}
    if "pump_battery_v" in sources and sources["pump_battery_v"] == sources.get("fan_battery_v"):
        kit.report.add(
            Finding("batteries", UNKNOWN, "both are read from one channel", "if there are two, give each its own")
        )


def _one(kit: Kit, output: str) -> Course[None]:
    name = f"{output} battery"
    rest = kit.rested.get(output)
    if rest is None:
        rest = kit.rested[output] = yield from still(kit, REST_S, output)
    volts = rest.late(f"{output}_battery_v")
    if not isfinite(volts):
        kit.report.add(Finding(name, LEFT, "no voltmeter reads", "fit one: low volts are what decides when to rest"))
        return
    loaded, duty = yield from _loaded(kit, output)
    battery = kit.settings.pump_battery if output == "pump" else kit.settings.fan_battery
    loaded_v = loaded.late(f"{output}_battery_v")
    kit.report.add(judged(name, battery, volts, loaded_v, sag_v(duty, power_w(kit, output))))


def _loaded(kit: Kit, output: str) -> Course[tuple[Move, float]]:
    """What the battery showed while its motor ran; runs it now if it did not yet and may."""
    if output in kit.moved:
        duty, move = kit.moved[output]
        return move, duty
    duty = sure_duty(kit, output)
    text = f"The {output} will run for {LOAD_S:.0f} s to load its battery. CAUTION: hot water, moving parts."
    if not (yield from may_move(kit, f"{output} battery under load", output, text, "battery")):
        return Move([]), duty
    move = yield from drive(kit, output, duty, LOAD_S)
    kit.moved[output] = (duty, move)
    return move, duty


def judged(name: str, battery: Battery, rest_v: float, loaded_v: float, usual_v: float) -> Finding:
    """What rest volts and volts under load [V] say of a 12 V battery of a kind; NaN: not loaded."""
    sag = rest_v - loaded_v if isfinite(loaded_v) else nan
    values = {"rest_v": rest_v, "loaded_v": loaded_v, "sag_v": sag}
    verdict, seen, mend = _verdict(battery, rest_v, sag, usual_v)
    return Finding(name, verdict, seen, mend, values)


def _verdict(battery: Battery, rest_v: float, sag: float, usual_v: float) -> tuple[str, str, str]:
    name, low_v, kind, told = battery.kind, battery.low_v, battery.chemistry, f"{rest_v:.2f} V at rest"
    if not LEAST_V <= rest_v <= MOST_V:
        return WRONG, f"{told}: no 12 V battery", "wires of the voltmeter; factor = ... of its divider in the settings"
    if rest_v >= kind.charging_v:
        return OK, f"{rest_v:.2f} V, being charged; rest and sag tell more at night", ""
    if rest_v < low_v:
        return WRONG, f"{told}: flat for {name}, below {low_v:.1f}", CHARGE
    if sag > max(SAG_TIMES * usual_v, SAG_LEAST_V):
        return WRONG, f"{told}, falls by {sag:.1f} V under load ({usual_v:.1f} usual)", WIRES
    loaded = f", {sag:.1f} V less under load" if isfinite(sag) else ", not loaded"
    if rest_v < kind.ok_v:
        return UNKNOWN, f"{told}{loaded}: half empty, {name}", "check again when it is charged"
    return OK, f"{told}{loaded}: good for {name}", ""
