"""The simulator: physics of pile, water, air, greenhouse and power; weather; scenarios; seasons."""

from sim.plant import Plant
from sim.scenario import Scenario, ScenarioError
from sim.season import SeasonResult, run_season
from sim.weather import WeatherError

__all__ = ["Plant", "Scenario", "ScenarioError", "SeasonResult", "WeatherError", "run_season"]
