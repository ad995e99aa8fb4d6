"""Which laps count: one reason in plain words for each that does not."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from simlap.lap_types import Aside, Lap, Why
from simlap.lapbeside import compare_laps
from simlap.motion_types import Motion

if TYPE_CHECKING:
    from simlap.track import Track

GAP_S = 0.5  # [s] of invalid motion in a lap
STOP_SPEED = 2.0  # [m/s]
LENGTH_SHARE = 0.05  # a lap this much longer or shorter than the median went another way
SLOW_SHARE = 0.05  # of the usual lap time
COOL_SHARE = 0.15  # this much over the usual lap time it was no lap at speed, wherever the time went
FAST_LAPS = 0.10  # usual is the median of the laps within this share of the fastest: cool-down laps may be the most
ENOUGH_LAPS = 3  # with fewer the laps without a run-up count after all


def judge(motion: Motion, laps: list[Lap], track: Track | None = None) -> tuple[list[Lap], tuple[str, ...]]:
    """The same laps with `counted` and why not filled in, and notes; pieces that are not flying stay as they are."""
    reasons: dict[int, Why] = {}
    places: dict[int, float] = {}
    full = [i for i, lap in enumerate(laps) if lap.flying]
    for i in full:
        broken = _broken(motion, laps[i])
        if broken is not None:
            reasons[i] = broken
    lengths = {i: float(np.diff(np.interp([laps[i].start_s, laps[i].stop_s], motion.t, motion.s))[0]) for i in full}
    whole = [i for i in full if i not in reasons]
    if track is None or not motion.closes:
        # one that was driven: of two circuits in one log the middle between them is neither
        typical = np.quantile([lengths[i] for i in whole], 0.5, method="lower") if whole else 0.0
    else:
        typical = track.line.length
    for i in whole:
        if abs(lengths[i] - typical) > LENGTH_SHARE * typical:
            reasons[i] = Why(Aside.OTHER_WAY, f"{lengths[i]:.0f} m driven, the others {typical:.0f} m")
    rest = _set_slow_aside(laps, [i for i in whole if i not in reasons], COOL_SHARE, reasons)
    if rest:
        beside, places = compare_laps(motion, laps, rest, track)
        reasons |= beside
    notes = _own_scatter(rest, reasons, places)
    fit = _set_slow_aside(laps, [i for i in rest if i not in reasons], SLOW_SHARE, reasons)
    if len(fit) < ENOUGH_LAPS:
        reasons = {i: why for i, why in reasons.items() if why.kind is not Aside.NO_RUN_UP}
        _set_slow_aside(laps, [i for i in rest if i not in reasons], SLOW_SHARE, reasons)  # they were not asked before
    judged = [
        replace(
            lap,
            counted=lap.flying and i not in reasons,
            reason=reasons[i].reason if i in reasons else lap.reason,
            place_m=places.get(i),
            kind=reasons[i].kind if i in reasons else lap.kind,
        )
        for i, lap in enumerate(laps)
    ]
    return judged, notes


def _own_scatter(rest: list[int], reasons: dict[int, Why], places: dict[int, float]) -> tuple[str, ...]:
    """Take back "traffic" where it would set aside more of the laps `rest` than it leaves, and say so.

    A novice lifts, now here, now there: on a circuit of short straights seven laps of eight were traffic, the fastest
    one among them.
    """
    slowed = [i for i in rest if i in reasons and reasons[i].kind is Aside.TRAFFIC]
    if len(slowed) <= sum(i not in reasons for i in rest):
        return ()
    for i in slowed:
        del reasons[i], places[i]
    return (
        f"{len(slowed)} laps were slowed on a straight, more than were not: taken for the driver's own way and not for "
        "traffic, these laps count. Leave out with --drop those that were held up.",
    )


def _set_slow_aside(laps: list[Lap], rest: list[int], share: float, reasons: dict[int, Why]) -> list[int]:
    """Give a reason to those of the laps `rest` that take more than `share` over the usual time; return the others."""
    times = np.array([laps[i].time_s for i in rest])
    fast = times[times <= (1.0 + FAST_LAPS) * times.min(initial=np.inf)]
    usual = float(np.median(fast if fast.size > 1 else times)) if rest else 0.0  # a single fast one may be an error
    slow = [i for i in rest if laps[i].time_s > (1.0 + share) * usual]
    for i in slow:
        over = f"{laps[i].time_s - usual:.1f} s over the median of the laps at speed (more than {100 * share:.0f} %)"
        reasons[i] = Why(Aside.SLOW, over)
    return [i for i in rest if i not in slow]


def _broken(motion: Motion, lap: Lap) -> Why | None:
    """Why a lap by itself cannot count: a gap in it or at its start, or a stop; None where it can."""
    inside = (motion.t >= lap.start_s) & (motion.t <= lap.stop_s)
    lost = float(np.sum(~motion.valid[inside])) * (motion.t[1] - motion.t[0])
    if lost > GAP_S:
        return Why(Aside.GAP, f"{lost:.1f} s without usable position or speed")
    unseen = _silent_up_to(motion, lap.start_s)
    if unseen > GAP_S:
        return Why(Aside.GAP, f"it begins somewhere in {unseen:.1f} s without usable position or speed")
    if motion.v[inside].min(initial=np.inf) < STOP_SPEED:
        return Why(Aside.STOP, "the car stood or crept")
    return None


def _silent_up_to(motion: Motion, start: float) -> float:
    """Silence [s] out of which a lap starts: a lap counter tells of its start with the first row after a gap."""
    step = motion.t[1] - motion.t[0]
    last = int(np.searchsorted(motion.t, start - 0.1 * step)) - 1
    if last < 0 or motion.valid[last]:
        return 0.0
    heard = np.flatnonzero(motion.valid[:last])
    return float((last - (heard[-1] if heard.size else 0)) * step)
