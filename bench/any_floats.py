"""Throws sequences of any floats at the controller: `python bench/any_floats.py [--examples 100000]`.

NaN, infinities, absurd values, denormals; time that stands still, leaps and runs backwards; hand-runs, drained loops,
acknowledgements and restarts in between. Every decision must be sound: no exception, duties within 0..1, never NaN.
Half of the sequences meet a fresh controller, half one in the middle of a draw. Hypothesis shrinks what fails.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[1] / "tests" / "controller")]

from wild import SCRIPTS, storm  # noqa: E402  the suite's own strategies


def main() -> None:
    """Run them and print how many steps were sound."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--examples", type=int, default=100_000, help="how many sequences (default 100000)")
    examples = parser.parse_args().examples
    count = {"examples": 0, "steps": 0}

    @settings(max_examples=examples, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(SCRIPTS, st.booleans())
    def every_decision_is_sound(script: list[tuple[float, dict[str, float], str, int]], in_a_draw: bool) -> None:
        count["examples"] += 1
        count["steps"] += storm(script, in_a_draw)

    begun = time.perf_counter()
    every_decision_is_sound()
    took_s = time.perf_counter() - begun
    print(f"{count['examples']} sequences, {count['steps']} steps, every decision sound; {took_s:.0f} s")


if __name__ == "__main__":
    main()
