"""What commissioning learned, kept beside the settings file: each value with the old one, its date and uncertainty.

It goes into a file of its own and not into the grower's: a program that rewrites a file loses its comments, may meet the
grower's editor half-way, and a power cut then costs the wiring too. The later word counts: a value that the grower has
changed in the settings file since it was learned is taken from there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import isfinite
from typing import TYPE_CHECKING, Any, NamedTuple

from controller.settings import ControllerSettings, SettingsError

if TYPE_CHECKING:
    from controller.commissioning_gains import LoopGains
    from controller.commissioning_results import Learned
    from controller.identify.verdict import Verdict
    from hardware.settings import BoardSettings

    from .settings_file import Settings

VERSION = 1
SAME = 1e-9
NEAR_FULL = 0.97
PAIR = ("water_supply_c", "water_return_c")
Entry = dict[str, Any]


class Document(NamedTuple):
    """``settings``: fields of ``ControllerSettings`` to value, sd, was (the file's then), date. ``facts``: the same
    without ``was``, of things that are no setting. All in SI."""

    settings: dict[str, Entry]
    facts: dict[str, Entry]

    def as_json(self) -> dict[str, Any]:
        """As it is kept."""
        return {"version": VERSION, **self._asdict()}


class Taken(NamedTuple):
    """What a session gives: what is to be kept, and in one line each why the rest is not."""

    document: Document
    left: tuple[str, ...]


def read(kept: Any) -> Document:
    """The document in ``kept`` JSON values; ``ValueError`` when it is none."""
    if not isinstance(kept, Mapping) or kept.get("version") != VERSION:
        raise ValueError("it is of another version")
    parts = [kept.get(name) for name in Document._fields]
    for part in parts:
        if not isinstance(part, dict) or not all(_sound(entry) for entry in part.values()):
            raise ValueError("a part of it is missing")
    return Document(*parts)  # type: ignore[arg-type]  # just looked at


def _sound(entry: Any) -> bool:
    return isinstance(entry, dict) and "value" in entry and isinstance(entry.get("date"), str)


def merged(old: Document | None, new: Document) -> Document:
    """``new`` over ``old``: what the later session did not find stays as the earlier one found it."""
    if old is None:
        return new
    return Document(old.settings | new.settings, old.facts | new.facts)


# --- from a session


def taken(found: Learned, file: Settings, date: str) -> Taken:
    """What of a session is kept: every result that is good, and for each other one the reason why not."""
    settings: dict[str, Entry] = {}
    left: list[str] = []
    for part, verdict, values in _settings_of(found):
        entries = {
            name: {"value": value, "sd": sd, "was": getattr(file.controller, name), "date": date}
            for name, (value, sd) in values.items()
            if verdict.good and isfinite(value)
        }
        wrong = _refused(file.controller, settings | entries)
        if verdict.good and not wrong:
            settings |= entries
        else:
            left.append(f"{part}: {wrong or verdict.reason}")
    if found.pump.verdict.good and "pump_full_flow_kg_s" not in settings:
        left.append("pump.full_flow: Repeat with all of the steps up: full power was not reached.")
    facts, said = _facts(found, file, date)
    return Taken(Document(settings, facts), (*left, *said))


def _refused(settings: ControllerSettings, entries: Mapping[str, Entry]) -> str:
    """Why these values cannot be settings; empty when they can."""
    try:
        replace(settings, **{name: entry["value"] for name, entry in entries.items()})
    except SettingsError as wrong:
        return f"Not kept: {wrong}."
    return ""


Values = dict[str, tuple[float, float]]


def _settings_of(found: Learned) -> list[tuple[str, Verdict, Values]]:
    """Each part with its verdict and the settings it gives, the pump before the loop that counts on its curve."""
    verdicts = found.verdicts()
    return [
        ("pump", verdicts["pump"], _pump(found)),
        ("fan", verdicts["fan"], _fan(found)),
        ("flow loop", found.flow_loop.verdict, _loop(found.flow_loop, "flow_loop_gain", "flow_loop_integral_s")),
        (
            "supply loop",
            found.supply_loop.verdict,
            _loop(found.supply_loop, "supply_loop_gain_per_k", "supply_loop_integral_s"),
        ),
        ("flow meter", found.meter.verdict, {"flow_meter_gain": _pair(found.meter.scale, found.meter.scale_sd)}),
        ("water in the coil", found.water.verdict, {"coil_water_kg": _pair(found.water.kg, found.water.sd_kg)}),
    ]


def _pump(found: Learned) -> Values:
    pump = found.pump
    seen = bool(pump.drive) and pump.drive[-1] >= NEAR_FULL  # beyond what was tried the curve would be a guess
    full = (pump.at(1.0), pump.reading_sd[-1]) if seen else (float("nan"), float("nan"))
    return {
        "pump_start_duty": _pair(pump.start_duty, pump.start_sd_duty),
        "pump_run_duty": _pair(pump.run_duty, pump.run_sd_duty),
        "pump_full_flow_kg_s": _pair(*full),
    }


def _fan(found: Learned) -> Values:
    fan = found.fan
    return {
        "fan_start_duty": _pair(fan.start_duty, fan.start_sd_duty),
        "fan_run_duty": _pair(fan.run_duty, fan.run_sd_duty),
    }


def _loop(found: LoopGains, gain: str, integral: str) -> Values:
    return {gain: _pair(found.gain, found.gain_sd), integral: _pair(found.integral_s, found.integral_sd_s)}


def _pair(value: float, sd: float) -> tuple[float, float]:
    return round(float(value), 6), round(float(sd), 6)


def _facts(found: Learned, file: Settings, date: str) -> tuple[dict[str, Entry], list[str]]:
    """What is good but no setting. The coil in a fresh bed passes about twice what it passes after hours of drawing,
    which is what the setting means; no measured law leads from one to the other, so it is never written there."""
    parts = (
        ("probes", "return_offset_k", found.probes.offset_k, found.probes.offset_sd_k, found.probes.verdict),
        ("start", "supply_delay_s", found.start.delay_s, found.start.delay_sd_s, found.start.verdict),
        ("start", "supply_lag_s", found.start.lag_s, found.start.lag_sd_s, found.start.verdict),
        ("coil", "coil_ua_fresh_w_k", found.coil.ua_w_k, found.coil.ua_sd_w_k, found.coil.verdict),
    )
    facts: dict[str, Entry] = {}
    left: dict[str, str] = {}
    for part, name, value, sd, verdict in parts:
        if verdict.good and isfinite(value):
            facts[name] = dict(zip(("value", "sd"), _pair(value, sd), strict=True)) | {"date": date}
        else:
            left[part] = f"{part}: {verdict.reason}"
    if "return_offset_k" in facts:
        facts["return_offset_k"]["pair"] = pair_of(file.board)
    if found.pump.verdict.good:
        curve = {"value": [float(x) for x in found.pump.drive], "reading": [float(x) for x in found.pump.reading]}
        facts["pump_curve"] = {**curve, "sd": [float(x) for x in found.pump.reading_sd], "date": date}
    return facts, list(left.values())


def pair_of(board: BoardSettings | None) -> str:
    """The two water probes and what the file adds to them: an offset found for one pair is no other pair's."""
    if board is None or not all(name in board.probes for name in PAIR):
        return ""
    return " ".join(f"{board.probes[name]}{board.probe_offset_k.get(name, 0.0):+.3f}" for name in PAIR)


# --- to a run


def applied(file: Settings, document: Document) -> tuple[Settings, list[str]]:
    """The settings with what was learned over the file's values, and one line on it. ``SettingsError``."""
    used, changed = {}, []
    for name, entry in document.settings.items():
        if not hasattr(file.controller, name):
            raise SettingsError(f"{name} is no setting of the controller")
        if not abs(getattr(file.controller, name) - entry["was"]) <= SAME:
            changed.append(name)
        else:
            used[name] = entry
    controller = replace(file.controller, **{name: entry["value"] for name, entry in used.items()})
    board, offset = _with_offset(file.board, document.facts.get("return_offset_k"))
    said = [_used(used, offset)] if used or offset else []
    if changed:
        word = ", ".join(in_file(name) for name in changed)
        said.append(f"{word} changed in the settings file since it was learned: the file's value is used")
    return replace(file, controller=controller, board=board), said


def _with_offset(board: BoardSettings | None, entry: Entry | None) -> tuple[BoardSettings | None, str]:
    """The board with the return probe matched to the supply probe, if these are still the two that were compared."""
    if board is None or entry is None or not entry.get("pair") or entry["pair"] != pair_of(board):
        return board, ""
    offset_k = float(entry["value"])
    if not abs(offset_k) <= 3.0:
        raise SettingsError(f"return_offset_k = {offset_k} is no offset of a probe")
    offsets = board.probe_offset_k | {PAIR[1]: board.probe_offset_k.get(PAIR[1], 0.0) - offset_k}
    return replace(board, probe_offset_k=offsets), f"water_return {-offset_k:+.2f} K ({entry['date'][:10]})"


def _used(used: Mapping[str, Entry], offset: str) -> str:
    words = [f"{shown(name, entry)} ({entry['date'][:10]})" for name, entry in used.items()]
    return "learned values are used: " + ", ".join([*words, *([offset] if offset else [])])


def shown(name: str, entry: Entry) -> str:
    """A learned setting in the file's words, beside the old one."""
    new, old = (_quantity(name, entry[key]) for key in ("value", "was"))
    return f"{in_file(name)} {new} instead of {old}"


def in_file(name: str) -> str:
    """What a field of the controller's settings is called in the settings file."""
    return next((key.path for key in _keys() if key.target == name), name)


def _quantity(name: str, value: float) -> str:
    from .units import from_si

    kind = next((key.kind for key in _keys() if key.target == name), "1")
    return from_si(float(f"{value:.4g}"), kind)


def _keys() -> Any:
    from .settings_table import KEYS

    return KEYS
