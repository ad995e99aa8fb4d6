"""Marks on a trace: where the driver and the limit profile brake, lift and are slowest."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from simlap.frozen import own
from simlap.habit_shifts import steady_throttle
from simlap.habit_traces import CornerTrace
from simlap.spans import Span, true_spans
from simlap.thresholds import Thresholds
from simlap.units import PA_TO_BAR, G

#: Brake channels in order of preference with the unit that findings print them in, and the factor into it.
BRAKE_UNITS = {"brake_pressure": ("bar", PA_TO_BAR), "brake": ("percent", 100.0), "deceleration": ("g", 1.0 / G)}
# The driver's slowest point is looked for up to here behind the limit's mid-corner: a late apex lies a car's length
# or two further on; the next corner's braking does not.
PAST_MID = 20.0  # [m]
# A corner is taken at its slowest speed for a while: speeds within this share of it count, and the middle of them is
# the slowest point. Below the noise of the speed (0.1 m/s), the first of many equal values would stand for all.
EQUAL_SPEED = 0.01  # [1]
# Shorter touches of the brake are noise of the channel or a foot that rests.
TOUCH = 0.1  # [s]
# A habit needs two laps, whatever the share says.
LEAST_LAPS = 2

# Half of the least time around a point over which the grip in use is averaged: half a period of the motion's 2 Hz
# bandwidth in all, short enough to stay at the slowest point.
AROUND = 0.125  # [s]


@dataclass(frozen=True, eq=False)
class Marks:
    """Events of one trace as indices into it."""

    brake: np.ndarray  #: brake channel in use: [Pa], 0..1, or the tyres' deceleration [m/s²]
    brake_channel: str  #: brake_pressure, brake or deceleration
    slow: Span  #: driver's stretch within `EQUAL_SPEED` of the slowest speed before the exit
    braking: Span  #: driver's braking, from first touch to last release before the exit; of two that the limit
    #: keeps apart as well, the one that goes with `limit_braking`
    touches: tuple[Span, ...]  #: each touch of the brake
    limit_braking: Span  #: the limit profile's, the stretch that takes most speed off
    limit_spans: tuple[Span, ...]  #: all stretches of the limit's braking before its slowest point
    limit_slow: Span  #: the limit's stretch within `EQUAL_SPEED` of its slowest speed
    lift: int  #: first value off full throttle before the brake or the slowest point; 0 where there is none
    limit_slows: float  #: speed that the limit profile gives up in this zone [m/s]
    throttle: np.ndarray  #: without changes of gear, see `steady_throttle`; open all the way where it is not recorded

    def __post_init__(self) -> None:
        own(self, "brake", "throttle")

    @property
    def slowest(self) -> int:
        """The driver's slowest point before the exit: the middle of the slow stretch."""
        return _middle_of(self.slow)

    @property
    def limit_slowest(self) -> int:
        """The limit's slowest point: the middle of its slow stretch."""
        return _middle_of(self.limit_slow)

    @property
    def brakes(self) -> bool:
        """True where the driver brakes in this zone."""
        return self.braking[1] > self.braking[0]

    @property
    def limit_brakes(self) -> bool:
        """True where the limit profile brakes in this zone."""
        return self.limit_braking[1] > self.limit_braking[0]

    @property
    def peak(self) -> int:
        """Index of the brake's peak; the start of the braking where there is none."""
        start, stop = self.braking
        return start + int(np.argmax(self.brake[start:stop])) if stop > start else start


def mark(trace: CornerTrace, limits: Thresholds) -> Marks:
    """Find the events of one trace."""
    begin, corner_end = trace.at(0.0), max(trace.at(trace.mid_stop), trace.at(0.0) + 1)
    late_end = max(trace.at(trace.mid_stop + PAST_MID), corner_end)
    slow = slow_run(trace.v, begin, late_end)
    slowest = _middle_of(slow)
    limit_slow = slow_run(trace.limit_v, begin, corner_end)
    limit_slowest = _middle_of(limit_slow)
    limit_on = trace.limit_a_lon[begin : limit_slowest + 1] < -limits["limit_brakes_ms2"]
    signal, channel, level = _brake(trace, limits)
    limit_spans = [(a + begin, b + begin) for a, b in true_spans(limit_on)]
    limit_braking = _main_slowing(trace.limit_v, limit_spans)
    touches = _touches(trace, signal > level, begin, late_end)
    braking = _paired(touches, limit_spans, limit_braking)
    throttle = steady_throttle(trace, limits) if trace.has("throttle") else np.ones(trace.t.size)
    return Marks(
        brake=signal,
        brake_channel=channel,
        slow=slow,
        braking=braking,
        touches=tuple(touches),
        limit_braking=limit_braking,
        limit_spans=tuple(limit_spans),
        limit_slow=limit_slow,
        lift=_lift(throttle, braking[0] if braking[1] > braking[0] else slowest, limits),
        limit_slows=float(trace.limit_v[begin : limit_slowest + 1].max() - trace.limit_v[limit_slowest]),
        throttle=throttle,
    )


def slow_run(v: np.ndarray, begin: int, end: int) -> Span:
    """Range around the smallest of v[begin:end] that stays within `EQUAL_SPEED` of it."""
    low = begin + int(np.argmin(v[begin:end]))
    near = v[begin:end] <= (1.0 + EQUAL_SPEED) * v[low]
    return next((a + begin, b + begin) for a, b in true_spans(near) if a <= low - begin < b)


