"""The controller as the grower may speak to it while it runs: acknowledge, hold, run by hand, set targets.

Requests come in from another thread and are done between two decisions, in the loop's own. The controller's guards stand
above every one of them: a hand-run is bounded in time and gives way to every guard, targets are held to the bounds of
their settings, and nothing that protects pile, line or battery can be changed from here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from controller import Controller, ControllerSettings, Decision, Measurements

TARGETS = ("supply_target_c", "flow_target_kg_s", "greenhouse_min_c", "greenhouse_ceiling_c")
MOST_WAITING = 20


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a request. ``keep`` is a record of targets that shall survive a restart."""

    number: int
    done: bool
    text: str
    keep: Mapping[str, float] | None = None


class Desk:
    """Stands between loop and controller.

    ``note`` hears (kind, text) of whatever was done and ``record`` the request itself; both must return at once.
    """

    def __init__(
        self,
        controller: Controller,
        file_settings: ControllerSettings,
        note: Callable[[str, str], None] = lambda *_: None,
    ) -> None:
        self.controller, self._file, self.note = controller, file_settings, note
        self.record: Callable[[Mapping[str, Any]], None] = lambda _: None
        self.requests: deque[Mapping[str, Any]] = deque(maxlen=MOST_WAITING)
        self.answers: deque[Answer] = deque(maxlen=MOST_WAITING)
        self.turns = 0

    def step(self, m: Measurements) -> Decision:
        """Do what was asked, then decide."""
        while self.requests:
            self._answer(self.requests.popleft())
        self.turns += 1
        return self.controller.step(m)

    def snapshot(self) -> dict[str, Any]:
        """The controller's memory."""
        return self.controller.snapshot()

    @property
    def settings(self) -> ControllerSettings:
        """What the controller goes by now."""
        return self.controller.settings

    def wants_a_turn(self) -> bool:
        """Whether a request waits."""
        return bool(self.requests)

    def _answer(self, request: Mapping[str, Any]) -> None:
        number = request.get("id")
        try:
            answer = _DEEDS[request["do"]](self, request)
        except (ValueError, KeyError, TypeError) as wrong:  # SettingsError and SnapshotError are ValueErrors
            answer = Answer(
                0, False, f"Not done: {wrong}" if isinstance(wrong, ValueError) else "Not done: no such thing"
            )
        if answer.done:
            self.note("page", answer.text)
            self.record(request)
        if isinstance(number, int):
            self.answers.append(replace(answer, number=number))

    def _acknowledge(self, request: Mapping[str, Any]) -> Answer:
        waited = self.controller.acknowledge(str(request["code"]))
        return Answer(0, True, f"Acknowledged: {request['code']}." if waited else "It was acknowledged already.")

    def _hold(self, request: Mapping[str, Any]) -> Answer:
        self.controller.hand_run(0.0, 0.0, request["for_s"])
        return Answer(
            0, True, f"Pump and fan are held off for {request['for_s'] / 60.0:.0f} min; frost still moves water."
        )

    def _run(self, request: Mapping[str, Any]) -> Answer:
        pump, fan, for_s = request["pump_duty"], request["fan_duty"], request["for_s"]
        self.controller.hand_run(pump, fan, for_s)
        return Answer(
            0, True, f"By hand for {for_s / 60.0:.0f} min: pump {pump:.0%}, fan {fan:.0%}, as the guards allow."
        )

    def _resume(self, request: Mapping[str, Any]) -> Answer:
        self.controller.end_hand_run()
        return Answer(0, True, "Back to automatic.")

    def _targets(self, request: Mapping[str, Any]) -> Answer:
        wanted = _only_targets(request["values"])
        self._go_by(replace(self.settings, **wanted))
        kept = {n: getattr(self.settings, n) for n in TARGETS if getattr(self.settings, n) != getattr(self._file, n)}
        return Answer(0, True, "Targets set: " + ", ".join(f"{n} = {v:g}" for n, v in wanted.items()) + ".", kept)

    def _file_targets(self, request: Mapping[str, Any]) -> Answer:
        self._go_by(replace(self.settings, **{n: getattr(self._file, n) for n in TARGETS}))
        return Answer(0, True, "The settings file's own targets count again.", {})

    def _go_by(self, settings: ControllerSettings) -> None:
        """Go on under other settings with the whole memory; nothing changes when they are refused."""
        self.controller = Controller.restore(settings, self.controller.snapshot())


_DEEDS: dict[str, Callable[[Desk, Mapping[str, Any]], Answer]] = {
    "acknowledge": Desk._acknowledge,
    "hold": Desk._hold,
    "run": Desk._run,
    "resume": Desk._resume,
    "targets": Desk._targets,
    "file-targets": Desk._file_targets,
}


def _only_targets(values: Any) -> dict[str, Any]:
    if not isinstance(values, Mapping) or not values:
        raise ValueError("no target was given")
    for name in values:
        if name not in TARGETS:
            raise ValueError(f"{name} cannot be set from here: only {', '.join(TARGETS)}")
    return dict(values)


def with_targets(settings: ControllerSettings, kept: Any) -> tuple[ControllerSettings, str]:
    """``settings`` with kept targets over them, and one line when there are any or they do not fit."""
    try:
        wanted = _only_targets(kept)
        changed = replace(settings, **wanted)
    except ValueError as wrong:
        return settings, f"targets set on the status page do not fit ({wrong}); the settings file's own are used"
    told = ", ".join(f"{n} = {v:g}" for n, v in wanted.items())
    return changed, f"targets set on the status page are used: {told}"
