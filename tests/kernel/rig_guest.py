"""Starts the guest: a small x86 computer made by QEMU without any help of the processor, in virtual time.

`-icount` counts instructions: one is 2 ns, so the guest is a board of 500 million instructions a second, however busy this
machine is; time in which it has nothing to do is skipped. All times that the guest reports are of its own clock.
"""

from __future__ import annotations

import json
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from rig_build import HERE, OUT, ROOT, RigError, build, pack

SHIFT = 1  # 2^1 ns an instruction
MEMORY_MB = 768
MARK = "@@"


@dataclass
class Guest:
    """A guest that runs: its process, what it said, and the results it printed."""

    process: subprocess.Popen[str]
    said: list[str] = field(default_factory=list)
    results: list[dict[str, Any]] = field(default_factory=list)
    code: int | None = None

    def lines(self) -> Iterator[str]:
        """What the guest says, line by line; results and the exit code are taken out."""
        assert self.process.stdout is not None
        for raw in self.process.stdout:
            line = raw.rstrip("\r\n")
            if line.startswith(f"{MARK}exit "):
                self.code = int(line.split()[1])
            elif (result := parsed(line)) is not None:
                self.results.append(result)
            else:
                self.said.append(line)
            yield line

    def finish(self) -> Guest:
        """Wait for its end. ``RigError`` with its last words when the job did not end well."""
        for line in self.lines():
            if os.environ.get("WARMHEAP_RIG_VERBOSE"):
                print(line, file=sys.stderr, flush=True)
        self.process.wait()
        if self.code != 0:
            raise RigError(f"the guest ended with {self.code}; its last words:\n" + "\n".join(self.said[-40:]))
        return self

    def of(self, case: str) -> list[dict[str, Any]]:
        """The results of one case."""
        return [r for r in self.results if r["case"] == case]


def parsed(line: str) -> dict[str, Any] | None:
    """The result in a line; None where there is none, or the kernel has spoken in the middle of it."""
    if not line.startswith(MARK):
        return None
    with suppress(ValueError):
        return json.loads(line.removeprefix(MARK))  # type: ignore[no-any-return]
    return None


def job_script(python: str, words: Sequence[str]) -> str:
    """What runs in the guest, on the host's own root."""
    settings = {
        "HOME": "/run/rig",
        "TMPDIR": "/run/rig",
        "PATH": "/usr/local/bin:/usr/bin:/bin:/usr/sbin:/sbin",
        "PYTHONPATH": f"{HERE / 'guest'}:{HERE / 'guest/hooks'}:{ROOT}",
        "PYTHONUNBUFFERED": "1",
        "PYTHONDONTWRITEBYTECODE": "1",
        "OPENBLAS_NUM_THREADS": "1",
    }
    exports = "".join(f"export {name}={shlex.quote(value)}\n" for name, value in settings.items())
    return f"{exports}cd {shlex.quote(str(ROOT))}\nexec {shlex.join([python, *words])}\n"


def machine(
    initrd: Path, disk: Path | None, monitor: Path | None, shift: int | None, port: Path | None = None
) -> list[str]:
    """QEMU's command."""
    # of the simplest kind that NumPy's wheels run on: what newer ones can do besides, the emulator does slowly
    words = "-M q35 -accel tcg -cpu Nehalem -nodefaults -no-user-config -display none -serial stdio -no-reboot".split()
    words += ["-m", str(MEMORY_MB), "-smp", "1", "-kernel", str(OUT / "vmlinuz"), "-initrd", str(initrd)]
    words += ["-append", "console=ttyS0 quiet mitigations=off random.trust_cpu=on panic=-1 nowatchdog"]
    share = "local,id=h,path=/,security_model=none,readonly=on,multidevs=remap"
    words += ["-fsdev", share, "-device", "virtio-9p-pci,fsdev=h,mount_tag=host"]
    if port is not None:
        words += ["-serial", f"unix:{port}"]  # somebody must listen there already
    if shift is not None:
        words += ["-icount", f"shift={shift},sleep=off"]
    if disk is not None:
        words += ["-drive", f"file={disk},format=raw,if=virtio,cache=writeback"]
    if monitor is not None:
        words += ["-qmp", f"unix:{monitor},server=on,wait=off"]
    return [shutil.which("qemu-system-x86_64") or "qemu-system-x86_64", *words]


def tied(core: int | None) -> list[str]:
    """What stands before a command to keep it on one of the processors that this process may use."""
    ours = sorted(os.sched_getaffinity(0))
    return [] if core is None else ["taskset", "-c", str(ours[core % len(ours)])]


@contextmanager
def guest(
    *words: str,
    persist: bool = False,
    disk: Path | None = None,
    monitor: Path | None = None,
    shift: int | None = SHIFT,
    python: str = sys.executable,
    core: int | None = None,
    port: Path | None = None,
) -> Iterator[Guest]:
    """A guest that runs ``python words...`` at the project's root; ended by force when the block is left.

    ``core`` ties it to one processor of this machine: the emulator's threads take turns, and hand over much faster when no
    other processor has to be woken (20 idle seconds of the guest: 5.9 s instead of 10 s). ``port``: a socket that becomes
    the guest's second serial port, /dev/ttyS1.
    """
    build()
    with tempfile.TemporaryDirectory(prefix="warmheap-rig-") as name:
        extra = Path(name) / "extra"
        extra.mkdir()
        (extra / "rig.env").write_text(f"RIG_PERSIST={'Y' if persist else 'N'}\n")
        (extra / "rig.job").write_text(job_script(python, words))
        pack(extra, Path(name) / "extra.gz")
        initrd = Path(name) / "initrd.gz"
        initrd.write_bytes((OUT / "initrd.gz").read_bytes() + (Path(name) / "extra.gz").read_bytes())
        pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.STDOUT}
        command = [*tied(core), *machine(initrd, disk, monitor, shift, port)]
        process = subprocess.Popen(command, text=True, errors="replace", **pipes)
        try:
            yield Guest(process)
        finally:
            process.kill()
            process.wait()


def run_guest(*words: str, **options: Any) -> Guest:
    """Run a job to its end."""
    with guest(*words, **options) as running:
        return running.finish()


if __name__ == "__main__":
    began_s = time.monotonic()
    os.environ["WARMHEAP_RIG_VERBOSE"] = "1"
    run_guest(*[word for word in sys.argv[1:] if word != "--persist"], persist="--persist" in sys.argv)
    print(f"{time.monotonic() - began_s:.1f} s")
