"""Ten thousand wrong settings, scenario fields and files: refused in one line, or taken as meant. Argument: how many."""

import os
import sys
import tempfile
import time
from collections import Counter
from contextlib import redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

ROOT = Path(__file__).parents[1]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "warmheap")]
os.chdir(ROOT)

from test_hostile_files import ALLOWED, READERS  # noqa: E402
from test_hostile_settings import try_field, try_setting, written  # noqa: E402

from sim.scenario import field_table  # noqa: E402
from warmheap.cli import main  # noqa: E402
from warmheap.settings_table import KEYS  # noqa: E402

SHARES = {"settings": 0.5, "scenario": 0.3, "files": 0.2}
PIECES = [
    b"[", b"]", b"=", b"\n", b'"', b"title = 'a'", b"[pile]\n", b"[place]\nweather = ", b"\xff", b"\x00",
    b"volume = '1e9 m3'",
    b"SQLite format 3\x00", b"LOCATION,a,b,c,d,e,1,2,3,4\n", b"\xe2\x80\xae", b"{", b"}", b"'''", b"\\u0000", b"1e400",
    b"nan",
    b"[water]\nflow_target = ", b"'1 gal/min'", b"#",
]  # fmt: skip
contents = st.lists(st.one_of(st.sampled_from(PIECES), st.binary(max_size=30)), max_size=40).map(b"".join)


def settled(examples: int):
    return settings(
        max_examples=examples, deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
    )


def try_file(folder: Path, verb: str, data: bytes) -> bool:
    """Hand a verb a file of such bytes; True when it was taken."""
    suffix, words = READERS[verb]
    path = folder / f"hostile{suffix}"
    path.write_bytes(data)
    out, err = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main([str(word) for word in words(path)])
    data_left = path.read_bytes()
    path.unlink()
    if code == 0:
        return True
    assert code == 2 and len(err.getvalue().splitlines()) == 1 and out.getvalue() == "", (verb, data, err.getvalue())
    assert data_left == data and list(folder.iterdir()) == [], (verb, data)
    return False


def _stay(*words: object) -> None:
    raise SystemExit(0)


def run(examples: int) -> None:
    counts: Counter[tuple[str, bool]] = Counter()
    os.execv = _stay  # type: ignore[assignment]  # an empty answers file is no mistake: the session would begin
    folder = Path(tempfile.mkdtemp())
    verbs = sorted(verb for verb in READERS if (verb, "empty") not in ALLOWED)

    @seed(1)
    @settled(round(SHARES["settings"] * examples))
    @given(st.sampled_from(KEYS), written)
    def all_settings(key, value):
        counts["settings", try_setting(key, value)] += 1

    @seed(2)
    @settled(round(SHARES["scenario"] * examples))
    @given(st.sampled_from(field_table()), written)
    def all_fields(field, value):
        counts["scenario", try_field(field[0], field[1], value)] += 1

    @seed(3)
    @settled(round(SHARES["files"] * examples))
    @given(st.sampled_from(verbs), contents)
    def all_files(verb, data):
        counts["files", try_file(folder, verb, data)] += 1

    began_s = time.monotonic()
    for work in (all_settings, all_fields, all_files):
        work()
    for name in SHARES:
        print(f"{name}: {counts[name, False]} refused in one line, {counts[name, True]} taken")
    print(f"{sum(counts.values())} examples in {time.monotonic() - began_s:.0f} s, no other outcome")


if __name__ == "__main__":
    run(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
