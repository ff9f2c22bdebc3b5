"""``warmheap campaign faults --episode``: one episode of trouble again, alone, with its picture."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

from .errors import UsageError
from .files import all_whole
from .simulate import finite, load_scenario


def run(args: argparse.Namespace) -> None:
    """Play it, draw it, and say what it came to."""
    out = Path(args.out)
    if out.suffix == ".sqlite":
        raise UsageError(f"--out {args.out}: with --episode name a folder for picture and episode.json")
    scenario = load_scenario(args.scenario)
    from sim.episodes import EpisodeError, parsed, play
    from sim.faults_picture import draw_episode

    try:
        episode = parsed(args.episode)
        outcome, twin = play(scenario, episode, record=True)
    except EpisodeError as wrong:
        raise UsageError(wrong) from None
    told = _summary(scenario.title, episode.text, outcome, twin)
    text = json.dumps(finite(told), indent=2, allow_nan=False, ensure_ascii=False)
    files = [out / "episode.json", out / "episode.png"]
    try:
        out.mkdir(parents=True, exist_ok=True)
        with all_whole(files) as beside:
            beside[0].write_text(text + "\n", encoding="utf-8")
            draw_episode(scenario.title, outcome, twin, beside[1])
    except OSError as wrong:
        raise UsageError(f"--out {out}: {wrong.strerror or wrong}; name a folder that can be written") from None
    print(text if args.json else "\n".join([*_lines(told), *(f"wrote {path}" for path in files)]))


def _summary(title: str, text: str, outcome: Any, twin: Any) -> dict[str, Any]:
    return {
        "scenario": title,
        "episode": text,
        "unsafe": [
            {"rule": b.code, "text": b.text, "at_h": b.at_s / 3600.0, "state": b.state} for b in outcome.unsafe(twin)
        ],
        "unsafe_without_faults": [b.code for b in twin.breaks],
        "faults": [
            {"name": t.name, "severity": t.severity, "took_effect": t.bit,
             "seen_h": t.shown_h, "named_h": t.named_h, "code": t.code}
            for t in outcome.told
        ],
        "alarms": [{"at_h": at_s / 3600.0, "code": code} for at_s, code in outcome.raised],
    }  # fmt: skip


def _lines(told: dict[str, Any]) -> list[str]:
    lines = [f"{told['scenario']}", f"episode {told['episode']}"]
    for f in told["faults"]:
        effect = "took effect" if f["took_effect"] else "had NO effect"
        named = f"named after {f['named_h']:.1f} h by {f['code']}" if f["named_h"] is not None else "not named"
        lines.append(f"{f['name']}: {effect}, {named}")
    lines += [f"UNSAFE {b['rule']} at {b['at_h']:.1f} h: {b['text']}\n  {b['state']}" for b in told["unsafe"]]
    return lines if told["unsafe"] else [*lines, "no rule was broken by the faults"]
