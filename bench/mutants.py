"""Mutation check of the controller's guards: `python bench/mutants.py --mutants 200 --seed 1`.

Small faults are put into the guards on purpose, one at a time, in a copy of the tree; the tests of the controller must
find each. Those that no test found are printed as the line before and after. Ctrl-C, or the same command again, goes on
where it was; `--again` tries the survivors anew after tests were added. What cannot be found since it changes nothing that
anybody could see is listed with its reason in `bench/mutation/equivalent.toml`. Goal: 95 % of all others are found.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import sys
import time
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from mutation.make import Mutant, mutants_of
from mutation.run import Map, compiled, copy_tree, joined, load_before, mapped, part_of, tried

ROOT = Path(__file__).parents[1]
HERE = Path(__file__).parent / "mutation"
LEFT_OUT = ("test_identify", "test_reference_tuning", "test_commissioning", "test_settings", "test_closed_loop")
GOAL = 0.95
LONGEST_TESTS_S = 25.0  # of tests for one mutant, as long as they took under coverage


def asked() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--mutants", type=int, default=40, metavar="N", help="how many of all are drawn; 0: all")
    parser.add_argument("--seed", type=int, default=1, help="which are drawn")
    parser.add_argument("--file", default="", help="only files whose name holds this")
    parser.add_argument("--out", type=Path, default=ROOT / "out" / "mutants", help="the copy and the book go here")
    parser.add_argument("--again", action="store_true", help="try anew what survived")
    parser.add_argument("--report", action="store_true", help="only say how it stands")
    return parser.parse_args()


def targets() -> list[dict[str, Any]]:
    return list(tomllib.loads((HERE / "targets.toml").read_text(encoding="utf-8"))["target"])


def equivalents() -> dict[str, str]:
    """Reasons by key."""
    listed = tomllib.loads((HERE / "equivalent.toml").read_text(encoding="utf-8")).get("equivalent", [])
    return {f"{e['file']}|{e['before']}|{e['after']}": e["why"] for e in listed}


def all_mutants(root: Path) -> list[Mutant]:
    found = []
    for target in targets():
        text = (root / target["file"]).read_text(encoding="utf-8")
        found += mutants_of(target["file"], text, tuple(target.get("only", ())))
    return found


def drawn(mutants: list[Mutant], number: int, seed: int, part: str) -> list[Mutant]:
    """Some of all, by chance but always the same for a seed; more drawn with a seed hold those of fewer."""
    mixed = [m for m in mutants if part in m.path]
    random.Random(seed).shuffle(mixed)
    return mixed[: number or None]


class Book:
    """What became of each mutant: one line of JSON each, the last of a key counts."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.fates: dict[str, dict[str, Any]] = {}
        if path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                entry = json.loads(line)
                self.fates[entry["key"]] = entry

    def write(self, entry: dict[str, Any]) -> None:
        """Keep one."""
        self.fates[entry["key"]] = entry
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(entry) + "\n")


def key_of(mutant: Mutant, text: str) -> str:
    """A mutant of this very source."""
    return f"{mutant.key}|{mutant.span[0]}|{hashlib.sha256(text.encode()).hexdigest()[:12]}"


def map_of(tree: Path, out: Path) -> Map:
    """Which test reaches which line, kept file by file as long as tests and controller stay as they are."""
    shared = [p for p in tree.glob("tests/controller/*.py") if not p.stem.startswith("test_")]
    code = stamp([*shared, *tree.glob("controller/**/*.py")])
    files = [p for p in tree.glob("tests/controller/test_*.py") if p.stem not in LEFT_OUT]
    stamps = {f"tests/controller/{p.name}": code + stamp([p]) for p in sorted(files)}
    kept = out / "map.json"
    old = json.loads(kept.read_text()) if kept.exists() else {}
    parts = {name: unpacked(old[name]) for name in stamps if name in old and old[name]["stamp"] == stamps[name]}
    missing = [name for name in stamps if name not in parts]
    if missing:
        print(f"{time.strftime('%H:%M:%S')} which test reaches which line: {len(missing)} test files run once, sound")
        found = mapped(tree, missing)
        parts |= {name: part_of(found, name) for name in missing}
        packed = {n: {"stamp": stamps[n], "reach": part.reach, "times_s": part.times_s} for n, part in parts.items()}
        kept.write_text(json.dumps(packed))
    compiled(tree, list(stamps))
    return joined(list(parts.values()))


def stamp(files: list[Path]) -> str:
    return hashlib.sha256(b"".join(p.read_bytes() for p in sorted(files))).hexdigest()


def unpacked(kept: dict[str, Any]) -> Map:
    reach = {path: {int(line): tests for line, tests in lines.items()} for path, lines in kept["reach"].items()}
    return Map(reach, kept["times_s"])


