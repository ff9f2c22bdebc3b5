"""Each thing that can be wrong on a board is named with its mending: on the real plant, kernel files and mock pins."""

import os
import tempfile
from pathlib import Path

import pytest
from board_bench import PROBES, VirtualHeart
from board_rig import PwmMock, Tree
from check_bench import CheckBench, Checked
from hypothesis import given
from hypothesis import strategies as st

from controller import Commands, ControllerSettings, Measurements
from warmheap.check import NAMES
from warmheap.check_battery import judged as judged_battery
from warmheap.check_found import LEFT, OK, UNKNOWN, WRONG
from warmheap.check_guards import Guards
from warmheap.check_hold import changed
from warmheap.check_kit import ANSWER_S, LONGEST_S, OVER, Move, Sample
from warmheap.check_output import PUMP, Turn
from warmheap.check_output import judged as judged_output
from warmheap.check_sensors import implausible
from warmheap.check_swap import DRAW_S, why_not

CORE, SUPPLY, RETURN = PROBES.values()
SPARE = "28-0000000000ff"
MOVES = ("sensors", "pump", "bucket", "fan", "battery", "swap")
YES = {"goes on": "y"}
HEARD = YES | {"y or n": "y"}


@pytest.fixture
def build():
    """Makes benches: build("pump dead", fitted=(...), ...). Their files are in memory, like those of the kernel."""
    factories = []
    memory = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(dir=memory, ignore_cleanup_errors=True) as parent:

        def make(*wrong, **changes):
            factories.append(PwmMock())
            folder = Path(parent) / f"board{len(factories)}"
            folder.mkdir()
            return CheckBench(Tree(folder), factories[-1], *wrong, **changes)

        yield make
    for factory in factories:
        factory.reset()


def test_on_a_sound_board_nothing_is_wrong_and_all_is_told(build):
    checked = Checked(build(fitted=("flow", "tach", "amps")), MOVES, HEARD).run()
    found = checked.found
    assert checked.done and checked.report.code == 0, checked.said
    told = {"sensor pile_core", "sensor water_supply", "pump", "fan", "fan direction", "pump battery", "supply/return"}
    assert told <= {name for name, finding in found.items() if finding.verdict == OK}
    assert found["pump"].values["water_flow_kg_s"] == pytest.approx(0.5 * (0.6 * 1.05 - 0.1275) / 0.8725, rel=0.05)
    assert found["pump"].values["drawn_a"] == pytest.approx(2.4, abs=0.1)  # 4 A at full duty, 60 %
    assert found["fan"].values["fan_speed_hz"] == pytest.approx(27.0, abs=0.5)
    assert found["pump battery"].values["rest_v"] == pytest.approx(12.7, abs=0.01)
    assert found["pump battery"].values["sag_v"] == pytest.approx(0.12, abs=0.01)
    assert "core" not in found["supply/return"].mend and found["supply/return"].values["supply_rise_k"] >= 3.0
    assert checked.duties() == [0.0, 0.0]
    assert checked.bench.now_s - 100.0 < 30 * 60


SENSORS = {
    "missing": (lambda b: b.gone.add(RETURN), "sensor water_return", f"{RETURN} is not on the bus", "plug it in"),
    "85": (lambda b: b.raw.update({SUPPLY: b"85000\n"}), "sensor water_supply", "85.000 C: it was without power",
           "red wire"),
    "checksum": (lambda b: b.raw.update({SUPPLY: b""}), "sensor water_supply", "empty answer", "pull-up"),
    "weak": (lambda b: b.raw.update({SUPPLY: b"127940\n"}), "sensor water_supply", "127.94 C cannot be", "3.3 V"),
    "cold core": (lambda b: b.raw.update({CORE: b"-21000\n"}), "sensor pile_core", "too cold for that place",
                  "--only hold"),
}  # fmt: skip


@pytest.mark.parametrize("case", SENSORS)
def test_a_sensor_that_is_wrong_is_named_with_its_mending(build, case):
    spoil, name, seen, mend = SENSORS[case]
    bench = build()
    spoil(bench)
    if bench.gone:
        (bench.tree.w1 / RETURN / "temperature").unlink()
        (bench.tree.w1 / RETURN).rmdir()
    bench.write()
    checked = Checked(bench, ["sensors"]).run()
    finding = checked.found[name]
    assert finding.verdict == WRONG and seen in finding.seen and mend in finding.mend, checked.said
    assert checked.report.code == 1
    others = [f for f in checked.report.findings if f.verdict == WRONG and f.name != name]
    assert not others


