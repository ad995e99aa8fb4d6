"""Do a receiver's speed and course belong to its positions?"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from simlap.motion_types import CHANNEL_OUT
from simlap.sensors import Fixes, Observation

CHORD_S = 2.0  # [s] of driving compared at once: a chord is then 3 % shorter than a tight corner's arc, no more
LEAST_CHORD = 10.0  # [m]
SPEED_MISS = 0.25  # rms difference of speed and chord over the rms chord; a speed in wrong units misses by 0.4 and more
COURSE_MISS = 0.5  # [rad] median difference of course and chord
LEAST_CHORDS = 10
GENTLE = 0.3  # [rad] from a chord to its neighbours: an arc is then 0.4 % longer than its chord, which is made up for
# A receiver's own speed differs from its positions' by less than this, and so many standard errors.
OWN_SCALE, SURE = 0.005, 3.0  # share


def agreeing(fixes: Fixes, receiver: Mapping[str, Observation], notes: list[str]) -> dict[str, Observation]:
    """The channels that agree with the positions; the others are left out, and `notes` says so."""
    t, dx, dy, whole = _chords(fixes)
    chord = np.hypot(dx, dy)
    out = dict(receiver)
    if whole.sum() < LEAST_CHORDS:
        return out
    if "speed" in receiver:
        driven = CHORD_S * _mean(receiver["speed"].t, receiver["speed"].value, t)
        miss = float(np.sqrt(np.mean((driven - chord)[whole] ** 2) / np.mean(chord[whole] ** 2)))
        if miss > SPEED_MISS:
            ratio = float(np.sum(driven[whole]) / np.sum(chord[whole]))
            del out["speed"]
            notes.append(
                f"The logged speed does not agree with the positions (it reads {ratio:.2f} times their speed, "
                f"rms difference {100 * miss:.0f} %): {CHANNEL_OUT} Check its unit, and "
                "that latitude and longitude are not swapped."
            )
    if "course" in receiver:
        seen = receiver["course"]
        east, north = _mean(seen.t, np.cos(seen.value), t), _mean(seen.t, np.sin(seen.value), t)
        turn = np.angle((dx + 1j * dy) * np.conj(east + 1j * north))
        miss = float(np.median(np.abs(turn[whole])))
        if miss > COURSE_MISS:
            del out["course"]
            notes.append(
                f"The logged course does not agree with the positions (median difference {np.degrees(miss):.0f} deg): "
                f"{CHANNEL_OUT} Latitude and longitude may be swapped."
            )
    return out


def scale_against(fixes: Fixes, speed: Observation) -> float:
    """How many times the positions' speed a speed reads, but in tight bends; 1 where it may be the receiver's own.

    A receiver's speed and positions agree to a part in a thousand. A speed that does not is one of the wheels, whatever
    its name: tyres wear, and a logger's figure for their girth is a guess.
    """
    t, dx, dy, whole = _chords(fixes)
    turn = np.abs(np.angle((dx + 1j * dy) * np.conj(np.roll(dx + 1j * dy, 1))))  # from the chord before
    bend = np.maximum(turn, np.roll(turn, -1))
    gentle = whole & np.roll(whole, 1) & np.roll(whole, -1) & (bend < GENTLE)
    if gentle.sum() < LEAST_CHORDS:
        return 1.0
    arc = np.hypot(dx, dy) * (1.0 + (0.5 * (turn + np.roll(turn, -1))) ** 2 / 24.0)
    ratio = CHORD_S * _mean(speed.t, speed.value, t)[gentle] / arc[gentle]
    middle = float(np.median(ratio))
    error = 1.25 * 1.4826 * float(np.median(np.abs(ratio - middle))) / np.sqrt(ratio.size)  # of a median
    return middle if abs(middle - 1.0) > OWN_SCALE + SURE * error else 1.0


def _chords(fixes: Fixes) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Edges in time (n + 1,), chords of the path between them east and north (n,), and which of them are driven
    without a gap."""
    t = np.arange(fixes.t[0], fixes.t[-1], CHORD_S)
    dx, dy = np.diff(np.interp(t, fixes.t, fixes.x)), np.diff(np.interp(t, fixes.t, fixes.y))
    gaps = fixes.t[np.flatnonzero(np.diff(fixes.t) > 0.5 * CHORD_S)]  # chords across gaps say nothing
    whole = np.histogram(gaps, bins=t)[0] == 0 if t.size > 1 else np.zeros(0, dtype=bool)
    return t, dx, dy, whole & (np.hypot(dx, dy) > LEAST_CHORD)


def _mean(t: np.ndarray, value: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Mean of a signal over each interval between `edges`."""
    whole = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(t) * (value[1:] + value[:-1]))])
    return np.diff(np.interp(edges, t, whole)) / np.diff(edges)
