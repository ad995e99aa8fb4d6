"""Findings that need more than one lap or more than one corner: held-up laps, brake point spread, low brake peaks."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from simlap.habit_braking import light_braking_fits
from simlap.habit_marks import BRAKE_UNITS, Marks, longest
from simlap.habit_rules import Numbers, brake_number, brake_words
from simlap.habit_traces import CornerSheet, CornerTrace, phase_at
from simlap.thresholds import Thresholds

TRAFFIC, SPREAD, LOW_PEAK = "held up", "brake point spread", "low brake peak"
# Largest share of the laps that can be held up in one place; on more of them it is the driver's own way.
HELD_UP_MOST = 1.0 / 3.0
# Slower than this counts as giving up speed; a car that just rolls on a straight loses as much.
GIVES_UP = 0.5  # [m/s²]
# A lap that was slower than the others by this share in the corner itself brought its loss along onto the straight.
# Common practice, no source.
BROUGHT_ALONG = 0.05  # [1]
# A zone in which the limit's hardest braking is less than this share of that in the middle zone is braked in a turn.
STRAIGHT_BRAKING = 0.7  # [1]


@dataclass(frozen=True)
class Occurrence:
    """One occurrence on one lap."""

    lap: int
    phase: str
    station_m: float
    time_s: float
    numbers: Numbers


def occurrence(trace: CornerTrace, index: int, phase: str, numbers: Numbers) -> Occurrence:
    """An occurrence at one value of a trace."""
    return Occurrence(trace.lap, phase, trace.station(index), float(trace.t[index]), numbers)


def held_up(sheet: CornerSheet, limits: Thresholds) -> tuple[Occurrence, ...]:
    """Laps that gave up speed where the median lap gains it, on a straight, and lost time by it.

    The log does not show other cars: it shows that this lap was slowed where the same driver is not. One that was slow
    in the corner already, and goes on slowing behind it, was not held up there: that is what a mistake looks like.
    """
    whole = whole_traces(sheet.traces)
    if len(whole) < limits["traffic_laps"]:
        return ()
    begin = whole[0].at(0.0)
    took = np.array([trace.t[-1] - trace.t[begin] for trace in whole])
    v, a_lon = (np.median([getattr(trace, name) for trace in whole], axis=0) for name in ("v", "a_lon"))
    straight = np.median([np.abs(trace.a_lat) for trace in whole], axis=0) < limits["turning_ms2"]
    gains = straight & (a_lon > 0.0)
    gains[:begin] = False
    end = max(whole[0].at(whole[0].mid_stop), begin + 1)
    slowest = np.array([trace.v[begin:end].min() for trace in whole])
    slow_there = slowest < (1.0 - BROUGHT_ALONG) * np.median(slowest)
    found = []
    for trace, time, brings in zip(whole, took, slow_there, strict=True):
        span = longest(trace, gains & (trace.a_lon < -GIVES_UP))
        lost = float(time - np.median(took))
        slow = float(np.min(trace.v[gains] / v[gains], initial=1.0))
        if (
            span[1] > span[0]
            and not (brings and span[0] >= end)
            and lost > limits["traffic_lost_s"]
            and slow < 1.0 - limits["traffic_speed_share"]
        ):
            found.append(occurrence(trace, span[0], phase_at(trace, span[0]), {"lost_s": lost}))
    return tuple(found) if len(found) <= HELD_UP_MOST * len(whole) else ()


def whole_traces(traces: Sequence[CornerTrace]) -> tuple[CornerTrace, ...]:
    """Traces that share the longest row of stations; clipped ones are left out."""
    size = max((trace.along.size for trace in traces), default=0)
    return tuple(trace for trace in traces if trace.along.size == size)


def slower_laps(traces: Sequence[CornerTrace], laps: Collection[int]) -> float:
    """By how much the median of some laps is slower through the zone than that of the others [s].

    0 where one of them is no slower than the others' median, or a side has no whole trace.
    """
    whole = whole_traces(traces)
    took = {trace.lap: float(trace.t[-1] - trace.t[trace.at(0.0)]) for trace in whole}
    some, rest = [time for lap, time in took.items() if lap in laps], [t for lap, t in took.items() if lap not in laps]
    if not some or not rest or min(some) <= np.median(rest):
        return 0.0
    return float(np.median(some) - np.median(rest))


def brake_point_spread(
    traces: Sequence[CornerTrace], marks: Sequence[Marks], limits: Thresholds
) -> tuple[Occurrence, ...]:
    """Laps that brake far from the median brake point, where the laps' brake points are spread."""
    braked = [(trace, each.braking[0]) for trace, each in zip(traces, marks, strict=True) if each.brakes]
    if len(braked) < limits["spread_laps"]:
        return ()
    points = np.array([trace.along[index] for trace, index in braked])
    low, middle, high = np.quantile(points, [0.1, 0.5, 0.9])
    if high - low <= limits["spread_m"]:
        return ()
    numbers = {"spread_m": float(high - low), "earliest_m": float(points.min()), "latest_m": float(points.max())}
    far = np.abs(points - middle) > limits["spread_m"] / 3.0
    return tuple(
        occurrence(trace, index, "braking", numbers) for (trace, index), yes in zip(braked, far, strict=True) if yes
    )


