"""The fan serves two masters: oxygen for the pile and warm air for the greenhouse."""

from __future__ import annotations

from dataclasses import dataclass

from controller.checks import Readings
from controller.guards import CEILING_BACK_K, blocked_now
from controller.media import air_enthalpy_j_kg
from controller.memory import Memory
from controller.settings import ControllerSettings

PULSE_S = 180.0
COLD_CORE_C = 35.0  # a pile still warming up is not cooled
WARM_UP_SHARE = 0.01
AIRLESS, AIRY = 0.08, 0.15  # mole fraction of oxygen at which the pile wants air, and has enough
AIRLESS_SHARE = 0.30
HARVEST_SHARE = 0.25  # for the greenhouse, when the water does not take what the pile can spare
HOT_CORE_C, TOO_HOT_CORE_C = 68.0, 75.0
HOT_SHARE = 0.1
OXYGEN_DUTY = 0.6
HUMID_BACK, CO2_BACK = 0.03, 0.15  # how far it must fall before pile air may enter again
USUAL_SUPPLY_C = 25.0
DRAWN_PER_DELIVERED = 1.7  # a quarter leaks from the duct, and the rest cools and loses its water on the way


@dataclass(slots=True)
class AirNeeds:
    """What the fan's share of time follows.

    ``need`` 0..1 of the greenhouse, ``drawing`` whether the phase allows a draw, ``working`` whether the pile has reached
    its working temperature once, ``spare`` whether the heat account is nearly full, ``core_c`` [degC].
    """

    need: float
    drawing: bool
    working: bool
    spare: bool
    core_c: float
    pile_o2: float


def oxygen_share(a: AirNeeds) -> float:
    """Return the share of time the pile itself wants air, by its oxygen where that is measured.

    Where it is not, a pile that works draws its own air in by its warmth; one that warms up is helped a little.
    """
    if a.pile_o2 == a.pile_o2:
        return AIRLESS_SHARE * min(max((AIRY - a.pile_o2) / (AIRY - AIRLESS), 0.0), 1.0)
    return WARM_UP_SHARE if not a.working and a.core_c > COLD_CORE_C else 0.0


def cooling_share(core_c: float) -> float:
    """Return the share of time that keeps a pile from getting too hot for its own microbes."""
    return HOT_SHARE * min(max((core_c - HOT_CORE_C) / (TOO_HOT_CORE_C - HOT_CORE_C), 0.0), 1.0)


def air_share(a: AirNeeds) -> float:
    """Return the share of time the fan shall run, 0..1."""
    share = max(oxygen_share(a), cooling_share(a.core_c))
    return share + HARVEST_SHARE * a.need if a.drawing and a.spare else share


class FanDrive(Memory):
    """Turns shares of time into pulses."""

    __slots__ = ("_settings", "credit_s", "dense", "duty", "hot", "humid", "limit", "on")

    def __init__(self, settings: ControllerSettings) -> None:
        self._settings = settings
        self.credit_s = 0.0
        self.on = False
        self.duty = 0.0
        self.humid = False
        self.dense = False
        self.hot = False
        self.limit = "rest"

    def heat_w(self, r: Readings) -> float:
        """Return the heat the fan took out of the pile in the last step [W], against outdoor air at 80 % humidity."""
        if self.duty <= 0.0:
            return 0.0
        supply_c = r.air_supply_c if r.air_supply_c == r.air_supply_c else USUAL_SUPPLY_C
        rh = r.air_supply_rh if r.air_supply_rh == r.air_supply_rh else 1.0
        outdoor_c = r.outdoor_c if r.outdoor_c == r.outdoor_c else 5.0
        gain_j_kg = air_enthalpy_j_kg(supply_c, rh) - air_enthalpy_j_kg(outdoor_c, 0.8)
        return max(0.0, DRAWN_PER_DELIVERED * self._settings.fan_full_flow_kg_s * self.duty * gain_j_kg)

    def step(self, a: AirNeeds, dt_s: float) -> float:
        """Return the fan's duty now; ``look`` comes first."""
        share = air_share(a) if self.limit == "air" else 0.0
        self.credit_s = min(self.credit_s + share * dt_s - (dt_s if self.on else 0.0), 2.0 * PULSE_S)
        if self.on:
            self.on = self.credit_s > 0.0 and share > 0.0
        else:
            self.on = self.credit_s >= PULSE_S * (1.0 - share) and share > 0.0
        self.credit_s = max(self.credit_s, -PULSE_S)
        self.duty = self._turning(OXYGEN_DUTY + (1.0 - OXYGEN_DUTY) * a.need) if self.on else 0.0
        return self.duty

    def by_hand(self, duty: float) -> float:
        """Return the duty for a hand-run: what was asked for unless the greenhouse air forbids it."""
        self.on = duty > 0.0 and self.limit == "air"
        self.duty = self._turning(duty) if self.on else 0.0
        return self.duty

    def _turning(self, duty: float) -> float:
        """Return a duty that starts the fan if it stands and keeps it turning if it runs."""
        s = self._settings
        return min(1.0, max(s.fan_run_duty if self.duty > 0.0 else s.fan_start_duty, duty))

    def rest(self) -> float:
        """Stop; returns the duty, 0."""
        self.on, self.duty = False, 0.0
        return 0.0

    def look(self, r: Readings, co2_lost: bool = False) -> None:
        """Note what the greenhouse air forbids: too much CO2, too humid, too hot.

        ``co2_lost``: the CO2 probe was fitted and is silent, which counts as too much.
        """
        s = self._settings
        self.humid = blocked_now(r.greenhouse_rh, s.humidity_max, HUMID_BACK, self.humid)
        self.dense = blocked_now(r.greenhouse_co2, s.co2_max, CO2_BACK * s.co2_max, self.dense)
        self.hot = blocked_now(r.greenhouse_c, s.greenhouse_ceiling_c, CEILING_BACK_K, self.hot)
        foul = self.dense or co2_lost
        self.limit = "co2" if foul else "humidity" if self.humid else "ceiling" if self.hot else "air"
