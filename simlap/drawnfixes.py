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
    if turns.mean() < 0.5 or np.median((jump / most)[turns]) > HARDLY:
        return None
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
