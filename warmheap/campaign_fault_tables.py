"""A fault campaign as text."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.table import Table


def faults_table(told: dict[str, Any]) -> Table:
    """A line a fault."""
    from rich.table import Table

    table = Table(title=f"{told['scenario']}: {told['done']} episodes of trouble, seed {told['seed']}")
    table.add_column("Fault")
    for heading in (
        "Episodes",
        "Took effect",
        "Unsafe",
        "of these alone",
        "Could be seen",
        "Named",
        "In time, of those promised",
        "Median min",
        "95 % min",
    ):
        table.add_column(heading, justify="right")
    for name, line in told["faults"].items():
        table.add_row(name, *cells(line), style="red" if line["unsafe"] else "")
    return table


def cells(line: dict[str, Any]) -> list[str]:
    """The numbers of a fault."""
    share = f"{line['named'] / line['seen']:.0%}" if line["seen"] else "-"
    waits = [f"{line[k]:.0f}" if line[k] is not None else "-" for k in ("median_min", "p95_min")]
    promised = f"{line['kept']} of {line['due']}" if line["due"] else "-"
    return [str(line[k]) for k in ("n", "bit", "unsafe", "unsafe_alone", "seen")] + [share, promised, *waits]


def rules_table(told: dict[str, Any]) -> Table:
    """A line a broken rule."""
    from rich.table import Table

    table = Table(title="Rules broken by faults (see docs/faults.md)")
    for heading in ("Rule", "Episodes", "Most often with"):
        table.add_column(heading, justify="right" if heading == "Episodes" else "left")
    for code, line in told["rules"].items():
        table.add_row(code, str(line["episodes"]), ", ".join(f"{name} ({n})" for name, n in line["with"].items()))
    return table


def fault_lines(told: dict[str, Any]) -> list[str]:
    """What comes under the tables."""
    lines = _faultless_lines(told["faultless"]) if "faultless" in told else _total_lines(told)
    lines += [f"run {row['run']} broke down: {row['error']}" for row in told["failed"]]
    return [*lines, f"wrote {told['file']}"]


def _total_lines(told: dict[str, Any]) -> list[str]:
    t = told["totals"]
    lines = [
        f"{t['unsafe_episodes']} of {t['episodes']} episodes unsafe because of faults;"
        f" {t['unsafe_anyway_episodes']} break a rule that the same days break without a fault too.",
        f"{t['bit']} of {t['faults']} faults took effect; {t['seen']} could be seen, {t['named']} of them were named"
        f" ({t['named_tellable']} of the {t['tellable']} that an alarm stands for).",
        f"{t['due']} stood for longer than the time in which they are promised to be named: {t['kept']} were in time.",
        f"In {t['alarmed']} episodes an alarm came that the faultless days do not "
        f"raise; in {t['first_right']} the first one named the cause.",
    ]
    lines += [f"no effect: {e['fault']} in episode {e['run']} ({e['episode']})" for e in t["no_bite"]]
    if told["rules"]:
        lines.append("One episode for each broken rule, made as small as it goes, again with its picture:")
    return lines + [f"  {code}: {line['replay']}" for code, line in told["rules"].items()]


def _faultless_lines(f: dict[str, Any]) -> list[str]:
    rate = "-" if f["notices_a_week"] is None else f"{f['notices_a_week']:.2f}"
    lines = [
        f"{f['stretches']} stretches without a fault, {f['weeks']:.0f} weeks: "
        f"{f['false_trips']} false trips, {rate} notices a week.",
        f"notices: {_counts(f['notices'])}; trips: {_counts(f['trips'])}",
        f"{f['unsafe_stretches']} stretches break a rule all the same: {_counts(f['broken'])}",
    ]
    return lines + [f"  {entry['replay']}" for entry in f["worst"]]


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{name} {n}" for name, n in counts.items()) or "none"
