"""Places for labels beside a path so that they cover neither the path nor one another."""

from collections.abc import Sequence

import numpy as np

DIRECTIONS = 24  # tried around each point
DISTANCES = (1.0, 1.6, 2.4, 3.4, 4.6)  # tried distances, in units of the nearest one
# Costs of a place: covering another label is worst, then the path; a longer way from the point costs a little, so
# that the nearest free place wins; so does the other side of the point where one is asked for, on either side.
LABEL_COST, PATH_COST, DISTANCE_COST, SIDE_COST = 100.0, 3.0, 1.0, 2.0


# A circuit that is taller than this times its width is laid on its side: pages and screens are wider than high.
TALL = 1.25


def laid_down(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, bool]:
    """Points (n, 2) of a path [m], turned a quarter to the left where it is tall; and whether it was turned.

    North is up, or to the left where the path was turned.
    """
    if float(np.ptp(y)) > TALL * float(np.ptp(x)):
        return np.stack([-y, x], axis=1), True
    return np.stack([x, y], axis=1), False


def place_labels(
    points: np.ndarray,
    path: np.ndarray,
    sizes: Sequence[tuple[float, float]],
    nearest: float,
    towards: np.ndarray | None = None,
    half_widths: np.ndarray | float = 0.0,
) -> np.ndarray:
    """Centres of labels, one after the other on the best place left.

    Parameters
    ----------
    points : float64 array, shape (m, 2)
        What each label belongs to.
    path : float64 array, shape (n, 2)
        Points of the path, closer together than a label is high.
    sizes : m pairs
        Width and height of each label, in the same unit.
    nearest : float
        Least distance from the edge of a label to its point.
    towards : float64 array, shape (m, 2), optional
        Unit vectors from each point to the side where its label is best, such as the outside of a corner.
    half_widths : float64 array, shape (n,), or float
        Half the width that the path is drawn with at each of its points.

    Returns
    -------
    float64 array, shape (m, 2)
    """
    angles = 2 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    units = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    margin = 0.3 * nearest + np.broadcast_to(half_widths, len(path))[:, None]
    centres = np.empty((len(points), 2))
    halves = np.array(sizes, dtype=float).reshape(-1, 2) / 2
    for i, (point, half) in enumerate(zip(points, halves, strict=True)):
        # From the centre of a box to its edge along a direction.
        reach = 1.0 / np.maximum(np.abs(units) / half, 1e-12).max(axis=1)
        steps = np.array(DISTANCES)[:, None] * nearest + reach[None, :]
        tried = (point + steps[..., None] * units).reshape(-1, 2)
        cost = DISTANCE_COST * np.repeat(np.arange(len(DISTANCES)), DIRECTIONS)
        over_path = (np.abs(tried[:, None, :] - path[None, :, :]) < half + margin).all(axis=2).sum(axis=1)
        over_labels = (np.abs(tried[:, None, :] - centres[None, :i, :]) < half + halves[:i]).all(axis=2).sum(axis=1)
        over_points = (np.abs(tried[:, None, :] - points[None, :, :]) < half).all(axis=2).sum(axis=1)
        cost = cost + PATH_COST * np.minimum(over_path, 5) + LABEL_COST * over_labels + PATH_COST * over_points
        if towards is not None:
            cost = cost + SIDE_COST * np.tile(1.0 - units @ towards[i], len(DISTANCES))
        centres[i] = tried[int(np.argmin(cost))]
    return centres
