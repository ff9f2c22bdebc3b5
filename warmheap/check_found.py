"""What a check found: verdict, what was seen, how to mend it; in narrow lines and as JSON."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Any

from .narrow import wrapped

OK, WRONG, UNKNOWN, LEFT = "ok", "wrong", "unknown", "left out"
MARKS = {OK: "ok ", WRONG: "!! ", UNKNOWN: "?  ", LEFT: "-  "}
GOOD, BAD = 0, 1
Words = Callable[[str], str]
INDENT = "   "


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at. ``mend`` says what to do; ``values`` are figures for machines, in SI units."""

    name: str
    verdict: str
    seen: str
    mend: str = ""
    values: Mapping[str, float] = field(default_factory=dict)

    def lines(self, in_units: Words = str) -> list[str]:
        """What was seen, and how to mend it: one line each, folded where the terminal is narrow.

        ``in_units`` puts what was seen into the user's units; lines for the settings file stay as they are.
        """
        told = [wrapped(f"{MARKS[self.verdict]}{self.name}: {in_units(self.seen)}", INDENT)]
        return told + ([wrapped(f"{INDENT}-> {self.mend}", INDENT + "   ")] if self.mend else [])


class Report:
    """All findings, told one by one as they come."""

    def __init__(self, say: Callable[[str], None], in_units: Words = str) -> None:
        self._say, self._in_units = say, in_units
        self.findings: list[Finding] = []

    def add(self, *findings: Finding) -> None:
        """Take findings and tell them."""
        for finding in findings:
            self.findings.append(finding)
            self._say("\n".join(finding.lines(self._in_units)))

    def with_verdict(self, verdict: str) -> list[Finding]:
        """The findings of one verdict."""
        return [finding for finding in self.findings if finding.verdict == verdict]

    def says(self, name: str, verdict: str) -> bool:
        """Whether there is a finding of this name with this verdict."""
        return any(f.name == name and f.verdict == verdict for f in self.findings)

    @property
    def code(self) -> int:
        """The exit code: 1 when anything is wrong."""
        return BAD if self.with_verdict(WRONG) else GOOD

    def close(self, stopped: bool = False) -> None:
        """Tell what it came to, what is wrong once more, all of it in one place."""
        wrong, counts = self.with_verdict(WRONG), {v: len(self.with_verdict(v)) for v in MARKS}
        self._say("")
        if stopped:
            self._say(wrapped("Stopped before the end; outputs off."))
        for finding in wrong:
            self._say("\n".join(finding.lines(self._in_units)))
        left = [f"{counts[v]} {words}" for v, words in ((UNKNOWN, "cannot be told"), (LEFT, "left out")) if counts[v]]
        verdict = f"{len(wrong)} wrong" if wrong else "Nothing wrong so far" if stopped else "Nothing is wrong"
        self._say(wrapped(", ".join([f"{verdict}: {counts[OK]} ok", *left]) + "."))

    def as_json(self, minutes: float, stopped: bool) -> dict[str, Any]:
        """Everything as JSON values."""
        rows = [
            {"name": f.name, "verdict": f.verdict, "seen": f.seen, "mend": f.mend, "values": _finite(f.values)}
            for f in self.findings
        ]
        wrong = len(self.with_verdict(WRONG))
        return {
            "ok": not wrong and not stopped,
            "wrong": wrong,
            "stopped": stopped,
            "minutes": minutes,
            "findings": rows,
        }


def _finite(values: Mapping[str, float]) -> dict[str, float | None]:
    """JSON has no NaN."""
    return {name: value if isfinite(value) else None for name, value in values.items()}
