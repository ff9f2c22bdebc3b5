"""What the board must let this user do, and what must be installed beside the program."""

from __future__ import annotations

import getpass
import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from hardware.settings import BoardSettings

from .check_found import OK, UNKNOWN, WRONG, Finding
from .service import SERVICE, WATCHDOG

LOG_IN = "then log in anew"


@dataclass(frozen=True, slots=True)
class Places:
    """Where the kernel and the service manager keep things; tests put folders of their own here."""

    dev: Path = Path("/dev")
    units: Path = Path("/etc/systemd/system")
    manager: Path = Path("/etc/systemd/system.conf.d")
    running: Path = Path("/run/systemd/system")
    watchdogs: Path = Path("/sys/class/watchdog")


def permission_findings(board: BoardSettings, chip: int | None, places: Places) -> list[Finding]:
    """Whether this user may use what the settings name. ``chip``: number of the GPIO chip, None when none is used."""
    checks = [*_gpio(chip, places), *_pwm(board), *_onewire(board), *_files(board)]
    return checks or [Finding("permissions", UNKNOWN, "nothing in the settings needs any")]


def _gpio(chip: int | None, places: Places) -> Iterator[Finding]:
    if chip is not None:
        device = places.dev / f"gpiochip{chip}"
        yield _may("gpio", device, f"sudo usermod -aG gpio {_user()}, {LOG_IN}", "board.gpiochip = ... in the settings")


def _pwm(board: BoardSettings) -> Iterator[Finding]:
    for number in sorted({output.pwm[0] for output in (board.pump, board.fan) if output.pwm}):
        chip = board.roots.pwm / f"pwmchip{number}"
        mend = f"sudo usermod -aG gpio {_user()}, {LOG_IN}; or run it with sudo"
        yield _may(f"pwm chip {number}", chip / "export", mend, "dtoverlay=pwm-2chan in config.txt, then restart")


def _onewire(board: BoardSettings) -> Iterator[Finding]:
    if not board.probes:
        return
    if not board.roots.onewire.is_dir():
        yield Finding("1-wire", WRONG, "the kernel has no 1-wire bus", "dtoverlay=w1-gpio in config.txt, then restart")
        return
    bulks = list(board.roots.onewire.glob("w1_bus_master*/therm_bulk_read"))
    if bulks and not all(os.access(bulk, os.W_OK) for bulk in bulks):
        yield Finding("1-wire", OK, "probes are read one by one, 0.8 s each; control does not wait")
        return
    yield Finding("1-wire", OK, "the bus is there")


def _files(board: BoardSettings) -> Iterator[Finding]:
    for kind in sorted({source.kind for source in board.sources.values()}):
        folder = board.roots.hwmon if kind == "hwmon" else board.roots.iio
        if os.access(folder, os.R_OK | os.X_OK):
            yield Finding(kind, OK, "the kernel's files are there")
        else:
            mend = "I2C on in config.txt, and the sensor's overlay (docs/board.md)"
            yield Finding(kind, WRONG, f"{folder} is missing or closed", mend)


def _may(name: str, path: Path, may: str, there: str) -> Finding:
    if not path.exists():
        return Finding(name, WRONG, f"{path} is not there", there)
    if not os.access(path, os.R_OK | os.W_OK) and not os.access(path, os.W_OK):
        return Finding(name, WRONG, f"{_user()} may not use {path}", may)
    return Finding(name, OK, "this user may use it")


def service_findings(settings: Path, places: Places) -> list[Finding]:
    """Whether the service manager starts warmheap at boot, with these settings, under its guardian."""
    if not places.running.exists():
        return [Finding("service", UNKNOWN, "no systemd runs here", "see to it that warmheap run starts at boot")]
    try:
        text = (places.units / SERVICE).read_text(encoding="utf-8")
    except OSError:
        mend = f"warmheap init {settings} --service units, then what it prints"
        return [Finding("service", WRONG, "not installed: after a power cut nothing starts", mend)]
    return [_service(text, settings, places)]


def _service(text: str, settings: Path, places: Places) -> Finding:
    anew = f"warmheap init {settings} --service units, then what it prints"
    start = re.search(r"^ExecStart=(\"[^\"]*\"|\S+) -m warmheap run (\"(?:[^\"\\]|\\.)*\"|\S+)", text, re.MULTILINE)
    if start is None or "--safe-off" not in text:
        return Finding("service", WRONG, "its unit is not that of warmheap run with safe-off", anew)
    python, named = (_path(word) for word in start.groups())
    if not Path(python).exists():
        return Finding("service", WRONG, f"its Python is gone: {python}", anew)
    if Path(named).absolute() != settings.absolute():
        return Finding("service", WRONG, f"it runs with other settings: {named}", f"check those, or {anew}")
    if not any(places.units.glob(f"*.wants/{SERVICE}")):
        return Finding("service", WRONG, "installed, but not started at boot", f"sudo systemctl enable {SERVICE}")
    return Finding("service", OK, "starts at boot, guardian and safe-off with it")


def _path(word: str) -> str:
    """A word of the unit as the path that it stands for: the other way round than ``service`` writes it."""
    plain = word.strip('"').replace("$$", "$").replace("%%", "%")
    return plain.replace('\\"', '"').replace("\\\\", "\\")


def watchdog_findings(places: Places) -> list[Finding]:
    """Whether a board that hangs as a whole is restarted."""
    if not any(places.watchdogs.glob("watchdog*")) and not (places.dev / "watchdog").exists():
        mend = "dtparam=watchdog=on in config.txt; without one a hung board leaves outputs as they are"
        return [Finding("watchdog", WRONG, "the board has none", mend)]
    if not any(_switched_on(file) for file in places.manager.glob("*.conf")):
        mend = f"warmheap init --service units, then put {WATCHDOG} where it says"
        return [Finding("watchdog", WRONG, "there, but nothing uses it", mend)]
    return [Finding("watchdog", OK, "restarts a board that hangs")]


def _switched_on(file: Path) -> bool:
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return False
    return re.search(r"^RuntimeWatchdogSec=(?!0|off|infinity)\S", text, re.MULTILINE) is not None


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return f"user {os.getuid()}"