def test_a_chip_that_is_away_and_a_value_that_cannot_be_are_told(build):
    bench = build()
    (bench.volts / "name").write_text("other\n")
    found = Checked(bench, ["sensors"]).run().found["sensor pump_battery"]
    assert found.verdict == WRONG and "no such chip" in found.seen and "overlay" in found.mend
    bench = build()
    bench.volts_v = [25.6, 12.7]
    bench.write()
    found = Checked(bench, ["sensors", "battery"], yes=True).run().found
    assert "no such value" in found["sensor pump_battery"].seen and "factor" in found["sensor pump_battery"].mend
    assert found["pump battery"].verdict == WRONG and "no 12 V battery" in found["pump battery"].seen


@pytest.mark.parametrize(
    ("name", "value", "why"),
    [
        ("outdoor_c", 55.0, "too hot for that place"),
        ("tank_c", -4.0, "too cold for that place"),
        ("greenhouse_co2", 0.0001, "less than in fresh air"),
        ("greenhouse_rh", 1.2, "no such value there"),
        ("fan_battery_v", 3.0, "no such value there"),
        ("outdoor_c", 30.0, ""),
        ("greenhouse_co2", 0.0005, ""),
        ("pump_battery_a", 400.0, ""),
    ],
)
def test_what_cannot_be_at_a_place(name, value, why):
    told = implausible(name, value)
    assert (told[0] if told else "") == why and (told is None or told[1])


def test_water_seen_moving_ends_the_count_of_dry_seconds():
    guards = Guards(ControllerSettings())
    for n in range(25):
        guards.look(Measurements(time_s=float(n), water_flow_kg_s=0.0), Commands(pump_duty=0.6))
    assert guards.dry_s == 24.0 and not guards.proven
    guards.look(Measurements(time_s=25.0, water_flow_kg_s=0.2), Commands(pump_duty=0.6))
    assert guards.dry_s == 0.0 and guards.proven
    guards.look(Measurements(time_s=40.0), Commands(pump_duty=0.6))  # the meter falls silent: water was seen before
    assert guards.dry_s == 0.0


def test_the_heat_that_a_check_takes_is_counted_by_the_corrected_flow():
    taken = []
    for gain in (1.0, 2.0):
        guards = Guards(ControllerSettings(flow_meter_gain=gain))
        for n in range(60):
            read = {"water_flow_kg_s": 0.2, "water_supply_c": 50.0, "water_return_c": 20.0, "pile_core_c": 60.0}
            guards.look(Measurements(time_s=float(n), **read), Commands(pump_duty=0.6))
        taken.append(guards.cooled_k)
    assert taken[1] == pytest.approx(2.0 * taken[0]) and taken[0] > 0.0


def test_bad_air_keeps_the_fan_still():
    guards = Guards(ControllerSettings())
    guards.look(Measurements(time_s=0.0, greenhouse_co2=0.003), Commands())
    assert "CO2" in guards.against("fan") and "no pile probe reads" in guards.against("pump")
    guards.look(Measurements(time_s=1.0, pile_core_c=60.0, greenhouse_co2=0.0008), Commands())
    assert guards.against("fan") == guards.against("pump") == ""


@pytest.mark.parametrize(("warms_k", "stops"), [(0.5, False), (4.0, True)])
def test_without_a_return_probe_a_warming_supply_says_that_heat_is_taken(warms_k, stops):
    guards = Guards(ControllerSettings())
    guards.look(Measurements(time_s=0.0, pile_core_c=44.0, water_supply_c=12.0), Commands())
    assert guards.against("pump") == ""
    on = Commands(pump_duty=0.6)
    guards.look(Measurements(time_s=1.0, pile_core_c=44.0, water_supply_c=12.0 + warms_k), on)
    assert ("too near its floor" in guards.against("pump")) == stops


def standing(core_c, supply_c, return_c):
    m = Measurements(time_s=0.0, pile_core_c=core_c, water_supply_c=supply_c, water_return_c=return_c)
    return Move([Sample(m, float("nan"))])


