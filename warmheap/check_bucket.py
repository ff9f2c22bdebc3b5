"""The pump's curve by bucket, where no meter tells it."""

from __future__ import annotations

from math import isfinite

from controller.commissioning_plan import BUCKET_S, BUCKETS, READY_QUESTION, bucket_duty

from .check_found import LEFT, OK, UNKNOWN, WRONG, Finding
from .check_kit import Course, Kit, answered, drive, may_move, still
from .check_output import PUMP

LEAST_S = 5.0  # a shorter run says nothing about the flow
FULL_OFF_SHARE = 0.25  # the settings' full flow may be this much off
LESS_SHARE = 0.95  # more power may not give less than this share of the flow before
HOW_MANY = "How many litres are in the bucket?"


def check_bucket(kit: Kit) -> Course[None]:
    """Three powers, twenty seconds each, into a bucket."""
    rest = yield from still(kit, 2.0)
    if isfinite(rest.late(PUMP.witness)):
        kit.report.add(Finding("bucket", LEFT, "the flow meter tells"))
        return
    points: list[tuple[float, float]] = []
    for stage in BUCKETS:
        duty = bucket_duty(stage, kit.settings.pump_start_duty)
        if not (yield from may_move(kit, "bucket", "pump", f"Pump at {duty:.0%}. {READY_QUESTION}")):
            break
        run = yield from drive(kit, "pump", duty, BUCKET_S)
        kit.ask.litres(stage, HOW_MANY)
        litres = yield from answered(kit)
        if litres is None or run.lasted_s < LEAST_S:
            kit.report.add(Finding("bucket", UNKNOWN, f"nothing told at {duty:.0%}", "warmheap check --only bucket"))
            break
        points.append((duty, litres / run.lasted_s))
        if litres == 0.0:
            break
        kit.guards.proven, kit.guards.dry_s = True, 0.0
    if points:
        kit.report.add(judged(points, kit.settings.pump_full_flow_kg_s))


def judged(points: list[tuple[float, float]], full_kg_s: float) -> Finding:
    """What the points (duty, kg/s) say, against the full flow of the settings."""
    told = ", ".join(f"{duty:.0%} {60.0 * flow:.1f} L/min" for duty, flow in points)
    values = {f"flow_at_{duty:.0%}_kg_s".replace("%", ""): flow for duty, flow in points}
    if any(flow <= 0.0 for _, flow in points):
        return Finding("bucket", WRONG, f"no water comes ({told})", f"{PUMP.dead}; {PUMP.idle}", values)
    flows = [flow for _, flow in points]
    if any(after < LESS_SHARE * before for before, after in zip(flows, flows[1:], strict=False)):
        return Finding("bucket", WRONG, f"more power, less water: {told}", "let the air out, then once more", values)
    duty, flow = points[-1]
    if duty == 1.0 and abs(flow / full_kg_s - 1.0) > FULL_OFF_SHARE:
        mend = f'under [pump] write full_flow = "{60.0 * flow:.1f} L/min"; or: warmheap commission'
        return Finding("bucket", WRONG, f"{told}; settings say {60.0 * full_kg_s:.0f} L/min at 100%", mend, values)
    return Finding("bucket", OK, told, "", values)