def within(tests: list[str], times_s: dict[str, float], longest_s: float) -> Iterator[str]:
    """As many of the tests, in their order, as fit into a time."""
    for test in tests:
        longest_s -= times_s.get(test, 0.0)
        if longest_s < 0.0:
            return
        yield test


def try_out(mutants: list[Mutant], book: Book, args: argparse.Namespace, known: dict[str, str]) -> None:
    tree = args.out / "tree"
    load_before()
    copy_tree(ROOT, tree)
    tests = map_of(tree, args.out)
    first = {t["file"]: set(t["tests"]) for t in targets()}
    texts = {path: (tree / path).read_text(encoding="utf-8") for path in first}
    due = [m for m in mutants if m.key not in known and is_due(m, book, texts[m.path], args.again)]
    began_s = time.monotonic()
    for done, mutant in enumerate(due):
        at_s = time.monotonic()
        chosen = tests.tests(mutant.path, mutant.line, tuple(first[mutant.path]))
        chosen = list(within(chosen, tests.times_s, LONGEST_TESTS_S))
        text = texts[mutant.path]
        ran = tried(tree, mutant.path, mutant.applied(text), chosen, tests.times_s, first[mutant.path])
        fate = "survived" if ran.code == 0 else "killed" if ran.code is not None else "stopped"
        took_s = time.monotonic() - at_s
        book.write({
            "key": key_of(mutant, text), "fate": fate, "by": ran.failed, "tests": len(chosen), "took_s": round(took_s, 2),
        })  # fmt: skip
        left_s = (time.monotonic() - began_s) / (done + 1) * (len(due) - done - 1)
        print(f"{done + 1}/{len(due)} {fate} {mutant.path}:{mutant.line} {mutant.kind}, {left_s / 60.0:.0f} min left")
        if fate == "survived":
            print(diff(mutant), flush=True)


def is_due(mutant: Mutant, book: Book, text: str, again: bool) -> bool:
    entry = book.fates.get(key_of(mutant, text))
    return entry is None or (again and entry["fate"] == "survived")


def diff(mutant: Mutant) -> str:
    return f"  {mutant.path}:{mutant.line} ({mutant.kind})\n  - {mutant.before}\n  + {mutant.after}"


def report(mutants: list[Mutant], book: Book, known: dict[str, str]) -> float:
    """Print the table and the survivors; returns the share found of those that could be."""
    counts: dict[str, Counter[str]] = {}
    survivors = []
    for mutant in mutants:
        text = (ROOT / mutant.path).read_text(encoding="utf-8")
        entry = book.fates.get(key_of(mutant, text), {"fate": "not tried"})
        fate = "equivalent" if mutant.key in known else entry["fate"]
        counts.setdefault(mutant.path, Counter())[fate] += 1
        if fate == "survived":
            survivors.append(mutant)
    rows = [*counts.items(), ("all", sum(counts.values(), Counter()))]
    print(f"\n{'file':34}{'found':>7}{'stopped':>9}{'survived':>10}{'equivalent':>12}{'not tried':>11}{'share':>8}")
    for path, n in rows:
        print(
            f"{path:34}{n['killed']:7}{n['stopped']:9}{n['survived']:10}{n['equivalent']:12}{n['not tried']:11}"
            f"{share(n):8.1%}"
        )
    print(f"\n{len(survivors)} survived:")
    for mutant in survivors:
        print(diff(mutant))
    return share(rows[-1][1])


def share(n: Counter[str]) -> float:
    """Found of those tried that could be found; a mutant that ran into a limit of time is found."""
    tried_n = n["killed"] + n["stopped"] + n["survived"]
    return (n["killed"] + n["stopped"]) / tried_n if tried_n else 1.0


def main() -> int:
    args = asked()
    args.out.mkdir(parents=True, exist_ok=True)
    mutants = all_mutants(ROOT)
    known = equivalents()
    stale = set(known) - {m.key for m in mutants}
    for key in sorted(stale):
        print(f"equivalent.toml names a mutant that does not exist: {key}")
    chosen = drawn(mutants, args.mutants, args.seed, args.file)
    print(f"{len(chosen)} of {len(mutants)} mutants, seed {args.seed}")
    book = Book(args.out / "book.jsonl")
    if not args.report:
        try:
            try_out(chosen, book, args, known)
        except KeyboardInterrupt:
            print("\nstopped: the same command goes on")
    found = report(chosen, book, known)
    return 0 if found >= GOAL and not stale else 1


if __name__ == "__main__":
    os.environ.setdefault("HYPOTHESIS_STORAGE_DIRECTORY", str(ROOT / "out" / "mutants" / "hypothesis"))
    sys.exit(main())
