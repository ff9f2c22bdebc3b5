"""Power cuts: the disk as it is at a moment, taken from under the running guest, and looked at in another guest.

The emulator is held, the image copied and the emulator let go again: what the copy holds is what a cut at that moment
leaves, as far as the emulated disk had taken it. (Requests under way are finished first; a card that lies about what it has
written, or tears a block, is not proven by this.) The last cut is a real one: the emulator is killed.
"""

from __future__ import annotations

import json
import random
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from rig_build import RigError
from rig_guest import Guest, guest, run_guest

IMAGE_BYTES = 16 * 1024 * 1024
UP_WITHIN_S = 300.0


class Monitor:
    """QEMU's own control socket (QMP: one JSON object a line)."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.connect(str(path))
        self._lines = self._socket.makefile("r")
        self._lines.readline()
        self.tell("qmp_capabilities")

    def tell(self, command: str) -> None:
        """Give a command and wait until it is done."""
        self._socket.sendall(json.dumps({"execute": command}).encode() + b"\n")
        while True:
            answer = json.loads(self._lines.readline())
            if "error" in answer:
                raise RigError(f"QEMU: {answer['error']}")
            if "return" in answer:
                return


def newest(running: Guest, case: str, key: str) -> float:
    """The last that the guest told of ``case``."""
    found = [r[key] for r in list(running.results) if r["case"] == case]
    return found[-1] if found else 0.0


def seen(running: Guest) -> dict[str, Any]:
    """What the guest had told until now: every tick, and the last setting it had kept."""
    ticks = [r["time_s"] for r in list(running.results) if r["case"] == "tick"]
    return {"ticks": ticks, "saved": newest(running, "saved", "number")}


def await_up(running: Guest) -> None:
    """Wait until it has drawn for a few ticks."""
    end_s = time.monotonic() + UP_WITHIN_S
    while len(seen(running)["ticks"]) < 5:
        if time.monotonic() > end_s or running.process.poll() is not None:
            last = "\n".join([*running.said[-30:], str(running.results[-5:])])
            raise RigError(f"the guest for the power cuts does not come up:\n{last}")
        time.sleep(0.2)


def moment(running: Guest, chance: random.Random) -> None:
    """Let some time pass: any moment, or one just after a tick, when the log is being written."""
    if chance.random() < 0.5:
        time.sleep(chance.uniform(0.1, 0.6))
        return
    before = len(seen(running)["ticks"])
    end_s = time.monotonic() + 3.0
    while len(seen(running)["ticks"]) == before and time.monotonic() < end_s:
        time.sleep(0.001)
    time.sleep(chance.uniform(0.0, 0.08))


def power_cuts(how_many: int, number: int = 1) -> list[dict[str, Any]]:
    """Cut ``how_many`` times; for each what was told before, and what was found after."""
    chance = random.Random(number)
    with tempfile.TemporaryDirectory(prefix="warmheap-cuts-") as name:
        folder = Path(name)
        disk, all_disks = folder / "disk", folder / "all"
        disk.write_bytes(b"")
        with disk.open("r+b") as stream:
            stream.truncate(IMAGE_BYTES)
        subprocess.run(["/usr/sbin/mke2fs", "-q", "-t", "ext4", "-F", str(disk)], check=True)
        told = cut(disk, all_disks, folder / "qmp", how_many, chance)
        checker = ["tests/kernel/guest/cut_checker.py", str(how_many), str(IMAGE_BYTES)]
        found = run_guest(*checker, disk=all_disks, shift=None).of("cut")
    return [before | after for before, after in zip(told, found, strict=True)]


def cut(disk: Path, all_disks: Path, monitor: Path, how_many: int, chance: random.Random) -> list[dict[str, Any]]:
    """Run the writer and copy its disk ``how_many`` times; what it had told by then."""
    told = []
    writer = "tests/kernel/guest/cut_writer.py"
    with guest(writer, disk=disk, monitor=monitor, shift=None, persist=True) as running, all_disks.open("wb") as out:
        reader = threading.Thread(target=lambda: list(running.lines()), daemon=True)
        reader.start()
        await_up(running)
        control = Monitor(monitor)
        for number in range(how_many):
            moment(running, chance)
            if number == how_many - 1:
                running.process.kill()
                running.process.wait()
            else:
                control.tell("stop")
            time.sleep(0.1)  # what it said until then is still on its way here
            told.append(seen(running))
            with disk.open("rb") as image:
                shutil.copyfileobj(image, out)
            if number < how_many - 1:
                control.tell("cont")
    return told
