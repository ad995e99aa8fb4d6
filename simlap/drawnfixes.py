"""Positions between which a logger has drawn straight lines: 1 fix a second written as 10 or 50 rows.

Taken for fixes, those rows have the car drive polygons: no curvature but at their corners.
"""

import itertools

import numpy as np

# Speed jumps at a drawn line's corners and nowhere else. Rows are held against the largest jump within this time ...
AROUND = 2.0  # [s]
# ... and most of them hardly jump at all where lines were drawn; a receiver's noise or an even turn gives 0.3 to 1.
HARDLY, CORNER = 0.05, 0.3  # share of that
# Where the largest jump is smaller, the car drives straight on and says nothing.
TURNS = 0.2  # [m/s]
LEAST_ROWS = 200
# Rows per fix from which on it matters, and can be told.
FEWEST_ROWS = 4
# Rounded positions jump between all rows (1 cm at seven decimals of a degree: 0.4 m/s at 50 rows a second, where the
# corners of lines between fixes 0.1 s apart jump by 1 m/s). Those corners show by their clock alone: its line in the
# spectrum of the squared jumps stands out by so much (30 to 300 times where lines were drawn, up to 5 where not), and
# chords between its beats miss the rows by so much less than chords between the middles of its beats.
STANDS_OUT, MISSED = 12.0, 0.6
FOLDED = 30.0  # [s] folded at once: a logger's clock 300 ppm off the receiver's is 0.01 s off in it
SLOWEST, TRIED, FINER = 0.9, 5, 20  # [1/s], highest lines of the spectrum, steps to the next of its frequencies


def drawn_corners(t: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray | None:
    """Rows that hold the fixes of drawn lines, rising indices; None where no lines were drawn.

    Parameters
    ----------
    t, x, y : float64 arrays, shape (n,)
        Rows whose positions all differ from the row before; times rising. [s], [m]
    """
    if t.size < LEAST_ROWS:
        return None
    from scipy.ndimage import maximum_filter1d

    step = np.diff(t)
    vx, vy = np.diff(x) / step, np.diff(y) / step
    jump = np.zeros(t.size)
    jump[1:-1] = np.hypot(np.diff(vx), np.diff(vy))
    most = maximum_filter1d(jump, 2 * max(int(AROUND / np.median(step)), 1) + 1)
    turns = most > TURNS
    if turns.mean() < 0.5:
        return None
    if np.median((jump / most)[turns]) > HARDLY:
        return _on_a_clock(t, x, y, np.where(turns, jump / np.maximum(most, TURNS), 0.0))
    found = np.flatnonzero((jump > CORNER * most) & turns)
    if found.size < LEAST_ROWS // FEWEST_ROWS // 4:
        return None
    # a fix between two rows bends the line at both: the larger jump is nearer to it
    usual = float(np.median(np.diff(t[found])[np.diff(found) > 1]))
    if usual < (FEWEST_ROWS - 0.5) * float(np.median(step)):
        return None
    corners: list[int] = []
    for row in found.tolist():
        if corners and t[row] - t[corners[-1]] < 0.5 * usual:
            corners[-1] = max(corners[-1], row, key=lambda at: jump[at])
        else:
            corners.append(row)
    edges = t[np.array([0, *corners, t.size - 1])]
    even = [
        np.linspace(first, last, max(round((last - first) / usual), 1), endpoint=False)
        for first, last in itertools.pairwise(edges)
    ]
    return np.unique(np.searchsorted(t, np.concatenate([*even, edges[-1:]]) - 0.5 * float(np.median(step))))


def _on_a_clock(t: np.ndarray, x: np.ndarray, y: np.ndarray, jump: np.ndarray) -> np.ndarray | None:
    """Rows at the beats of an even clock, where the jumps (n,), as shares of the largest nearby, gather at them."""
    step = float(np.median(np.diff(t)))
    row = np.round((t - t[0]) / step).astype(int)
    energy = np.zeros(row[-1] + 1)
    energy[row] = jump**2
    folded = int(FOLDED / step)
    if energy.size < 2 * folded:
        return None
    parts = energy[: energy.size // folded * folded].reshape(-1, folded)
    rate, first = _clock_of(parts, step)
    if rate == 0.0:
        return None
    begin = FOLDED * np.arange(first.size)
    length = np.append(np.diff(begin), t[-1] - t[0] - begin[-1])
    beats = [
        start + at + np.arange(int((long - at) * rate) + 1) / rate
        for start, at, long in zip(begin, first, length, strict=True)
    ]
    beat = t[0] + np.concatenate(beats)
    beat = beat[np.append(True, np.diff(beat) > 0.5 / rate)]  # one on the edge of two parts
    found, between = (_nearest(t, times, step) for times in (beat, beat + 0.5 / rate))
    return found if _miss(t, x, y, found) < MISSED * _miss(t, x, y, between) else None


def _nearest(t: np.ndarray, times: np.ndarray, step: float) -> np.ndarray:
    """Rows nearest to `times`, none where there is a gap."""
    near = np.clip(np.searchsorted(t, times - 0.5 * step), 0, t.size - 1)
    return np.unique(near[np.abs(t[near] - times) <= step])


def _miss(t: np.ndarray, x: np.ndarray, y: np.ndarray, ends: np.ndarray) -> float:
    """Median distance of the rows from chords between the rows `ends` [m]."""
    off = np.hypot(x - np.interp(t, t[ends], x[ends]), y - np.interp(t, t[ends], y[ends]))
    return float(np.median(np.delete(off, ends)))


def _clock_of(parts: np.ndarray, step: float) -> tuple[float, np.ndarray]:
    """Beats a second, and how long after its start [s] each of the parts (k, n) of squared jumps has its first, of the
    clock at whose beats they gather most; 0 beats where there is none."""
    from scipy.signal import welch

    frequency, power = welch(parts.ravel(), 1.0 / step, nperseg=parts.shape[1])
    found = 0.0, np.zeros(parts.shape[0])
    slow = (frequency > SLOWEST) & (frequency < 1.0 / ((FEWEST_ROWS - 0.5) * step))
    if not slow.any():
        return found
    power = np.where(slow, power / np.median(power[slow]), 0.0)
    peaks = np.flatnonzero((power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:]) & (power[1:-1] > STANDS_OUT)) + 1
    clock = step * np.arange(parts.shape[1])
    highest = 1.0
    for peak in peaks[np.argsort(-power[peaks])[:TRIED]]:
        tried = frequency[peak] + frequency[1] * np.linspace(-1.0, 1.0, 2 * FINER + 1)
        lines = parts @ np.exp(-2j * np.pi * clock[:, None] * tried)
        best = int(np.argmax(np.sum(np.abs(lines) ** 2, axis=0)))
        period = 1.0 / tried[best]
        first = (-np.angle(lines[:, best]) / (2.0 * np.pi) * period) % period
        away = (clock - first[:, None] + 0.5 * period) % period - 0.5 * period
        beats = np.abs(away) <= step
        ratio = float(parts[beats].mean() / max(parts[~beats].mean(), np.finfo(float).tiny))
        if ratio > highest:
            highest, found = ratio, (float(tried[best]), first)
    return found
