"""Kills and freezes a running loop again and again: how soon are the outputs safe, how soon is it back?

    python bench/injections.py [HOW_MANY]
    python bench/injections.py --rig [HOW_MANY [POWER_CUTS]]    # on the kernel rig: real GPIO lines in an emulated machine

Real processes; the outputs are the record of the simulated plant, which keeps its value when its writer dies, as a line does
on the kernels of small boards. Faults: SIGKILL, SIGSTOP, SIGSEGV, SIGTERM of the loop, SIGKILL of the guardian. With
``--rig`` those of `tests/kernel/rig_runs.py`, evenly, under both rules of the kernel for released lines; a thousand take
about half an hour.
"""

import itertools
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))
from warmheap.guardian import FD_HERE  # noqa: E402
from warmheap.record import read_record  # noqa: E402

TINY = ROOT / "tests" / "warmheap" / "tiny_loop.py"
RIG = "--rig" in sys.argv
NUMBERS = [int(word) for word in sys.argv[1:] if word != "--rig"]
HOW_MANY = NUMBERS[0] if NUMBERS else 1000 if RIG else 40
POWER_CUTS = NUMBERS[1] if len(NUMBERS) > 1 else 0
SAFE_S, BACK_S = 2.0, 20.0
ON, OFF = {"pump": 0.7, "fan": 0.7}, {"pump": 0.0, "fan": 0.0}
FAULTS = ("SIGKILL", "SIGSTOP", "SIGSEGV", "SIGTERM", "guardian")


def wait_for(record, duties, most_s=30.0):
    """Seconds until the record shows ``duties``."""
    began_s = time.monotonic()
    while not (record.exists() and read_record(record) == duties):
        if time.monotonic() - began_s > most_s:
            return float("inf")
        time.sleep(0.002)
    return time.monotonic() - began_s


def begin(state):
    """A guardian with the loop of one line."""
    command = [
        sys.executable,
        "-m",
        "warmheap.guardian",
        str(state),
        sys.executable,
        str(TINY),
        str(state),
        FD_HERE,
        "none",
    ]
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.Popen(command, cwd=ROOT, env=env, stderr=subprocess.DEVNULL, start_new_session=True)


def inject(fault, state):
    """One fault in a fresh run; seconds until safe, and until back (None where it shall not come back)."""
    record = state / "outputs.bin"
    guardian = begin(state)
    wait_for(record, ON)
    time.sleep(0.3)
    pid = int((state / "pid").read_text())
    if fault == "guardian":
        guardian.kill()
    else:
        os.kill(pid, getattr(signal, fault))
    safe_s = wait_for(record, OFF)
    back_s = None if fault in ("guardian", "SIGTERM") else wait_for(record, ON)
    guardian.terminate()
    guardian.wait()
    return safe_s, back_s


def main():
    """Inject and print the worst of each."""
    results = {fault: [] for fault in FAULTS}
    for fault in itertools.islice(itertools.cycle(FAULTS), HOW_MANY):
        with tempfile.TemporaryDirectory() as folder:
            results[fault].append(inject(fault, Path(folder)))
    bad = 0
    for fault, found in results.items():
        safe = [s for s, _ in found]
        back = [b for _, b in found if b is not None]
        bad += sum(s > SAFE_S for s in safe) + sum(b > BACK_S for b in back)
        if safe:
            returned = f", back in {max(back):.2f} s at most" if back else ""
            usual = sorted(safe)[len(safe) // 2]
            print(f"{fault:9} {len(found):4} times: safe in {usual:.2f} s, {max(safe):.2f} s at most{returned}")
    print(f"{HOW_MANY} injections, {bad} too late (safe in {SAFE_S:g} s, back in {BACK_S:g} s)")
    return bad > 0


def on_the_rig():
    """The same on real lines of a simulated GPIO chip; true if anything was not as it must be."""
    sys.path.insert(0, str(ROOT / "tests" / "kernel"))
    from rig_cuts import power_cuts
    from rig_runs import FAULTS, RULES, bad, cut_faults, cut_table, inject, injection_table

    each = -(-HOW_MANY // (len(FAULTS) * len(RULES)))
    found = inject(min(2, each), max(0, each - 2), number=2) if HOW_MANY else {}
    cuts = power_cuts(POWER_CUTS, number=2) if POWER_CUTS else []
    print("\n".join([*injection_table(found), *(cut_table(cuts) if cuts else [])]))
    wrong = [(fault, *one) for guest in found.values() for fault in FAULTS for one in bad(fault, guest)]
    print(*wrong, sep="\n")
    return bool(wrong) or any(cut_faults(c) for c in cuts)


if __name__ == "__main__":
    raise SystemExit(on_the_rig() if RIG else main())
