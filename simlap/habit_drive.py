"""Findings from the car's own acceleration: unused drive, where no throttle is logged and at full throttle."""

import numpy as np

from simlap.habit_braking import ahead_of_need, longer_on_throttle
from simlap.habit_flat import before_limit_brakes
from simlap.habit_marks import Marks, covers, grip_in, lasts, longest, longest_of
from simlap.habit_rules import NOTHING, THROTTLE, Numbers, Rule, Seen, metres_step, speed_step
from simlap.habit_traces import CornerTrace, phase_at
from simlap.spans import Span, true_spans
from simlap.thresholds import Thresholds
from simlap.units import MS_TO_KMH

WEAK_DRIVE, WEAK_IN_FLAT = "weak drive on the exit", "weak drive in a flat corner"
ROLLS = "rolling before the brake"
FULL_YET_WEAK = "full throttle, weak drive"

# Less drive than this that is left unused may be an error of the engine's curve or of the road's slope.
UNUSED = 0.4  # [m/s²]
# With no more than a tenth of g left to a car, what it leaves of that is next to nothing. Common practice, no source.
LITTLE = 1.0  # [m/s²]
# Full drive for this long on the way out means that the throttle had been opened: what follows on a straight, and is
# over within the longest change of gear (by hand, drawn out by the smoothing of slow receivers), may be such a change.
OPENED, LONGEST_CHANGE = 0.3, 2.0  # [s], common practice, no source
# In too high a gear a car has lost at least this share of its pull; less may be the step from one gear to the next.
GEAR_STEP = 0.25  # [1]


