"""A single loss: one lap lost far more time in one corner than the other laps, and not on the rest of it.

Most are mistakes; a flag or a car in the corner looks the same, so none is called one.
"""

from collections.abc import Collection, Sequence

import numpy as np

from simlap.habit_laps import Occurrence, occurrence, whole_traces
from simlap.habit_marks import Marks, full_throttle_from, mark
from simlap.habit_rules import Numbers
from simlap.habit_traces import CornerSheet, CornerTrace
from simlap.phases import PHASE_NAMES, WHERE_WORDS
from simlap.robust import deviation
from simlap.spans import true_spans
from simlap.thresholds import Thresholds
from simlap.units import MS_TO_KMH

SINGLE_LOSS = "single loss"
# On more of the laps in one corner it is the driver's way there, which the habits tell; one lap is never too many.
SINGLE = 0.2  # [1] of the laps
# What a mistake costs is felt in the next corner at most. A lap that is slow in more corners on end, or in more
# than a third of all, was held up or not driven at speed.
CARRIES_ON, SLOW_LAP = 2, 1.0 / 3.0  # corners; [1]
# A lap that no lap at speed runs up to, as behind the pits, loses from its start on: as long as it loses so much in
# each corner, that is its run-up.
RUN_UP = 0.1  # [s]
# A loss begins where this share of what it costs is lost.
BEGINS = 0.1  # [1]
# A smaller difference from the usual lap is not named as what went wrong. Common practice, no source.
TOLD_M, TOLD_KMH = 5.0, 2.0  # [m], [km/h]


def single_losses(
    sheets: Sequence[CornerSheet], slowed: Sequence[Collection[int]], limits: Thresholds
) -> tuple[tuple[Occurrence, ...], ...]:
    """For each sheet the laps that lost far more there than the others, and kept their pace elsewhere.

    A lap's loss in a corner is its time through the zone beyond the median of the laps. Less what the lap lost per
    second in the other corners (their median), it has to reach `single_lost_s`, and `single_spreads` times the laps'
    own spread there: one that is slow all over lost nothing of its own in its longest zone. `slowed` holds, for each
    sheet, the laps that were held up there: nothing is told of them there, nor in the corners beside it.
    """
    numbers = sorted({trace.lap for sheet in sheets for trace in sheet.traces})
    took = _zone_times(sheets, numbers, slowed)
    laps = np.isfinite(took).sum(axis=0)
    judged = np.flatnonzero(laps >= limits["single_laps"])
    found: list[list[Occurrence]] = [[] for _ in sheets]
    usual = np.ones(len(sheets))
    usual[judged] = np.nanmedian(took[:, judged], axis=0)
    lost = np.full(took.shape, np.nan)
    lost[:, judged] = took[:, judged] - usual[judged]
    least = np.full(len(sheets), np.inf)
    for column in judged:
        spread = deviation(lost[np.isfinite(lost[:, column]), column])
        least[column] = max(limits["single_lost_s"], limits["single_spreads"] * spread)
    out = np.array([np.nan_to_num(own - _slow_elsewhere(own / usual) * usual) > least for own in lost])
    out[out.sum(axis=1) > max(1.0, SLOW_LAP * judged.size)] = False
    out[:, out.sum(axis=0) > np.maximum(1.0, SINGLE * laps)] = False
    for number, own, here in zip(numbers, lost, out, strict=True):
        if number - 1 not in numbers:
            at_pace = np.flatnonzero(own <= RUN_UP)  # false for what is not known
            here[: at_pace[0] if at_pace.size else None] = False
        for first, stop in true_spans(here):
            near = range(max(first - 1, 0), min(stop + 1, len(sheets)))
            if stop - first <= CARRIES_ON and not any(number in slowed[column] for column in near):
                found[first].append(_occurrence(sheets[first], number, own[first:stop], limits))
    return tuple(tuple(each) for each in found)


def _zone_times(sheets: Sequence[CornerSheet], numbers: Sequence[int], slowed: Sequence[Collection[int]]) -> np.ndarray:
    """Time of each lap through each zone (laps, sheets), NaN where it was held up or is not whole. [s]"""
    took = np.full((len(numbers), len(sheets)), np.nan)
    for column, (sheet, held) in enumerate(zip(sheets, slowed, strict=True)):
        for trace in whole_traces(sheet.traces):
            if trace.lap not in held:
                took[numbers.index(trace.lap), column] = trace.t[-1] - trace.t[trace.at(0.0)]
    return took


