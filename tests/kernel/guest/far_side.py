"""What is on the other side of the pins: pump, fan, pile and house, by a few lines of physics in a process of its own.

It reads the duties from the lines, turns them into flow and speed, and gives back pulses and temperatures. All values are
invented. No tuning is judged on it: it is there so that the readings answer to the outputs as on a real board.
"""

from __future__ import annotations

import math
import os
import time

from bench_board import FAN, FLOW, METER_PER_L, PROBES, PUMP, TACHO, TURNS, Chip, DutyMeter, Pull, temperature

CORE_C, HOUSE_C, OUTDOOR_C, AIR_C = 58.0, 8.0, 2.0, 50.0
UA_W_K, WATER_J_KG_K = 250.0, 4186.0
FULL_FLOW_KG_S, LEAST_DUTY = 0.8, 0.1
FULL_SPEED_HZ = 6.0
SUPPLY_LAG_S = 60.0
LOOK_S = 0.5


class Pulses:
    """Makes pulses on a line at a rate that changes now and then."""

    def __init__(self, pull: Pull) -> None:
        self._pull, self._level, self._next_s, self._rate_hz = pull, True, math.inf, 0.0
        pull.set(True)

    def rate(self, rate_hz: float, now_s: float) -> None:
        """Go on at another rate."""
        if rate_hz <= 0.0:
            self._next_s = math.inf
        elif self._rate_hz <= 0.0:
            self._next_s = now_s + 0.5 / rate_hz
        self._rate_hz = max(rate_hz, 0.0)

    def turn(self, now_s: float) -> float:
        """Change the level if it is time; returns when to come back."""
        if now_s >= self._next_s:
            self._level = not self._level
            self._pull.set(self._level)
            self._next_s = max(now_s, self._next_s + 0.5 / self._rate_hz)
        return self._next_s


def flow_kg_s(duty: float) -> float:
    """What the pump moves at a duty."""
    return FULL_FLOW_KG_S * max(0.0, duty - LEAST_DUTY) / (1.0 - LEAST_DUTY)


def supply_c(flow: float, return_c: float) -> float:
    """Water leaving a coil of constant UA in a pile at one temperature: effectiveness by NTU (any heat transfer text)."""
    return CORE_C - (CORE_C - return_c) * math.exp(-UA_W_K / (flow * WATER_J_KG_K)) if flow > 0.0 else math.nan


def run(chip: Chip) -> None:
    """Be the other side, for ever."""
    flow, turns = Pulses(chip.pull(FLOW)), Pulses(chip.pull(TACHO))
    pump, fan = DutyMeter(PUMP), DutyMeter(FAN)
    now_c, look_s = 30.0, time.monotonic()
    set_temperatures(now_c)
    while True:
        now_s = time.monotonic()
        if now_s >= look_s:
            look_s += LOOK_S
            moved, spun = flow_kg_s(pump.duty()), fan.duty()
            flow.rate(moved * METER_PER_L, now_s)
            turns.rate(FULL_SPEED_HZ * TURNS * spun if spun > LEAST_DUTY else 0.0, now_s)
            wanted_c = supply_c(moved, HOUSE_C + 0.5 * (now_c - HOUSE_C))
            if moved > 0.0:
                now_c += (wanted_c - now_c) * LOOK_S / SUPPLY_LAG_S
            set_temperatures(now_c)
        time.sleep(max(0.0, min(look_s, flow.turn(now_s), turns.turn(now_s)) - time.monotonic()))


def set_temperatures(supply: float) -> None:
    """Tell the probes."""
    values = {"pile_core": CORE_C, "water_supply": supply, "water_return": HOUSE_C + 0.5 * (supply - HOUSE_C)}
    for name, celsius in (values | {"greenhouse": HOUSE_C, "outdoor": OUTDOOR_C, "air_supply": AIR_C}).items():
        temperature(PROBES[name], celsius)


def start(chip: Chip) -> int:
    """Start the other side; returns its process id."""
    pid = os.fork()
    if pid == 0:
        run(chip)
    return pid
