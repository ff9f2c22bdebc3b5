"""Decides what the pump and the fan of a compost-heated greenhouse do. Pure: no clock, no files, no randomness."""

from controller.core import Controller
from controller.settings import LEAD_ACID, LITHIUM, ControllerSettings, SettingsError
from controller.signals import Alarm, Commands, Decision, Measurements, PileEstimate

__all__ = [
    "LEAD_ACID",
    "LITHIUM",
    "Alarm",
    "Commands",
    "Controller",
    "ControllerSettings",
    "Decision",
    "Measurements",
    "PileEstimate",
    "SettingsError",
]
