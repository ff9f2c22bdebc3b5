"""The board: outputs with a lease, sensor files, pulse inputs. gpiozero and lgpio are loaded only where a pin is opened."""

from hardware.errors import HardwareError
from hardware.plant import Plant
from hardware.reading import Reading
from hardware.settings import BoardSettings, OutputSettings, PulseSettings, Roots

__all__ = ["BoardSettings", "HardwareError", "OutputSettings", "Plant", "PulseSettings", "Reading", "Roots"]
