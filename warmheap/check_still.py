"""The sensors alone: what is looked at when nothing may move."""

from __future__ import annotations

import time
from time import monotonic
from typing import Self

from controller.signals import Commands, Measurements
from hardware.kernel_files import KernelFiles
from hardware.onewire import OneWire
from hardware.plant import FIRST_SAMPLE_S
from hardware.reading import GOOD, Reading
from hardware.sampler import Sampler, Slow
from hardware.settings import BoardSettings


class Sensors:
    """A board's probes and kernel files, without a single output or input line opened."""

    def __init__(self, board: BoardSettings) -> None:
        self._offsets_k, self._zero_s = board.probe_offset_k, time.time() - monotonic()
        sources: list[Slow] = [OneWire(board.probes, board.roots.onewire)] if board.probes else []
        if board.sources:
            sources.append(KernelFiles(board.sources, board.roots.hwmon, board.roots.iio))
        self._samplers = [Sampler("sensors", source, stale_after_s=board.stale_after_s) for source in sources]
        for sampler in self._samplers:
            sampler.await_first(FIRST_SAMPLE_S)

    def readings(self) -> dict[str, Reading]:
        """Every reading by name."""
        found = {name: r for sampler in self._samplers for name, r in sampler.readings().items()}
        for name, offset_k in self._offsets_k.items():
            if name in found:
                r = found[name]
                found[name] = Reading(r.value + offset_k, r.age_s, r.quality, r.why)
        return found

    def measure(self) -> Measurements:
        """The believed readings now."""
        fields = Measurements.__dataclass_fields__
        found = {n: r.value for n, r in self.readings().items() if n in fields and r.quality == GOOD}
        return Measurements(time_s=self._zero_s + monotonic(), **found)

    def apply(self, commands: Commands) -> None:
        """Nothing is connected; only "off" can be asked of it."""
        if commands != Commands():
            raise RuntimeError("nothing may move here")

    def renew(self) -> bool:
        """There is no lease."""
        return True

    def duties(self) -> dict[str, float]:
        """There is no output."""
        return {}

    def pass_time(self, dt_s: float) -> None:
        """Time passes by itself."""

    def make_safe(self) -> None:
        """Nothing moves."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        for sampler in self._samplers:
            sampler.close()
