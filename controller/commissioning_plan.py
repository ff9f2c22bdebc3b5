"""The stages of a commissioning session: what is driven, how long, what the grower reads, and what it is good for."""

from __future__ import annotations

from typing import NamedTuple

from controller.settings import ControllerSettings

PUMP, FAN, NONE = "pump", "fan", "none"
REST_S, REST_TICK_S = 300.0, 5.0
FINE_STEP, FINE_S = 0.01, 6.0
DOWN_S = 8.0  # a pulse meter needs several counts of a slow flow: 6 s left 1.3 % of scatter on a level
COARSE_FROM, COARSE_STEP = 0.40, 0.03
BLIND_STEP, BLIND_S = 0.02, 30.0  # without a meter only warm water shows that something moves
LEVELS = (0.32, 0.42, 0.55, 0.75, 1.0)
LEVEL_S, SETTLE_S = 12.0, 3.0
FIRST_S = 180.0
FIRST_LEAST_S, FIRST_KG = 90.0, 8.0  # a pump that starts fast shows it sooner, and would spend the heat
DRAW_MOST_S = 900.0
PASS_S = 540.0  # the draw is as fast as brings what it needs through in this time
DRAW_SHARE, BUCKET_SHARE = 0.62, 0.75  # of the cooling allowed: the draw ends by itself before the guard has to end it
LAST_BUCKET_SHARE = 0.6  # at full power a bucket takes more
VOLUMES = 2.4  # coil contents to pump in all
UNKNOWN_COIL_KG = 50.0
BUCKET_S = 20.0
BUCKET_DUTIES = (0.15, 0.4, 1.0)  # how far from the starting duty to full
HIGHEST_START = 0.9


class Question(NamedTuple):
    """Something only the grower can find out. A negative answer means that it was left out."""

    key: str
    text: str
    unit: str


class Stage(NamedTuple):
    """One stage: which output it drives (the other rests), the tick it wants [s], and what it tells the grower."""

    name: str
    drives: str
    tick_s: float
    text: str


TAPE, REST, START, FIRST, UP, DRAW, DOWN, BUCKET_1, BUCKET_2, BUCKET_3, FAN_UP, FAN_DOWN, DONE = (
    "tape", "rest", "start", "first", "up", "draw", "down", "bucket-1", "bucket-2", "bucket-3", "fan-up", "fan-down",
    "done",
)  # fmt: skip
BUCKETS = (BUCKET_1, BUCKET_2, BUCKET_3)

STAGES: dict[str, Stage] = {
    stage.name: stage
    for stage in (
        Stage(TAPE, NONE, 5.0, "Before anything moves, one thing that no sensor sees."),
        Stage(REST, NONE, REST_TICK_S, "Nothing moves. The two water probes are compared while the pipes stand still."),
        Stage(
            START,
            PUMP,
            1.0,
            "The pump gets a little more power every few seconds until water moves. CAUTION: the first water is as hot "
            "as the pile and scalds. Keep everybody away from open ends and outlets.",
        ),
        Stage(FIRST, PUMP, 2.0, "The pump runs slowly. How long the warm water takes to the probe is measured."),
        Stage(DOWN, PUMP, 1.0, "The pump goes down in small steps until it stops, for its smallest running power."),
        Stage(UP, PUMP, 1.0, "The pump goes up in steps to full power. CAUTION: hot water at full pressure."),
        Stage(DRAW, PUMP, 2.0, "A steady draw, until all the water that stood in the coil has passed and some more."),
        Stage(BUCKET_1, PUMP, 1.0, "Bucket check, slow: the pump runs for twenty seconds into your bucket."),
        Stage(BUCKET_2, PUMP, 1.0, "Bucket check, medium: the pump runs for twenty seconds into your bucket."),
        Stage(BUCKET_3, PUMP, 1.0, "Bucket check, full power: the pump runs for twenty seconds into your bucket."),
        Stage(
            FAN_UP,
            FAN,
            1.0,
            "The fan gets more power every few seconds until it turns, then goes up in steps. CAUTION: it starts by "
            "itself: hands off. Pile air holds ammonia and carbon dioxide: leave the greenhouse door open.",
        ),
        Stage(FAN_DOWN, FAN, 1.0, "The fan goes down in small steps until it stops."),
        Stage(DONE, NONE, 60.0, "The test is over."),
    )
}
ORDER = tuple(STAGES)

TAPE_QUESTION = Question(
    TAPE,
    "How many litres of water does the coil in the pile hold? (Length in metres x bore in millimetres x bore x "
    "0.000785.) Without this the coil takes longer to measure.",
    "litre",
)
READY_QUESTION = (
    "Hold a bucket of twenty litres under the return end of the loop. Is it in place? The pump then runs for twenty "
    "seconds. CAUTION: the water may be scalding hot, above 60 degC. Gloves and boots on, everybody else away; better "
    "stand the bucket than hold it."
)
BUCKET_QUESTION = "How many litres are in the bucket?"


def search_plan(blind: bool) -> list[tuple[float, float]]:
    """Duties and seconds with which a motor is started: finely while it may start, faster where hardly any does."""
    step, hold = (BLIND_STEP, BLIND_S) if blind else (FINE_STEP, FINE_S)
    plan, duty = [], 0.04
    while duty <= HIGHEST_START + 1e-9:
        plan.append((round(duty, 4), hold))
        duty += max(step, COARSE_STEP) if duty >= COARSE_FROM else step
    return plan


def levels_up(start_duty: float) -> list[tuple[float, float]]:
    """Steps from the starting duty to full."""
    return [(round(start_duty + 0.03, 4), LEVEL_S)] + [(d, LEVEL_S) for d in LEVELS if d > start_duty + 0.06]


def levels_down(start_duty: float) -> list[tuple[float, float]]:
    """From just above the starting duty down in fine steps to nearly nothing."""
    count = int(start_duty / FINE_STEP) + 2
    fine = [(round(start_duty + 0.02 - k * FINE_STEP, 4), DOWN_S) for k in range(count)]
    return [(round(min(start_duty + 0.08, 1.0), 4), LEVEL_S)] + [step for step in fine if step[0] >= 0.01]


def bucket_duty(stage: str, start_duty: float) -> float:
    """Duty of a bucket check."""
    return round(start_duty + BUCKET_DUTIES[BUCKETS.index(stage)] * (1.0 - start_duty), 2)  # a pin knows whole percents


def draw_flow_kg_s(settings: ControllerSettings, coil_kg: float) -> float:
    """Flow of the draw [kg/s]: brings the coil's content through in a few minutes, slow and fast pumps held in reason."""
    wanted = (coil_kg if coil_kg > 0.0 else UNKNOWN_COIL_KG) * VOLUMES / PASS_S
    return min(max(wanted, 0.6 * settings.flow_target_kg_s), 4.0 * settings.flow_target_kg_s)


def at_time(plan: list[tuple[float, float]], elapsed_s: float) -> float:
    """Duty of a plan after ``elapsed_s``; NaN when it is over."""
    for duty, hold_s in plan:
        if elapsed_s < hold_s - 1e-6:
            return duty
        elapsed_s -= hold_s
    return float("nan")