def weak_drive_out(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """The car speeds up far less than it could on the way out, with grip to spare."""
    if trace.has("throttle") or marks.limit_slows < limits["limit_slows_ms"]:
        return NOTHING
    weak = _weak(trace, limits) & (trace.along >= trace.mid_stop)
    span = longest_of(trace, [each for each in true_spans(weak) if not _may_be_change(trace, each, limits)])
    if lasts(trace, span) <= limits["weak_drive_s"]:
        return NOTHING
    return (Seen(span[0], {**_unused(trace, span), "weak_m": covers(trace, span)}),)


def _may_be_change(trace: CornerTrace, span: Span, limits: Thresholds) -> bool:
    """Whether weak drive in a span may be a change of gear: short, on a straight, and behind full drive."""
    if lasts(trace, span) > LONGEST_CHANGE or _turns(trace, span, limits):
        return False
    full = (trace.drive > LITTLE) & ~_spares(trace, limits) & (trace.along >= trace.mid_stop)
    full[span[0] :] = False
    return lasts(trace, longest(trace, full)) >= OPENED


def _turns(trace: CornerTrace, span: Span, limits: Thresholds) -> bool:
    """Whether the car turns in the middle of a span."""
    return bool(abs(trace.a_lat[(span[0] + span[1]) // 2]) > limits["turning_ms2"])


def weak_at_full_throttle(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Full throttle on the way out, and yet far less drive than the car has shown at that speed, as in too high a gear.

    A change of gear is shorter.
    """
    if marks.limit_slows < limits["limit_slows_ms"]:
        return NOTHING
    full = marks.throttle >= limits["throttle_full_share"]
    span = longest(trace, _weak(trace, limits) & full & (trace.along >= trace.mid_stop))
    if lasts(trace, span) <= limits["weak_drive_s"]:
        return NOTHING
    numbers = {**_unused(trace, span), "weak_m": covers(trace, span)}
    if numbers["drive_used_percent"] > 100.0 * (1.0 - GEAR_STEP):
        return NOTHING
    if trace.has("gear"):
        numbers["gear"] = float(np.median(trace.channels["gear"][slice(*span)]))
    return (Seen(span[0], numbers),)


def weak_drive_where_flat(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """The same in a bend for which the limit profile does not slow."""
    if trace.has("throttle") or marks.limit_slows >= limits["limit_slows_ms"]:
        return NOTHING
    begin, end = before_limit_brakes(trace, marks)
    weak = _weak(trace, limits) | _slows(trace, limits)
    weak[:begin] = False
    weak[end:] = False
    span = longest_of(trace, [each for each in true_spans(weak) if _turns(trace, each, limits)])
    if lasts(trace, span) <= limits["weak_flat_s"]:
        return NOTHING
    numbers = _unused(trace, span)
    if numbers["speed_given_up_kmh"] < limits["flat_slower_ms"] * MS_TO_KMH:
        return NOTHING
    return (Seen(span[0], numbers, phase_at(trace, (span[0] + span[1]) // 2)),)


def _weak(trace: CornerTrace, limits: Thresholds) -> np.ndarray:
    """Where the car speeds up by less than a share of what engine and tyres have left, with grip to spare."""
    weak = (trace.drive > LITTLE) & _spares(trace, limits)
    return np.asarray(weak & (trace.grip < limits["grip_unused_share"]))


def _spares(trace: CornerTrace, limits: Thresholds) -> np.ndarray:
    """Where more of the drive is left unused than errors of engine curve and slope explain."""
    return trace.drive - trace.a_lon > np.maximum((1.0 - limits["weak_drive_share"]) * trace.drive, UNUSED)


def _slows(trace: CornerTrace, limits: Thresholds) -> np.ndarray:
    """Where the car slows though engine and tyres can hold its speed."""
    slows = (trace.drive > 0.0) & (trace.a_lon < -UNUSED)
    return np.asarray(slows & (trace.grip < limits["grip_unused_share"]))


def _unused(trace: CornerTrace, span: Span) -> dict[str, float]:
    """What the car used of its drive in `span`, and the speed that the rest would have given in the same time."""
    start, stop = span
    seconds = np.gradient(trace.t)[start:stop]
    used, had = (float((each[start:stop] * seconds).sum()) for each in (trace.a_lon, trace.drive))
    return {
        "weak_s": lasts(trace, span),
        "drive_used_percent": 100.0 * max(0.0, used / had),
        "speed_given_up_kmh": (had - used) * MS_TO_KMH,
        "grip_used_percent": 100.0 * grip_in(trace, start, stop),
    }


def rolling_before_brake(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """The car slows without drive, and not yet on its brakes, well before the speed of that moment needs the brake."""
    if trace.has("throttle") or not marks.limit_brakes or marks.limit_slows < limits["limit_slows_ms"]:
        return NOTHING
    then = marks.braking[0] if marks.brakes else marks.slowest
    driven = (trace.a_lon >= 0.0) | (trace.drive - trace.a_lon <= UNUSED)
    driven[: trace.at(0.0)] = True  # the run-in is the exit of the corner before
    on = np.flatnonzero(driven[:then])
    start = int(on[-1]) + 1 if on.size else 0
    early, gap = ahead_of_need(trace, marks, start), lasts(trace, (start, then))
    if early <= limits["early_lift_s"] * trace.v[start] or gap <= limits["roll_s"]:
        return NOTHING
    numbers = {
        "early_m": early,
        "before_brake_s": gap,
        "before_brake_m": covers(trace, (start, then)),
        "speed_kmh": float(trace.v[start]) * MS_TO_KMH,
        "brakes_share": float(marks.brakes),
    }
    return (Seen(start, numbers),)


def _used_words(numbers: Numbers) -> str:
    """How much of the drive was used, and for how long."""
    return (
        f"the car uses {numbers['drive_used_percent']:.0f} % of the drive that it has shown at that speed, "
        f"for {numbers['weak_s']:.1f} s"
    )


RULES = (
    Rule(
        FULL_YET_WEAK,
        "exit",
        weak_at_full_throttle,
        lambda x: (
            f"at full throttle {_used_words(x)} ({x['weak_m']:.0f} m) on the way out"
            + (f", in gear {x['gear']:.0f}" if "gear" in x else "")
        ),
        lambda x, limits, _: (
            "Look at the gear there with your coach: a lower one may pull harder, if the engine's speed allows it; if "
            "the gear is right, have the car looked at"
        ),
        (THROTTLE,),
    ),
    Rule(
        ROLLS,
        "braking",
        rolling_before_brake,
        lambda x: (
            f"the car slows without drive from {x['early_m']:.0f} m before the brake is needed at "
            f"{x['speed_kmh']:.0f} km/h, {x['before_brake_s']:.1f} s until "
            f"{'it brakes' if x['brakes_share'] >= 0.5 else 'its slowest point'}"
        ),
        longer_on_throttle,
        reads_brake=True,
    ),
    Rule(
        WEAK_IN_FLAT,
        "",
        weak_drive_where_flat,
        lambda x: (
            f"{_used_words(x)}, with {x['grip_used_percent']:.0f} % of the grip in use where the limit does not slow: "
            f"{x['speed_given_up_kmh']:.0f} km/h given up"
        ),
        lambda x, limits, step: (
            f"If you lift there, lift less, not later: keep about {speed_step(x['speed_given_up_kmh'], step):.0f} "
            "km/h more"
        ),
    ),
    Rule(
        WEAK_DRIVE,
        "exit",
        weak_drive_out,
        lambda x: (
            f"{_used_words(x)} ({x['weak_m']:.0f} m) on the way out, with {x['grip_used_percent']:.0f} % of the grip "
            "in use"
        ),
        lambda x, limits, _: (
            f"Have the throttle fully open about {metres_step(x, 'weak_m', limits):.0f} m sooner, smoothly as the "
            "steering unwinds; if it is open already, which the log does not tell, look at the gear"
        ),
    ),
)
