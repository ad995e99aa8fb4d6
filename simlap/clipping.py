"""Readings that no car gives, and accelerometers whose range ends below what the car does."""

from dataclasses import replace

import numpy as np

from simlap.noted import Kind, Note
from simlap.sensors import JUMP_SPEED
from simlap.session import Session
from simlap.units import MS_TO_KMH, RAD_TO_DEG, G

WORDS = {"a_lat": "lateral acceleration", "a_lon": "longitudinal acceleration"}
# A reading that stays at its largest value is at the end of its range: at least so many rows there, and so many times
# those of the values just beside it. Of 24 logs of four kinds none in range had more than two rows at an end.
LEAST_ROWS, TIMES, BESIDE = 30, 10, 10
STRAYS = 5  # rows at most that read more than the end: error values within what a car does
# On more of the rows than this it is no end of a range: a car on a circle reads one value all the time.
MOST = 0.3  # [1]
AROUND = 0.5  # [s]
# What no car does, and how it is told: factor and unit. Race cars reach 6 g; a spinning one turns once a second (common
# practice, no source). On more of the rows than FEW it is a wrong unit, which is judged later.
MOST_READ = {
    "speed": (JUMP_SPEED, "Speeds", MS_TO_KMH, "km/h"),
    "wheel_speed": (JUMP_SPEED, "Wheel speeds", MS_TO_KMH, "km/h"),
    "yaw_rate": (10.0, "Yaw rates", RAD_TO_DEG, "deg/s"),
    "a_lat": (8.0 * G, "Lateral accelerations", 1.0 / G, "g"),
    "a_lon": (8.0 * G, "Longitudinal accelerations", 1.0 / G, "g"),
}
FEW = 0.01  # [1]


def without_wild(session: Session) -> tuple[Session, tuple[str, ...]]:
    """The session without single readings that no car gives (error values of a logger), and a note on each channel."""
    channels, notes = dict(session.channels), []
    for name, (most, words, factor, unit) in MOST_READ.items():
        if not session.has(name):
            continue
        values = session.channel(name)
        wild = np.abs(values) > most  # false where there is no value
        if 0 < wild.sum() <= FEW * np.isfinite(values).sum():
            channels[name] = np.where(wild, np.nan, values)
            notes.append(f"{words} of more than {factor * most:.0f} {unit} not used: {wild.sum()}.")
    return (replace(session, channels=channels) if notes else session), tuple(notes)


def without_clipped(session: Session) -> tuple[Session, tuple[str, ...]]:
    """The session without accelerations at the end of their sensor's range, and a note on each sensor."""
    channels, notes = dict(session.channels), []
    for name, words in WORDS.items():
        if not session.has(name):
            continue
        values = session.channel(name)
        at_end = np.zeros(values.size, dtype=bool)
        for sign in (1.0, -1.0):
            at_end |= _at_end(sign * values)
        if at_end.any():
            # Of a shaken reading at the edge of the range only the low ones would be left: its neighbours go, too.
            ends = session.t[at_end]
            after = np.searchsorted(ends, session.t)
            nearest = np.minimum(
                np.abs(session.t - ends[np.maximum(after - 1, 0)]),
                np.abs(session.t - ends[np.minimum(after, ends.size - 1)]),
            )
            channels[name] = np.where(nearest <= AROUND, np.nan, values)
            reached = float(np.median(np.abs(values[at_end]))) / G
            share = 100.0 * at_end.sum() / np.isfinite(values).sum()
            text = f"The {words} stops at {reached:.2f} g on {share:.1f} % of its rows: its range ends there, and what "
            notes.append(Note(text + "lies beyond is not known.", Kind.RANGE_ENDS))
    return (replace(session, channels=channels) if notes else session), tuple(notes)


def _at_end(values: np.ndarray) -> np.ndarray:
    """Rows (n,) at the end of the range, and the strays beyond it; none where the range does not end."""
    none = np.zeros(values.size, dtype=bool)
    levels, count = np.unique(values[np.isfinite(values)], return_counts=True)
    if levels.size <= BESIDE:
        return none
    beyond = np.cumsum(count[::-1])[::-1] - count
    top = np.flatnonzero(beyond <= STRAYS)
    last = int(top[np.argmax(count[top])])
    if last < BESIDE or count[last] < max(LEAST_ROWS, TIMES * float(np.median(count[last - BESIDE : last]))):
        return none
    return none if count[last] > MOST * count.sum() else values >= levels[last]