@pytest.mark.parametrize(
    ("core_c", "supply_c", "return_c", "verdict", "told"),
    [
        (60.0, 12.0, 12.0, None, ""),
        (60.0, 55.0, 54.0, UNKNOWN, "until the pipes are below 45 °C"),
        (60.0, 55.0, 40.0, OK, "the warm end is the supply"),
        (60.0, 40.0, 55.0, UNKNOWN, "until the pipes are below 45 °C"),  # the sun may warm a return
        (44.0, 12.0, 12.0, UNKNOWN, "until the core is at 47 °C"),
        (60.0, 12.0, float("nan"), LEFT, "wants a supply and a return probe"),
    ],
)
def test_when_a_draw_would_tell_and_when_not(build, core_c, supply_c, return_c, verdict, told):
    kit = Checked(build(), []).kit
    why = why_not(kit, standing(core_c, supply_c, return_c))
    assert (why[0] if why else None) == verdict and (why is None or told in why[1])


def test_values_that_do_not_fit_together_are_told_but_are_no_verdict(build):
    bench = build(core_c=5.0)
    bench.raw[SUPPLY] = b"30000\n"
    bench.write()
    checked = Checked(bench, ["sensors"]).run()
    together = checked.found["sensors together"]
    assert together.verdict == UNKNOWN and checked.report.code == 0 and "--only hold" in together.mend


OUTPUTS = {  # what is wrong, what is fitted, where it is told, as what, and how it is mended
    "pump dead": (("flow",), "pump", "heard running, but no water moves", "let the air out"),
    "pump dead, ammeter": (("flow", "amps"), "pump", "draws 2.4 A, but no water moves", "let the air out"),
    "pump dead, pump fuse": (("flow", "amps"), "pump", "no water moves, no current either", "fuse"),
    "pump backwards": (("flow",), "pump", "only 2.1 L/min at 60%, 17 L/min expected", "swap plus and minus"),
    "pump runs on": (("flow",), "pump", "it does not stop", "pull the fuse"),
    "pump fuse": (("amps",), "pump", "it draws no current", "fuse"),
    "pump runs on, ammeter": (("amps",), "pump", "A go on after it is off", "pull the fuse"),
    "fan dead": (("flow", "tach"), "fan", "heard running, but it does not turn", "in its blades"),
    "fan dead, fan fuse": (("flow", "tach", "amps"), "fan", "it does not turn, no current either", "fuse"),
    "fan dead, ammeter": (("flow", "tach", "amps"), "fan", "draws 2.4 A, but it does not turn", "in its blades"),
    "fan runs on": (("flow", "tach"), "fan", "it turns although it is off", "pull-down"),
}


@pytest.mark.parametrize("case", OUTPUTS)
def test_an_output_that_is_wrong_is_named_with_its_mending(build, case):
    fitted, name, seen, mend = OUTPUTS[case]
    checked = Checked(build(*case.split(", "), fitted=fitted), MOVES, HEARD).run()
    finding = checked.found[name]
    assert finding.verdict == WRONG and seen in finding.seen and mend in finding.mend, checked.said
    assert checked.report.code == 1 and checked.duties() == [0.0, 0.0]


@pytest.mark.parametrize(
    ("heard", "seen", "mend"),
    [("y", "heard running, but no water moves", "the meter's wire"), ("n", "no water moves", "fuse, switch at")],
)
def test_an_ear_tells_a_dead_pump_from_a_dry_one_or_a_dead_meter(build, heard, seen, mend):
    found = Checked(build("pump dead"), ["pump"], YES | {"Did you hear": heard}).run().found["pump"]
    assert found.verdict == WRONG and found.seen == seen and mend in found.mend


EARS = {"heard and quiet": ("y", "y", OK, ""), "not heard": ("n", "", WRONG, "fuse"),
        "never quiet": ("y", "n", WRONG, "pull the fuse"), "nobody told": ("", "", UNKNOWN, "listen")}  # fmt: skip


@pytest.mark.parametrize("output", ["pump", "fan"])
@pytest.mark.parametrize("case", EARS)
def test_where_nothing_fitted_can_tell_a_person_is_asked(build, output, case):
    heard, quiet, verdict, mend = EARS[case]
    answers = YES | {"Do you hear": heard, "Is it quiet": quiet, "paper": "y"}
    checked = Checked(build(fitted=()), [output], answers).run()
    assert checked.found[output].verdict == verdict and mend in checked.found[output].mend