def _slow_elsewhere(share: np.ndarray) -> np.ndarray:
    """For each corner the median of a lap's losses in the others, as shares of their time (n,); never below nought."""
    out = np.zeros(share.size)
    for column in range(share.size):
        others = np.delete(share, column)
        if np.isfinite(others).any():
            out[column] = max(0.0, float(np.nanmedian(others)))
    return out


def _occurrence(sheet: CornerSheet, number: int, lost: np.ndarray, limits: Thresholds) -> Occurrence:
    """The loss of lap `number` in a corner, from what it `lost` there and in the corner behind it, (1,) or (2,)."""
    whole = whole_traces(sheet.traces)
    (trace,) = [each for each in whole if each.lap == number]
    others = [each for each in whole if each.lap != number]
    begin = trace.at(0.0)
    behind = trace.t - trace.t[begin] - np.median([each.t - each.t[begin] for each in others], axis=0)
    ends = [begin, trace.at(trace.braking_stop), trace.at(trace.mid_stop), trace.t.size - 1]
    by_phase = dict(zip(PHASE_NAMES, np.diff(behind[ends]), strict=True))
    marked, usual = mark(trace, limits), [mark(each, limits) for each in others]
    numbers = {
        "lost_s": float(lost.sum()),
        **{f"{phase}_lost_s": float(value) for phase, value in by_phase.items()},
        **({"next_corner_lost_s": float(lost[1])} if lost.size > 1 else {}),
        **_what_differs(trace, marked, others, usual, limits),
    }
    at = begin + int(np.argmax(behind[begin:] >= BEGINS * behind[-1]))
    if marked.brakes:
        at = min(at, max(marked.braking[0], begin))
    return occurrence(trace, at, max(by_phase, key=lambda phase: by_phase[phase]), numbers)


def _what_differs(
    trace: CornerTrace, marked: Marks, others: Sequence[CornerTrace], usual: Sequence[Marks], limits: Thresholds
) -> dict[str, float]:
    """Brake point, slowest speed and full throttle of a lap beside the median of the others', where they lie apart."""
    found = {}
    alike = [(one, marks) for one, marks in zip(others, usual, strict=True)
             if marks.brakes and marks.brake_channel == marked.brake_channel]  # fmt: skip
    if marked.brakes and alike:
        later = trace.along[marked.braking[0]] - np.median([one.along[marks.braking[0]] for one, marks in alike])
        if abs(later) >= TOLD_M:
            found["brake_point_later_m"] = float(later)
    slowest = MS_TO_KMH * float(trace.v[slice(*marked.slow)].min())
    theirs = MS_TO_KMH * float(
        np.median([one.v[slice(*marks.slow)].min() for one, marks in zip(others, usual, strict=True)])
    )
    if abs(slowest - theirs) >= TOLD_KMH:
        found |= {"minimum_kmh": slowest, "usual_minimum_kmh": theirs}
    opens = full_throttle_from(trace, marked, limits)
    open_at = [(one, full_throttle_from(one, marks, limits)) for one, marks in zip(others, usual, strict=True)]
    known = [one.along[index] for one, index in open_at if index is not None]
    if opens is not None and known and abs(later := trace.along[opens] - np.median(known)) >= TOLD_M:
        found["full_throttle_later_m"] = float(later)
    return found


def single_loss_words(x: Numbers) -> str:
    """The observation in words."""
    parts = []
    for key, what in (("brake_point_later_m", "brake point"), ("full_throttle_later_m", "full throttle")):
        if key in x:
            parts.append(f"{what} {abs(x[key]):.0f} m {'later' if x[key] > 0.0 else 'earlier'}")
    if "minimum_kmh" in x:
        parts.insert(
            len(parts) - ("full_throttle_later_m" in x),
            f"minimum speed {x['minimum_kmh']:.0f} instead of {x['usual_minimum_kmh']:.0f} km/h",
        )
    most = [phase for phase in PHASE_NAMES if x[f"{phase}_lost_s"] > 0.5 * x["lost_s"]]
    where = f", most of it {WHERE_WORDS[most[0]]}" if most else ""
    onwards = f", {x['next_corner_lost_s']:.1f} s of it in the next corner" if "next_corner_lost_s" in x else ""
    return f"lost {x['lost_s']:.1f} s against the other laps{where}{onwards}" + (
        f" ({', '.join(parts)})" if parts else ""
    )
