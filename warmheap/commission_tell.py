"""What a session says on the terminal: plain narrow lines, fit for a phone."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite
from typing import TYPE_CHECKING, Any

from controller.commissioning import SessionStep
from controller.commissioning_plan import ORDER
from controller.signals import Measurements

from .learned import Document, Taken, in_file, shown

if TYPE_CHECKING:
    from controller.commissioning import Commissioning
    from controller.commissioning_results import Learned

EVERY_S = 30.0
BEFORE = (
    "The pump and the fan will be driven for 20 to 40 minutes.",
    "CAUTION, scald: the water that stood in the pile comes out as hot as the pile, above 60 degC. Keep everybody, "
    "children above all, away from open ends; gloves and boots at the bucket.",
    "CAUTION: moving parts start by themselves. Hands off the fan. Pile air holds ammonia and carbon dioxide: air the "
    "greenhouse before you go in.",
    "Best after eight hours without flow, with the core at 55 degC or more and freshly charged batteries. Not while "
    "the line may be frozen: a pump against ice breaks it.",
    "Ctrl-C stops it at any time, outputs off; the same command takes it up again. Local codes and the usual care "
    "with batteries and mains rank above all this.",
)
FACTS = {
    "return_offset_k": "return probe reads more than the supply probe by",
    "supply_delay_s": "warm water needs, to the supply probe",
    "supply_lag_s": "after that, 63 % of the rise takes",
    "coil_ua_fresh_w_k": "coil in a fresh bed passes",
}
AFTER = "The pump is off, but the pipes hold hot water: let them cool before you put the bucket away."


class Narrator:
    """Says what the session does and why, once a stage, and how it goes every half minute."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._stage = self._reason = ""
        self._said_s = -EVERY_S

    def hear(self, step: SessionStep, m: Measurements) -> None:
        """Tell of one step what is new in it."""
        if step.stage != self._stage:
            self._stage, self._said_s = step.stage, m.time_s
            self._say("")
            self._say(f"[{ORDER.index(step.stage) + 1}/{len(ORDER)}] {step.instruction}")
        if step.reason != self._reason and not step.done:
            self._reason = step.reason
            self._say(f"Waiting: {step.reason}." if step.reason else "Going on.")
        if m.time_s - self._said_s >= EVERY_S and step.question is None and not step.done:
            self._said_s = m.time_s
            self._say("  " + progress(step, m))


def progress(step: SessionStep, m: Measurements) -> str:
    """One short line on what is put out and what is seen."""
    parts = [f"pump {step.commands.pump_duty:.0%}", f"fan {step.commands.fan_duty:.0%}"]
    for form, value in (
        ("{:.1f} L/min", 60.0 * m.water_flow_kg_s), ("water {:.1f} C", m.water_supply_c), ("core {:.1f} C", m.pile_core_c),
    ):  # fmt: skip
        parts += [form.format(value)] if isfinite(value) else []
    return ", ".join(parts)


def results(taken: Taken, session: Commissioning, where: str) -> list[str]:
    """What was learned, what was not and why, in lines."""
    settings = taken.document.settings
    lines = [f"{shown(name, entry)} (+/- {_sd(entry)})" for name, entry in settings.items()]
    lines += [f"{FACTS[name]}: {_fact(name, entry)}" for name, entry in _told(taken.document)]
    if not settings:
        lines.append("No setting was learned; the old values stay.")
    lines += [f"Stays as it was: {text}" for text in taken.left]
    lines += [f"Stage {stage!r} was left out: {reason}." for stage, reason in session.given_up.items()]
    if "coil_ua_fresh_w_k" in taken.document.facts:
        lines.append(
            "The coil is noted only: in a fresh bed it passes about twice what it passes after hours of drawing, which "
            f"is what {in_file('coil_ua_w_k')} means."
        )
    if settings or taken.document.facts:
        lines.append(f"Kept in {where}, beside the settings file, which is as it was. 'warmheap run' uses it from its "
                     "next start with that state folder; 'warmheap commission --forget' goes back.")  # fmt: skip
    return lines


def _told(document: Document) -> list[tuple[str, dict[str, Any]]]:
    return [(name, entry) for name, entry in document.facts.items() if not isinstance(entry["value"], list)]


def _fact(name: str, entry: dict[str, Any]) -> str:
    unit = "W/K" if name.endswith("_w_k") else "K" if name.endswith("_k") else "s"
    return f"{entry['value']:.3g} {unit} (+/- {entry['sd']:.2g})"


def _sd(entry: dict[str, Any]) -> str:
    return f"{entry['sd']:.2g}"


def report(taken: Taken, found: Learned, session: Commissioning, where: str) -> dict[str, Any]:
    """Everything as JSON values."""
    from controller.commissioning_results import as_json

    return {
        "minutes": found.seconds / 60.0,
        "core_cooled_estimate_k": found.cooled_k,
        "kept": taken.document.settings,
        "facts": taken.document.facts,
        "not_kept": list(taken.left),
        "left_out": session.given_up,
        "cut": list(session.cut),
        "state": where,
        "verdicts": {name: verdict.reason for name, verdict in found.verdicts().items()},
        "findings": as_json(found),
    }


def what_is_kept(document: Document | None) -> list[str]:
    """What ``--show`` prints."""
    if document is None:
        return ["Nothing was learned yet: the settings file's own values are used."]
    lines = [f"{shown(n, e)} (+/- {_sd(e)}), {e['date'][:10]}" for n, e in document.settings.items()]
    return lines + [f"{FACTS.get(n, n)}: {_fact(n, e)}, {e['date'][:10]}" for n, e in _told(document)]
