"""Ten thousand requests of noise against the status page: how many of each answer, and no 5xx.

    python bench/page_fuzz.py [REQUESTS]

The requests are those of tests/warmheap/test_page_security.py, drawn by hypothesis; half of them come with a session.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[1] / "tests" / "warmheap")]

import test_page_security as noise  # noqa: E402
from page_rig import FREE, Rig  # noqa: E402

EACH = 4  # requests of one visitor


def main(requests: int) -> None:
    answers: Counter[int] = Counter()
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        rig = Rig(Path(folder), limits=FREE, turns=1)

        @seed(1)
        @settings(max_examples=max(1, requests // EACH), deadline=None, database=None, phases=[Phase.generate],
                  suppress_health_check=list(HealthCheck))  # fmt: skip
        @given(st.lists(noise.REQUESTS, min_size=EACH, max_size=EACH))
        def fuzz(made: list[dict]) -> None:
            answers.update(noise.check_fuzz(rig, made))

        fuzz()
    told = ", ".join(f"{n} x {status}" for status, n in sorted(answers.items()))
    print(f"{sum(answers.values())} requests in {time.monotonic() - began_s:.0f} s, no 5xx: {told}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
