"""The guided session that learns the plant: measurements in, commands and an instruction out, one step at a time.

It wants something; its own watch and anybody outside allow something; the smaller of both is done. Pure: no clock,
no files. What was recorded is turned into results by `commissioning_results.learn`, after the last stage.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite, nan
from typing import Any, NamedTuple

from controller.checks import Readings
from controller.commissioning_plan import (
    BUCKET_QUESTION,
    BUCKET_S,
    BUCKET_SHARE,
    BUCKETS,
    DONE,
    DOWN,
    DRAW,
    DRAW_MOST_S,
    DRAW_SHARE,
    FAN,
    FAN_DOWN,
    FAN_UP,
    FIRST,
    FIRST_KG,
    FIRST_LEAST_S,
    FIRST_S,
    LAST_BUCKET_SHARE,
    LEVEL_S,
    NONE,
    ORDER,
    PUMP,
    READY_QUESTION,
    REST,
    REST_S,
    STAGES,
    START,
    TAPE,
    TAPE_QUESTION,
    UP,
    VOLUMES,
    Question,
    at_time,
    bucket_duty,
    draw_flow_kg_s,
    levels_down,
    levels_up,
    search_plan,
)
from controller.commissioning_watch import MOVES_KG_S, Permission, Watch
from controller.memory import Memory, SnapshotError
from controller.settings import ControllerSettings
from controller.signals import Commands, Measurements

VERSION = 2
MOVED = 2  # readings in a row
WARMED_K = 3.0
TURNS_HZ = 1.0
MOST_WAIT_S, MOST_TRIES = 900.0, 3
WAIT_TICK_S = 10.0
JOINT_KG = 4.0  # water between coil and probe
MOST_ROWS = 20_000
MOST_CORE_K = 5.0
COLUMNS = (
    "time_s", "pump_duty", "fan_duty", "water_flow_kg_s", "water_supply_c", "water_return_c", "pile_core_c",
    "pump_battery_v", "fan_speed_hz", "fan_battery_v",
)  # fmt: skip
ALLOWED = Permission()
WATER_STAGES = (START, FIRST, DOWN, UP, DRAW)  # one unbroken flow: delay and coil are read off it


class SessionStep(NamedTuple):
    """What to do now, and what to tell the grower. ``question`` waits for an answer to be given with the next steps."""

    commands: Commands
    stage: str
    instruction: str
    reason: str
    question: Question | None
    next_s: float
    done: bool


class Commissioning(Memory):
    """The session. ``step`` takes any floats and never raises.

    ``core_k`` is by how much the session may cool the core of the pile [K]: 1 shows the pump, the fan, the delays and
    the probes; the coil of most piles needs 2.
    """

    __slots__ = (
        "_core_k",
        "_notes",
        "_rows",
        "_settings",
        "all_waits_s",
        "drawn_duty",
        "fan_duty",
        "fan_start_duty",
        "in_stage_s",
        "meter",
        "moving",
        "pump_duty",
        "ready",
        "row_flow_kg_s",
        "stage",
        "start_duty",
        "supply_before_c",
        "tries",
        "waited_s",
        "watch",
    )

    def __init__(self, settings: ControllerSettings, core_k: float = 1.0) -> None:
        self._settings = settings
        self._core_k = core_k = core_k if 0.0 <= core_k <= MOST_CORE_K else 1.0
        self._rows: list[tuple[str, list[float]]] = []
        self._notes: dict[str, Any] = {"answers": {}, "given_up": {}, "cut": []}
        self.watch = Watch(settings, core_k)
        self.stage = ORDER[0]
        self.in_stage_s = self.waited_s = self.all_waits_s = self.tries = self.moving = 0.0
        self.pump_duty = self.fan_duty = 0.0
        self.start_duty = self.fan_start_duty = self.drawn_duty = nan
        self.row_flow_kg_s = self.supply_before_c = nan
        self.meter = self.ready = False

    # --- the step

    def step(self, m: Measurements, permission: Permission = ALLOWED, answer: float = nan) -> SessionStep:
        """Take one set of measurements and, if a question stands, its answer (NaN: none yet; negative: left out)."""
        r, allowed = self.watch.look(m, self.pump_duty, self.fan_duty)
        allowed = allowed.and_also(permission)
        if self.watch.cut_off and self.in_stage_s > 0.0:
            self._again()
        else:
            self.in_stage_s += self.watch.clock.dt_s if not self.waited_s else 0.0
        self._hear(answer)
        self._record(r)
        self._advance(r, allowed)
        return self._act(allowed)

    def _act(self, allowed: Permission) -> SessionStep:
        stage, question = STAGES[self.stage], self.question
        wanted = 0.0 if question else self._wanted()
        wanted = wanted if wanted == wanted else 0.0
        pump, fan = (wanted, 0.0) if stage.drives == PUMP else (0.0, wanted if stage.drives == FAN else 0.0)
        held = (stage.drives == PUMP and allowed.pump_duty < pump) or (stage.drives == FAN and allowed.fan_duty < fan)
        waits_s = self.watch.clock.dt_s + 1e-3 if held else 0.0
        self.waited_s = self.waited_s + waits_s if held else 0.0
        self.all_waits_s += waits_s
        self.pump_duty, self.fan_duty = (0.0, 0.0) if held else (pump, fan)
        reason = allowed.reason if held else ""
        tick = WAIT_TICK_S if held else stage.tick_s
        return SessionStep(
            Commands(self.pump_duty, self.fan_duty), self.stage, stage.text, reason, question, tick, self.stage == DONE
        )

    @property
    def question(self) -> Question | None:
        """What the grower is asked now."""
        answers = self._notes["answers"]
        if self.stage == TAPE and TAPE not in answers:
            return TAPE_QUESTION
        if self.stage in BUCKETS and not self.ready:
            return Question(f"{self.stage}-ready", READY_QUESTION, "1")
        if self.stage in BUCKETS and self.in_stage_s >= BUCKET_S and self.stage not in answers:
            return Question(self.stage, BUCKET_QUESTION, "litre")
        return None

    def _hear(self, answer: float) -> None:
        question = self.question
        if question is None or not isfinite(answer):
            return
        if question.key == TAPE:
            self.watch.heat.coil_kg = min(max(answer, 0.0), 1000.0)
        if question.key.endswith("-ready"):
            self.ready, self.in_stage_s = answer >= 0.0, 0.0
            if answer < 0.0:
                self._notes["answers"][self.stage] = [nan, nan]
            return
        self._notes["answers"][question.key] = [min(answer, 1e4), self.drawn_duty]

    def _record(self, r: Readings) -> None:
        """Keep the readings beside the duties under which they came about."""
        self.meter = self.meter or r.water_flow_kg_s == r.water_flow_kg_s
        self.row_flow_kg_s = r.water_flow_kg_s
        worth = STAGES[self.stage].drives != NONE or self.stage == REST
        if worth and not self.waited_s and len(self._rows) < MOST_ROWS:
            clock = self.watch.clock
            readings = [getattr(r, name) for name in COLUMNS[3:]]
            self._rows.append((self.stage, [clock.now_s, self.pump_duty, self.fan_duty, *readings]))

    # --- from stage to stage

    def _advance(self, r: Readings, allowed: Permission) -> None:
        self._note_motion(r)
        if self.waited_s > 0.0:
            self._give_way(allowed)
        elif self._over():
            self._next()

    def _give_way(self, allowed: Permission) -> None:
        """A guard holds the stage back: take it up again from its beginning when it lets go, or leave it out."""
        free = allowed.pump_duty if STAGES[self.stage].drives == PUMP else allowed.fan_duty
        if free >= 1.0:
            self.waited_s = 0.0
            self._again()
        elif self.all_waits_s > MOST_WAIT_S or allowed.lasting:
            self._give_up(allowed.reason)

    def _again(self) -> None:
        self.tries += 1.0
        if self.stage in WATER_STAGES and self.watch.heat.pumped_kg > 0.0 and self.stage not in self._notes["cut"]:
            self._notes["cut"].append(self.stage)
        if self.tries > MOST_TRIES:
            self._give_up("it was interrupted too often")
            return
        self._rows = [row for row in self._rows if row[0] != self.stage]
        self.in_stage_s = self.moving = self.waited_s = 0.0
        self.supply_before_c = nan
        self.ready = False

    def _give_up(self, reason: str) -> None:
        self._notes["given_up"][self.stage] = reason
        self._next()

    def _next(self) -> None:
        if self.stage == START and self.start_duty != self.start_duty:
            self._notes["given_up"].setdefault(START, "the pump did not move water at any power")
        self.stage = next(name for name in ORDER[ORDER.index(self.stage) + 1 :] if self._makes_sense(name))
        self.in_stage_s = self.waited_s = self.tries = self.moving = 0.0
        self.ready = False
        self.drawn_duty = self.supply_before_c = nan

    def _makes_sense(self, name: str) -> bool:
        started = self.start_duty == self.start_duty
        if name in (FIRST, UP, DRAW, DOWN):
            return started and (self.meter or name in (FIRST, DRAW))
        if name in BUCKETS:
            share = LAST_BUCKET_SHARE if name == BUCKETS[2] else BUCKET_SHARE
            spare = self.watch.heat.cooled_k < share * self._core_k
            return started and (not self.meter or spare)
        if name == FAN_DOWN:
            return self.fan_start_duty == self.fan_start_duty
        return name != FAN_UP or self.watch.checks.fitted("fan_speed_hz")

    def _note_motion(self, r: Readings) -> None:
        """Count readings in a row that show motion while something is being started, or its lack while it is stopped."""
        if self.supply_before_c != self.supply_before_c:
            self.supply_before_c = r.water_supply_c
        if self.stage == START:
            seen = r.water_flow_kg_s > MOVES_KG_S if self.meter else r.water_supply_c > self.supply_before_c + WARMED_K
        elif self.stage == FAN_UP:
            seen = r.fan_speed_hz > TURNS_HZ
        elif self.stage == DOWN:
            seen = r.water_flow_kg_s < MOVES_KG_S / 4.0
        elif self.stage == FAN_DOWN:
            seen = r.fan_speed_hz < TURNS_HZ / 4.0
        else:
            return
        self.moving = self.moving + 1.0 if seen else 0.0
        if self.moving >= MOVED and self.stage == START:
            self.start_duty = self.pump_duty
        if self.moving >= MOVED and self.stage == FAN_UP and self.fan_start_duty != self.fan_start_duty:
            self.fan_start_duty, self.in_stage_s = self.fan_duty, 0.0

    def _over(self) -> bool:
        stage, s = self.stage, self.in_stage_s
        if stage == TAPE:
            return self.question is None
        if stage in BUCKETS:
            return stage in self._notes["answers"]
        if stage == REST:
            return s >= REST_S
        if stage == FIRST:
            return s >= FIRST_S or (s >= FIRST_LEAST_S and self.watch.heat.pumped_kg >= FIRST_KG)
        if stage == DRAW:
            return s >= DRAW_MOST_S or self._passed()
        if stage in (START, DOWN, FAN_DOWN) and self.moving >= MOVED:
            return True
        return stage != DONE and self._wanted() != self._wanted()

    def _passed(self) -> bool:
        """The draw has shown what it can, or has taken its share of the heat."""
        heat = self.watch.heat
        enough = heat.coil_kg > 0.0 and heat.pumped_kg >= VOLUMES * (heat.coil_kg + JOINT_KG)
        return enough or heat.cooled_k >= DRAW_SHARE * self._core_k

    # --- what each stage wants

    def _wanted(self) -> float:
        """Duty that the stage wants now; NaN when its plan is over."""
        stage, s = self.stage, self.in_stage_s
        if stage == START:
            return at_time(search_plan(blind=not self.meter), s)
        if stage == FIRST:
            return self.start_duty + 0.01
        if stage == UP:
            return at_time(levels_up(self.start_duty), s)
        if stage == DRAW:
            return self._draw_duty()
        if stage == DOWN:
            return at_time(levels_down(self.start_duty), s)
        if stage in BUCKETS:
            self.drawn_duty = bucket_duty(stage, self.start_duty)
            return self.drawn_duty if s < BUCKET_S else 0.0
        if stage == FAN_UP:
            started = self.fan_start_duty == self.fan_start_duty
            return at_time(levels_up(self.fan_start_duty) if started else search_plan(blind=False), s)
        if stage == FAN_DOWN:
            return at_time(levels_down(self.fan_start_duty), s)
        return 0.0

    def _draw_duty(self) -> float:
        """Duty for the flow of the draw, read off the steps up; without them a guess by the settings."""
        if self.drawn_duty != self.drawn_duty:
            wanted = draw_flow_kg_s(self._settings, self.watch.heat.coil_kg)
            self.drawn_duty = _duty_for(self._seen_levels(), wanted, self.start_duty)
        return self.drawn_duty

    def _seen_levels(self) -> list[tuple[float, float]]:
        seen: dict[float, list[float]] = {}
        for stage, row in self._rows:
            if stage == UP and row[3] == row[3]:
                seen.setdefault(row[1], []).append(row[3])
        late = int(LEVEL_S / 2.0)
        return [(duty, sorted(flows[-late:])[len(flows[-late:]) // 2]) for duty, flows in sorted(seen.items())]

    # --- memory

    def take_up(self) -> None:
        """Begin the stage anew in which the session was cut: its outputs were made safe meanwhile, for however long."""
        if self.stage != DONE:
            self._again()

    @property
    def settings(self) -> ControllerSettings:
        """The settings it was made with."""
        return self._settings

    @property
    def core_k(self) -> float:
        """By how much the session may cool the core [K]."""
        return self._core_k

    @property
    def cut(self) -> tuple[str, ...]:
        """Stages with moving water that were interrupted; what is read off one unbroken flow is spoiled by them."""
        return tuple(self._notes["cut"])

    @property
    def answers(self) -> dict[str, list[float]]:
        """Answers so far: key to [answer, duty while it was measured]; NaN or negative: left out."""
        return dict(self._notes["answers"])

    @property
    def given_up(self) -> dict[str, str]:
        """Stages left out, and why."""
        return dict(self._notes["given_up"])

    @property
    def recorded_stages(self) -> tuple[str, ...]:
        """Stages of which something was recorded, in order."""
        return tuple(dict.fromkeys(stage for stage, _ in self._rows))

    def record(self, *stages: str) -> list[list[float]]:
        """Rows of `COLUMNS` recorded in these stages, in order; the duties are those the readings came about under."""
        return [row for stage, row in self._rows if stage in stages]

    def snapshot(self) -> dict[str, Any]:
        """Return everything as JSON values; NaN becomes null."""
        rows = [[stage, [None if x != x else x for x in row]] for stage, row in self._rows]
        notes = {
            "answers": {k: [None if x != x else x for x in v] for k, v in self._notes["answers"].items()},
            "given_up": self.given_up,
            "cut": list(self.cut),
        }
        memory = super().snapshot()
        return {"version": VERSION, "core_k": self._core_k, "memory": memory, "rows": rows, "notes": notes}

    @classmethod
    def restore(
        cls, settings: ControllerSettings, snapshot: Mapping[str, Any], core_k: float | None = None
    ) -> Commissioning:
        """Return a session that goes on where the one that gave ``snapshot`` was; ``SnapshotError`` if it does not fit.

        ``core_k`` is as it was unless given. After a silence of more than half a minute the stage that was cut begins
        again; call ``take_up`` where the outputs were made safe for less.
        """
        if not isinstance(snapshot, Mapping) or snapshot.get("version") != VERSION:
            raise SnapshotError(f"session snapshot is not of version {VERSION}: start the session afresh")
        session = cls(settings, _core_k(snapshot) if core_k is None else core_k)
        session.recall(snapshot.get("memory", {}))
        if session.stage not in STAGES:
            raise SnapshotError(f"snapshot.stage = {session.stage!r} is no stage of the session")
        try:
            session._rows = [(str(stage), _numbers(row)) for stage, row in snapshot["rows"]]
            session._notes = {
                "answers": {str(k): _numbers(v) for k, v in snapshot["notes"]["answers"].items()},
                "given_up": {str(k): str(v) for k, v in snapshot["notes"]["given_up"].items()},
                "cut": [str(stage) for stage in snapshot["notes"]["cut"]],
            }
        except (KeyError, TypeError, ValueError, AttributeError) as wrong:
            raise SnapshotError(f"the record of the session is damaged ({wrong}): start the session afresh") from None
        return session


def _core_k(snapshot: Mapping[str, Any]) -> float:
    kept = snapshot.get("core_k")
    if isinstance(kept, bool) or not isinstance(kept, (int, float)) or not 0.0 <= kept <= MOST_CORE_K:
        raise SnapshotError(f"snapshot.core_k = {kept!r} is not 0..{MOST_CORE_K:g} kelvin")
    return float(kept)


def _numbers(row: Any) -> list[float]:
    return [nan if x is None else float(x) for x in row]


def _duty_for(levels: list[tuple[float, float]], flow_kg_s: float, start_duty: float) -> float:
    """Duty at which the levels seen give a flow, between them in straight lines; within what was tried."""
    for (d0, f0), (d1, f1) in zip(levels, levels[1:], strict=False):
        if f1 > f0 and flow_kg_s <= f1:
            return round(min(max(d0 + (d1 - d0) * (flow_kg_s - f0) / (f1 - f0), start_duty + 0.01), d1), 4)
    return levels[-1][0] if levels else round(min(start_duty + 0.15, 1.0), 4)
