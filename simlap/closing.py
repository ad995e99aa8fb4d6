"""Closing the laps of a reckoned path: its course is bent until places one lap apart lie on each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from simlap.bridging import SHORTEST, Bridged, bridged
from simlap.motion_types import integrated
from simlap.spans import Span
from simlap.splines import lowpass
from simlap.turning import SLOW
from simlap.warp import lap_length_of, shift_between

SPACING = 2.0  # [m] of the curvature profile over distance
LEAST_LIKENESS = 0.6  # correlation of curvature one lap apart; below, no lap is recognised and nothing is closed
CORRECTION_KNOT = 10.0  # [s] the correction of the course is linear between these
GYRO_WALK = 0.002  # [rad/√s] standard deviation of the course's drift after one second: 0.9 degrees in a minute
LINE_SPREAD = 2.0  # [m] laps of one driver lie this far apart; paths are not pulled closer together than that
CLOSING_ROUNDS = 4
KINK_FREE = 0.05  # [Hz] the correction is smoothed to this
FIRST_KNOT = 1e3  # [1/rad] holds the first knot, which would turn the path as a whole
FAR_OFF = 20.0  # [m] pairs that miss each other by more count less
ALIKE = 10.0  # errors of one lap are alike over some 200 m: ten pairs carry the information of one
THINNED = 20.0  # [m] between the pairs that are fitted: their errors are alike over ten times that
CLOSING_STEP = 0.1  # [s] of the integrals there: a turn of 10 m/s² leaves its chord by 12 mm


@dataclass(frozen=True, eq=False)
class Closing:
    """What closing the laps did."""

    correction: np.ndarray  #: (n,) added to the course [rad]
    lap_length: float  #: odometer length of a lap, 0 when none was recognised [m]
    miss_before: float  #: median distance between places one lap apart, after the constant bias is out [m]
    miss_after: float  #: the same, after the slow correction [m]
    bias: float  #: constant part [rad/s]
    s: np.ndarray  #: (n,) distance, gaps crossed as the laps tell [m]
    jumps: np.ndarray  #: (3, n) what course [rad], x and y [m] gain in gaps
    bridged: tuple[Span, ...]  #: gaps behind which the path was found again

    @classmethod
    def none(cls, s: np.ndarray) -> Closing:
        """Of a log in which no lap is recognised; `s` (n,) its distance. [m]"""
        return cls(np.zeros(s.size), 0.0, 0.0, 0.0, 0.0, s, np.zeros((3, s.size)), ())


@dataclass(frozen=True, eq=False)
class Pairs:
    """Times at which the car was at one place on two laps that follow each other; all shape (m,)."""

    first: np.ndarray  #: [s]
    second: np.ndarray  #: [s]
    known: np.ndarray  #: neither lies in a gap
    thin: np.ndarray  #: those about `THINNED` apart


def close_laps(t: np.ndarray, s: np.ndarray, v: np.ndarray, rate: np.ndarray, gaps: Sequence[Span] = ()) -> Closing:
    """Slow correction of the course that brings places one lap apart onto each other.

    Parameters
    ----------
    t, s, v, rate : float64 arrays, shape (n,)
        Time [s], distance [m], speed [m/s], course rate [rad/s], uniform in time.
    gaps : half-open ranges of samples, in order
        In which speed or course rate are drawn, not known; distance, course and place jump there as the laps tell.

    Notes
    -----
    Laps are recognised by the curvature over distance, which has no drift. A constant bias makes the course change by a
    whole number of turns per lap; then a correction, linear between knots of `CORRECTION_KNOT` and walking at random by
    `GYRO_WALK`, is fitted by Gauss and Newton so that positions one lap apart agree to `LINE_SPREAD`.
    """
    if s[-1] < SHORTEST:
        return Closing.none(s)
    kappa = np.where(v > SLOW, rate / np.maximum(v, SLOW), 0.0)
    joined = bridged(s, kappa, gaps, SPACING) if gaps else None
    if joined is None:
        joined = Bridged(s, 0.0, ((0, s.size),), ())
    s = joined.s
    grid = np.arange(0.0, s[-1], SPACING)
    rising = np.concatenate([[True], np.diff(s) > 1e-6])
    at = np.interp(grid, s[rising], t[rising])
    profile = np.interp(at, t, kappa)
    length, likeness = joined.lap_length, 1.0
    if not length:
        length, likeness = lap_length_of(profile, SPACING)
    if likeness < LEAST_LIKENESS:
        return Closing.none(s)
    pairs = _pairs(grid, at, profile, length, [(t[a], t[b - 1]) for a, b in joined.pieces])
    return _closed(t, joined, v, integrated(rate, t[1] - t[0]), pairs, length)


def _pairs(
    grid: np.ndarray, at: np.ndarray, kappa: np.ndarray, length: float, known: Sequence[tuple[float, float]]
) -> Pairs:
    """Times one lap apart along the profile `kappa` (m,) over `grid` (m,) [m], whose cells are reached at `at` (m,)."""
    ahead = round(length / SPACING)
    here = np.arange(grid.size - ahead)
    seen = np.zeros(grid.size, dtype=bool)
    for start, stop in known:
        seen |= (at >= start) & (at <= stop)
    filled = kappa.copy()  # a gap looks like the laps beside it, so that it pulls at none of its surroundings
    for lost in np.flatnonzero(~seen):
        for other in (lost - ahead, lost + ahead):
            if 0 <= other < grid.size and seen[other]:
                filled[lost] = kappa[other]
                break
    shift = shift_between(filled[here], filled[ahead:], SPACING)
    second = grid[here] + length + shift
    both = seen[here] & (np.interp(second, grid, seen.astype(float)) == 1.0)
    thin = np.arange(here.size) % max(int(THINNED / SPACING), 1) == 0
    return Pairs(at[here], np.interp(second, grid, at), both, thin)


def _closed(t: np.ndarray, joined: Bridged, v: np.ndarray, course: np.ndarray, pairs: Pairs, length: float) -> Closing:
    """Bias, slow correction and jumps in the gaps that bring the two of each pair onto each other."""
    dt = t[1] - t[0]
    gaps = [(t[first - 1], t[stop]) for first, stop in joined.gaps]
    across = np.array([(pairs.first <= a) & (pairs.second >= b) for a, b in gaps]).reshape(len(gaps), pairs.first.size)
    inside = pairs.known & ~across.any(axis=0)
    turned = np.interp(pairs.second, t, course) - np.interp(pairs.first, t, course)
    whole = 2.0 * np.pi * np.round(np.median(turned[inside]) / (2.0 * np.pi))
    bias = float(np.median(((turned - whole) / (pairs.second - pairs.first))[inside]))
    count = max(int(np.ceil((t[-1] - t[0]) / CORRECTION_KNOT)) + 1, 3)
    knot_t = np.linspace(t[0], t[-1], count)
    knots = -bias * (knot_t - t[0])
    wanted = whole - (turned - bias * (pairs.second - pairs.first))
    jumps = np.zeros((3, len(gaps)))  # of course [rad], x and y [m]
    jumps[0] = np.angle(np.exp(1j * _first_guess(wanted[pairs.known], across[:, pairs.known])))
    fine, every = t, slice(0, None, max(round(CLOSING_STEP / dt), 1))
    t, v, course = t[every], v[every], course[every]
    dt = t[1] - t[0]
    hats = [_hat(knot_t, j, t) for j in range(count)]
    ramps = _ramps(gaps, t)
    kept = pairs.known & pairs.thin
    first, second = pairs.first[kept], pairs.second[kept]
    walk = np.diff(np.eye(count), axis=0) / (GYRO_WALK * np.sqrt(CORRECTION_KNOT))
    drift = np.full(count - 1, -bias * (knot_t[1] - knot_t[0]))
    free = np.zeros((count, 3 * len(gaps)))
    misses = []
    for number in range(CLOSING_ROUNDS + 1):
        corrected = course + np.interp(t, knot_t, knots) + jumps[0] @ ramps
        cos, sin = v * np.cos(corrected), v * np.sin(corrected)
        x, y = integrated(cos, dt), integrated(sin, dt)
        if number == 0:
            for row, z in ((1, x), (2, y)):
                jumps[row] = _first_guess(np.interp(first, t, z) - np.interp(second, t, z), across[:, kept])
        x, y = x + jumps[1] @ ramps, y + jumps[2] @ ramps
        miss = np.concatenate([np.interp(second, t, z) - np.interp(first, t, z) for z in (x, y)])
        size = np.hypot(*np.split(miss, 2))
        misses.append(float(np.median(size)))
        if number == CLOSING_ROUNDS:
            break
        moved = _moved_by(t, sin, cos, hats, ramps, first, second)
        weight = np.tile(1.0 / (LINE_SPREAD * np.sqrt(ALIKE) * np.sqrt(1.0 + (size / FAR_OFF) ** 2)), 2)
        prior = np.vstack([walk, np.eye(count)[:1] * FIRST_KNOT])
        matrix = np.vstack([moved * weight[:, None], np.hstack([prior, free])])
        right = np.concatenate([-miss * weight, drift / (GYRO_WALK * np.sqrt(CORRECTION_KNOT)) - walk @ knots, [0.0]])
        change = np.linalg.lstsq(matrix, right, rcond=None)[0]
        knots = knots + change[:count]
        jumps = jumps + change[count:].reshape(-1, 3).T
    step = fine[1] - fine[0]
    # the kinks of the linear pieces would show in the curvature
    correction = lowpass(np.interp(fine, knot_t, knots), step, KINK_FREE)
    return Closing(correction, length, misses[0], misses[-1], bias, joined.s, jumps @ _ramps(gaps, fine), joined.gaps)


def _moved_by(
    t: np.ndarray,
    sin: np.ndarray,
    cos: np.ndarray,
    hats: Sequence[tuple[slice, np.ndarray]],
    ramps: np.ndarray,
    first: np.ndarray,
    second: np.ndarray,
) -> np.ndarray:
    """How the misses of the pairs, x before y, change with each knot of the course and each jump in a gap.

    Parameters
    ----------
    t, sin, cos : float64 arrays, shape (n,)
        Time [s], and speed times sine and cosine of the course [m/s].
    hats, ramps : sequences
        What each knot adds to the course, as `_hat`; where each gap lies, as `_ramps`.
    first, second : float64 arrays, shape (m,)
        Times of the pairs. [s]

    Returns
    -------
    float64 array, shape (2 m, knots + 3 gaps)
        A column for each knot; for each gap one of the course, x and y.
    """
    dt = t[1] - t[0]
    columns = []
    for near, hat in hats:  # outside its support the integral stands still, as `np.interp` holds its ends
        moved = (integrated(-sin[near] * hat, dt), integrated(cos[near] * hat, dt))
        seconds = t[near]
        columns.append(np.concatenate([np.interp(second, seconds, z) - np.interp(first, seconds, z) for z in moved]))
    for ramp in ramps:
        turned_by = (integrated(-sin * ramp, dt), integrated(cos * ramp, dt))
        columns.append(np.concatenate([np.interp(second, t, z) - np.interp(first, t, z) for z in turned_by]))
        stepped = np.interp(second, t, ramp) - np.interp(first, t, ramp)
        columns += [np.concatenate([stepped, 0.0 * stepped]), np.concatenate([0.0 * stepped, stepped])]
    return np.array(columns).T


def _first_guess(wanted: np.ndarray, across: np.ndarray) -> np.ndarray:
    """Jump in each gap (k,) from what the pairs (m,) want; `across` (k, m) tells which pair spans which gap."""
    out = np.zeros(len(across))
    for k, spans in enumerate(across):
        here = spans & ~across[k + 1 :].any(axis=0)
        if here.any():
            out[k] = np.median((wanted - out @ across)[here])
    return out


def _ramps(gaps: Sequence[tuple[float, float]], t: np.ndarray) -> np.ndarray:
    """0 before each gap [s] and 1 behind it, shape (k, n)."""
    return np.array([np.interp(t, gap, (0.0, 1.0)) for gap in gaps]).reshape(len(gaps), t.size)


def _hat(knots: np.ndarray, number: int, t: np.ndarray) -> tuple[slice, np.ndarray]:
    """Where the linear hat of one knot is not zero, with a point to either side, and its values there."""
    low, high = knots[max(number - 1, 0)], knots[min(number + 1, knots.size - 1)]
    here = slice(max(int(np.searchsorted(t, low)) - 1, 0), int(np.searchsorted(t, high)) + 2)
    return here, np.interp(t[here], knots, np.eye(1, knots.size, number)[0])