def _middle_of(span: Span) -> int:
    return (span[0] + span[1] - 1) // 2


def full_throttle_from(trace: CornerTrace, marks: Marks, limits: Thresholds) -> int | None:
    """First value of full throttle that lasts, from the driver's slowest point on or held through it.

    None where no throttle is recorded, full throttle is not reached before the trace ends, or was never left.
    """
    if not trace.has("throttle"):
        return None
    spans = true_spans(trace.channels["throttle"] >= limits["throttle_full_share"])
    behind = (span[0] for span in spans if span[1] > marks.slowest and lasts(trace, span) >= TOUCH)
    return next(behind, None) or None


def lasts(trace: CornerTrace, span: Span) -> float:
    """Time from the first to the last value of a span, one step included where the trace goes on [s]."""
    start, stop = span
    return float(trace.t[min(stop, trace.t.size - 1)] - trace.t[start]) if stop > start else 0.0


def covers(trace: CornerTrace, span: Span) -> float:
    """Way from the first to the last value of a span, counted as in `lasts` [m]."""
    start, stop = span
    return float(trace.along[min(stop, trace.along.size - 1)] - trace.along[start]) if stop > start else 0.0


def longest(trace: CornerTrace, mask: np.ndarray) -> Span:
    """The run of `mask` that takes most time; (0, 0) where it is never true."""
    return longest_of(trace, true_spans(mask))


def longest_of(trace: CornerTrace, spans: Sequence[Span]) -> Span:
    """The span that takes most time; (0, 0) where there is none."""
    return max(spans, key=lambda span: lasts(trace, span), default=(0, 0))


def grip_in(trace: CornerTrace, start: int, stop: int) -> float:
    """Mean grip in use from index `start` to `stop` (excluded), over `AROUND` either side of their middle at least."""
    middle = trace.t[(start + stop - 1) // 2]
    near = np.abs(trace.t - middle) <= AROUND
    near[start:stop] = True
    return float(trace.grip[near].mean())


def has_brake(trace: CornerTrace) -> bool:
    """True where pressure or pedal travel is recorded."""
    return trace.has("brake_pressure") or trace.has("brake")


def read_alike(traces: Sequence[CornerTrace]) -> tuple[bool, ...]:
    """Which laps' brake is read alike: those that hold a brake channel, or where one lap at most does the others.

    The deceleration that stands in for the channel comes later than the pressure, and in another unit.
    """
    held = tuple(has_brake(trace) for trace in traces)
    return held if sum(held) >= LEAST_LAPS else tuple(not each for each in held)


def brake_level(marks: Marks, limits: Thresholds) -> float:
    """Level of the brake channel in use from which on the brake counts as touched: [Pa], 0..1 or [m/s²]."""
    return _level(marks.brake_channel, limits)


def _level(channel: str, limits: Thresholds) -> float:
    if channel == "brake_pressure":
        return limits["brake_on_bar"] / PA_TO_BAR
    return limits["brake_on_share"] if channel == "brake" else limits["brake_on_ms2"]


def _brake(trace: CornerTrace, limits: Thresholds) -> tuple[np.ndarray, str, float]:
    """Brake signal, its name and the level at which the brake counts as on."""
    if trace.has("brake_pressure"):
        return trace.channels["brake_pressure"], "brake_pressure", _level("brake_pressure", limits)
    if trace.has("brake"):
        return trace.channels["brake"], "brake", _level("brake", limits)
    return -(trace.a_lon + G * np.sin(trace.grade)), "deceleration", _level("deceleration", limits)


def _touches(trace: CornerTrace, on: np.ndarray, begin: int, end: int) -> list[Span]:
    """Touches of the brake in [begin, end); one still held from the corner before is left out."""
    spans = [(a, min(b, end)) for a, b in true_spans(on) if a < end and b > begin]
    if len(spans) > 1 and spans[0][0] < begin:
        spans = spans[1:]
    return [(max(a, 0), b) for a, b in spans if lasts(trace, (a, b)) >= TOUCH]


def _paired(touches: list[Span], limit_spans: list[Span], main: Span) -> Span:
    """From the first to the last of the touches that go with the limit's stretch `main`; (0, 0) without a touch.

    Touches belong together unless the limit, too, is off the brake between them and on it before and after: in a
    corner with two apexes the brake is used twice.
    """
    if not touches:
        return (0, 0)
    groups = [touches[:1]]
    for before, after in pairwise(touches):
        apart = any(
            first[1] < after[0] and second[0] > before[1] and first[0] < before[1] and second[1] > after[0]
            for first, second in pairwise(limit_spans)
        )
        if apart:
            groups.append([after])
        else:
            groups[-1].append(after)
    spans = [(group[0][0], group[-1][1]) for group in groups]
    return max(spans, key=lambda span: (min(span[1], main[1]) - max(span[0], main[0]), span[1] - span[0]))


def _main_slowing(v: np.ndarray, spans: list[Span]) -> Span:
    """The span that takes most speed off: later ripples of a long corner are no braking."""
    return max(spans, key=lambda span: float(v[span[0]] - v[span[1] - 1]), default=(0, 0))


def _lift(throttle: np.ndarray, before: int, limits: Thresholds) -> int:
    """First value behind the last full throttle ahead of `before`; 0 where full throttle is not seen there."""
    full = np.flatnonzero(throttle[: before + 1] >= limits["throttle_full_share"])
    return int(full[-1]) + 1 if full.size and full[-1] < before else 0
