"""The page of the faults, written from the tables here and from campaign files: ``python -m sim.campaign_faults_page
FILE.sqlite ...``.

The name of a file is that of its scenario; several of one name (other seeds, in other folders) count together. A file of
the faultless arm is told apart by what it says of itself.
"""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Any

from controller.alarm_kinds import KINDS as ALARMS
from sim.campaign import Row
from sim.campaign_book import read_book
from sim.campaign_fault_figures import by_fault, by_rule, faultless_figures, totals
from sim.fault_campaign import KIND
from sim.faults.kinds import FaultKind
from sim.faults.library import FAULTS, GROUPS
from sim.faults.stories import ELSEWHERE, STORIES
from sim.rules import RULES, rules_text

HEAD = """# When things break

Written by `make docs-faults` from the fault library (`sim/faults`), the rules (`sim/rules.py`) and the last campaign.
Plants are invented, weather is real typical years. warmheap is no safety device: local codes and licensed people rank
above this page.

```sh
# goes on where it was stopped
warmheap campaign faults mild-wet-winter --episodes 200 --seed 1 --out out/faults.sqlite
# false trips and notices
warmheap campaign faults mild-wet-winter --faultless --episodes 60 --seed 1 --out out/sound.sqlite
# one episode, with its picture
warmheap campaign faults mild-wet-winter --episode '0/12/1:pump-seized@2+12*1' --out out/one
```

An episode is a random plant (up to 50 % off its design, some with lithium batteries, a CO2 probe, or few sensors) in
the middle of its winter under our controller, with one to three faults. `0/12/1:pump-seized@2+12*1` reads: plant 0,
day 12 of its winter, for one day; the pump seizes after 2 h, for 12 h, at severity 1 (0 is the mild end of the range,
1 the harsh one). Each fault proves on two copies of the plant, side by side, that it bites. An episode is *unsafe* when
it breaks a rule that the same days without a fault keep.
"""
NOTES = """*Promised*: once its symptom has shown for that long (pump or fan in use, where they show it), one of its alarms
has come up; *may be missed*: the fitted sensors do not always tell. *Could be seen*: the fault stood while what shows it
(pump, fan, or nothing) was in use. *Named*: one of its
alarms came up, until twelve hours after its end; times run from when it could be seen. Several faults share an alarm
where the fitted sensors cannot tell them apart.
"""


def page(files: list[Path]) -> str:
    """The whole page in Markdown. Raises ``CampaignError`` for a file that is none of these campaigns."""
    troubled: dict[str, list[Row]] = {}
    sound: dict[str, list[Row]] = {}
    for path in files:
        with read_book(path, KIND) as book:
            arm = sound if book.plan().faultless else troubled
            arm.setdefault(path.stem.removesuffix("-sound"), []).extend(book.rows())
    rows = [row for those in troubled.values() for row in those]
    parts = [HEAD, _campaign(rows, troubled), _faultless(sound), _faults(rows), _stories(), _alarms(), _rules()]
    return "\n".join(part for part in parts if part)


def _campaign(rows: list[Row], troubled: dict[str, list[Row]]) -> str:
    if not rows:
        return ""
    t = totals(rows)
    lines = [
        "## The last campaign",
        "",
        f"{t['episodes']} episodes around {', '.join(troubled)}: {t['faults']} faults, {t['bit']} took effect. "
        f"**{t['unsafe_episodes']} episodes were unsafe** because of faults. "
        f"{t['seen']} faults could be seen, {t['named']} of them were named "
        f"({_share(t['named'], t['seen'])}; {_share(t['named_tellable'], t['tellable'])} "
        f"of those that any alarm stands for). {t['due']} stood for longer than the time in which they are promised to be "
        f"named: {t['kept']} ({_share(t['kept'], t['due'])}) were in time. In {t['alarmed']} episodes"
        f" an alarm came that the faultless days do not raise; in {t['first_right']} "
        f"({_share(t['first_right'], t['alarmed'])}) the first one named the"
        f" cause. {t['unsafe_anyway_episodes']} episodes break a rule that "
        f"the same days break without a fault too: see below.",
        "",
        "| rule broken | episodes | most often with | an episode |",
        "|---|---|---|---|",
    ]
    for scenario, those in troubled.items():
        for code, line in by_rule(those).items():
            faults = ", ".join(f"{name} ({n})" for name, n in line["with"].items())
            command = f"campaign faults {scenario} --episode {shlex.quote(line['episode'])} --out out/one"
            lines.append(f"| `{code}` | {line['episodes']} | {faults} | `{command}` |")
    return "\n".join([*lines, ""])


