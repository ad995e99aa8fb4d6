"""What one lap shows on the way out of a corner: the throttle opened twice, late, or part of the way."""

import numpy as np

from simlap.habit_marks import Marks, lasts, longest
from simlap.habit_rules import NOTHING, Seen
from simlap.habit_shifts import gear_changes, tells_gear
from simlap.habit_traces import CornerTrace, phase_at
from simlap.spans import true_spans
from simlap.thresholds import Thresholds

# How wide the throttle gets in an exit, as a quantile over its stations: the noise of the channel is not its widest.
WIDE_QUANTILE = 0.75  # [1]
# A limit profile that falls to this share of its drive before the corner is over asks for less throttle there.
EASED_DRIVE = 0.5  # [1]
# A throttle opened late is seen at half of its way or at all of it. Common practice, no source.
HALF = 0.5  # [1]
# A throttle that is full for less than this in an exit is not held there. Common practice, no source.
HELD_OPEN = 0.5  # [s]
# A change of gear by hand, foot off the throttle and on again, takes no longer. Common practice, no source.
BY_HAND = 1.0  # [s]


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
    """The throttle opens well behind the limit's drive, or not before the next corner, with grip to spare.

    Where a turn opens up slowly the limit, too, has little drive at first: a throttle that opens as the tyres allow is
    not late. Half of the drive and nearly all of it are held beside half and nearly all of the opening. All means as
    wide as the throttle gets in this exit, so that part throttle all the way out is another matter; a throttle that is
    hardly opened at all there does not count as open.
    """
    begin, end = trace.at(trace.mid_stop), trace.t.size - 1
    leaving = marks.throttle[begin:]
    widest = max(float(np.quantile(leaving, WIDE_QUANTILE)), limits["part_open_share"])
    opened = leaving >= limits["throttle_full_share"] * widest
    drive = trace.limit_a_lon[begin : (begin + int(np.argmax(opened)) if opened.any() else end) + 1]
    late = []
    for share in (HALF, limits["throttle_full_share"]):
        could = begin + int(np.argmax(drive >= share * max(0.0, float(drive.max()))))
        there = leaving >= share * widest
        reached = begin + int(np.argmax(there)) if there.any() else end
        late.append((float(trace.t[reached] - trace.t[could]), could, reached))
    delay, could, reached = max(late)
    if marks.limit_slows < limits["limit_slows_ms"] or delay <= limits["late_throttle_s"]:
        return NOTHING
    grip = float(np.average(trace.grip[could:reached], weights=np.diff(trace.t[could : reached + 1])))
    if grip >= limits["grip_unused_share"]:
        return NOTHING
    distance = float(trace.along[reached] - trace.along[could])
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
