"""The real plant behind the controller's contract: measure and apply, with leases on the outputs."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import fields
from time import monotonic
from typing import Any, Self

from controller.signals import Commands, Measurements
from hardware.gpio_pwm import GpioPwm, default_chip, lgpio_factory
from hardware.kernel_files import KernelFiles
from hardware.lease import LEASE_S, Driver, LeasedOutput, LeaseKeeper
from hardware.onewire import OneWire
from hardware.pulses import PulseInput
from hardware.pwmchip import PwmChannel
from hardware.reading import GOOD, Reading
from hardware.sampler import Sampler
from hardware.settings import BoardSettings, OutputSettings, PulseSettings
from hardware.wiring import check_wiring

FIRST_SAMPLE_S = 5.0
CLOSE_TRIES, CLOSE_PAUSE_S = 3, 0.1
_FIELDS = frozenset(f.name for f in fields(Measurements)) - {"time_s"}


class Plant:
    """Pump, fan and sensors of one greenhouse.

    Opens all or nothing and closes in reverse order; ``HardwareError`` says in one line what cannot be had. Sensors
    that are missing do not keep it from opening: their readings are NaN until they come. ``factory`` makes GPIO lines
    (lgpio's by default), ``epoch_s`` is what ``Measurements.time_s`` begins with (the wall clock's now by default).
    """

    def __init__(
        self,
        settings: BoardSettings,
        *,
        factory: Any = None,
        epoch_s: float | None = None,
        lease_s: float = LEASE_S,
        clock: Callable[[], float] = monotonic,
    ) -> None:
        check_wiring(settings)
        self._settings, self._clock, self._lease_s = settings, clock, lease_s
        self._zero_s = (time.time() if epoch_s is None else epoch_s) - clock()
        self._factory = factory
        with ExitStack() as opened:
            self._open(opened)
            self._opened = opened.pop_all()

    def measure(self) -> Measurements:
        """The believed readings now; NaN where there is none. Returns at once, never raises."""
        found = {n: r.value for n, r in self.readings().items() if n in _FIELDS and r.quality == GOOD}
        return Measurements(time_s=self._zero_s + self._clock(), **found)

    def readings(self) -> dict[str, Reading]:
        """Every reading by name, with age and quality; those outside ``Measurements`` too."""
        found: dict[str, Reading] = {}
        for sampler in self._samplers:
            found.update(sampler.readings())
        for name, offset_k in self._settings.probe_offset_k.items():
            if name in found:
                r = found[name]
                found[name] = Reading(r.value + offset_k, r.age_s, r.quality, r.why)
        for name, (pulses, per_unit) in self._meters.items():
            found[name] = Reading(pulses.rate.rate_hz() / per_unit, 0.0, GOOD, "")
        return found

    def apply(self, commands: Commands) -> None:
        """Set both duties for the length of a lease; anything outside 0..1 or not finite raises ``ValueError``."""
        duties = {"pump": commands.pump_duty, "fan": commands.fan_duty}
        for name, duty in duties.items():
            if not 0.0 <= duty <= 1.0:
                raise ValueError(f"{name}_duty = {duty}: must be 0..1")
        for name, duty in duties.items():
            self.outputs[name].set(duty)

    def renew(self) -> bool:
        """Renew both leases; False if one had run out, so that the duties must be applied anew."""
        return all([output.renew() for output in self.outputs.values()])

    def duties(self) -> dict[str, float]:
        """The duties that are put out now, read back."""
        return {name: output.driver.duty() for name, output in self.outputs.items()}

    def pass_time(self, dt_s: float) -> None:
        """Time passes by itself here; the simulated plant must be told."""

    def missing(self) -> list[str]:
        """One line for each sensor of the settings that is not there now."""
        return [*self._onewire.missing().values(), *self._files.missing().values()]

    def make_safe(self) -> None:
        """Bring every output to its safe value now; one that fails does not keep the others from it."""
        with ExitStack() as tried:
            for output in self.outputs.values():
                tried.callback(output.make_safe)

    def close(self) -> None:
        """Make the outputs safe and let go of everything, last opened first. A second call does nothing."""
        self._opened.callback(self.make_safe)  # before anything else: a sensor's thread may take its time to end
        self._opened.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def _open(self, opened: ExitStack) -> None:
        s = self._settings
        if s.pins() and self._factory is None:
            self._factory = lgpio_factory(chip_number(s))
            opened.callback(patiently, self._factory.close)
        self._onewire = OneWire(s.probes, s.roots.onewire, self._clock)
        self._files = KernelFiles(s.sources, s.roots.hwmon, s.roots.iio)
        self.outputs: dict[str, LeasedOutput] = {}
        for name, output in (("pump", s.pump), ("fan", s.fan)):
            self.outputs[name] = self._leased(opened, name, output)
        opened.callback(LeaseKeeper(list(self.outputs.values())).close)
        self._meters = {
            name: (self._pulses(opened, meter), meter.per_unit)
            for name, meter in (("water_flow_kg_s", s.flow_meter), ("fan_speed_hz", s.tachometer))
            if meter is not None
        }
        self._samplers = [
            self._sampler(opened, name, source)
            for name, source, wanted in (("1-wire", self._onewire, s.probes), ("files", self._files, s.sources))
            if wanted
        ]

    def await_first(self, timeout_s: float = FIRST_SAMPLE_S) -> None:
        """Wait until the slow sensors were asked once, ``timeout_s`` at most."""
        end_s = monotonic() + timeout_s
        for sampler in self._samplers:
            sampler.await_first(max(0.0, end_s - monotonic()))

    def _leased(self, opened: ExitStack, name: str, output: OutputSettings) -> LeasedOutput:
        driver = self._driver(output)
        opened.callback(driver.close)  # should the safe value be refused
        leased = LeasedOutput(name, driver, output.safe_duty, output.why_safe, self._lease_s, self._clock)
        opened.callback(leased.close)
        return leased

    def _driver(self, output: OutputSettings) -> Driver:
        if output.pwm is not None:
            return PwmChannel(*output.pwm, output.frequency_hz, self._settings.roots.pwm)
        assert output.pin is not None  # noqa: S101 - check_wiring saw to it
        return GpioPwm(output.pin, output.frequency_hz, self._factory)

    def _pulses(self, opened: ExitStack, meter: PulseSettings) -> PulseInput:
        pulses = PulseInput(meter.pin, self._factory, meter.pull)
        opened.callback(patiently, pulses.close)
        return pulses

    def _sampler(self, opened: ExitStack, name: str, source: OneWire | KernelFiles) -> Sampler:
        sampler = Sampler(name, source, stale_after_s=self._settings.stale_after_s, clock=self._clock)
        opened.callback(sampler.close)
        return sampler


def patiently(close: Callable[[], object]) -> None:
    """Let go of inputs, trying again: lgpio may say "GPIO busy" while its own thread still looks at the line's edges.

    (Seen once on a real GPIO chip; that its thread is the cause is a guess.) The outputs are safe by then and the end
    of the process frees the rest, so a close that goes on failing is no reason to end in an error.
    """
    for _ in range(CLOSE_TRIES):
        try:
            close()
            return
        except Exception:  # lgpio's and gpiozero's errors have no common ancestor
            time.sleep(CLOSE_PAUSE_S)


def chip_number(settings: BoardSettings) -> int:
    """The GPIO chip that all pins are on: the one that is set, else the usual one."""
    return default_chip() if settings.gpiochip is None else settings.gpiochip


def safe_specs(settings: BoardSettings) -> list[dict[str, Any]]:
    """How another process can make each output safe, as JSON values; needs nothing opened."""
    specs = []
    for name, o in (("pump", settings.pump), ("fan", settings.fan)):
        spec: dict[str, Any] = {"name": name, "duty": o.safe_duty, "frequency_hz": o.frequency_hz}
        if o.pwm is not None:
            spec.update(kind="pwmchip", chip=o.pwm[0], channel=o.pwm[1], root=str(settings.roots.pwm))
        else:
            spec.update(kind="gpio", chip=chip_number(settings), pin=o.pin)
        specs.append(spec)
    return specs
