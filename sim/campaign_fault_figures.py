"""What a fault campaign came to: a line a fault, a line a broken rule, and the faultless arm."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from typing import Any

import numpy as np

from sim.campaign import Row
from sim.episodes import parsed
from sim.fault_campaign import TRIPS, weeks
from sim.faults.library import FAULTS


def sound(rows: list[Row]) -> list[Row]:
    """Rows of runs that did not break down."""
    return [row for row in rows if not row["error"]]


def by_fault(rows: list[Row]) -> dict[str, dict[str, Any]]:
    """A line for each fault that came up: how often, did it bite, was it unsafe, could it be seen, was it named and when.

    ``unsafe``: episodes with this fault in which a rule was broken that the same days without a fault keep;
    ``unsafe_alone``: those
    with no other fault. Times in minutes since it could first be seen.
    """
    told: dict[str, list[dict[str, Any]]] = defaultdict(list)
    unsafe: Counter[str] = Counter()
    alone: Counter[str] = Counter()
    for row in sound(rows):
        entries = json.loads(row["told"])
        for entry in entries:
            told[entry["name"]].append(entry)
            unsafe[entry["name"]] += row["unsafe"] != "{}"
            alone[entry["name"]] += row["unsafe"] != "{}" and len(entries) == 1
    return {name: _line(told[name], unsafe[name], alone[name]) for name in FAULTS if name in told}


def _line(entries: list[dict[str, Any]], unsafe: int, alone: int) -> dict[str, Any]:
    seen = [e for e in entries if e["shown_h"] is not None]
    named = [e for e in seen if e["named_h"] is not None]
    waits_min = [60.0 * max(e["named_h"] - e["shown_h"], 0.0) for e in named]
    return {
        "n": len(entries),
        "bit": sum(e["bit"] for e in entries),
        "unsafe": unsafe,
        "unsafe_alone": alone,
        "seen": len(seen),
        "named": len(named),
        "due": sum(map(due, entries)),
        "kept": sum(map(kept, entries)),
        "median_min": float(np.median(waits_min)) if waits_min else None,
        "p95_min": float(np.percentile(waits_min, 95)) if waits_min else None,
        "codes": dict(Counter(e["code"] for e in named).most_common()),
    }


def due(entry: dict[str, Any]) -> bool:
    """Whether a fault had shown for as long as the time in which one of its alarms is promised."""
    kind = FAULTS[entry["name"]]
    promised = entry["promised"] and entry["severity"] >= kind.promised_from  # a file may be older than the promise
    return bool(promised and entry["showed_h"] >= kind.promised_h)


def kept(entry: dict[str, Any]) -> bool:
    """Whether such a promise was kept: named in time."""
    return due(entry) and entry["named_h"] is not None and entry["named_after_h"] <= FAULTS[entry["name"]].promised_h


def by_rule(rows: list[Row]) -> dict[str, dict[str, Any]]:
    """A line for each rule that faults made break, most often first, with the episode that has the fewest faults."""
    found: dict[str, list[Row]] = defaultdict(list)
    for row in sound(rows):
        for code in json.loads(row["unsafe"]):
            found[code].append(row)
    lines = {}
    for code, those in sorted(found.items(), key=lambda item: -len(item[1])):
        best = min(those, key=lambda row: (len(json.loads(row["told"])), row["run"]))
        at_h, state = json.loads(best["unsafe"])[code]
        faults = Counter(e["name"] for row in those for e in json.loads(row["told"]))
        lines[code] = {
            "episodes": len(those), "run": best["run"], "episode": best["episode"], "at_h": at_h, "state": state,
            "with": dict(faults.most_common(4)),
        }  # fmt: skip
    return lines


def totals(rows: list[Row]) -> dict[str, Any]:
    """The campaign in a few numbers. Named first: the first alarm that the faultless days do not raise tells a
    fault's class."""
    good = sound(rows)
    entries = [e for row in good for e in json.loads(row["told"])]
    seen = [e for e in entries if e["shown_h"] is not None]
    alarmed = [row for row in good if row["first_new"] and row["told"] != "[]"]
    right = [row for row in alarmed if row["first_new"] in _classes(row)]
    return {
        "episodes": len(good),
        "broke_down": len(rows) - len(good),
        "faults": len(entries),
        "bit": sum(e["bit"] for e in entries),
        "unsafe_episodes": sum(row["unsafe"] != "{}" for row in good),
        "unsafe_anyway_episodes": sum(row["anyway"] != "[]" for row in good),
        "seen": len(seen),
        "named": sum(e["named_h"] is not None for e in seen),
        "tellable": sum(bool(FAULTS[e["name"]].names) for e in seen),
        "named_tellable": sum(e["named_h"] is not None for e in seen if FAULTS[e["name"]].names),
        "due": sum(map(due, entries)),
        "kept": sum(map(kept, entries)),
        "alarmed": len(alarmed),
        "first_right": len(right),
        "no_bite": [
            {"run": row["run"], "fault": e["name"], "episode": row["episode"]}
            for row in good for e in json.loads(row["told"]) if not e["bit"]
        ],
    }  # fmt: skip


def _classes(row: Row) -> frozenset[str]:
    return frozenset().union(*(FAULTS[f.name].names for f in parsed(row["episode"]).faults))


def faultless_figures(rows: list[Row]) -> dict[str, Any]:
    """Weeks without a fault: false trips, notices a week, and rules that were broken all the same."""
    good, span = sound(rows), weeks(rows)
    raised = Counter(code for row in good for _, code in json.loads(row["raised"]))
    trips = {code: n for code, n in raised.most_common() if code in TRIPS}
    broken = Counter(code for row in good for code in json.loads(row["unsafe"]))
    return {
        "stretches": len(good),
        "broke_down": len(rows) - len(good),
        "weeks": span,
        "notices": dict(raised.most_common()),
        "notices_a_week": sum(raised.values()) / span if span else None,
        "trips": trips,
        "false_trips": sum(trips.values()),
        "unsafe_stretches": sum(row["unsafe"] != "{}" for row in good),
        "broken": dict(broken.most_common()),
        "worst": [
            {"run": row["run"], "episode": row["episode"], "unsafe": json.loads(row["unsafe"])}
            for row in good
            if row["unsafe"] != "{}"
        ][:10],
    }  # fmt: skip
