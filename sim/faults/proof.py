"""Does a fault bite? Two copies of the plant, one with it and one without, side by side."""

from __future__ import annotations

from math import isnan

from controller.signals import Commands
from sim import layout as at
from sim.faults.kinds import RUNS, FaultKind, Share
from sim.faults.plant import FaultyPlant
from sim.media import CP_WATER
from sim.plant import Plant

KICK_S, TICK_S = 2.0, 600.0
FULL = 0.95


def proved(kind: FaultKind, severity: Share, plant: Plant) -> bool:
    """Whether ``kind``, begun on a copy of ``plant``, shows what its proof says. Faults of the program prove in the loop."""
    if kind.program != RUNS:
        return True
    sound, faulty = (FaultyPlant(_ready(plant.copy())) for _ in range(2))
    faulty.begin(kind, severity)
    return _differ(kind, sound, faulty)


def _differ(kind: FaultKind, sound: FaultyPlant, faulty: FaultyPlant) -> bool:
    proof = kind.proof
    for world in (sound, faulty):
        _run(world, Commands(proof.pump, proof.fan), proof.after_s)
    a, b = proof.look(sound), proof.look(faulty)
    if isnan(a) or isnan(b):
        return isnan(a) != isnan(b)
    return abs(a - b) >= proof.least


def _run(world: FaultyPlant, commands: Commands, span_s: float) -> None:
    world.apply(Commands(float(commands.pump_duty > 0.0), float(commands.fan_duty > 0.0)))
    world.advance(KICK_S)
    world.apply(commands)
    left_s = span_s
    while left_s > 0.0:
        world.advance(min(left_s, TICK_S))
        left_s -= TICK_S


def _ready(plant: Plant) -> Plant:
    """Full batteries with their loads on, an open line without air: what must not hide a fault."""
    for side in (0, 1):
        plant.state[at.Y_CHARGE + side] = FULL * plant.params[at.P_BAT_CAPACITY + side]
        plant.flags[at.G_LOAD_ON_PUMP + side], plant.flags[at.G_LATCHED_PUMP + side] = 1.0, 0.0
        plant.flags[at.G_VOLTS_PUMP + side] = 12.5
    ring = plant.state[at.Y_RING + at.RING_SUPPLY : at.Y_RING + at.RING]
    ring[ring < 2.0 * CP_WATER] = 2.0 * CP_WATER
    plant.flags[at.G_AIR_LOCK_M3] = 0.0
    return plant