@pytest.mark.parametrize(("answer", "verdict"), [("y", OK), ("n", WRONG), ("", UNKNOWN)])
def test_only_a_paper_strip_tells_which_way_the_fan_blows(build, answer, verdict):
    checked = Checked(build(), ["fan"], YES | {"paper drawn in": answer}).run()
    assert checked.found["fan direction"].verdict == verdict
    assert ("plus and minus" in checked.found["fan direction"].mend) == (verdict == WRONG)


BATTERIES = {
    "flat": ([11.6, 12.7], [0.2, 0.1], {}, "pump battery", "flat for lead-acid, below 11.9", "charge it"),
    "sags": ([12.7, 12.7], [2.4, 0.1], {}, "pump battery", "falls by 1.4 V under load (0.2 usual)", "clamps"),
    "fan flat": ([12.7, 11.0], [0.2, 0.1], {}, "fan battery", "flat", "charge it"),
    "lithium": ([12.7, 13.2], [0.1, 0.1], {"battery_kind": "lithium"}, "pump battery", "flat for lithium, below 12.8",
                "charge it"),
}  # fmt: skip


@pytest.mark.parametrize("case", BATTERIES)
def test_a_bad_battery_is_named_by_its_kind(build, case):
    volts_v, sag_v, values, name, seen, mend = BATTERIES[case]
    bench = build()
    bench.volts_v, bench.sag_v = volts_v, sag_v
    bench.write()
    checked = Checked(bench, ["pump", "fan", "battery"], yes=True, **values).run()
    finding = checked.found[name]
    assert finding.verdict == WRONG and seen in finding.seen and mend in finding.mend, checked.said
    other = next(n for n in ("pump battery", "fan battery") if n != name)
    assert checked.found[other].verdict == OK


FLOATS = st.floats(allow_nan=True, allow_infinity=True)


@given(FLOATS, FLOATS, FLOATS)
def test_any_volts_get_a_verdict(rest_v, loaded_v, usual_v):
    found = judged_battery("pump battery", ControllerSettings().pump_battery, rest_v, loaded_v, usual_v)
    assert found.verdict in (OK, WRONG, UNKNOWN) and found.seen and (found.mend or found.verdict == OK)


@given(st.lists(FLOATS, max_size=5), st.lists(FLOATS, max_size=5), FLOATS, FLOATS, st.sampled_from([None, True, False]))
def test_any_readings_of_an_output_get_a_verdict(flows, amps, usual_a, usual, heard):
    samples = [Sample(Measurements(time_s=0.0, water_flow_kg_s=flow), a) for flow, a in zip(flows, amps, strict=False)]
    turn = Turn(0.6, Move(samples), Move(samples), Move(samples[:2]), heard)
    found = judged_output(PUMP, turn, usual_a, usual)
    assert found.verdict in (OK, WRONG, UNKNOWN) and found.seen and (found.mend or found.verdict == OK)


@pytest.mark.parametrize(("volts", "verdict"), [(12.1, UNKNOWN), (13.6, OK), (12.6, OK)])
def test_half_empty_and_charging_are_told_apart(build, volts, verdict):
    bench = build()
    bench.volts_v = [volts, volts]
    bench.write()
    found = Checked(bench, ["battery"], yes=True).run().found["pump battery"]
    assert found.verdict == verdict and ("charged" in found.seen) == (volts > 13.0)


def test_one_channel_for_both_batteries_is_told(build):
    bench = build()
    same = dict.fromkeys(("pump_battery_v", "fan_battery_v"), bench.board().sources["pump_battery_v"])
    checked = Checked(bench, ["battery"], yes=True, board=bench.board(sources=same)).run()
    assert "one channel" in checked.found["batteries"].seen


def test_swapped_probes_are_told_by_warm_water(build):
    checked = Checked(build("probes swapped"), MOVES, yes=True).run()
    found = checked.found["supply/return"]
    assert (
        found.verdict == WRONG and "return probe" in found.seen and "swap water_supply and water_return" in found.mend
    )


def test_hoses_are_to_blame_once_the_probes_were_held(build):
    bench = build("hoses swapped")
    checked = Checked(bench, ["hold", "swap"], YES | holding(bench, {"supply": SUPPLY, "return": RETURN})).run()
    found = checked.found["supply/return"]
    assert found.verdict == WRONG and "the probes are right" in found.mend, checked.said


def test_a_cold_core_cannot_tell_and_nothing_is_drawn(build):
    bench = build(core_c=44.0, supply_c=44.0)
    checked = Checked(bench, ["swap"], yes=True).run()
    assert checked.found["supply/return"].verdict == UNKNOWN
    assert "until the core is at 47 °C" in checked.found["supply/return"].seen
    assert bench.most == 0.0


