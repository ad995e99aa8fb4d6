"""Where a path crosses a start line, and a start line from the path alone."""

from __future__ import annotations

import numpy as np

from simlap.errors import NotEnoughData
from simlap.lap_types import CLOSED_ONLY, StartLine
from simlap.motion_types import Motion
from simlap.spans import true_spans
from simlap.turning import SLOW
from simlap.warp import lap_length_of, lap_lengths_of, shift_between

# Crossings between which the car does not get so far from the line are one: it stands there. Far below what the
# shortest lap takes, so that a shorter one is seen and refused, and two of them are not read as one.
AWAY_M, APART_S = 15.0, 4.0  # [m], [s]
APART = 0.5  # of a lap whose length is known: a line that a circuit's legs side by side cross twice counts once
FOUND_HALF_WIDTH = 15.0  # [m] of a start line that the path alone or a lap channel gives
# A start line that the path alone gives lies so far from other parts of the lap, where its straight allows it: at the
# crossing of a figure of eight both ways would cross it. Nearer along the lap than BESIDE is the straight itself.
CLEAR, BESIDE = FOUND_HALF_WIDTH + 5.0, 40.0  # [m], [m]
# What a path through positions does across a gap this long is invented: the car may have stopped, or been carried home.
INVENTED_S = 20.0  # [s]
STRAIGHT_KAPPA = 1.0 / 800.0  # [1/m] flatter than this is straight enough for a start line
RETURN_SHARE, RETURN = 0.02, 10.0  # share of the lap, [m]: how near the path comes to where it was a lap before
CANDIDATES = 6  # longest straights tried as place of the start line
SPACING = 2.0  # [m]


def crossings(motion: Motion, line: StartLine, lap_length: float = 0.0) -> np.ndarray:
    """Times [s] at which the path crosses the line in the direction of the majority, interpolated.

    Those less than half of `lap_length` [m] behind another are left out, and those in a long gap between positions.
    Linear between samples of 50 Hz: at 10 m/s² the path leaves its chord by 0.5 mm, 0.03 ms at 20 m/s.
    """
    ex, ey = line.x2 - line.x1, line.y2 - line.y1
    length = np.hypot(ex, ey)
    side = (ex * (motion.y - line.y1) - ey * (motion.x - line.x1)) / length
    along = (ex * (motion.x - line.x1) + ey * (motion.y - line.y1)) / length
    hit = np.flatnonzero((side[:-1] < 0.0) != (side[1:] < 0.0))
    share = side[hit] / (side[hit] - side[hit + 1])
    where = along[hit] + share * (along[hit + 1] - along[hit])
    inside = (where >= 0.0) & (where <= length)
    hit, share = hit[inside], share[inside]
    if hit.size == 0:
        return np.zeros(0)
    sense = np.where(side[hit + 1] > side[hit], 1, -1)
    majority = 1 if np.sum(sense) >= 0 else -1
    hit, share = hit[sense == majority], share[sense == majority]
    times = motion.t[hit] + share * (motion.t[hit + 1] - motion.t[hit])
    seen = ~_invented(motion, times)
    times = times[seen] if seen.sum() > 1 else times  # runs up a hill are told by what lies between them
    s = np.interp(times, motion.t, motion.s)
    keep: list[int] = []
    for i in range(times.size):
        if not keep or (
            times[i] - times[keep[-1]] > APART_S
            and s[i] - s[keep[-1]] > APART * lap_length
            and _furthest(motion, times[keep[-1]], times[i]) > AWAY_M
        ):
            keep.append(i)
    return times[keep]


def _invented(motion: Motion, times: np.ndarray) -> np.ndarray:
    """Which of the `times` (k,) lie in a gap between positions over which the path is a guess; none of a reckoned path,
    whose gaps are fitted to the circuit."""
    lost = np.zeros(times.size, dtype=bool)
    for first, stop in true_spans(~motion.valid) if motion.closes else ():
        start, end = motion.t[first], motion.t[stop - 1]
        if end - start > INVENTED_S:
            lost |= (times >= start) & (times <= end)
    return lost


def _furthest(motion: Motion, start: float, stop: float) -> float:
    """How far the car gets between two times from where it was at the first. [m]"""
    first, last = np.searchsorted(motion.t, (start, stop))
    x, y = motion.x[first:last], motion.y[first:last]
    return float(np.max(np.hypot(x - x[0], y - y[0]), initial=0.0))


def line_across(x: float, y: float, course: float, half_width: float = FOUND_HALF_WIDTH) -> StartLine:
    """Line across a path that runs in direction `course`, from its right edge to its left."""
    dx, dy = -half_width * np.sin(course), half_width * np.cos(course)
    return StartLine(x - dx, y - dy, x + dx, y + dy)


