"""Findings in the corner and on the way out: speed, throttle, and neither pedal."""

import numpy as np

from simlap.habit_marks import Marks, brake_level, covers, grip_in, lasts, longest
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
from simlap.habit_shifts import gear_changes, tells_gear
from simlap.habit_traces import CornerTrace, phase_at
from simlap.spans import true_spans
from simlap.thresholds import Thresholds
from simlap.units import MS_TO_KMH

BOTH_PEDALS, BRAKE_IN_FLAT = "both pedals at once", "brake where none is needed"
LIFT_IN_FLAT = "lift where none is needed"

# How wide the throttle gets in an exit, as a quantile over its stations: the noise of the channel is not its widest.
WIDE_QUANTILE = 0.75  # [1]
# A limit profile that falls to this share of its drive before the corner is over asks for less throttle there.
EASED_DRIVE = 0.5  # [1]
# A throttle that is full for less than this in an exit is not held there. Common practice, no source.
HELD_OPEN = 0.5  # [s]
# A change of gear by hand, foot off the throttle and on again, takes no longer. Common practice, no source.
BY_HAND = 1.0  # [s]


def coasting(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Neither pedal for longer than the feet need to change, while the tyres could do more."""
    begin, end = trace.at(0.0), trace.at(trace.mid_stop) + 1
    neither = (marks.throttle <= limits["throttle_closed_share"]) & (marks.brake <= brake_level(marks, limits))
    spans = [(max(a, begin), b) for a, b in true_spans(neither) if a < end and b > begin]
    span = max(spans, key=lambda each: lasts(trace, each), default=(0, 0))
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


def lift_where_flat(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Off the throttle where the limit profile does not slow, or not yet and hardly at all, with grip to spare."""
    if marks.limit_slows >= limits["limit_slows_ms"]:
        return NOTHING
    begin, end = trace.at(0.0), trace.at(trace.mid_stop) + 1
    if marks.limit_brakes:
        end = max(begin, marks.limit_braking[0])
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
    start, stop = max(dabs, key=lambda span: lasts(trace, span), default=(0, 0))
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


def throttle_twice(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Throttle opened, closed and opened again on the way out: while the car still turns, or just behind that.

    Gear changes are left alone, and so are places where the limit profile itself gives up speed or most of its drive.
    """
    if marks.limit_slows < limits["limit_slows_ms"]:  # taken flat: a lift is another matter
        return NOTHING
    throttle = trace.channels["throttle"]
    from_here = marks.slowest
    leaving = np.arange(throttle.size) >= from_here
    turning = leaving & (np.abs(trace.a_lat) > limits["turning_ms2"])
    turned = np.maximum.accumulate(np.where(turning, trace.t, -np.inf))
    way_out = trace.t - turned <= limits["way_out_s"]
    step = limits["reopened_share"]
    opened = np.maximum.accumulate(np.where(leaving, throttle, 0.0))
    later = np.maximum.accumulate(np.where(way_out, throttle, 0.0)[::-1])[::-1]
    deep = way_out & (opened - throttle >= step) & (later - throttle >= step)
    dips = [
        span
        for span in true_spans(deep)
        if not _limit_closes(trace, span, from_here, limits)
        and not _gear_change(trace, span, float(opened[span[0]]), limits)
        and not (not turning[slice(*span)].any() and _change_by_hand(trace, span, limits))
    ]
    if not dips:
        return NOTHING
    start, stop = dips[0]
    bottom = start + int(np.argmin(throttle[start:stop]))
    numbers = {
        "opened_percent": 100.0 * float(opened[start]),
        "closed_to_percent": 100.0 * float(throttle[bottom]),
        "behind_slowest_m": float(trace.along[bottom] - trace.along[from_here]),
    }
    return (Seen(bottom, numbers, phase_at(trace, bottom)),)


def _limit_closes(trace: CornerTrace, span: tuple[int, int], slowest: int, limits: Thresholds) -> bool:
    """Whether the limit profile slows in `span`, or drives there with less than half of what it did since `slowest`."""
    least = float(trace.limit_a_lon[slice(*span)].min())
    before = float(trace.limit_a_lon[slowest : span[0] + 1].max(initial=0.0))
    return least <= -limits["limit_eases_ms2"] or least < EASED_DRIVE * before


def _gear_change(trace: CornerTrace, span: tuple[int, int], opened: float, limits: Thresholds) -> bool:
    """A short closing near which the gear rises; without a gear channel, one from full throttle."""
    if lasts(trace, span) > limits["shift_cut_s"]:
        return False
    if not trace.has("gear"):
        return opened >= limits["throttle_full_share"]
    return gear_changes(trace, span, True, limits)


def _change_by_hand(trace: CornerTrace, span: tuple[int, int], limits: Thresholds) -> bool:
    """Whether a closing on a straight may be a change of gear however long it takes, as by hand with a clutch."""
    if tells_gear(trace):
        return gear_changes(trace, span, True, limits)
    return lasts(trace, span) <= BY_HAND


def late_throttle(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """The throttle opens long after the limit's drive begins, or not before the next corner, with grip to spare.

    Open means nearly as wide as it gets in this exit, so that part throttle all the way out is another matter; a
    throttle that is hardly opened at all there does not count as open.
    """
    begin = trace.at(trace.mid_stop)
    leaving = marks.throttle[begin:]
    widest = max(float(np.quantile(leaving, WIDE_QUANTILE)), limits["part_open_share"])
    opened = leaving >= limits["throttle_full_share"] * widest
    reached = begin + int(np.argmax(opened)) if opened.any() else trace.t.size - 1
    if marks.limit_slows < limits["limit_slows_ms"] or reached == begin:
        return NOTHING
    delay = float(trace.t[reached] - trace.t[begin])
    grip = float(np.average(trace.grip[begin:reached], weights=np.diff(trace.t[begin : reached + 1])))
    if delay <= limits["late_throttle_s"] or grip >= limits["grip_unused_share"]:
        return NOTHING
    distance = float(trace.along[reached] - trace.along[begin])
    numbers = {"delay_s": delay, "delay_m": distance, "grip_used_percent": 100.0 * grip}
    return (Seen(reached, {**numbers, "not_opened_share": float(not opened.any())}),)


def part_throttle_out(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Part throttle held on the way out, with grip to spare; a throttle hardly open yet is late, not part."""
    throttle = marks.throttle
    part = (throttle > limits["part_open_share"]) & (throttle < limits["throttle_full_share"])
    part &= (trace.grip < limits["grip_unused_share"]) & (trace.along >= trace.mid_stop)
    full = (throttle >= limits["throttle_full_share"]) & (trace.along >= trace.mid_stop)
    held = [start for start, stop in true_spans(full) if lasts(trace, (start, stop)) >= HELD_OPEN]
    part[min(held, default=part.size) :] = False  # behind it the way out is over
    span = longest(trace, part)
    if marks.limit_slows < limits["limit_slows_ms"] or lasts(trace, span) <= limits["part_out_s"]:
        return NOTHING
    numbers = {
        "part_throttle_s": lasts(trace, span),
        "opening_percent": 100.0 * float(np.median(throttle[slice(*span)])),
        "grip_used_percent": 100.0 * float(trace.grip[slice(*span)].mean()),
        "never_full_share": float(lasts(trace, longest(trace, full)) < HELD_OPEN),
    }
    return (Seen(span[0], numbers),)


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
        return f"throttle hardly opened in the {after} from where the limit begins to drive to the next corner, {grip}"
    return f"throttle open {after} after the limit begins to drive, {grip}"


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
