"""What one lap shows where the limit does not slow, or hardly at all: a lift, or a dab of the brake."""

import numpy as np

from simlap.habit_marks import Marks, grip_in, lasts, longest, longest_of
from simlap.habit_rules import NOTHING, Seen, brake_number
from simlap.habit_shifts import tells_gear
from simlap.habit_traces import CornerTrace, phase_at
from simlap.spans import Span
from simlap.thresholds import Thresholds
from simlap.units import MS_TO_KMH


def before_limit_brakes(trace: CornerTrace, marks: Marks) -> Span:
    """From the start of the zone to the end of mid-corner, or to where the limit brakes for what comes next."""
    begin, end = trace.at(0.0), trace.at(trace.mid_stop) + 1
    return begin, max(begin, marks.limit_braking[0]) if marks.limit_brakes else end


def lift_where_flat(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Off the throttle where the limit profile does not slow, or not yet and hardly at all, with grip to spare."""
    if marks.limit_slows >= limits["limit_slows_ms"]:
        return NOTHING
    begin, end = before_limit_brakes(trace, marks)
    # a short closing is no change of gear until a channel tells so: in a bend it may be the lift that is looked for
    throttle = marks.throttle if tells_gear(trace) else trace.channels["throttle"]
    lifted = (throttle < limits["part_throttle_share"]) & (trace.grip < limits["grip_unused_share"])
    turning = np.abs(trace.a_lat) > limits["turning_ms2"]
    lifted[:begin] = False
    lifted[end:] = False
    span = longest(trace, lifted)
    if lasts(trace, span) <= limits["flat_lift_s"] or not turning[begin : trace.at(trace.mid_stop) + 1].any():
        return NOTHING
    grip = float(trace.grip[span[0] : span[1]].max())
    end = min(span[1], trace.v.size - 1)
    gained, could = (float(v[end] - v[span[0]]) for v in (trace.v, trace.limit_v))
    lost = max(float(trace.v[span[0]] - trace.v[span[0] : end + 1].min()), could - gained)
    if lost < limits["flat_slower_ms"]:
        return NOTHING
    numbers = {"lift_s": lasts(trace, span), "speed_given_up_kmh": lost * MS_TO_KMH, "grip_used_percent": 100 * grip}
    return (Seen(span[0], numbers, phase_at(trace, (span[0] + span[1]) // 2)),)


def brake_where_flat(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """A dab of the brake where the limit profile hardly slows, released again within the corner, with grip to spare."""
    begin, end = trace.at(0.0), trace.at(trace.mid_stop)
    turns = bool((np.abs(trace.a_lat[begin : end + 1]) > limits["turning_ms2"]).any())
    if marks.limit_slows >= limits["limit_slows_ms"] or not turns:
        return NOTHING
    if marks.limit_brakes:
        end = max(begin, marks.limit_braking[0])
    dabs = [span for span in marks.touches if span[1] <= end]  # a later one is the next corner's braking
    start, stop = longest_of(trace, dabs)
    if stop <= start or grip_in(trace, start, stop) >= limits["grip_unused_share"]:
        return NOTHING
    lost = float(trace.v[start] - trace.v[start : stop + 1].min())
    if lost < limits["flat_slower_ms"]:
        return NOTHING
    numbers = {
        "brake_s": lasts(trace, (start, stop)),
        "speed_given_up_kmh": lost * MS_TO_KMH,
        **brake_number("peak", marks, float(marks.brake[start:stop].max())),
    }
    return (Seen(start, numbers, phase_at(trace, max(begin, (start + stop) // 2))),)