def spread_words(x: Numbers) -> str:
    """The observation in words."""
    return (
        f"brake points spread over {x['spread_m']:.0f} m from lap to lap, the earliest "
        f"{x['latest_m'] - x['earliest_m']:.0f} m before the latest"
    )


def spread_advice(x: Numbers, limits: Thresholds, step_kmh: float) -> str:
    """What to do about it."""
    return "Choose one marker that can be seen, brake there on every lap, and move it only after that"


def low_peaks(
    sheets: Sequence[CornerSheet], marks: Sequence[Sequence[Marks]], limits: Thresholds
) -> tuple[tuple[Occurrence, ...], ...]:
    """For each sheet the laps whose brake peak lies clearly below the line through the peaks of the other zones.

    Each zone is a point: the energy per mass that the limit profile takes off, (v1² - v2²)/2, and the median peak
    of the laps. The line through the *other* zones is Theil and Sen's (median of the slopes; Sen 1968,
    doi:10.1080/01621459.1968.10480934), so that one weak zone does not tilt it; it never falls with the slowing
    asked for and never rises above the largest peak shown. No zone is judged that asks for less slowing than all
    others. Zones in which the limit itself brakes far less than elsewhere, because the car turns there, are no points
    of it, and none whose brake is read from another channel than in most.
    """
    points, hardest, read = {}, {}, {}
    for index, (sheet, marked) in enumerate(zip(sheets, marks, strict=True)):
        pairs = [pair for pair in zip(sheet.traces, marked, strict=True) if pair[1].brakes]
        if pairs and pairs[0][1].limit_brakes and pairs[0][1].limit_slows >= limits["peak_slows_ms"]:
            trace, first = pairs[0]
            top, slow = trace.limit_v[first.limit_braking[0]], trace.limit_v[first.limit_slowest]
            peak = float(np.median([each.brake[each.peak] for _, each in pairs]))
            points[index] = (float(top**2 - slow**2) / 2.0, peak)
            hardest[index] = -float(trace.limit_a_lon[slice(*first.limit_braking)].min())
            read[index] = first.brake_channel
    channels = list(read.values())
    common = max(sorted(set(channels)), key=channels.count, default="")
    points = {index: point for index, point in points.items() if read[index] == common}
    usual = float(np.median(list(hardest.values()))) if hardest else 0.0
    points = {index: point for index, point in points.items() if hardest[index] >= STRAIGHT_BRAKING * usual}
    found: list[tuple[Occurrence, ...]] = [()] * len(sheets)
    for index, (asked, _) in points.items():
        others = np.array([point for other, point in points.items() if other != index])
        if len(points) >= limits["peak_zones"] and asked >= others[:, 0].min():
            expected = _line_at(others[:, 0], others[:, 1], asked)
            found[index] = _below_line(sheets[index], marks[index], expected, limits)
    return tuple(found)


def _line_at(x: np.ndarray, y: np.ndarray, at: float) -> float:
    i, j = np.triu_indices(x.size, 1)
    apart = x[i] != x[j]
    slope = max(0.0, float(np.median((y[j] - y[i])[apart] / (x[j] - x[i])[apart]))) if apart.any() else 0.0
    return min(float(np.median(y - slope * x)) + slope * at, float(y.max()))


def _below_line(
    sheet: CornerSheet, marks: Sequence[Marks], expected: float, limits: Thresholds
) -> tuple[Occurrence, ...]:
    found = []
    for trace, each in zip(sheet.traces, marks, strict=True):
        if not each.brakes or light_braking_fits(trace, each, limits):
            continue
        peak = float(each.brake[each.peak])
        if peak < limits["peak_low_share"] * expected:
            numbers = {**brake_number("peak", each, peak), **brake_number("line", each, expected)}
            found.append(occurrence(trace, each.peak, "braking", numbers))
    return tuple(found)


def low_peak_words(x: Numbers) -> str:
    """The observation in words."""
    return (
        f"brake peak {brake_words(x, 'peak')}, where the driver's other braking zones and the slowing asked for here "
        f"suggest {brake_words(x, 'line')}"
    )


def low_peak_advice(x: Numbers, limits: Thresholds, step_kmh: float) -> str:
    """What to do about it."""
    unit = next(unit for unit, _ in BRAKE_UNITS.values() if f"peak_{unit}" in x)
    peak, line = x[f"peak_{unit}"], x[f"line_{unit}"]
    aim = min(line, peak + limits["advice_bar"]) if unit == "bar" else 0.5 * (peak + line)
    return f"Press harder at first, towards {brake_words({f'aim_{unit}': aim}, 'aim')}, before moving the brake point"


def held_up_words(x: Numbers) -> str:
    """The observation in words."""
    return (
        f"slowed on the straight where the other laps gain speed, as behind another car: {x['lost_s']:.1f} s lost, not "
        "charged to the driver"
    )
