"""What goes wrong with the pile, by weather, hands or age."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sim import layout as at
from sim.faults.changes import add_water, both, fixed, params_at, scaled, set_to, shells, state_at, true, warm
from sim.faults.kinds import Amount, FaultKind, Proof
from sim.rules import PILE

if TYPE_CHECKING:
    from sim.faults.plant import FaultyPlant

COLD = frozenset({"pile-cold", "pile-ending"})
EDGE = frozenset({"edge-cools", "air-shortcut"})
SPOILT = frozenset({PILE})
INNER, OUTER = slice(0, 5), slice(5, at.SHELLS)
PROBES = "more probes in the pile"


def _chill(world: FaultyPlant, amount: Amount) -> None:
    warm(world, -amount)


def _heat(world: FaultyPlant, amount: Amount) -> None:
    """Bring the inner shells to the stated temperature."""
    now_c = world.plant.shell_temperatures_c()
    by_k = np.zeros(at.SHELLS)
    by_k[INNER] = np.maximum(amount - now_c[INNER], 0.0)
    warm(world, by_k)


def _dry(world: FaultyPlant, amount: Amount) -> None:
    add_water(world, -amount * world.plant.state[shells(at.Y_WATER)], None)


def _soak(world: FaultyPlant, amount: Amount) -> None:
    """A storm: so much rain in kg/m2 runs into the outer half at 5 degC."""
    volume = world.plant.params[shells(at.P_SHELL_VOLUME)]
    kg = np.zeros(at.SHELLS)
    kg[OUTER] = amount * world.plant.params[at.P_RAIN_AREA] * volume[OUTER] / volume[OUTER].sum()
    add_water(world, kg, 5.0)


def _turn(world: FaultyPlant, amount: Amount) -> None:
    """Mix the shells' heat and let it lose a share on the way."""
    volume = world.plant.params[shells(at.P_SHELL_VOLUME)]
    now_c = world.plant.shell_temperatures_c()
    mean_c = float((now_c * volume).sum() / volume.sum()) * (1.0 - amount)
    warm(world, mean_c - now_c)


def _feed(world: FaultyPlant, amount: Amount) -> None:
    """Work fresh cold material in: so much quick matter per m3, wet, at 5 degC."""
    fresh = amount * world.plant.params[shells(at.P_SHELL_VOLUME)]
    before_c = world.plant.shell_temperatures_c()
    world.plant.state[shells(at.Y_FAST)] += fresh
    world.plant.state[shells(at.Y_HEAT)] += fresh * world.plant.params[at.P_SOLID_CP] * np.minimum(before_c, 5.0)
    add_water(world, 1.5 * fresh, 5.0)


def _spend(world: FaultyPlant, amount: Amount) -> None:
    """Leave only a share of what can rot; the mass stays, as inert matter."""
    y, p = world.plant.state, world.plant.params
    for block in (at.Y_FAST, at.Y_SLOW):
        gone = (1.0 - amount) * y[shells(block)]
        y[shells(block)] -= gone
        p[shells(at.P_SHELL_SOLIDS)] += gone
        world.sound_params[shells(at.P_SHELL_SOLIDS)] += gone  # it does not come back