# --- probes in the hand


def holding(bench, held):
    """Answers of a grower who warms the probe that is really at the place that is asked for."""

    def take(probe):
        def hold():
            bench.hold(probe)
            return "y"

        return hold

    return {f"Hold the water_{place}": take(probe) for place, probe in held.items()}


def test_a_probe_warmed_in_the_hand_is_named(build):
    bench = build()
    checked = Checked(bench, ["hold"], holding(bench, {"supply": SUPPLY, "return": RETURN})).run()
    assert checked.found["probe water_supply"].verdict == OK and SUPPLY in checked.found["probe water_supply"].seen
    assert checked.found["probe water_return"].verdict == OK
    assert checked.found["probe pile_core"].verdict == LEFT and checked.kit.held.keys() == {
        "water_supply_c",
        "water_return_c",
    }


def test_swapped_probes_are_told_with_the_lines_that_mend_it(build):
    bench = build()
    board = bench.board(probe_offset_k={"water_return_c": -0.3})
    checked = Checked(bench, ["hold"], holding(bench, {"supply": RETURN, "return": SUPPLY}), board=board).run()
    supply, back = checked.found["probe water_supply"], checked.found["probe water_return"]
    assert supply.verdict == back.verdict == WRONG and "which the settings call water_return" in supply.seen
    assert f'water_supply = {{ source = "{RETURN}", offset = "-0.3 K" }}' in supply.mend
    assert f'water_return = "{SUPPLY}"' in back.mend


def test_a_hot_probe_is_told_by_the_hand_that_cools_it(build):
    bench = build()

    def hold():
        bench.hold(CORE)
        return "y"

    checked = Checked(bench, ["hold"], {"Hold the pile_core": hold}).run()
    assert checked.found["probe pile_core"].verdict == OK


def test_a_missing_probe_is_offered_the_one_that_no_setting_names(build):
    bench = build()
    bench.spare[SPARE] = 12.0
    bench.gone.add(RETURN)
    bench.write()
    (bench.tree.w1 / RETURN / "temperature").unlink()
    (bench.tree.w1 / RETURN).rmdir()
    checked = Checked(bench, ["sensors"])
    checked.kit.spares = spare_reader(bench)
    found = checked.run().found
    assert f'write water_return = "{SPARE}"' in found["sensor water_return"].mend
    assert SPARE in found["spare probes"].seen


def test_a_probe_that_no_setting_names_is_found_in_the_hand(build):
    bench = build()
    bench.spare[SPARE] = 12.0
    bench.write()
    checked = Checked(bench, ["hold"], holding(bench, {"supply": SPARE}))
    reader = spare_reader(bench)
    checked.kit.spares = reader
    found = checked.run().found["probe water_supply"]
    assert found.verdict == WRONG and f'water_supply = "{SPARE}"' in found.mend


def spare_reader(bench):
    from hardware.onewire import OneWire

    wire = OneWire({SPARE: SPARE}, bench.tree.w1, lambda: bench.now_s)
    return wire.sample


@pytest.mark.parametrize(
    ("now", "found"),
    [
        ({"a": 15.0, "b": 12.0, "c": 59.9}, "a"),
        ({"a": 12.0, "b": 12.0, "c": 55.0}, "c"),
        ({"a": 12.9, "b": 12.0, "c": 60.0}, ""),
        ({"a": 14.0, "b": 13.5, "c": 60.0}, ""),  # the sun on both
        ({"a": 9.0, "b": 12.0, "c": 60.0}, ""),  # a hand does not cool that one
        ({"a": float("nan"), "b": 14.0, "c": 60.0}, "b"),
    ],
)
def test_the_probe_that_goes_toward_the_hand_is_the_one(now, found):
    assert changed({"a": 12.0, "b": 12.0, "c": 60.0}, now) == found


def test_a_hand_that_warms_nothing_tells_nothing(build):
    checked = Checked(build(), ["hold"], {"Hold the water_supply": "y"}).run()
    assert checked.found["probe water_supply"].verdict == UNKNOWN


# --- bucket


def litres(bench, share=1.0):
    """Reads the bucket: what flowed since the last one."""
    state = {"kg": 0.0}

    def ready():
        state["kg"] = bench.pumped_kg
        return "y"

    def poured():
        assert bench.factory.pin(18).state == 0.0, "the pump runs while the bucket is read"
        return f"{share * (bench.pumped_kg - state['kg']):.2f} L"

    return {"bucket of twenty": ready, "How many litres": poured}


