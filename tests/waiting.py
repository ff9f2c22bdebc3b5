"""Waiting for something that another thread or process brings about."""

import time


def until(true, timeout_s=60.0):
    """Wait until ``true()``, at most ``timeout_s``; whether it came to be. What holds at once costs no time."""
    end_s = time.monotonic() + timeout_s
    while not (so := bool(true())) and time.monotonic() < end_s:
        time.sleep(0.01)
    return so


def seconds_until(true, timeout_s=20.0):
    """Wait until ``true()``; how long that took, or infinity."""
    began_s = time.monotonic()
    while time.monotonic() - began_s < timeout_s:
        if true():
            return time.monotonic() - began_s
        time.sleep(0.005)
    return float("inf")
