"""Findings on the way in: brake, lift and what lies between them."""

import numpy as np

from simlap.habit_marks import Marks, grip_in, lasts, longest_of
from simlap.habit_rules import BRAKE, NOTHING, THROTTLE, Numbers, Rule, Seen, brake_number, brake_words, metres_step
from simlap.habit_shifts import gear_changes_at
from simlap.habit_traces import CornerTrace
from simlap.spans import true_spans
from simlap.thresholds import Thresholds
from simlap.units import MS_TO_KMH, G

# An easing longer than this shows in the smooth motion; in one at a down-shift the grip in use is that around it.
LONG_EASING = 0.4  # [s]
# A brake point is told to move later only where there is more than this to gain: what an eye can place, and the error
# of the place where the speed needs the brake. Common practice, no source.
LATER = 5.0  # [m]

# A brake that is below this share of its peak for good trails off. Common practice, no source.
TRAILS_OFF = 0.5  # [1]

EARLY_LIGHT, LONG_LIGHT, LATE_PEAK = "early and light braking", "long light braking", "late brake peak"


def late_peak(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """The brake reaches its peak in the later part of the braking instead of right after the first touch.

    What trails off into the turn, below half of the peak for good, is no part of that braking: it belongs behind the
    peak, however long the turn makes it.
    """
    start, stop = marks.braking
    if not marks.brakes or lasts(trace, marks.braking) < limits["peak_brake_s"]:
        return NOTHING
    pressed, peak_at = marks.brake[start:stop], float(marks.brake[marks.peak])
    duration = lasts(trace, (start, start + int(np.flatnonzero(pressed >= TRAILS_OFF * peak_at)[-1]) + 1))
    reached = start + int(np.argmax(pressed >= limits["peak_reached_share"] * peak_at))
    delay = float(trace.t[reached] - trace.t[start])
    if delay <= limits["peak_late_share"] * duration:
        return NOTHING
    peak = brake_number("peak", marks, float(marks.brake[marks.peak]))
    return (Seen(reached, {"peak_after_s": delay, "braking_s": duration, **peak}),)


def eased_and_reapplied(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Pressure falls well below its peak and rises again before the brake is released."""
    start, stop = marks.braking
    if not marks.brakes:
        return NOTHING
    signal = marks.brake[start:stop]
    so_far = np.maximum.accumulate(signal)
    later = np.maximum.accumulate(signal[::-1])[::-1]
    rise = np.where(signal <= limits["eased_share"] * so_far, later - signal, 0.0)
    bottom = int(np.argmax(rise))
    if rise[bottom] < limits["reapplied_share"] * signal.max():
        return NOTHING
    index = start + bottom
    eased = next(
        (a + start, b + start) for a, b in true_spans(signal <= limits["eased_share"] * so_far) if a <= bottom < b
    )
    at_limit = lasts(trace, eased) > LONG_EASING and grip_in(trace, *eased) >= limits["grip_unused_share"]
    if at_limit or _limit_eases_too(marks, index):
        return NOTHING
    numbers = {
        **brake_number("before", marks, float(so_far[bottom])),
        **brake_number("eased_to", marks, float(signal[bottom])),
        **brake_number("again", marks, float(later[bottom])),
    }
    if trace.has("gear") or trace.has("engine_speed"):
        numbers["with_downshift_share"] = float(_downshift_near(trace, index, limits))
    return (Seen(index, numbers),)


def _limit_eases_too(marks: Marks, index: int) -> bool:
    """Whether the limit is off the brake at `index` and on it before and after."""
    before, after = (any(a <= index for a, _ in marks.limit_spans), any(b > index for _, b in marks.limit_spans))
    return before and after and not any(a <= index < b for a, b in marks.limit_spans)


def _downshift_near(trace: CornerTrace, index: int, limits: Thresholds) -> bool:
    """A lower gear, or without a gear channel a jump of engine speed while the car slows, near `index`."""
    near = np.abs(trace.t - trace.t[index]) <= limits["shift_near_s"]
    return gear_changes_at(trace, near, False, limits)


def light_braking_fits(trace: CornerTrace, marks: Marks, limits: Thresholds) -> bool:
    """True where the zone itself asks for light braking: downhill, or braked into the turn."""
    start, stop = marks.limit_braking
    if stop <= start:
        return True
    mean, peak = _mean_slowing(trace.limit_v, trace.along, start, stop), -trace.limit_a_lon[start:stop].min()
    return bool(downhill(trace, marks, limits) or mean < limits["tapers_share"] * peak)


def downhill(trace: CornerTrace, marks: Marks, limits: Thresholds) -> bool:
    """Whether the road falls so much where the limit brakes that light braking is the road's: it also unloads the car
    over the crest before, which an envelope of the whole lap does not know."""
    start, stop = marks.limit_braking
    return bool(np.tan(trace.grade[start:stop]).mean() < -limits["downhill_share"])


def _mean_slowing(v: np.ndarray, along: np.ndarray, start: int, stop: int) -> float:
    """Constant deceleration that takes the same speed off over the same distance [m/s²]."""
    end = min(stop, along.size - 1)
    return float((v[start] ** 2 - v[end] ** 2) / (2.0 * (along[end] - along[start])))


def _limit_time(trace: CornerTrace, start: int, stop: int) -> float:
    end = min(stop, trace.along.size - 1)
    ds = np.diff(trace.along[start : end + 1])
    return float((2.0 * ds / (trace.limit_v[start:end] + trace.limit_v[start + 1 : end + 1])).sum())


def long_light_braking(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Long and light where the limit's braking is short and hard."""
    if not (marks.brakes and marks.limit_brakes) or marks.limit_slows < limits["limit_slows_ms"]:
        return NOTHING
    needed = _limit_time(trace, *marks.limit_braking)
    if needed > limits["long_zone_s"] or light_braking_fits(trace, marks, limits):
        return NOTHING
    driven = _mean_slowing(trace.v, trace.along, *marks.braking)
    asked = _mean_slowing(trace.limit_v, trace.along, *marks.limit_braking)
    took = lasts(trace, marks.braking)
    first, last = marks.braking
    if grip_in(trace, first, max((first + last) // 2, first + 1)) >= limits["grip_unused_share"]:
        return NOTHING  # hard enough; its other half may be turned in already
    if took <= limits["long_time_share"] * needed or driven >= limits["light_share"] * asked:
        return NOTHING
    numbers = {"braking_s": took, "limit_braking_s": needed, "mean_g": driven / G, "limit_mean_g": asked / G}
    return (Seen(marks.braking[0], numbers),)


def ahead_of_need(trace: CornerTrace, marks: Marks, index: int) -> float:
    """How far ahead of `index` the speed there needs the brake: the limit's braking has come down to it. [m]"""
    start, stop = marks.limit_braking
    needed = start + int(np.argmax(np.append(trace.limit_v[start:stop] <= trace.v[index], True)))
    return float(trace.along[min(needed, trace.along.size - 1)] - trace.along[index])


def early_braking(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """The brake goes on well before the place where the limit's braking has come down to the speed of that moment.

    A car that arrives slower than the limit's may brake later than it, so the limit's own brake point is no measure.
    """
    if not (marks.brakes and marks.limit_brakes) or marks.limit_slows < limits["limit_slows_ms"]:
        return NOTHING
    on = marks.braking[0]
    early = ahead_of_need(trace, marks, on)
    if early <= limits["early_brake_s"] * trace.v[on] or _softest(trace, marks, limits):
        return NOTHING
    return (Seen(on, _early(trace, on, early)),)


def early_and_light(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """As `early_braking`, by a driver who never brakes hard there: a later brake point alone would come too late."""
    if not (marks.brakes and marks.limit_brakes) or marks.limit_slows < limits["limit_slows_ms"]:
        return NOTHING
    on = marks.braking[0]
    early = ahead_of_need(trace, marks, on)
    if early <= limits["early_brake_s"] * trace.v[on] or not _softest(trace, marks, limits):
        return NOTHING
    if downhill(trace, marks, limits):
        return NOTHING
    own, asked = _hardest(trace, marks)
    return (Seen(on, {**_early(trace, on, early), "peak_g": own / G, "limit_peak_g": asked / G}),)


def _early(trace: CornerTrace, on: int, early: float) -> dict[str, float]:
    speed = float(trace.v[on])
    return {"early_m": early, "early_s": early / speed, "speed_kmh": speed * MS_TO_KMH}


def _hardest(trace: CornerTrace, marks: Marks) -> tuple[float, float]:
    """Largest slowing in the driver's braking and in the limit's [m/s²]."""
    own, asked = trace.a_lon[slice(*marks.braking)], trace.limit_a_lon[slice(*marks.limit_braking)]
    return -float(own.min()), -float(asked.min())


def _softest(trace: CornerTrace, marks: Marks, limits: Thresholds) -> bool:
    """Whether the driver's hardest braking stays below that of the limit."""
    own, asked = _hardest(trace, marks)
    return own < limits["firm_share"] * asked


def early_lift(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Off the throttle well before the speed of that moment needs the brake, and not yet on the brake."""
    if not marks.limit_brakes or marks.lift == 0 or marks.limit_slows < limits["limit_slows_ms"]:
        return NOTHING
    then = min((start for start, _ in marks.touches if start >= marks.lift), default=marks.slowest)
    closed = np.flatnonzero(marks.throttle[marks.lift : then] <= limits["throttle_closed_share"])
    if not closed.size:
        return NOTHING
    lift = marks.lift + int(closed[0])
    early = ahead_of_need(trace, marks, lift)
    gap = float(trace.t[then] - trace.t[lift])
    if early <= limits["early_lift_s"] * trace.v[lift] or gap <= limits["lift_gap_s"]:
        return NOTHING
    speed = float(trace.v[lift]) * MS_TO_KMH
    coast = float(trace.along[then] - trace.along[lift])
    numbers = {"early_m": early, "before_brake_s": gap, "before_brake_m": coast, "speed_kmh": speed}
    return (Seen(lift, {**numbers, "brakes_share": float(marks.brakes)}),)


def part_throttle_then_lift(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Part throttle held on the way in, then closed: neither driving on nor braking."""
    if marks.lift == 0:
        return NOTHING
    throttle = marks.throttle
    then = marks.braking[0] if marks.brakes else marks.slowest
    closed = limits["throttle_closed_share"]
    part = (throttle < limits["part_throttle_share"]) & (throttle > closed)
    part &= trace.grip < limits["grip_unused_share"]  # in a bend that takes all grip the throttle has to wait
    spans = [(max(a, marks.lift), min(b, then)) for a, b in true_spans(part) if a < then and b > marks.lift]
    held = longest_of(trace, spans)
    near = trace.t <= trace.t[min(held[1], then)] + limits["part_throttle_s"]
    shut = bool((throttle[held[1] :][near[held[1] :]] <= closed).any())
    if lasts(trace, held) < limits["part_throttle_s"] or not shut:
        return NOTHING
    opening = float(throttle[held[0] : held[1]].mean())
    return (Seen(held[0], {"part_throttle_s": lasts(trace, held), "opening_percent": 100.0 * opening}),)


def brake_held(trace: CornerTrace, marks: Marks, limits: Thresholds) -> tuple[Seen, ...]:
    """Brake held past the limit's release, and the corner slower than the limit's: overslowed."""
    if not (marks.brakes and marks.limit_brakes):
        return NOTHING
    release, limit_release = marks.braking[1] - 1, marks.limit_braking[1] - 1
    past = float(trace.along[release] - trace.along[limit_release])
    below = float(trace.limit_v[marks.limit_slowest] - trace.v[marks.slowest])
    if grip_in(trace, *marks.slow) >= limits["grip_unused_share"]:
        return NOTHING
    if past <= limits["held_m"] or below <= limits["slow_share"] * trace.limit_v[marks.limit_slowest]:
        return NOTHING
    return (Seen(release, {"past_release_m": past, "below_limit_kmh": below * MS_TO_KMH}),)


def longer_on_throttle(numbers: Numbers, limits: Thresholds, _: float) -> str:
    """Close the gap between throttle and brake from the throttle's side alone; a later brake point comes after that.

    Going to the brake at once would mean a brake point ahead of the driver's own.
    """
    gap, early = numbers["before_brake_m"], numbers["early_m"]
    longer = min(metres_step(numbers, "early_m", limits), gap)
    if numbers["brakes_share"] < 0.5:  # not on most of the laps where it happens
        return f"Stay on the throttle about {longer:.0f} m longer"
    keep = f"Keep your brake point and stay on the throttle about {longer:.0f} m longer"
    if early <= gap:  # with the throttle held to it, that brake point would come too late
        return keep
    closed = " up to it" if longer == gap else ", in steps until no gap is left"
    if early - gap <= LATER:
        return f"{keep}{closed}"
    return f"{keep}{closed}; only then move the brake point later, in small steps"


def _shift_words(share: float) -> str:
    if share >= 0.5:  # on most of the laps where it happens
        return ", together with a down-shift"
    return ", not together with a down-shift"


RULES = (
    Rule(
        "early lift",
        "braking",
        early_lift,
        lambda x: (
            f"throttle closed {x['early_m']:.0f} m before the brake is needed at {x['speed_kmh']:.0f} km/h, "
            f"then {x['before_brake_s']:.1f} s until {'the brake' if x['brakes_share'] >= 0.5 else 'the slowest point'}"
        ),
        longer_on_throttle,
        (THROTTLE,),
        reads_brake=True,
    ),
    Rule(
        "part throttle, then lift",
        "braking",
        part_throttle_then_lift,
        lambda x: (
            f"throttle held at {x['opening_percent']:.0f} % for {x['part_throttle_s']:.1f} s on the way in, then closed"
        ),
        lambda x, limits, _: (
            "Keep your brake point and hold full throttle longer before it, in small steps, until you go from one "
            "straight to the other"
        ),
        (THROTTLE,),
        reads_brake=True,
    ),
    Rule(
        "early braking",
        "braking",
        early_braking,
        lambda x: f"brake on {x['early_m']:.0f} m earlier than needed at {x['speed_kmh']:.0f} km/h",
        lambda x, limits, _: (
            f"Brake about {metres_step(x, 'early_m', limits):.0f} m later with the same first "
            "pressure, and keep that point before going on"
        ),
        reads_brake=True,
    ),
    Rule(
        EARLY_LIGHT,
        "braking",
        early_and_light,
        lambda x: (
            f"brake on {x['early_m']:.0f} m earlier than needed at {x['speed_kmh']:.0f} km/h, and never harder than "
            f"{x['peak_g']:.2f} g where the limit reaches {x['limit_peak_g']:.2f} g"
        ),
        lambda x, limits, _: (
            "Press harder from the brake point that you have; move it later only once that leaves you too slow at "
            f"the turn-in, by {limits['advice_metres']:.0f} m at most"
        ),
        reads_brake=True,
    ),
    Rule(
        LONG_LIGHT,
        "braking",
        long_light_braking,
        lambda x: (
            f"braking takes {x['braking_s']:.1f} s at a mean of {x['mean_g']:.2f} g where "
            f"{x['limit_braking_s']:.1f} s at {x['limit_mean_g']:.2f} g would do"
        ),
        lambda x, limits, _: (
            "Brake harder for a shorter time: full pressure at once from the brake point that you have, and only then "
            f"a later one, by {limits['advice_metres']:.0f} m at most"
        ),
        reads_brake=True,
    ),
    Rule(
        LATE_PEAK,
        "braking",
        late_peak,
        lambda x: (
            f"brake peak of {brake_words(x, 'peak')} comes {x['peak_after_s']:.1f} s after the first touch, in "
            f"{x['braking_s']:.1f} s of braking before it trails off"
        ),
        lambda x, limits, _: (
            "Reach the same peak in the first third of the braking and release from there towards the corner"
        ),
        reads_brake=True,
    ),
    Rule(
        "brake eased and re-applied",
        "braking",
        eased_and_reapplied,
        lambda x: (
            f"brake eased from {brake_words(x, 'before')} to {brake_words(x, 'eased_to')} and pressed again to "
            f"{brake_words(x, 'again')}"
            + (_shift_words(x["with_downshift_share"]) if "with_downshift_share" in x else "")
        ),
        lambda x, limits, _: (
            (
                "Hold the brake through the down-shift"
                if x.get("with_downshift_share", 0.0) >= 0.5
                else "Press once and release once"
            )
            + ": one steady application without a release in the middle, easing off smoothly towards the turn-in"
        ),
        (BRAKE,),
        reads_brake=True,
    ),
    Rule(
        "brake held past the release",
        "mid_corner",
        brake_held,
        lambda x: (
            f"brake still on {x['past_release_m']:.0f} m past the limit's release, minimum speed "
            f"{x['below_limit_kmh']:.0f} km/h below the limit's"
        ),
        lambda x, limits, _: (
            f"Be off the brake about {metres_step(x, 'past_release_m', limits):.0f} m earlier and let "
            "the car roll into the corner"
        ),
        reads_brake=True,
    ),
)
