"""What the step of a priority gives by itself: a first part of what its whole phase is worth."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from simlap.asked import ASKS_SPEED, by_laps
from simlap.driven import Driven, between_stations
from simlap.habit_rules import HALF_WAY
from simlap.phases import BRAKING, EXIT, MID_CORNER, PHASE_NAMES, PHASES
from simlap.results import Analysis, CornerResult, Finding, Priority
from simlap.target_blend import Bench
from simlap.target_lift import EARLY_LIFT, lifts_of
from simlap.target_marks import ROUNDING, fast_corners_faster, within
from simlap.target_types import Steps
from simlap.thresholds import Thresholds

# Shares of the way from the typical lap to the limit that are tried; a step is read to a fortieth of its phase.
SHARES = np.linspace(0.0, 1.0, 41)
#: Kinds whose advice says by how many metres a pedal moves, and the phase in which it does.
IN_METRES = {EARLY_LIFT: BRAKING, "early braking": BRAKING, "late throttle": EXIT}


def step_worths(
    analysis: Analysis, findings: Sequence[Finding], limits: Thresholds
) -> Callable[[Priority], float | None]:
    """What tells the lap time that the step of a priority brings where it says how large that is, else None. [s]"""
    corners = by_laps(analysis.corners, len(analysis.counted))
    index = {result.corner.name: place for place, result in enumerate(corners)}

    @cache
    def bench() -> Bench:
        line, limit = analysis.line, analysis.limit
        goal = Driven(dt=limit.segment_time, v=limit.v, a=between_stations(line, limit.v))
        return Bench(analysis, analysis.typical, goal, lifts=lifts_of(analysis, findings))

    def worth(priority: Priority) -> float | None:
        kind, place = _kind(priority), index[priority.corner]
        return None if kind is None else _worth(bench(), place, corners[place], kind, priority.kind, limits)

    return worth


def _kind(priority: Priority) -> int | None:
    """The phase in which a priority asks for a step of a stated size; None where it states none."""
    if priority.phase == PHASE_NAMES[MID_CORNER] and priority.kind in ASKS_SPEED:
        return MID_CORNER
    kind = IN_METRES.get(priority.kind)
    return kind if kind is not None and PHASE_NAMES[kind] == priority.phase and not priority.build_up else None


def _worth(bench: Bench, index: int, result: CornerResult, kind: int, habit: str, limits: Thresholds) -> float:
    """Lap time of the largest step from the typical lap that the advice asks for: half of the way at most. [s]

    Fast corners behind it are reached no faster than the advice allows (`arrival.warned`).
    """
    metres = limits["advice_metres"]
    speed = result.step_kmh / (Steps.fast_share if result.build_up else 1.0)  # `Steps` take their share of it again
    steps = Steps(brake_point_m=metres, full_throttle_m=metres, min_speed_kmh=speed)
    phase, most = PHASES * index + kind, 1.0 if kind == MID_CORNER else HALF_WAY
    if habit != EARLY_LIFT:
        bench = replace(bench, lifts={})
    elif index in bench.lifts:
        most = bench.lifts[index].share(steps, 1, result.build_up)
    tried = [{phase: most * float(share)} for share in SHARES]
    v, lap_times = bench.solve(tried)
    length, now = float(bench.analysis.line.length), bench.now(index, v[0])
    marks = [bench.marks(index, now, own, v[row]) for row, own in enumerate(tried)]

    def allowed(row: int) -> bool:
        faster = fast_corners_faster(bench.analysis, v[0], v[row])
        return within(result, length, now, marks[row], steps, 1) and all(
            more <= fast.step_kmh + ROUNDING for fast, more in faster
        )

    largest = max((row for row in range(1, SHARES.size) if allowed(row)), default=0)
    return max(0.0, float(lap_times[0] - lap_times[largest]))