def lined_up(motion: Motion, times: np.ndarray) -> np.ndarray:
    """Crossings of a reckoned path, moved to where the curvature around them looks alike.

    Positions of a reckoned path are metres off, differently on each lap; its curvature over distance is not. Each
    crossing's surroundings, half a lap each way, are lined up with the mean of all.
    """
    s = np.interp(times, motion.t, motion.s)
    if s.size < 2:
        return times
    around = np.arange(-0.5, 0.5, SPACING / float(np.median(np.diff(s)))) * float(np.median(np.diff(s)))
    middle = around.size // 2
    rising = motion.s + 1e-9 * np.arange(motion.s.size)
    for _ in range(2):
        place = s[:, None] + around
        inside = (place > rising[0]) & (place < rising[-1])
        profiles = np.where(inside, np.interp(place, rising, motion.kappa), 0.0)
        mean = profiles.sum(axis=0) / np.maximum(inside.sum(axis=0), 1)
        moved = np.zeros(s.size)
        for k in range(s.size):
            there = np.flatnonzero(inside[k])
            shift = shift_between(mean[there], profiles[k, there], SPACING)
            moved[k] = np.interp(middle, there, shift)
        s = s + moved - moved.mean()
    return np.interp(s, rising, motion.t)


def _comes_back(x: np.ndarray, y: np.ndarray, length: float) -> bool:
    """Whether a path at every `SPACING` metres is mostly where it was `length` metres before.

    A circuit whose second half turns like its first one repeats its curvature after half a lap.
    """
    lag = round(length / SPACING)
    away = np.hypot(x[lag:] - x[:-lag], y[lag:] - y[:-lag])
    return bool(np.median(away) < RETURN_SHARE * length + RETURN)


def _clear_of_others(x: np.ndarray, y: np.ndarray, straight: np.ndarray, middle: int, length: float) -> int:
    """The place of a straight nearest its middle from which no other part of the lap lies within `CLEAR`; the middle
    where there is none. Places are indices of a path at every `SPACING` metres."""
    lap, beside = round(length / SPACING), round(BESIDE / SPACING)
    for place in straight[np.argsort(np.abs(straight - middle), kind="stable")].tolist():
        around = np.arange(max(place - lap, 0), min(place + lap, x.size))
        along = np.abs(around - place)
        others = around[(along > beside) & (along < lap - beside)]
        if others.size == 0 or np.min(np.hypot(x[others] - x[place], y[others] - y[place])) > CLEAR:
            return int(place)
    return int(middle)


def start_line_of_path(motion: Motion) -> tuple[StartLine, np.ndarray]:
    """Line across the middle of a long straight that is passed once a lap, and its crossings.

    Raises
    ------
    NotEnoughData
        When no place is passed twice at the distance after which the path repeats itself.
    """
    s = motion.s
    rising = np.concatenate([[True], np.diff(s) > 1e-6])
    grid = np.arange(0.0, s[-1], SPACING)
    t = np.interp(grid, s[rising], motion.t[rising])
    moves = motion.valid & (motion.v > SLOW)  # a car that is pushed into its place turns on the spot
    kappa = np.interp(t, motion.t, np.where(moves, motion.kappa, 0.0))
    if motion.closes:
        x, y = motion.at("x", t), motion.at("y", t)
        lengths, _ = lap_lengths_of(kappa, SPACING)
        length = float(next((one for one in lengths if _comes_back(x, y, one)), 0.0))
    else:
        length, _ = lap_length_of(kappa, SPACING)
    if length == 0.0:
        raise NotEnoughData(
            f"No lap repeats within the {s[-1]:.0f} m of this log. Two full laps are needed; give "
            f"--start-line LAT1,LON1,LAT2,LON2 if there are. {CLOSED_ONLY}"
        )
    straight = np.abs(kappa) < STRAIGHT_KAPPA
    starts, stops = np.array(true_spans(straight), dtype=int).reshape(-1, 2).T
    order = np.argsort(starts - stops, kind="stable")[: 5 * CANDIDATES]
    best: tuple[int, StartLine, np.ndarray] | None = None
    tried: list[StartLine] = []
    for i in order:
        place = (starts[i] + stops[i]) // 2
        if motion.closes:
            place = _clear_of_others(x, y, np.arange(starts[i], stops[i]), place, length)
        at = t[place]
        line = line_across(*(float(motion.at(n, np.array([at]))[0]) for n in ("x", "y", "course")))
        if any(np.hypot(line.middle[0] - o.middle[0], line.middle[1] - o.middle[1]) < 50.0 for o in tried):
            continue  # the same straight on another lap
        tried.append(line)
        times = crossings(motion, line, length)
        driven = np.diff(np.interp(times, motion.t, s))
        full = int(np.sum(np.abs(driven - length) < 0.1 * length))
        if full >= 1 and (best is None or full > best[0]):
            best = (full, line, times)
        if len(tried) == CANDIDATES:
            break
    if best is None:
        raise NotEnoughData(
            f"The path repeats itself every {length:.0f} m, but no straight of it is passed again after that way. Give "
            f"a start line with --start-line LAT1,LON1,LAT2,LON2 if it is a circuit. {CLOSED_ONLY}"
        )
    return best[1], best[2]
