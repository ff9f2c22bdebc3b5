"""The simulated plant as the loop drives it: outputs with leases in a record that outlives the process."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from controller import Commands, Measurements
from hardware.lease import LeasedOutput, LeaseKeeper

from .record import NAMES, RecordOutput, spec

if TYPE_CHECKING:
    from sim import Scenario

_ARRAYS = ("state", "flags", "ledger", "sensors", "_lagged", "_chance")
_BECAUSE = "nothing real hangs on it"


def safe_specs(record: Path) -> list[dict[str, Any]]:
    """How another process makes the outputs safe."""
    return [spec(record, name) for name in NAMES]


class SimPlant:
    """A `sim.Plant` with outputs like the board's. The pump and fan of the simulator follow the record, lease and all."""

    def __init__(self, scenario: Scenario, seed: int, record: Path) -> None:
        from sim import Plant

        _compile(Plant(scenario, seed=seed))
        self._plant = Plant(scenario, seed=seed)
        self.outputs = {n: LeasedOutput(n, RecordOutput(record, n), 0.0, _BECAUSE) for n in NAMES}
        self._keeper = LeaseKeeper(list(self.outputs.values()))

    def measure(self) -> Measurements:
        """Read every simulated sensor once."""
        return self._plant.measure()

    def apply(self, commands: Commands) -> None:
        """Set both duties for the length of a lease; ``ValueError`` for what is not 0..1."""
        self._plant.apply(commands)
        self.outputs["pump"].set(commands.pump_duty)
        self.outputs["fan"].set(commands.fan_duty)

    def renew(self) -> bool:
        """Renew both leases."""
        return all([output.renew() for output in self.outputs.values()])

    def duties(self) -> dict[str, float]:
        """What the record says."""
        return {name: output.driver.duty() for name, output in self.outputs.items()}

    def pass_time(self, dt_s: float) -> None:
        """Compute ``dt_s`` under what is really put out."""
        duties = self.duties()
        self._plant.apply(Commands(duties["pump"], duties["fan"]))
        self._plant.advance(dt_s)

    @property
    def elapsed_s(self) -> float:
        """Plant time since the start of the scenario."""
        return self._plant._elapsed_s

    def missing(self) -> list[str]:
        """No simulated sensor is ever unplugged from outside."""
        return []

    def await_first(self) -> None:
        """Simulated sensors answer at once."""

    def snapshot(self) -> dict[str, Any]:
        """The whole plant as JSON values: a season that was interrupted goes on where it was."""
        arrays = {name: getattr(self._plant, name).ravel().tolist() for name in _ARRAYS}
        return {"elapsed_s": self._plant._elapsed_s, "arrays": arrays}

    def restore(self, snapshot: Mapping[str, Any]) -> None:
        """Go on from a snapshot; ``ValueError`` when it is of another scenario or version."""
        for name in _ARRAYS:
            array, kept = getattr(self._plant, name), snapshot["arrays"][name]
            if len(kept) != array.size:
                raise ValueError(f"the kept plant has {len(kept)} numbers in {name}, this one {array.size}")
        for name in _ARRAYS:
            array = getattr(self._plant, name)
            array.ravel()[:] = snapshot["arrays"][name]
        self._plant._elapsed_s = float(snapshot["elapsed_s"])

    def make_safe(self) -> None:
        """Bring both outputs to their safe value now."""
        for output in self.outputs.values():
            output.make_safe()

    def close(self) -> None:
        """Make the outputs safe."""
        self._keeper.close()
        for output in reversed(self.outputs.values()):
            output.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def _compile(plant: Any) -> None:
    """Use a plant once: the first run ever compiles the simulator, which must not happen under the guardian's eyes."""
    plant.measure()
    plant.advance(1.0)
