"""What is wired where: plain records that the settings file is read into."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Self

from controller.signals import Measurements
from hardware import kernel_files, onewire, pwmchip
from hardware.kernel_files import Source
from hardware.reading import Si
from hardware.sampler import STALE_AFTER_S

OFF_BECAUSE = "a resting pump or fan harms nothing in the minutes until the loop is back"
DRIP_BECAUSE = "set by the grower: the line must keep moving even when the loop is gone"


@dataclass(frozen=True, kw_only=True, slots=True)
class OutputSettings:
    """One output: a GPIO line (``pin``), or a channel of a kernel PWM chip (``pwm`` as (chip, channel))."""

    pin: int | None = None
    pwm: tuple[int, int] | None = None
    frequency_hz: float = 100.0
    safe_duty: float = 0.0
    active_high: bool = True

    @property
    def why_safe(self) -> str:
        """Why ``safe_duty`` is the safe value."""
        return DRIP_BECAUSE if self.safe_duty > 0.0 else OFF_BECAUSE


@dataclass(frozen=True, kw_only=True, slots=True)
class PulseSettings:
    """A line whose pulses are counted; ``per_unit`` pulses are one kg of water, or one turn of the fan."""

    pin: int
    per_unit: Si
    pull: str = "up"


@dataclass(frozen=True, kw_only=True, slots=True)
class Roots:
    """Where the kernel's files begin; tests put folders of their own here."""

    onewire: Path = onewire.ROOT
    hwmon: Path = kernel_files.HWMON
    iio: Path = kernel_files.IIO
    pwm: Path = pwmchip.ROOT

    @classmethod
    def under(cls, sys: str | Path) -> Self:
        """The kernel's usual folders, but below ``sys`` instead of /sys."""
        usual = cls()
        homes: dict[str, Path] = {f.name: getattr(usual, f.name) for f in fields(cls)}
        return cls(**{name: Path(sys) / home.relative_to("/sys") for name, home in homes.items()})


@dataclass(frozen=True, kw_only=True, slots=True)
class BoardSettings:
    """The whole board. ``probes`` and ``sources`` map a reading's name to a 1-wire id or a kernel file.

    Names are the fields of ``Measurements``; others (battery currents) are read and logged, not controlled by.
    ``probe_offset_k`` is added to a probe's reading, as found in ice water or at zero draw.
    """

    pump: OutputSettings = field(default_factory=OutputSettings)
    fan: OutputSettings = field(default_factory=OutputSettings)
    flow_meter: PulseSettings | None = None
    tachometer: PulseSettings | None = None
    probes: dict[str, str] = field(default_factory=dict)
    probe_offset_k: dict[str, float] = field(default_factory=dict)
    sources: dict[str, Source] = field(default_factory=dict)
    gpiochip: int | None = None
    stale_after_s: float = STALE_AFTER_S
    roots: Roots = field(default_factory=Roots)

    def sensors(self) -> tuple[str, ...]:
        """The readings of ``Measurements`` that something is wired for."""
        counted = [("water_flow_kg_s", self.flow_meter), ("fan_speed_hz", self.tachometer)]
        wired = {*self.probes, *self.sources, *(name for name, meter in counted if meter)}
        return tuple(f.name for f in fields(Measurements) if f.name in wired)

    def pins(self) -> dict[str, int]:
        """Every GPIO line in use, by what it is for."""
        used = {
            "pump": self.pump.pin,
            "fan": self.fan.pin,
            "flow_meter": self.flow_meter.pin if self.flow_meter else None,
            "tachometer": self.tachometer.pin if self.tachometer else None,
        }
        return {name: pin for name, pin in used.items() if pin is not None}
