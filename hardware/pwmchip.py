"""PWM made by a peripheral, through the kernel's files in /sys/class/pwm: any frequency, fine steps, no thread.

The files (export, period, duty_cycle, polarity, enable; times in ns) are those of the kernel's PWM interface
(Documentation/driver-api/pwm.rst).
"""

from __future__ import annotations

import time
from contextlib import suppress
from pathlib import Path

from hardware.errors import HardwareError

ROOT = Path("/sys/class/pwm")
_APPEAR_S = 1.0  # the folder of a new channel, and the rights in it, come a moment after the export


class PwmChannel:
    """One channel of a PWM chip. It keeps its duty when the process dies: only a watcher can turn it off then.

    ``HardwareError`` if chip or channel do not exist, are not writable, or cannot run at ``frequency_hz``.
    """

    def __init__(self, chip: int, channel: int, frequency_hz: float, root: Path = ROOT) -> None:
        self._chip = root / f"pwmchip{chip}"
        self._channel = channel
        self._files = self._chip / f"pwm{channel}"
        self.name = f"pwmchip{chip}/{channel}"
        self.period_ns = round(1e9 / frequency_hz)
        try:
            self._open()
        except (OSError, ValueError) as wrong:
            with suppress(OSError):
                self.close()
            raise HardwareError(f"{self.name}: {_cause(wrong)}{self._hint()}") from None

    def set(self, duty: float) -> None:
        """Put out ``duty``, 0..1."""
        self._write("duty_cycle", round(min(max(duty, 0.0), 1.0) * self.period_ns))

    def duty(self) -> float:
        """Read back what is put out, 0..1."""
        if self._read("enable") != 1:
            return 0.0
        return self._read("duty_cycle") / self._read("period")

    def close(self) -> None:
        """Let go of the channel. One that is off is unexported; one left at a duty stays as it is."""
        if self._files.is_dir() and self.duty() == 0.0:
            self._write("enable", 0)
            (self._chip / "unexport").write_text(f"{self._channel}\n", encoding="ascii")

    def _open(self) -> None:
        if not self._files.is_dir():
            (self._chip / "export").write_text(f"{self._channel}\n", encoding="ascii")
            self._await_files()
        self._normal_polarity()
        if self._read("enable") != 1 or self._read("period") != self.period_ns:
            self._write("duty_cycle", 0)  # a duty above the new period would be refused
            self._write("period", self.period_ns)
        self._write("enable", 1)

    def _normal_polarity(self) -> None:
        polarity = self._files / "polarity"
        if polarity.exists() and polarity.read_text(encoding="ascii").strip() != "normal":
            self._write("enable", 0)
            polarity.write_text("normal\n", encoding="ascii")

    def _await_files(self) -> None:
        end_s = time.monotonic() + _APPEAR_S
        while time.monotonic() < end_s:
            with suppress(OSError), (self._files / "duty_cycle").open("r+", encoding="ascii"):
                return
            time.sleep(0.02)

    def _write(self, name: str, value: int) -> None:
        (self._files / name).write_text(f"{value}\n", encoding="ascii")

    def _read(self, name: str) -> int:
        return int((self._files / name).read_text(encoding="ascii"))

    def _hint(self) -> str:
        if self._chip.is_dir():
            return ": is the channel free and may this user write it?"
        there = ", ".join(sorted(p.name for p in self._chip.parent.glob("pwmchip*"))) or "none"
        return f": there is no such chip; here: {there}"


def _cause(wrong: Exception) -> str:
    return str(getattr(wrong, "strerror", None) or wrong)
