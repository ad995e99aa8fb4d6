"""Do a receiver's speed and course belong to its positions?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from simlap.noted import Kind, Note
from simlap.robust import deviation
from simlap.sensors import STEPS_SILENT, Fixes, Observation
from simlap.units import SPEED, UNITS

CHORD_S = 2.0  # [s] of driving compared at once: a chord is then 3 % shorter than a tight corner's arc, no more
LEAST_CHORD = 10.0  # [m]
GAP = 0.5 * CHORD_S  # [s] without a fix: a chord across it says nothing, nor does one that a channel is silent on
SPEED_MISS = 0.25  # rms difference of speed and chord over the rms chord; a speed in wrong units misses by 0.4 and more
SAME_RATIO = 0.02  # of a ratio of two units of speed: no two of them are nearer than 5 %
COURSE_MISS = 0.5  # [rad] median difference of course and chord
LEAST_CHORDS = 10
GENTLE = 0.3  # [rad] from a chord to its neighbours: an arc is then 0.4 % longer than its chord, which is made up for
# A receiver's own speed differs from its positions' by less than this, and so many standard errors.
OWN_SCALE, SURE = 0.005, 3.0  # share
HELD_AGAINST = 1.0  # [s] of driving compared at once: the positions' white noise is then small beside their wander
DIRECTION_S = 0.25  # [s] over which the path is smoothed for its direction: an error of 0.1 rad costs 0.5 % of the way
LEAST_INTERVALS = 60
LEAST_SPEED = 8.0  # [m/s]
# A delay, or a slip, is one from so much on, and so many standard errors: a demo's delay comes out to 1 ms.
LEAST_DELAY, SURE_OF_DELAY = 0.015, 5.0  # [s]
LEAST_SLIP = 0.0015  # [s²/m] tyres under power slip by 0.002 to 0.005 per m/s² (common practice, no source)
SLIPS_ALONE = 0.2  # [s] what slip passes for at racing speeds when no term of its own is fitted; a longer delay is one
ROUNDS, REWEIGHTED = 3, 10
LEAST_SPREAD = 1e-6  # of residuals that are all nought: far below what any receiver tells


def agreeing(fixes: Fixes, receiver: Mapping[str, Observation], notes: list[str]) -> dict[str, Observation]:
    """The channels that agree with the positions; the others are left out, and `notes` says so."""
    t, dx, dy, whole = _chords(fixes)
    chord = np.hypot(dx, dy)
    out = dict(receiver)
    if whole.sum() < LEAST_CHORDS:
        return out
    told = {name: whole & _told(seen.t, t, max(STEPS_SILENT / seen.rate, GAP)) for name, seen in receiver.items()}
    if "speed" in receiver and told["speed"].sum() >= LEAST_CHORDS:
        held = told["speed"]
        driven = CHORD_S * _mean(receiver["speed"].t, receiver["speed"].value, t)
        miss = float(np.sqrt(np.mean((driven - chord)[held] ** 2) / np.mean(chord[held] ** 2)))
        if miss > SPEED_MISS:
            ratio = float(np.sum(driven[held]) / np.sum(chord[held]))
            del out["speed"]
            notes.append(
                Note(
                    f"The logged speed does not agree with the positions (it reads {ratio:.3g} times their "
                    f"speed{_mistaken(ratio)}, rms difference {100 * miss:.3g} %): the channel is left out. Check its "
                    "unit, and that latitude and longitude are not swapped.",
                    Kind.CHANNEL_OUT,
                )
            )
    if "course" in receiver and told["course"].sum() >= LEAST_CHORDS:
        seen = receiver["course"]
        east, north = _mean(seen.t, np.cos(seen.value), t), _mean(seen.t, np.sin(seen.value), t)
        turn = np.angle((dx + 1j * dy) * np.conj(east + 1j * north))
        miss = float(np.median(np.abs(turn[told["course"]])))
        if miss > COURSE_MISS:
            del out["course"]
            notes.append(
                Note(
                    f"The logged course does not agree with the positions (median difference {np.degrees(miss):.0f} "
                    f"deg): the channel is left out. Latitude and longitude may be swapped.",
                    Kind.CHANNEL_OUT,
                )
            )
    return out


def _mistaken(ratio: float) -> str:
    """Which unit read as which other one makes a speed `ratio` times the driven one, in words; "" for none."""
    speeds = [unit for unit in UNITS if unit.quantity == SPEED]
    for own, read in permutations(speeds, 2):
        if abs(ratio * own.factor / read.factor - 1.0) < SAME_RATIO:
            return f", as {own.symbol} read as {read.symbol} would"
    return ""


def driven_and_chords(fixes: Fixes, speed: Observation) -> tuple[np.ndarray, np.ndarray]:
    """Ways by the speed and chords of the path over the same `CHORD_S` seconds, both (n,) [m]; empty where they are
    fewer than `LEAST_CHORDS`."""
    t, dx, dy, whole = _chords(fixes)
    whole &= _told(speed.t, t, max(STEPS_SILENT / speed.rate, GAP))
    driven = CHORD_S * _mean(speed.t, speed.value, t)
    whole &= driven > LEAST_CHORD
    if whole.sum() < LEAST_CHORDS:
        return np.zeros(0), np.zeros(0)
    return driven[whole], np.hypot(dx, dy)[whole]


@dataclass(frozen=True)
class Against:
    """A speed held against the positions of its log."""

    scale: float = 1.0  #: how many times the positions' speed it reads
    delay: float = 0.0  #: how far it lies behind the positions; 0 where nothing is sure [s]
    wheels: bool = False  #: it is no receiver's own: its scale differs, or it reads more the harder the car is driven
    wander: float = 0.0  #: variance that the positions gain against it in a second [m²/s]


def held_against(fixes: Fixes, speed: Observation, white: float) -> Against:
    """What a speed and the positions say of each other.

    Parameters
    ----------
    white : float
        Standard deviation of the positions' white noise. [m]

    Notes
    -----
    Over `HELD_AGAINST` seconds the mean speed is compared with the way that the positions make along the path's
    direction: mean speed = scale · way / time - delay · change of speed / time + slip · speed · change of speed / time,
    by least squares with weights that fall with the residual. A receiver's speed and positions agree to a part in a
    thousand, but may come at different times; tyres wear, and slip. What is left over is the positions' wander: its
    variance grows by the intensity in every second.
    """
    found = Against()
    for _ in range(ROUNDS):  # the change of speed is the late one's: a large delay shows in full once it is undone
        y, columns, seconds = _compared(fixes, speed.shifted(found.delay))
        if y.size < LEAST_INTERVALS:
            return found
        (_, _, slip), (_, _, slip_error), _ = _robust(y, columns)
        (scale, late), (error, late_error), spread = _robust(y, columns[:, :2])
        slips = slip > max(LEAST_SLIP, SURE_OF_DELAY * slip_error)
        if abs(scale - 1.0) > OWN_SCALE + SURE * error or (slips and found.delay == 0.0 and abs(late) < SLIPS_ALONE):
            return Against(scale, 0.0, True)
        wander = seconds * spread**2 - 2.0 * white**2 / seconds
        delay = found.delay - late
        if abs(delay) < max(LEAST_DELAY, SURE_OF_DELAY * late_error):
            return Against(scale, 0.0, False, max(wander, 0.0))
        found = Against(scale, delay, False, max(wander, 0.0))
    return found


def _compared(fixes: Fixes, speed: Observation) -> tuple[np.ndarray, np.ndarray, float]:
    """Mean speeds (n,), the columns that explain them (n, 3), and the time [s] of an interval."""
    from scipy.ndimage import gaussian_filter1d

    step = 1.0 / fixes.rate
    grid = min(step, DIRECTION_S)
    t = np.arange(fixes.t[0], fixes.t[-1], grid)
    path = np.interp(t, fixes.t, fixes.x) + 1j * np.interp(t, fixes.t, fixes.y)
    towards = np.gradient(gaussian_filter1d(path, DIRECTION_S / grid))
    middle = 0.5 * (fixes.t[1:] + fixes.t[:-1])
    course = np.interp(middle, t, np.unwrap(np.angle(towards)))
    turn = np.gradient(course)  # from fix to fix: an arc is longer than its chord
    way = (np.diff(fixes.x + 1j * fixes.y) * np.exp(-1j * course)).real * (1.0 + turn**2 / 24.0)
    driven = np.concatenate([[0.0], np.cumsum(way)])
    count = max(round(HELD_AGAINST / step), 1)
    ends = np.arange(0, fixes.t.size, count)
    edges = fixes.t[ends]
    seconds = np.diff(edges)
    there = np.diff(driven[ends]) / seconds
    change = np.diff(np.interp(edges, speed.t, speed.value)) / seconds
    steepest = np.maximum.reduceat(np.abs(turn), ends[:-1]) if ends.size > 1 else np.zeros(0)
    fit = (np.abs(seconds - count * step) < 0.5 * step) & (there > LEAST_SPEED) & (steepest < GENTLE)
    fit &= (edges[:-1] > speed.t[0]) & (edges[1:] < speed.t[-1])
    mean = _mean(speed.t, speed.value, edges)
    return mean[fit], np.column_stack([there, change, there * change])[fit], count * step


def _robust(y: np.ndarray, columns: np.ndarray) -> tuple[np.ndarray, np.ndarray, float]:
    """Coefficients, their standard errors and the spread of the residuals, wild ones weighing little."""
    weight = np.ones(y.size)
    for _ in range(REWEIGHTED):
        weighted = columns * weight[:, None]
        found = np.linalg.lstsq(weighted, y * weight, rcond=None)[0]
        residual = y - columns @ found
        spread = max(deviation(residual), LEAST_SPREAD)
        weight = 1.0 / np.hypot(1.0, residual / (SURE * spread))
    return found, spread * np.sqrt(np.diag(np.linalg.pinv(weighted.T @ weighted))), spread


def _chords(fixes: Fixes) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Edges in time (n + 1,), chords of the path between them east and north (n,), and which of them are driven
    without a gap."""
    t = np.arange(fixes.t[0], fixes.t[-1], CHORD_S)
    dx, dy = np.diff(np.interp(t, fixes.t, fixes.x)), np.diff(np.interp(t, fixes.t, fixes.y))
    return t, dx, dy, _told(fixes.t, t, GAP) & (np.hypot(dx, dy) > LEAST_CHORD)


def _told(t: np.ndarray, edges: np.ndarray, longest: float) -> np.ndarray:
    """Which intervals between `edges` lie within the times `t`, with no part of a step longer than `longest` [s]."""
    silent = np.flatnonzero(np.diff(t) > longest)
    begun = np.searchsorted(t[silent], edges[1:])
    over = np.searchsorted(t[silent + 1], edges[:-1], side="right")
    return (begun == over) & (edges[:-1] >= t[0]) & (edges[1:] <= t[-1])


def _mean(t: np.ndarray, value: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Mean of a signal over each interval between `edges`."""
    whole = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(t) * (value[1:] + value[:-1]))])
    return np.diff(np.interp(edges, t, whole)) / np.diff(edges)
