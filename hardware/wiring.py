"""Refuses a wiring that cannot be safe, before anything is opened."""

from __future__ import annotations

from hardware.errors import HardwareError
from hardware.settings import BoardSettings, OutputSettings

ACTIVE_LOW = (
    "active_high = false is refused: an active-low switch is ON while the board starts, when a line is let go and when "
    "the board is without power. Use a switch that a high level turns on, with a pull-down at its gate"
)


def check_wiring(settings: BoardSettings) -> None:
    """Raise ``HardwareError`` in one line for an active-low output, an output without a place, or a place used twice."""
    _check_output("pump", settings.pump)
    _check_output("fan", settings.fan)
    taken: dict[int, str] = {}
    for name, pin in settings.pins().items():
        if pin in taken:
            raise HardwareError(f"pin {pin} is used twice, for {taken[pin]} and {name}: give one of them another pin")
        taken[pin] = name
    if settings.pump.pwm is not None and settings.pump.pwm == settings.fan.pwm:
        chip, channel = settings.pump.pwm
        raise HardwareError(f'pwm "{chip}/{channel}" is used twice, for pump and fan: give one of them another channel')


def _check_output(name: str, output: OutputSettings) -> None:
    if not output.active_high:
        raise HardwareError(f"{name}: {ACTIVE_LOW}")
    if output.pin is None and output.pwm is None:
        raise HardwareError(f"{name} has neither pin nor pwm: say where it is connected")
    if output.pin is not None and output.pwm is not None:
        raise HardwareError(f"{name} has both pin and pwm: keep one of them")
    if not 0.0 <= output.safe_duty <= 1.0:
        raise HardwareError(f"{name}: safe duty {output.safe_duty} is outside 0..1")