def test_the_bucket_gives_the_curve_where_no_meter_is(build):
    bench = build(fitted=("tach", "amps"))
    checked = Checked(bench, ["pump", "bucket"], litres(bench) | HEARD).run()
    found = checked.found["bucket"]
    assert found.verdict == OK, checked.said
    for share, duty in ((36, 0.36), (55, 0.55), (100, 1.0)):
        true_kg_s = 0.5 * (duty * 12.6 / 12.0 - 0.1275) / 0.8725
        assert found.values[f"flow_at_{share}_kg_s"] == pytest.approx(true_kg_s, rel=0.08)


def test_a_full_flow_that_the_settings_have_wrong_is_told_with_its_line(build):
    bench = build(fitted=("amps",))
    found = Checked(bench, ["bucket"], litres(bench, 0.5) | YES).run().found["bucket"]
    assert found.verdict == WRONG and 'full_flow = "' in found.mend and "settings say 30 L/min" in found.seen


def test_more_power_and_less_water_is_air(build):
    bench, poured = build(fitted=("amps",)), iter(["6 L", "4 L", "9 L"])
    found = Checked(bench, ["bucket"], YES | {"How many": lambda: next(poured)}).run().found["bucket"]
    assert found.verdict == WRONG and "more power, less water" in found.seen and "air" in found.mend


def test_an_empty_bucket_ends_the_check_of_the_pump(build):
    bench = build("pump dead", fitted=())
    found = Checked(bench, ["bucket"], litres(bench) | YES).run().found["bucket"]
    assert found.verdict == WRONG and "no water comes" in found.seen


# --- what it never does


def test_nothing_moves_without_consent(build):
    bench = build()
    checked = Checked(bench, MOVES, {"goes on": "n"}).run()
    assert bench.most == 0.0 and checked.done
    moved = [f for f in checked.report.findings if f.name in ("pump", "fan")]
    assert [f.verdict for f in moved] == [LEFT, LEFT] and checked.report.code == 0


def test_nothing_moves_when_nobody_is_there(build):
    bench = build()
    Checked(bench, MOVES, None).run()
    assert bench.most == 0.0


def test_a_pump_that_does_not_work_is_not_tried_again(build):
    bench = build("pump dead")
    ran = time_on(bench, 18)
    found = Checked(bench, ["pump", "swap"], YES).run().found
    assert "does not work yet" in found["supply/return"].seen and "--only pump swap" in found["supply/return"].mend
    assert ran[0] <= 16.0


@pytest.mark.parametrize("fitted", [(), ("flow",)])
def test_a_pump_without_water_runs_half_a_minute_at_most(build, fitted):
    bench = build("pump dead", fitted=fitted)
    ran = time_on(bench, 18)
    Checked(bench, ["pump", "bucket", "battery", "swap"], litres(bench) | HEARD).run()
    assert 5.0 < ran[0] <= 31.0


def time_on(bench, pin):
    """Counts the seconds that a pin is high."""
    ran, before = [0.0], bench.pass_time

    def count(seconds):
        ran[0] += min(max(seconds, 0.0), 1.0) * (bench.factory.pin(pin).state > 0.0)
        before(seconds)

    bench.pass_time = count
    return ran


def test_a_low_battery_keeps_its_output_still_and_the_other_moves(build):
    bench = build()
    bench.volts_v = [11.2, 12.7]
    bench.write()
    pump, fan = time_on(bench, 18), time_on(bench, 13)
    checked = Checked(bench, ["pump", "fan", "battery"], yes=True).run()
    assert pump[0] == 0.0 and fan[0] > 5.0
    assert "its battery is low" in checked.found["pump"].seen and checked.found["pump battery"].verdict == WRONG


@pytest.mark.parametrize(
    ("rig", "why"),
    [
        ({"core_c": 44.0, "supply_c": 20.0, "seen_c": 20.0}, "the core is too near its floor"),
        ({"supply_c": 0.2, "seen_c": 0.2}, "the line may be frozen"),
        ({"supply_c": 75.0, "seen_c": 75.0}, "the water is dangerously hot"),
    ],
)
def test_the_guards_of_the_pile_and_the_line_hold(build, rig, why):
    bench = build(**rig)
    checked = Checked(bench, ["pump"], yes=True).run()
    assert why in checked.found["pump"].seen and bench.most == 0.0


