"""How much heat each tick brought, by water and by air, and how sensitive that figure is to every sensor.

What is not measured is not credited: nothing while the pump is off (whatever back-flow does), nothing by a meter that
reads zero while the pump turns or counts while it stands, nothing across a gap. Heat that goes the other way while pump
or fan turns is booked against the sums, and once more by itself, so that it can be seen. A flow taken from the pump's curve
because there is no meter is booked apart, as estimated. Everything here is additive: sums over any span of time are
honest, and the sums of sensitivities let systematic errors grow with the total instead of averaging out
(`warmheap.heat_error`).
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields
from math import exp, isfinite, pi

from controller import ControllerSettings, Measurements
from controller.checks import Readings, SensorChecks
from controller.media import WATER_J_KG_K, air_enthalpy_j_kg
from controller.pump import PumpCurve

LONGEST_SPAN_S = 120.0  # the loop ticks once a minute at least: a longer pause is a gap, and a gap is not filled
DEAD_AFTER_S = 120.0  # this long at zero while the pump turns, and the meter is dead
COUNTS_AT_REST_S = 120.0  # water may coast; this long after the pump stopped no meter may count
RESTING_KG_S = 0.005
ONE_INCH_M2 = pi * 0.0254**2 / 4  # taken for the line when only its volume is known
LINE_LOSS_W_M_K = 0.35  # insulated pipe in the ground (common practice, no source)
GROUND_SHARE = 0.7  # of what surrounds the line; the rest is outdoor air (own judgement)
GROUND_S = 60 * 86400.0  # ground at pipe depth follows the air this slowly ...
USUAL_GROUND_C = 10.0  # ... from halfway between this and the air, when nothing is known (both own judgement)
STOOD_S = 4 * 3600.0  # water that stood in the line so long is as warm as what surrounds it (three time constants)
STOOD_PART = (0.5, 0.9)  # of the line's water, by when the probe has followed and before other water comes
COLD_COIL_S = 6 * 3600.0  # after a rest this long the coil counts as full of stored heat (own judgement)
WATER_LAG_S, AIR_LAG_S = 20.0, 60.0  # of a probe strapped to a pipe, and of one in a duct (own judgement)
SETTLED_LAGS = 3.0
KELVIN_STEP, RH_STEP, LAG_STEP_S = 0.1, 0.01, 20.0


@dataclass(slots=True)
class Booked:
    """What one tick adds. ``*_j`` are joules, ``*_kg`` kilograms, ``*_s`` seconds.

    ``water_j``: by a meter; ``water_est_j``: by the pump's curve, there being no meter; ``water_dead_j``: what the curve
    says while the meter is dead, credited to nobody. ``first_j`` and ``water_useful_j`` are parts of the first two: the
    first coil volume after a rest of hours, and what came while the house was below its ceiling. The rest are
    sensitivities: of water to the lag of its probes (``lag_j_s``), of ``air_j`` to a kelvin or to the whole of relative
    humidity in duct and house, and to a second of lag in the duct. ``back_j``: taken off ``water_j``, ``water_est_j`` and
    ``air_j`` already, what water warmer than the pile gave back to it, and what air from the duct took from the house.
    """

    span_s: float = 0.0
    gap_s: float = 0.0
    blind_s: float = 0.0
    bridged_s: float = 0.0
    pump_s: float = 0.0
    fan_s: float = 0.0
    water_j: float = 0.0
    water_kg: float = 0.0
    water_est_j: float = 0.0
    water_est_kg: float = 0.0
    water_dead_j: float = 0.0
    first_j: float = 0.0
    water_useful_j: float = 0.0
    line_loss_j: float = 0.0
    lag_j_s: float = 0.0
    air_j: float = 0.0
    air_useful_j: float = 0.0
    air_kg: float = 0.0
    duct_j_k: float = 0.0
    duct_rh_j: float = 0.0
    house_j_k: float = 0.0
    house_rh_j: float = 0.0
    duct_lag_j_s: float = 0.0
    back_j: float = 0.0


BOOKED = tuple(f.name for f in fields(Booked))
_NEEDED = ("water_supply_c", "water_return_c", "greenhouse_c", "air_supply_c", "air_supply_rh", "greenhouse_rh",
           "water_flow_kg_s", "pile_core_c")  # fmt: skip


class HeatBook:
    """Books the span between each tick and the one before. ``book`` never raises on any float."""

    def __init__(self, settings: ControllerSettings) -> None:
        self._settings = settings
        self._curve = PumpCurve(settings)
        self._checks = SensorChecks()
        self._loss_w_k = LINE_LOSS_W_M_K * settings.line_volume_m3 / ONE_INCH_M2
        self._line_j_k = settings.line_volume_m3 * 1000.0 * WATER_J_KG_K
        self._before: Measurements | None = None
        self._was: dict[str, float] = {}
        self._pump_duty = self._fan_duty = 0.0
        self._on_kg = self._zero_s = self._fan_on_s = 0.0
        self._rest_s = COLD_COIL_S
        self._standing_s = self._stood_s = self._through_kg = 0.0
        self._counts_at_rest = self._metered = False
        self._line_c = [float("nan"), float("nan")]
        self._ground_c = float("nan")

    def book(self, m: Measurements, pump_duty: float, fan_duty: float) -> Booked:
        """What came since the tick before, under its duties; ``pump_duty``, ``fan_duty`` (0..1) hold from now on."""
        found = Booked()
        try:
            self._book(found, m)
        except (ArithmeticError, ValueError):
            found = Booked()
        self._before, self._pump_duty, self._fan_duty = m, pump_duty, fan_duty
        return found if all(map(isfinite, astuple(found))) else Booked()

    def _book(self, b: Booked, m: Measurements) -> None:
        readings = self._checks.read(m, m.time_s)
        before = self._before
        span_s = m.time_s - before.time_s if before else 0.0
        if not 0.0 < span_s <= LONGEST_SPAN_S:
            b.gap_s = max(0.0, span_s) if isfinite(span_s) else 0.0
            self._begin(readings)
            return
        b.span_s = span_s
        b.pump_s, b.fan_s = self._pump_duty * span_s, self._fan_duty * span_s
        now = self._now(readings)
        if any(value == value != getattr(m, name) for name, value in now.items()):
            b.bridged_s = span_s  # the checks hold a lost or doubted reading for two minutes at most
        self._water(b, now, readings)
        self._air(b, now)
        self._line(b, now, readings.outdoor_c)
        self._was = now

    def _begin(self, r: Readings) -> None:
        """After a gap nothing is known of what went before: the coil counts as standing full again."""
        self._was = self._now(r)
        self._zero_s, self._rest_s = 0.0, COLD_COIL_S
        self._standing_s = self._stood_s = 0.0  # but it was not seen to stand

    @staticmethod
    def _now(r: Readings) -> dict[str, float]:
        return {name: getattr(r, name) for name in _NEEDED}

    def _counts(self, heat_j: float, house_c: float) -> bool:
        """Heat is useful below the ceiling. A loss is charged where the house is unknown as well: doubt is no credit."""
        ceiling_c = self._settings.greenhouse_ceiling_c
        return house_c < ceiling_c if heat_j >= 0.0 else not house_c >= ceiling_c

    def _water(self, b: Booked, now: dict[str, float], r: Readings) -> None:
        measured_kg_s = self._settings.flow_meter_gain * r.water_flow_kg_s
        self._metered = self._metered or measured_kg_s == measured_kg_s
        if self._pump_duty <= 0.0:
            self._rest(b.span_s, measured_kg_s)
            return
        if self._standing_s > 0.0:
            self._stood_s, self._through_kg, self._standing_s = self._standing_s, 0.0, 0.0
        self._on_kg, self._rest_s = (0.0 if self._rest_s >= COLD_COIL_S else self._on_kg), 0.0
        rise_k = self._mean(now, "water_supply_c") - self._mean(now, "water_return_c")
        if rise_k != rise_k:
            b.blind_s = b.span_s
            return
        curve_kg = self._curve.flow_kg_s(self._pump_duty, r.pump_battery_v) * b.span_s
        j_kg = WATER_J_KG_K * rise_k
        if self._counts_at_rest or self._reads_zero(measured_kg_s, b.span_s):
            b.water_dead_j = curve_kg * j_kg
            return
        if measured_kg_s == measured_kg_s:
            b.water_kg = max(0.0, measured_kg_s) * b.span_s
            b.water_j = b.water_kg * j_kg
        else:
            b.water_est_kg, b.water_est_j = curve_kg, curve_kg * j_kg
        self._correct_lag(b, now)
        if rise_k < 0.0:
            b.back_j = max(0.0, -b.water_j - b.water_est_j)
        self._mark(b, now)

    def _correct_lag(self, b: Booked, now: dict[str, float]) -> None:
        """A first-order probe reads its own lag times its slope too little; so does the heat."""
        change_k = (now["water_supply_c"] - self._was["water_supply_c"]) - (
            now["water_return_c"] - self._was["water_return_c"]
        )
        kg = b.water_kg + b.water_est_kg
        if change_k != change_k:
            return
        b.lag_j_s = WATER_J_KG_K * kg / b.span_s * change_k
        if b.water_est_kg > 0.0:
            b.water_est_j += WATER_LAG_S * b.lag_j_s
        else:
            b.water_j += WATER_LAG_S * b.lag_j_s

    def _mark(self, b: Booked, now: dict[str, float]) -> None:
        """Tell apart the first coil volume, and what came while it was wanted."""
        water_j = b.water_j + b.water_est_j
        if self._on_kg < self.coil_kg:
            b.first_j = water_j
        self._on_kg += b.water_kg + b.water_est_kg
        if self._counts(water_j, now["greenhouse_c"]):
            b.water_useful_j = water_j

    @property
    def coil_kg(self) -> float:
        """Water in coil, drum and supply line: what comes out first is stored heat, not make."""
        s = self._settings
        return 1000.0 * (s.drum_volume_m3 + s.line_volume_m3)

    def _rest(self, span_s: float, measured_kg_s: float) -> None:
        self._rest_s += span_s
        self._standing_s += span_s
        self._zero_s = 0.0
        if self._rest_s > COUNTS_AT_REST_S and measured_kg_s == measured_kg_s:
            self._counts_at_rest = measured_kg_s > RESTING_KG_S

    def _reads_zero(self, measured_kg_s: float, span_s: float) -> bool:
        self._zero_s = self._zero_s + span_s if measured_kg_s == 0.0 else 0.0
        return self._zero_s > DEAD_AFTER_S

    def _mean(self, now: dict[str, float], name: str) -> float:
        was = self._was.get(name, float("nan"))
        return (was + now[name]) / 2.0 if was == was else now[name]

    def _air(self, b: Booked, now: dict[str, float]) -> None:
        """Enthalpy above greenhouse air; dry-air flow in proportion to duty, as measured at commissioning."""
        if self._fan_duty <= 0.0:
            self._fan_on_s = 0.0
            return
        self._fan_on_s += b.span_s
        duct_c, house_c, house_rh = now["air_supply_c"], now["greenhouse_c"], now["greenhouse_rh"]
        if not all(map(isfinite, (duct_c, house_c, house_rh))):
            b.blind_s = b.span_s
            return
        rh = self._duct_rh(now["air_supply_rh"])
        kg = b.air_kg = self._settings.fan_full_flow_kg_s * self._fan_duty * b.span_s
        duct_c = self._unlagged_c(now, b.span_s, AIR_LAG_S)
        duct, house = air_enthalpy_j_kg(duct_c, rh), air_enthalpy_j_kg(house_c, house_rh)
        b.air_j = kg * (duct - house)
        b.air_useful_j = b.air_j if self._counts(b.air_j, house_c) else 0.0
        b.back_j += max(0.0, -b.air_j)
        others_c = (self._unlagged_c(now, b.span_s, AIR_LAG_S + step_s) for step_s in (-LAG_STEP_S, LAG_STEP_S))
        b.duct_lag_j_s = kg * max(abs(air_enthalpy_j_kg(c, rh) - duct) for c in others_c) / LAG_STEP_S
        b.duct_j_k = kg * (air_enthalpy_j_kg(duct_c + KELVIN_STEP, rh) - duct) / KELVIN_STEP
        b.duct_rh_j = kg * (duct - air_enthalpy_j_kg(duct_c, rh - RH_STEP)) / RH_STEP
        b.house_j_k = kg * (air_enthalpy_j_kg(house_c + KELVIN_STEP, house_rh) - house) / KELVIN_STEP
        b.house_rh_j = kg * (house - air_enthalpy_j_kg(house_c, house_rh - RH_STEP)) / RH_STEP

    def _duct_rh(self, read: float) -> float:
        """Air out of a moist pile is saturated, the more after a cooling duct; a settled sensor may know better."""
        settled = self._fan_on_s > SETTLED_LAGS * AIR_LAG_S
        return min(read, 1.0) if settled and read == read else 1.0

    def _unlagged_c(self, now: dict[str, float], span_s: float, lag_s: float) -> float:
        """Temperature of the duct's air over the span, from what a first-order probe read before and after.

        No hotter than the pile's core, where that is known: extrapolation magnifies noise.
        """
        after_c, before_c = now["air_supply_c"], self._was["air_supply_c"]
        if before_c != before_c or self._fan_on_s > SETTLED_LAGS * lag_s:
            return after_c
        kept = exp(-span_s / lag_s)
        true_c = (after_c - before_c * kept) / (1.0 - kept)
        hottest_c = now["pile_core_c"] if now["pile_core_c"] > after_c else after_c
        return min(true_c, hottest_c) if true_c > after_c else after_c

    def _line(self, b: Booked, now: dict[str, float], outdoor_c: float) -> None:
        """Heat that both legs of the pipe lose to ground and air, running or standing: two stirred cells."""
        if outdoor_c == outdoor_c:
            known = self._ground_c == self._ground_c
            ground_c = self._ground_c if known else (outdoor_c + USUAL_GROUND_C) / 2.0
            self._ground_c = ground_c + (outdoor_c - ground_c) * b.span_s / GROUND_S
            self._look_at_what_stood(b, now["water_return_c"], outdoor_c)
        around_c = GROUND_SHARE * self._ground_c + (1.0 - GROUND_SHARE) * outdoor_c
        if around_c != around_c or self._line_j_k <= 0.0:
            return
        kg = b.water_kg + b.water_est_kg
        legs = enumerate(("water_supply_c", "water_return_c"))
        b.line_loss_j = sum(max(0.0, self._leg_loss_j(leg, now[name], around_c, kg, b.span_s)) for leg, name in legs)

    def _look_at_what_stood(self, b: Booked, return_c: float, outdoor_c: float) -> None:
        """What comes first out of the return line after hours of rest tells how warm it is round the pipe."""
        before, after = STOOD_PART
        line_kg = self._line_j_k / WATER_J_KG_K
        self._through_kg += b.water_kg + b.water_est_kg
        within = before * line_kg <= self._through_kg <= after * line_kg
        if self._stood_s >= STOOD_S and within and b.water_kg + b.water_est_kg > 0.0 and return_c == return_c:
            self._ground_c = (return_c - (1.0 - GROUND_SHARE) * outdoor_c) / GROUND_SHARE

    def _leg_loss_j(self, leg: int, water_c: float, around_c: float, kg: float, span_s: float) -> float:
        line_c = self._line_c[leg] if self._line_c[leg] == self._line_c[leg] else around_c
        if kg > 0.0 and water_c == water_c:
            line_c += (water_c - line_c) * (1.0 - exp(-kg * WATER_J_KG_K / self._line_j_k))
        kept = exp(-self._loss_w_k * span_s / self._line_j_k)
        self._line_c[leg] = around_c + (line_c - around_c) * kept
        return self._line_j_k * (line_c - self._line_c[leg])