def _untarped(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    world.plant.params[at.P_COVER_R] *= 1.0 - amount
    world.plant.params[at.P_RAIN_SHED] *= 1.0 - amount


def _short_circuit(world: FaultyPlant, amount: Amount, age_s: float) -> None:
    """The fan's air no longer passes the core: that share moves to the outermost shells."""
    share = world.plant.params[shells(at.P_COLLECT)]
    moved = amount * share[:-2]
    share[-2:] += 0.5 * moved.sum()
    share[:-2] -= moved


_rots_kg = state_at(at.Y_FAST, 2 * at.SHELLS)


_permeability = scaled(at.P_PERMEABILITY)
KINDS = (
    FaultKind(
        "pile-chilled", (1,), "The core is degrees colder than yesterday: drawn by hand, or by a cold flood.",
        "Stop at the floor; say when it may be drawn again.", "kelvin lost", 3.0, 14.0,
        Proof("core is colder", true("core_c"), 1.0), strike=_chill, names=COLD | {"core-pulled"}, takes=SPOILT,
        would_tell="a heat balance of the last days",
    ),
    FaultKind(
        "pile-dried", (3,), "Heat made falls, the exhaust is dry, an air pulse changes nothing.",
        "Add no air; ask for water.",
        "share of the water lost", 0.3, 0.75, Proof("water in the pile", state_at(at.Y_WATER, at.SHELLS), 20.0),
        strike=_dry,
        names=COLD | {"pile-hot", "pile-dry"}, takes=SPOILT,
        would_tell="humidity of the pile's exhaust, or a moisture probe",
        shortest_h=48.0, longest_h=120.0,
    ),
    FaultKind(
        "pile-airless", (4,), "Heat made falls; the core warms after an air pulse.",
        "Raise air in small steps to the best duty.",
        "share of the permeability left", 0.2, 0.01, Proof("pores let less air through", params_at(at.P_PERMEABILITY),
        1e-13),
        alter=_permeability, names=COLD | {"pile-airless"}, takes=SPOILT,
        would_tell="an oxygen probe in the pile", shortest_h=48.0,
        longest_h=120.0,
    ),
    FaultKind(
        "pile-draughty", (5,), "Wind goes through the pile; the core falls for days.", "Cap the fan; ask for a cover.",
        "factor on the permeability", 3.0, 20.0, Proof("pores let more air through", params_at(at.P_PERMEABILITY),
        1e-12),
        alter=_permeability, names=COLD | EDGE, takes=SPOILT, would_tell=PROBES, shortest_h=48.0, longest_h=120.0,
    ),
    FaultKind(
        "air-short-circuit", (6,), "One side cools fast, the fan blows easily, its air is cool.",
        "No more air; ask to plug and cover.",
        "share of the core's air that takes the short way", 0.6, 1.0,
        Proof("air drawn from the core", params_at(at.P_COLLECT, at.SHELLS - 2), 0.02), alter=_short_circuit,
        names=COLD | EDGE, would_tell=f"{PROBES} and one in the fan's air", shows="fan",
    ),
    FaultKind(
        "pile-cracked", (8,), "The top has slumped and cracked: heat escapes at one place.",
        "Tell; count on less heat.",
        "share of the cover lost", 0.5, 0.95, Proof("the cover insulates less", params_at(at.P_COVER_R), 0.02),
        alter=both(_untarped, fixed(_permeability, 3.0)), names=COLD | EDGE, takes=SPOILT, would_tell=PROBES,
        shortest_h=48.0, longest_h=120.0,
    ),
    FaultKind(
        "base-wet", (9,), "The ground under the pile is wet and takes heat.", "None now; insulate the next one.",
        "share of the base's insulation left", 0.3, 0.02, Proof("the base insulates less", params_at(at.P_BASE_R),
        0.02),
        alter=scaled(at.P_BASE_R), names=COLD, takes=SPOILT, would_tell="a probe at the bottom", shortest_h=48.0,
        longest_h=120.0,
    ),
    FaultKind(
        "pile-overheated", (10,), "The core is above 73 °C and makes less for it.",
        "Draw more; keep it moist; watch for fire.",
        "temperature of the core, °C", 74.0, 79.0, Proof("core is hotter", true("core_c"), 1.0, after_s=5.0),
        strike=_heat,
        names=frozenset({"pile-hot", "scald"}),
    ),
    FaultKind(
        "pile-spent", (11,), "Nothing is left to rot: heat made falls for good.",
        "Say until when it lasts; offer to feed or to stop.",
        "share of what can rot that is left", 0.25, 0.03, Proof("matter left that can rot", _rots_kg, 5.0),
        strike=_spend,
        names=COLD | {"pile-spent"}, takes=SPOILT, would_tell="time: weeks of falling heat", shortest_h=72.0,
        longest_h=120.0,
    ),
    FaultKind(
        "pile-soaked", (8,), "A storm has run into the pile.", "Draw less until it is warm again.",
        "rain taken in, kg/m2", 30.0, 150.0,
        Proof("water in the pile", state_at(at.Y_WATER, at.SHELLS), 20.0), strike=_soak, names=COLD | EDGE,
        takes=SPOILT,
        would_tell="a moisture probe",
    ),
    FaultKind(
        "pile-turned", (27,), "The pile was turned: all of it is as warm as its mean, or colder.",
        "Rest until it is hot; no alarm storm.",
        "share of its heat lost", 0.05, 0.3, Proof("core is colder", true("core_c"), 0.5), strike=_turn,
        names=COLD | {"core-pulled"},
        takes=SPOILT, would_tell="the grower's word",
    ),
    FaultKind(
        "pile-refed", (11,), "Fresh cold material was worked in.", "Rest until it is hot; no alarm storm.",
        "quick matter added, kg/m3", 15.0, 50.0, Proof("matter added that can rot", _rots_kg, 5.0), strike=_feed,
        names=COLD | {"core-pulled"},
        takes=SPOILT, would_tell="the grower's word",
    ),
    FaultKind(
        "tarp-off", (8,), "Wind took the cover.", "Draw less; tell.", "share of the cover lost", 0.6, 0.98,
        Proof("the cover insulates less", params_at(at.P_COVER_R), 0.02), alter=_untarped, names=COLD | EDGE,
        takes=SPOILT,
        would_tell=PROBES, shortest_h=24.0, longest_h=96.0,
    ),
    FaultKind(
        "spring-flood", (9,), "Water stands round the pile and takes heat from below.", "None now; tell by the core.",
        "temperature of the ground, °C", 4.0, 1.0, Proof("the ground takes heat more easily", params_at(at.P_BASE_R), 0.1),
        alter=both(set_to(at.P_GROUND_C), fixed(scaled(at.P_BASE_R), 0.1)), names=COLD, takes=SPOILT,
        would_tell="a probe at the bottom", shortest_h=48.0, longest_h=120.0,
    ),
)  # fmt: skip