def test_a_pile_that_is_being_built_lets_the_pump_be_checked(build):
    checked = Checked(build(core_c=20.0, supply_c=19.0, seen_c=19.0), ["pump"], yes=True).run()
    assert checked.found["pump"].verdict == OK


def test_warm_water_from_a_pile_near_its_floor_ends_the_run(build):
    bench = build(core_c=44.0, supply_c=12.0, seen_c=12.0)
    checked = Checked(bench, ["pump"], yes=True)
    checked.kit.ends_s = float("inf")
    ran = time_on(bench, 18)
    checked.run()
    assert 0.0 < ran[0] < 12.0, "it drew on"


def test_a_draw_takes_less_than_half_a_kelvin_of_the_core(build):
    bench = build(fitted=("flow",), full_kg_s=0.5, coil_kg=400.0)
    checked = Checked(bench, ["swap"], yes=True, pile_wet_mass_kg=500.0)
    for place in (SUPPLY, RETURN):
        bench.raw[place] = b"20000\n"  # probes that never rise
    bench.raw[RETURN] = b"5000\n"
    bench.write()
    checked.run()
    assert checked.kit.guards.cooled_k < 0.6
    assert "cooled the core" in checked.found["supply/return"].seen


# --- questions


def test_a_question_that_nobody_answers_is_left_out_in_time(build):
    bench = build()
    checked = Checked(bench, ["pump"], {"goes on": lambda: None})
    checked.run()
    assert checked.found["pump"].verdict == LEFT and bench.now_s - 100.0 < ANSWER_S + 10.0


def test_all_of_it_is_over_in_time_even_if_nobody_ever_answers(build, monkeypatch):
    assert LONGEST_S + DRAW_S / 3.0 <= 30 * 60
    monkeypatch.setattr("warmheap.check_live.LONGEST_S", 90.0)
    monkeypatch.setattr("warmheap.check_kit.ANSWER_S", 40.0)
    bench = build(fitted=())
    checked = Checked(bench, [n for n in NAMES if n in (*MOVES, "hold")], {".": lambda: None}).run()
    assert checked.done and bench.now_s - 100.0 <= 100.0 and bench.most == 0.0
    assert checked.found["swap"].seen == OVER == checked.found["fan"].seen


def test_what_runs_when_time_is_over_stops_and_is_no_verdict(build, monkeypatch):
    monkeypatch.setattr("warmheap.check_live.LONGEST_S", 7.0)
    checked = Checked(build("pump dead"), ["pump"], yes=True).run()
    assert checked.found["pump"].verdict == LEFT and OVER in checked.found["pump"].seen


def test_what_makes_no_sense_is_asked_again(build):
    lines = iter(["perhaps", "y"])
    checked = Checked(build(), ["pump"], {"goes on": lambda: next(lines)}).run()
    assert checked.found["pump"].verdict == OK and any("neither y nor n" in text for text in checked.said)


# --- endings


class Striking(VirtualHeart):
    """Something happens while the pump runs."""

    def __init__(self, bench, strike):
        super().__init__(bench)
        self.strike, self.struck = strike, False

    def wait(self, seconds):
        if self.bench.factory.pin(18).state > 0.0:
            self.struck = True
            self.strike(self)
        return super().wait(seconds)


def stop(heart):
    heart.stop()


def fail(heart):
    raise ZeroDivisionError("made on purpose")


def interrupt(heart):
    raise KeyboardInterrupt


@pytest.mark.parametrize("strike", [stop, fail, interrupt])
def test_outputs_are_off_at_every_end(build, strike):
    bench = build()
    checked = Checked(bench, ["pump"], yes=True, heart=Striking(bench, strike))
    try:
        checked.run()
        assert not checked.done
    except (ZeroDivisionError, KeyboardInterrupt):
        pass
    assert checked.heart.struck and checked.after == [0.0, 0.0]


def test_an_output_that_does_not_obey_is_told(build):
    bench = build()
    checked = Checked(bench, ["pump"], yes=True)
    driver = checked.plant.outputs["pump"].driver
    driver.duty = lambda: 0.1 if driver._device.value else 0.0
    checked.run()
    found = checked.found["outputs"]
    assert found.verdict == WRONG and "told 0.60 and puts out 0.10" in found.seen and checked.duties() == [0.0, 0.0]
