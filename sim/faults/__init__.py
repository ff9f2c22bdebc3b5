"""What can go wrong with a pile-heated greenhouse: every fault as data, a plant that has them, and proof that each bites."""

from sim.faults.kinds import FaultKind, Injected
from sim.faults.library import FAULTS, fault
from sim.faults.plant import FaultyPlant

__all__ = ["FAULTS", "FaultKind", "FaultyPlant", "Injected", "fault"]
