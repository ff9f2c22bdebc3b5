"""PWM on a plain GPIO line, made by lgpio's thread through gpiozero."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from hardware.errors import HardwareError
from hardware.lgpio_import import load_lgpio

MOST_HZ = 100.0  # above, a busy board smears short pulses (lgpio makes them in a thread)
_RP1_BOARD, _RP1_CHIP = 0x17, 4  # boards whose header hung on chip 4 under their first kernels
_HAIR = 0.1  # of a percent: lgpio cuts duties down to whole percents, and 0.29 is a hair under 29 %


def whole_percent(duty: float) -> float:
    """Round ``duty`` (0..1) to a whole percent, plus a hair that survives being cut down again."""
    return min(1.0, (round(100.0 * duty) + _HAIR) / 100.0) if duty > 0.0 else 0.0


def default_chip() -> int:
    """The GPIO chip of the 40-pin header, by gpiozero's own rule; 0 on a board that it does not know."""
    from gpiozero.exc import PinUnknownPi
    from gpiozero.pins.local import get_pi_revision

    try:
        newest = (get_pi_revision() & 0xFF0) >> 4 == _RP1_BOARD
    except (PinUnknownPi, OSError, ValueError):
        return 0
    return _RP1_CHIP if newest and Path(f"/dev/gpiochip{_RP1_CHIP}").exists() else 0


def lgpio_factory(chip: int) -> Any:
    """The pin factory by lgpio and no other: gpiozero left to itself falls through to whatever works half."""
    load_lgpio()
    try:
        from gpiozero.pins.lgpio import LGPIOFactory
    except ImportError:
        raise HardwareError("gpiozero is not installed: pip install 'warmheap[board]'") from None
    try:
        return LGPIOFactory(chip=chip)
    except Exception as wrong:  # lgpio and gpiozero have no common ancestor short of this
        raise HardwareError(
            f"cannot open gpiochip{chip} ({wrong}): is this the board, and may this user use gpio?"
        ) from None


class GpioPwm:
    """A line as PWM output, off from the start, active high.

    ``HardwareError`` when the line is taken or the frequency is out of reach.
    """

    def __init__(self, pin: int, frequency_hz: float, factory: Any) -> None:
        from gpiozero import PWMOutputDevice

        if not 0.0 < frequency_hz <= MOST_HZ:
            raise HardwareError(
                f"pin {pin}: {frequency_hz:g} Hz is too fast for PWM by software, at most {MOST_HZ:g} Hz: "
                "lower it or use a kernel PWM channel (pwm = ...)"
            )
        try:
            self._device = PWMOutputDevice(pin, initial_value=0, frequency=round(frequency_hz), pin_factory=factory)
        except Exception as wrong:
            raise HardwareError(f"pin {pin} cannot be an output: {wrong}") from None

    def set(self, duty: float) -> None:
        """Put out ``duty``, 0..1, to the nearest whole percent."""
        value = whole_percent(duty)
        if value != self._device.value:
            self._device.value = value

    def duty(self) -> float:
        """Read back what is put out, 0..1."""
        return float(self._device.value)

    def close(self) -> None:
        """Turn the line into an input: it goes to its pull, so the switch needs its own pull-down."""
        self._device.close()
