"""What is said about one alarm, and how long its condition must last."""

from __future__ import annotations

from dataclasses import dataclass

NOTICE, WARNING, CRITICAL = "notice", "warning", "critical"
MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0
MOST_PLACES = 2.0**32


def places_in(value: float) -> int:
    """Return the set of places, a bit each, that a remembered number means; none for what can mean no set."""
    return int(value) if 0.0 <= value < MOST_PLACES else 0


@dataclass(frozen=True, slots=True)
class AlarmKind:
    """One condition worth telling: after how long it is raised and cleared [s], and what to say.

    ``names``: the value quoted is a set of places in this list, a bit each, and their words are shown instead.
    ``latched``: it stays among the active alarms until somebody acknowledges it, since it left something to look at.
    """

    code: str
    severity: str
    on_delay_s: float
    off_delay_s: float
    seen: str
    do: str
    cause: str = ""
    clears: str = ""
    quantity: str = ""
    latched: bool = False
    names: tuple[str, ...] = ()

    def shown(self, value: float) -> str:
        """Return what is seen, with ``value`` (NaN: not known) in its place."""
        if value != value:
            return self.seen.replace("{}", "unknown")
        return self.seen.replace("{}", self._named(places_in(value)) if self.names else f"{value:.1f}")

    def _named(self, places: int) -> str:
        words = [name for place, name in enumerate(self.names) if places >> place & 1]
        return " and ".join(filter(None, (", ".join(words[:-1]), words[-1]))) if words else "unknown"
