"""Makes outputs safe from another process, when the one that held them is dead. Knows no sensor and no control.

GPIO lines go through lgpio directly: on the kernels of small boards a line keeps its level when its process dies, so it must
be claimed anew and driven. A line that shall be off is then let go as an input: the gate's pull-down holds it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from hardware.errors import HardwareError
from hardware.gpio_pwm import whole_percent
from hardware.lgpio_import import load_lgpio
from hardware.pwmchip import PwmChannel

Spec = Mapping[str, Any]
Release = Callable[[], None]


def make_safe(spec: Spec) -> Release:
    """Bring one output to its safe duty; the returned call lets go of it. ``HardwareError`` if that fails."""
    makers: dict[str, Callable[[Spec], Release]] = {"gpio": _gpio, "pwmchip": _pwmchip}
    maker = makers.get(spec["kind"])
    if maker is None:
        raise HardwareError(f"output of unknown kind {spec['kind']!r}")
    return maker(spec)


def preload(specs: Iterable[Spec]) -> None:
    """Import beforehand what ``make_safe`` needs: when it counts, a slow card must not be in the way."""
    if any(spec["kind"] == "gpio" for spec in specs):
        load_lgpio()


def _gpio(spec: Spec) -> Release:
    lgpio = load_lgpio()
    pin, duty = spec["pin"], spec["duty"]
    handle = None
    try:
        handle = lgpio.gpiochip_open(spec["chip"])
        lgpio.gpio_claim_output(handle, pin, 0)
        if duty > 0.0:
            lgpio.tx_pwm(handle, pin, spec["frequency_hz"], 100.0 * whole_percent(duty))
    except lgpio.error as wrong:
        if handle is not None:
            lgpio.gpiochip_close(handle)
        raise HardwareError(f"pin {pin} cannot be made safe: {wrong}") from None
    return lambda: _let_go(lgpio, handle, pin, duty > 0.0)


def _let_go(lgpio: Any, handle: Any, pin: int, pulsing: bool) -> None:
    """Off, then an input, so that the pull-down holds it; closing alone would leave the last level on some kernels."""
    try:
        if pulsing:
            lgpio.tx_pwm(handle, pin, 0, 0)
        lgpio.gpio_write(handle, pin, 0)
        lgpio.gpio_claim_input(handle, pin, lgpio.SET_PULL_NONE)
    finally:
        lgpio.gpiochip_close(handle)


def _pwmchip(spec: Spec) -> Release:
    channel = PwmChannel(spec["chip"], spec["channel"], spec["frequency_hz"], Path(spec["root"]))
    try:
        channel.set(spec["duty"])
    except OSError as wrong:
        raise HardwareError(f"{channel.name} cannot be made safe: {wrong.strerror}") from None
    return lambda: None  # the peripheral goes on by itself
