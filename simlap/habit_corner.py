"""Findings in the corner and on the way out: the rules and their words, and the checks of speed and both pedals."""

import numpy as np

from simlap.habit_exit import late_throttle, part_throttle_out, throttle_twice
from simlap.habit_flat import brake_where_flat, lift_where_flat
from simlap.habit_marks import Marks, brake_level, covers, grip_in, lasts, longest, longest_of
from simlap.habit_rules import (
    BRAKE,
    NOTHING,
    THROTTLE,
    Numbers,
    Rule,
    Seen,
    brake_number,
    brake_words,
    metres_step,
    speed_step,
)
from simlap.habit_traces import CornerTrace, phase_at
from simlap.spans import true_spans
from simlap.thresholds import Thresholds
from simlap.units import MS_TO_KMH

BOTH_PEDALS, BRAKE_IN_FLAT = "both pedals at once", "brake where none is needed"
LIFT_IN_FLAT = "lift where none is needed"


def coasting(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Neither pedal for longer than the feet need to change, while the tyres could do more."""
    begin, end = trace.at(0.0), trace.at(trace.mid_stop) + 1
    neither = (marks.throttle <= limits["throttle_closed_share"]) & (marks.brake <= brake_level(marks, limits))
    spans = [(max(a, begin), b) for a, b in true_spans(neither) if a < end and b > begin]
    span = longest_of(trace, spans)
    if lasts(trace, span) <= limits["coast_s"] or grip_in(trace, *span) >= limits["grip_unused_share"]:
        return NOTHING
    lost = float(trace.v[span[0]] - trace.v[span[1] - 1])
    if lost < limits["coast_slower_ms"]:
        return NOTHING
    numbers = {
        "coast_s": lasts(trace, span),
        "coast_m": covers(trace, span),
        "speed_given_up_kmh": lost * MS_TO_KMH,
        # there is no brake ahead of it; the limit's slowest point, for a car that rolls on is slowest at the end of it
        "way_out_share": float((span[0] + span[1]) // 2 >= marks.limit_slowest),
    }
    return (Seen(span[0], numbers, phase_at(trace, (span[0] + span[1]) // 2)),)


def both_pedals(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Brake pressed while the throttle is held open: the engine drives against the brake.

    A foot that goes from one pedal to the other overlaps them for a moment, and a blip at a down-shift is as short.
    The stretch may lie anywhere in the zone, its straight included.
    """
    on = marks.brake > brake_level(marks, limits)
    both = on & (trace.channels["throttle"] >= limits["both_throttle_share"])
    both[: trace.at(0.0)] = False  # the run-in is the exit of the corner before
    span = start, stop = longest(trace, both)
    if lasts(trace, span) <= limits["both_s"]:
        return NOTHING
    numbers = {
        "both_s": lasts(trace, span),
        "both_m": covers(trace, span),
        "opening_percent": 100.0 * float(np.median(trace.channels["throttle"][start:stop])),
        **brake_number("braked", marks, float(np.median(marks.brake[start:stop]))),
    }
    return (Seen(start, numbers, phase_at(trace, (start + stop) // 2)),)


def low_minimum_speed(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Slower than the limit at the slowest point, with grip to spare there.

    Where the limit does not slow, the lift tells; without a throttle channel a car that slows there has lifted.
    """
    v, limit_v = float(trace.v[slice(*marks.slow)].min()), float(trace.limit_v[slice(*marks.limit_slow)].min())
    grip = grip_in(trace, *marks.slow)
    if marks.limit_slows < limits["limit_slows_ms"]:
        begin = min(trace.at(0.0), marks.slowest)
        given_up = float(trace.v[begin : marks.slowest + 1].max()) - v
        if trace.has("throttle") or given_up < limits["flat_slower_ms"]:
            return NOTHING
    if v > (1.0 - limits["slow_share"]) * limit_v or grip >= limits["grip_unused_share"]:
        return NOTHING
    numbers = {"minimum_kmh": v * MS_TO_KMH, "limit_minimum_kmh": limit_v * MS_TO_KMH, "grip_used_percent": 100 * grip}
    return (Seen(marks.slowest, numbers),)


def full_throttle_before_apex(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Full throttle at or before the limit's slowest point with grip to spare: the entry was too slow."""
    apex = marks.limit_slowest
    held = (trace.t <= trace.t[apex]) & (trace.t >= trace.t[apex] - limits["before_apex_s"])
    full = bool((marks.throttle[held] >= limits["throttle_full_share"]).all())
    grip = grip_in(trace, apex, apex + 1)
    below = float(trace.limit_v[apex] - trace.v[apex])
    if marks.limit_slows < limits["limit_slows_ms"] or not full or grip >= limits["grip_unused_share"]:
        return NOTHING
    if below <= limits["slow_share"] * trace.limit_v[apex]:
        return NOTHING
    open_from = _run_start(marks.throttle >= limits["throttle_full_share"], apex)
    before = float(trace.along[apex] - trace.along[open_from])
    numbers = {"before_apex_m": before, "below_limit_kmh": below * MS_TO_KMH, "grip_used_percent": 100 * grip}
    return (Seen(open_from, numbers),)


def _run_start(mask: np.ndarray, inside: int) -> int:
    """First index of the run of true values that holds `inside`."""
    off = np.flatnonzero(~mask[:inside])
    return int(off[-1]) + 1 if off.size else 0


def fast_in_slow_out(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Faster than the limit where braking ends, slower where the drive begins: a useful mistake."""
    entry, leave = trace.at(trace.braking_stop), trace.at(trace.mid_stop)
    above, below = float(trace.v[entry] - trace.limit_v[entry]), float(trace.limit_v[leave] - trace.v[leave])
    if marks.limit_slows < limits["limit_slows_ms"] or leave <= entry:
        return NOTHING
    if above <= limits["fast_entry_share"] * trace.limit_v[entry]:
        return NOTHING
    if below <= limits["slow_exit_share"] * trace.limit_v[leave]:
        return NOTHING
    return (Seen(entry, {"entry_above_kmh": above * MS_TO_KMH, "exit_below_kmh": below * MS_TO_KMH}),)


def _no_pause(numbers: Numbers, limits: Thresholds, _: float) -> str:
    """Longer on the throttle on the way in, earlier on it on the way out."""
    if numbers["way_out_share"] >= 0.5:  # on most of the laps where it happens
        earlier = metres_step(numbers, "coast_m", limits)
        return f"Open the throttle about {earlier:.0f} m earlier, smoothly as the steering unwinds"
    return (
        "Go from one pedal to the other without a pause: hold the throttle longer before your brake point, or open it "
        "earlier, whichever the corner allows"
    )


def _late_words(numbers: Numbers) -> str:
    after = f"{numbers['delay_s']:.1f} s ({numbers['delay_m']:.0f} m)"
    grip = f"with {numbers['grip_used_percent']:.0f} % of the grip in use"
    if numbers["not_opened_share"] >= 0.5:  # on most of the laps where it happens
        return f"throttle hardly opened in the {after} from the limit's drive to the next corner, {grip}"
    return f"throttle opens {after} later than the limit's drive, {grip}"


def _never_full_words(share: float) -> str:
    if share >= 0.5:  # on most of the laps where it happens
        return " and never held fully open before the next corner"
    return ""


RULES = (
    Rule(
        "fast in, slow out",
        "mid_corner",
        fast_in_slow_out,
        lambda x: (
            f"{x['entry_above_kmh']:.0f} km/h above the limit's speed where braking ends, "
            f"{x['exit_below_kmh']:.0f} km/h below it where the drive begins: a useful mistake"
        ),
        lambda x, limits, step: (
            "Back up a little: enter "
            f"{speed_step(x['entry_above_kmh'], step):.0f} km/h slower and be earlier on the throttle"
        ),
    ),
    Rule(
        "full throttle before the apex",
        "mid_corner",
        full_throttle_before_apex,
        lambda x: (
            f"full throttle {x['before_apex_m']:.0f} m before the slowest point of the limit with "
            f"{x['grip_used_percent']:.0f} % of the grip in use, {x['below_limit_kmh']:.0f} km/h below it there"
        ),
        lambda x, limits, step: (
            f"Carry {speed_step(x['below_limit_kmh'], step):.0f} km/h more into the corner by "
            "releasing the brake earlier; the throttle can wait"
        ),
        (THROTTLE,),
    ),
    Rule(
        "throttle opened twice",
        "",
        throttle_twice,
        lambda x: (
            f"throttle opened to {x['opened_percent']:.0f} %, closed to {x['closed_to_percent']:.0f} % "
            f"{x['behind_slowest_m']:.0f} m past the slowest point and opened again"
        ),
        lambda x, limits, _: "Open the throttle once: a little later and slower at first, then without going back",
        (THROTTLE,),
    ),
    Rule(
        BOTH_PEDALS,
        "",
        both_pedals,
        lambda x: (
            f"brake pressed with {brake_words(x, 'braked')} for {x['both_s']:.1f} s ({x['both_m']:.0f} m) while the "
            f"throttle is open {x['opening_percent']:.0f} %"
        ),
        lambda x, limits, _: (
            "If your foot was not on the brake, have the brakes checked before you drive on: they drag and get hot; if "
            "it was, take it off before you open the throttle"
        ),
        (THROTTLE, BRAKE),
        reads_brake=True,
    ),
    Rule(
        "coasting",
        "",
        coasting,
        lambda x: f"neither pedal for {x['coast_s']:.1f} s, {x['speed_given_up_kmh']:.0f} km/h given up",
        _no_pause,
        (THROTTLE, BRAKE),
    ),
    Rule(
        BRAKE_IN_FLAT,
        "",
        brake_where_flat,
        lambda x: (
            f"braked with {brake_words(x, 'peak')} for {x['brake_s']:.1f} s where the limit does not brake: "
            f"{x['speed_given_up_kmh']:.0f} km/h given up"
        ),
        lambda x, limits, _: "First brake less there, then only lift",
        (BRAKE,),
        reads_brake=True,
    ),
    Rule(
        LIFT_IN_FLAT,
        "",
        lift_where_flat,
        lambda x: (
            f"throttle lifted for {x['lift_s']:.1f} s with {x['grip_used_percent']:.0f} % of the grip in use, where "
            f"the limit does not slow: {x['speed_given_up_kmh']:.0f} km/h lost against it"
        ),
        lambda x, limits, step: (
            f"Lift less, not later: keep about {speed_step(x['speed_given_up_kmh'], step):.0f} km/h more"
        ),
        (THROTTLE,),
    ),
    Rule(
        "part throttle on the exit",
        "exit",
        part_throttle_out,
        lambda x: (
            f"throttle part open for {x['part_throttle_s']:.1f} s on the way out"
            f"{_never_full_words(x['never_full_share'])}, half of that time at "
            f"{x['opening_percent']:.0f} % or less, with {x['grip_used_percent']:.0f} % of the grip in use"
        ),
        lambda x, limits, _: "Open the throttle all the way once the steering unwinds",
        (THROTTLE,),
    ),
    Rule(
        "late throttle",
        "exit",
        late_throttle,
        _late_words,
        lambda x, limits, _: (
            "Open the throttle before the next corner, smoothly as the steering unwinds"
            if x["not_opened_share"] >= 0.5
            else f"Open the throttle about {metres_step(x, 'delay_m', limits):.0f} m earlier, "
            "smoothly as the steering unwinds"
        ),
        (THROTTLE,),
    ),
    Rule(
        "low minimum speed",
        "mid_corner",
        low_minimum_speed,
        lambda x: (
            f"minimum speed {x['minimum_kmh']:.0f} km/h against the limit's {x['limit_minimum_kmh']:.0f} km/h "
            f"with {x['grip_used_percent']:.0f} % of the grip in use"
        ),
        lambda x, limits, step: (
            "Carry about "
            f"{speed_step(x['limit_minimum_kmh'] - x['minimum_kmh'], step):.0f} km/h more through the slowest point"
        ),
    ),
)
