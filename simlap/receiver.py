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


def agreeing(fixes: Fixes, receiver: Mapping[str, Observation], notes: list[str]) -> dict[str, Observation]:
    """The channels that agree with the positions; the others are left out, and `notes` says so."""
    t = np.arange(fixes.t[0], fixes.t[-1], CHORD_S)
    x, y = np.interp(t, fixes.t, fixes.x), np.interp(t, fixes.t, fixes.y)
    dx, dy = np.diff(x), np.diff(y)
    chord = np.hypot(dx, dy)
    gaps = fixes.t[np.flatnonzero(np.diff(fixes.t) > 0.5 * CHORD_S)]  # chords across gaps say nothing
    whole = np.histogram(gaps, bins=t)[0] == 0 if t.size > 1 else np.zeros(0, dtype=bool)
    whole = whole & (chord > LEAST_CHORD)
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


def _mean(t: np.ndarray, value: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Mean of a signal over each interval between `edges`."""
    whole = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(t) * (value[1:] + value[:-1]))])
    return np.diff(np.interp(edges, t, whole)) / np.diff(edges)
