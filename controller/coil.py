"""A coil in a bed of one temperature: effectiveness = 1 - exp(-UA / m cp), the textbook form (any heat transfer text).

The same relation solved for each of its unknowns: how much the water warms, the flow that warms it so much, and the
conductance that a warming means.
"""

from __future__ import annotations

from math import exp, log, nan

from controller.media import WATER_J_KG_K

LEAST_SHARE, MOST_SHARE = 0.05, 0.95  # of the span; beyond, a tenth of a kelvin decides everything
TELLING_SPAN_K = 15.0  # between core and return: less says nothing, not even whether water moves


def expected_rise_k(core_c: float, return_c: float, flow_kg_s: float, coil_ua_w_k: float) -> float:
    """Return how much moving water warms in the coil [K]; 0 where none moves."""
    if not flow_kg_s > 0.0:
        return 0.0
    return (core_c - return_c) * (1.0 - exp(-coil_ua_w_k / (flow_kg_s * WATER_J_KG_K)))


def flow_for_supply_kg_s(target_c: float, core_c: float, return_c: float, coil_ua_w_k: float) -> float:
    """Return the flow [kg/s] at which the coil brings the water to ``target_c``, or as near as it can."""
    span_k = core_c - return_c
    share = (target_c - return_c) / span_k if span_k > 1.0 else MOST_SHARE
    return coil_ua_w_k / (WATER_J_KG_K * _transfer_units(max(share, LEAST_SHARE)))


def core_for_supply_c(supply_c: float, return_c: float, flow_kg_s: float, coil_ua_w_k: float) -> float:
    """Return how hot the bed must be for such a supply [degC]; NaN where no water moves or a temperature is unknown."""
    if not flow_kg_s > 0.0:
        return nan
    share = expected_rise_k(1.0, 0.0, flow_kg_s, coil_ua_w_k)  # of the span from return to bed
    return return_c + (supply_c - return_c) / max(share, LEAST_SHARE)


def conductance_w_k(flow_kg_s: float, supply_c: float, return_c: float, core_c: float) -> float:
    """Return the coil's conductance that these temperatures mean [W/K]; NaN where they mean nothing."""
    span_k = core_c - return_c
    if not (flow_kg_s > 0.0 and span_k > TELLING_SPAN_K) or supply_c != supply_c:
        return nan
    return _transfer_units(max((supply_c - return_c) / span_k, 0.0)) * flow_kg_s * WATER_J_KG_K


def _transfer_units(share: float) -> float:
    return -log(1.0 - min(share, MOST_SHARE))