def _share(part: int, whole: int) -> str:
    return f"{part / whole:.0%}" if whole else "none"


def _faultless(sound: dict[str, list[Row]]) -> str:
    if not sound:
        return ""
    lines = ["## Without a fault", "", "| scenario | weeks | false trips | notices a week | notices "
    "| rules broken all the same (stretches) |", "|---|---|---|---|---|---|"]  # fmt: skip
    for scenario, rows in sound.items():
        f = faultless_figures(rows)
        notices, broken = (
            ", ".join(f"{name} {n}" for name, n in f[key].items()) or "none" for key in ("notices", "broken")
        )
        rate = "-" if f["notices_a_week"] is None else f"{f['notices_a_week']:.2f}"
        lines.append(f"| {scenario} | {f['weeks']:.0f} | {f['false_trips']} | {rate} | {notices} | {broken} |")
    return "\n".join([*lines, ""])


def _faults(rows: list[Row]) -> str:
    figures = by_fault(rows)
    lines = ["## The faults", "", NOTES]
    for group, kinds in GROUPS.items():
        lines += [
            f"### {group.capitalize()}", "",
            "| fault | stories | what is seen | response | alarms | episodes | "
            "unsafe | named | promised | in time | median, 95 % | told better by |",
            "|---|---|---|---|---|---|---|---|---|---|---|---|",
        ]  # fmt: skip
        lines += [_row(kind, figures.get(kind.name)) for kind in kinds]
        lines.append("")
    return "\n".join(lines)


def _row(kind: FaultKind, line: dict[str, Any] | None) -> str:
    stories = ", ".join(str(s) for s in kind.stories)
    size = f" ({kind.measure}: {kind.mild:g} to {kind.harsh:g})" if kind.measure else ""
    alarms = ", ".join(f"`{code}`" for code in sorted(kind.names)) or "none"
    cells = ["0", "-", "-", _promise(kind), "-", "-"]
    if line:
        waits = "-" if line["median_min"] is None else f"{line['median_min']:.0f}, {line['p95_min']:.0f} min"
        cells = [
            str(line["n"]), str(line["unsafe"]), f"{line['named']} of {line['seen']}", _promise(kind),
            f"{line['kept']} of {line['due']}", waits,
        ]  # fmt: skip
    known = f"| `{kind.name}`{size} | {stories} | {kind.symptom} | {kind.answer} | {alarms} "
    return known + f"| {' | '.join(cells)} | {kind.would_tell} |"


def _promise(kind: FaultKind) -> str:
    """Within which time a fault is promised to be named."""
    if kind.promised_h != kind.promised_h:
        return "may be missed" if kind.names else "cannot be told"
    time = f"{60.0 * kind.promised_h:.0f} min" if kind.promised_h < 2.0 else f"{kind.promised_h:g} h"
    return f"{time}, from severity {kind.promised_from:g}" if kind.promised_from else time


def _stories() -> str:
    lines = ["## The 42 stories", "", "| no. | story | played by |", "|---|---|---|"]
    for number, story in STORIES.items():
        names = ", ".join(f"`{name}`" for name, kind in FAULTS.items() if number in kind.stories)
        if number in ELSEWHERE:
            why, test = ELSEWHERE[number]
            names = "; ".join(part for part in (names, f"{why} Held by `{test}`.") if part)
        lines.append(f"| {number} | {story} | {names} |")
    return "\n".join([*lines, ""])


def _alarms() -> str:
    lines = ["## What the alarms say", "", "| alarm | what was seen | likely cause | what to do |", "|---|---|---|---|"]
    lines += [f"| `{kind.code}` ({kind.severity}) | {kind.seen} | {kind.cause} | {kind.do} |" for kind in ALARMS]
    return "\n".join([*lines, ""])


def _rules() -> str:
    return f"## What unsafe means: {len(RULES)} rules\n\n{rules_text()}\n"


if __name__ == "__main__":
    print(page([Path(name) for name in sys.argv[1:]]), end="")
