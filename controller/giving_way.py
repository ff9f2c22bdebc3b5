"""The order of giving way: when not all six can be kept, the last in the order gives way first.

Where two of them truly collide:

- frost pulses bring cold water into the pile (``pipe-freezing`` against ``pile-floor``) and use power
  (against ``battery-reserve``);
- a freezing crop wants heat from a pile near its floor (``crop-minimum`` against ``pile-floor``), power from a low battery
  (against ``battery-reserve``), and more flow than comes out hot (against ``supply-temperature``);
- a draw for its own sake uses power (``flow`` against ``battery-reserve``) and cools the supply (against
  ``supply-temperature``).
"""

from __future__ import annotations

from dataclasses import dataclass

PIPE_FREEZING = "pipe-freezing"
PILE_FLOOR = "pile-floor"
CROP_MINIMUM = "crop-minimum"
BATTERY_RESERVE = "battery-reserve"
SUPPLY_TEMPERATURE = "supply-temperature"
FLOW = "flow"
DEFAULT_ORDER = (PIPE_FREEZING, PILE_FLOOR, CROP_MINIMUM, BATTERY_RESERVE, SUPPLY_TEMPERATURE, FLOW)

FLOOR_SPENT_K = 3.0  # how far below its floor a pile may be drawn where the crop ranks above it (own judgement)
DEADLY_CORE_C = 40.0  # never below: thermophiles give way to slow mesophiles (own judgement)
WET_J_KG_K = 3000.0  # wet material at 60 % moisture by the mixture rule
DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class Ranks:
    """Who wins where two collide."""

    frost_over_floor: bool
    frost_over_reserve: bool
    frost_over_crop: bool
    crop_over_floor: bool
    crop_over_reserve: bool
    crop_over_supply: bool
    draw_over_reserve: bool
    supply_over_flow: bool


def fault_of(order: tuple[str, ...]) -> str:
    """Return what is wrong with an order of giving way in one line; "" when it is sound."""
    if sorted(map(str, order)) != sorted(DEFAULT_ORDER):
        return f"must name each of {', '.join(DEFAULT_ORDER)} once"
    floor = order.index(PILE_FLOOR)
    if floor > min(order.index(SUPPLY_TEMPERATURE), order.index(FLOW)):
        return f"must name {PILE_FLOOR} before {SUPPLY_TEMPERATURE} and {FLOW}: comfort may never spend the pile"
    return ""


def ranks(order: tuple[str, ...]) -> Ranks:
    """Return who wins each collision under a sound ``order``, the name to be kept longest first."""
    place = {name: i for i, name in enumerate(order)}

    def over(one: str, other: str) -> bool:
        return place[one] < place[other]

    return Ranks(
        frost_over_floor=over(PIPE_FREEZING, PILE_FLOOR),
        frost_over_reserve=over(PIPE_FREEZING, BATTERY_RESERVE),
        frost_over_crop=over(PIPE_FREEZING, CROP_MINIMUM),
        crop_over_floor=over(CROP_MINIMUM, PILE_FLOOR),
        crop_over_reserve=over(CROP_MINIMUM, BATTERY_RESERVE),
        crop_over_supply=over(CROP_MINIMUM, SUPPLY_TEMPERATURE),
        draw_over_reserve=over(FLOW, BATTERY_RESERVE),
        supply_over_flow=over(SUPPLY_TEMPERATURE, FLOW),
    )


def reserve_levels_v(rank: Ranks, low_v: float, empty_v: float) -> tuple[float, float, float]:
    """Return the battery voltages down to which frost pulses, a crop at risk and any other draw may run [V].

    What ranks below the reserve ends at ``low_v``. What ranks above may use it: all of it for the higher of
    frost and crop, half of it for the other, so that the higher one still finds something. Any other draw that ranks
    above the reserve gets a quarter.
    """
    half_v = (low_v + empty_v) / 2.0
    frost_v = (empty_v if rank.frost_over_crop else half_v) if rank.frost_over_reserve else low_v
    alone = not (rank.frost_over_reserve and rank.frost_over_crop)
    crop_v = (empty_v if alone else half_v) if rank.crop_over_reserve else low_v
    draw_v = (low_v + half_v) / 2.0 if rank.draw_over_reserve else low_v
    return frost_v, crop_v, draw_v


def floor_may_be_spent(core_c: float, core_sd_c: float, floor_c: float) -> bool:
    """Tell whether a pile may still be drawn below its floor for the crop: not below a floor of its own."""
    return core_c - core_sd_c > max(floor_c - FLOOR_SPENT_K, DEADLY_CORE_C)


def recovery_days(below_k: float, mass_kg: float, spare_w: float) -> float:
    """Return how many days a pile of ``mass_kg`` takes to climb ``below_k`` on ``spare_w``; inf when it cannot.

    NaN in gives NaN. 60 % of the mass follows the core up and down (own judgement).
    """
    if spare_w <= 0.0:
        return float("inf")
    return 0.6 * mass_kg * WET_J_KG_K * max(below_k, 0.0) / (spare_w * DAY_S)
