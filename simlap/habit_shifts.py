"""The throttle without changes of gear: the foot leaves it at an up-shift and blips it at a down-shift."""

import numpy as np

from simlap.habit_traces import CornerTrace
from simlap.spans import Span, true_spans
from simlap.thresholds import Thresholds

# Less than this is noise of the channel, no foot that leaves it. Common practice, no source.
STEP = 0.1  # [1]


def steady_throttle(trace: CornerTrace, limits: Thresholds) -> np.ndarray:
    """Throttle (n,) with what lasts no longer than a change of gear levelled: closed at up-shifts, open at down-shifts.

    Without a channel that tells the gear every short closing counts as an up-shift, and no opening as a down-shift.

    Notes
    -----
    Closing and opening of a function by a flat window of `shift_cut_s`, as in image processing (Serra, Image Analysis
    and Mathematical Morphology, 1982): what is shorter than the window is filled to the lower of its two sides.
    """
    throttle = trace.channels["throttle"]
    closed = _windowed(trace, np.minimum, _windowed(trace, np.maximum, throttle, limits), limits)
    out = _levelled(trace, throttle, closed, True, limits)
    opened = _windowed(trace, np.maximum, _windowed(trace, np.minimum, out, limits), limits)
    return _levelled(trace, out, opened, False, limits) if tells_gear(trace) else out


def _windowed(trace: CornerTrace, what: np.ufunc, values: np.ndarray, limits: Thresholds) -> np.ndarray:
    """Largest or smallest of the values within half of `shift_cut_s` either side."""
    half = 0.5 * limits["shift_cut_s"]
    first, behind = np.searchsorted(trace.t, trace.t - half), np.searchsorted(trace.t, trace.t + half, side="right")
    edges = np.column_stack([first, behind]).ravel()
    return np.asarray(what.reduceat(np.append(values, values[-1]), edges)[::2])


def _levelled(trace: CornerTrace, throttle: np.ndarray, level: np.ndarray, up: bool, limits: Thresholds) -> np.ndarray:
    """The throttle with `level` in its place where they differ at a change of gear, but for the ends of the trace."""
    out = np.array(throttle)
    for a, b in true_spans(np.abs(level - throttle) > STEP):
        if a > 0 and b < out.size and (not tells_gear(trace) or gear_changes(trace, (a, b), up, limits)):
            out[a:b] = level[a:b]
    return out


def tells_gear(trace: CornerTrace) -> bool:
    """True where gear or engine speed is recorded."""
    return trace.has("gear") or trace.has("engine_speed")


def gear_changes(trace: CornerTrace, span: Span, up: bool, limits: Thresholds) -> bool:
    """Whether the gear rises (`up`) or falls near a span; without a gear channel, whether the engine speed jumps."""
    near = (trace.t >= trace.t[span[0]] - limits["shift_cut_s"]) & (
        trace.t <= trace.t[min(span[1], trace.t.size - 1)] + limits["shift_cut_s"]
    )
    return gear_changes_at(trace, near, up, limits)


def gear_changes_at(trace: CornerTrace, near: np.ndarray, up: bool, limits: Thresholds) -> bool:
    """Whether the gear rises (`up`) or falls among the samples `near`, bool (n,); without a gear channel, whether the
    engine speed jumps."""
    if trace.has("gear"):
        return bool((np.diff(np.round(trace.channels["gear"][near])) * (1.0 if up else -1.0) > 0.0).any())
    speed = trace.channels["engine_speed"][near]
    jump = np.maximum.accumulate(speed) - speed if up else speed - np.minimum.accumulate(speed)
    return bool((jump > limits["blip_share"] * speed.mean()).any())
