"""Corners of a reference line, found from its curvature."""

from __future__ import annotations

import itertools
import math

import numpy as np

from simlap.line import Line
from simlap.track import Corner, Direction

# A turn begins where the curvature rises above LEAVE on its way to ENTER and ends where it falls below LEAVE again
# (hysteresis). At 1/500 1/m a car at 60 m/s feels 0.73 g, so every bend that can slow a fast car has more; half of
# it keeps the clothoids of a bend and leaves the wander of a driver on a straight out.
ENTER = 1.0 / 500.0  # [1/m]
LEAVE = 1.0 / 1000.0  # [1/m]

# Turns of less than this are no corners: a car that moves over by 3 m and back within 120 m, as on a straight, turns
# by 9 degrees and reaches 1/243 1/m. Smaller and such wander counts; larger and flat kinks are lost.
MIN_TURN = math.radians(12.0)  # [rad]

# Two peaks of one turn are two corners when the curvature between them falls below this share of the smaller peak.
# At 0.6 the speed at the same lateral acceleration rises by 29 % in between: the driver opens the steering.
SPLIT_SHARE = 0.6  # [1]

# Two corners of one direction part in the middle of the stretch where the curvature is below this multiple of the
# smallest one between them: on an arc the smallest is chance.
VALLEY_SHARE = 1.1  # [1]

# Standard deviation of the Gaussian that quietens the curvature before corners are looked for; well below the
# length of the shortest corner (a kart hairpin has about 25 m), well above the spacing of the stations.
SMOOTHING = 3.0  # [m]

# The apex is the middle of the stretch around the largest curvature where it stays above this share of it: on an
# arc, where the largest value is chance, that is the middle of the arc.
APEX_SHARE = 0.8  # [1]


def find_corners(line: Line) -> tuple[Corner, ...]:
    """Corners in driving order from the start line, named "1", "2", ...

    Parameters
    ----------
    line : Line
        Closed, uniform stations.

    Returns
    -------
    tuple of Corner
        Sorted by apex; empty when nothing turns by `MIN_TURN` and as sharply as `ENTER`. The places do not depend
        on where station 0 lies, and a mirrored line has the mirrored corners.

    Notes
    -----
    A line that turns the same way all round (a circle) is one corner of the whole lap, entry 0 and exit the last
    station.
    """
    spacing = line.length / line.kappa.size
    kappa = _quiet(line.kappa, spacing)
    found = []
    for sign, direction in ((1.0, "left"), (-1.0, "right")):
        for run in _runs(sign * kappa, spacing):
            found.append(_corner(sign * kappa, run, spacing, "left" if direction == "left" else "right"))
    found.sort(key=lambda corner: corner.apex_m)
    return tuple(
        Corner(str(number), c.direction, c.entry_m, c.apex_m, c.exit_m) for number, c in enumerate(found, start=1)
    )


def _quiet(kappa: np.ndarray, spacing: float) -> np.ndarray:
    """Periodic Gaussian smoothing, done on the spectrum."""
    wave = 2.0 * np.pi * np.fft.rfftfreq(kappa.size, spacing)
    return np.fft.irfft(np.fft.rfft(kappa) * np.exp(-0.5 * (wave * SMOOTHING) ** 2), kappa.size)


def _runs(kappa: np.ndarray, spacing: float) -> list[tuple[int, int]]:
    """Half-open index ranges of the turns to the positive side; the stop may exceed the size (wrap)."""
    n = kappa.size
    over = kappa > LEAVE
    if over.all():
        return [(0, n)] if kappa.max() > ENTER else []
    first = int(np.flatnonzero(~over)[0])  # start on a station outside any turn: no run is cut in two
    order = np.roll(over, -first)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], order, [False])).astype(np.int8)))
    runs = []
    for start, stop in zip(edges[::2] + first, edges[1::2] + first, strict=True):
        inside = kappa[np.arange(start, stop) % n]
        if inside.max() > ENTER and inside.sum() * spacing >= MIN_TURN:
            runs += [(start + a, start + b) for a, b in _split(inside, spacing)]
    return runs


def _split(inside: np.ndarray, spacing: float) -> list[tuple[int, int]]:
    """Cut one turn at its clear minima: half-open ranges that tile it."""
    rising = np.diff(inside) > 0.0
    valleys = np.flatnonzero(~rising[:-1] & rising[1:]) + 1
    bounds = [0, *valleys.tolist(), inside.size]
    while len(bounds) > 2:
        parts = [inside[a:b] for a, b in itertools.pairwise(bounds)]
        ratios = []
        for number, (left, right) in enumerate(itertools.pairwise(parts), start=1):
            small = min(left.sum(), right.sum()) * spacing < MIN_TURN
            ratios.append(math.inf if small else inside[bounds[number]] / min(left.max(), right.max()))
        worst = int(np.argmax(ratios))
        if ratios[worst] <= SPLIT_SHARE:
            break
        del bounds[worst + 1]
    inner = [_middle(inside <= VALLEY_SHARE * inside[bound], bound) for bound in bounds[1:-1]]
    return list(itertools.pairwise([0, *inner, inside.size]))


def _middle(where: np.ndarray, index: int) -> int:
    """Middle of the stretch around `index` where `where` holds."""
    before = int(np.argmin(np.append(where[: index + 1][::-1], False)))
    behind = int(np.argmin(np.append(where[index:], False)))
    return index + round(0.5 * (behind - before))


def _corner(kappa: np.ndarray, run: tuple[int, int], spacing: float, direction: Direction) -> Corner:
    """The corner of one index range of the (signed) curvature."""
    n = kappa.size
    start, stop = run
    index = np.arange(start, stop)
    inside = kappa[index % n]
    top = int(np.argmax(inside))
    high = inside >= APEX_SHARE * inside[top]
    low = top - int(np.argmin(np.append(high[: top + 1][::-1], False)))  # last index before the stretch
    up = top + int(np.argmin(np.append(high[top:], False)))  # first index behind it
    stretch = slice(low + 1, up)
    apex = float(np.average(index[stretch], weights=inside[stretch]))
    if stop - start == n:
        return Corner("", direction, 0.0, apex * spacing % (n * spacing), (n - 1) * spacing)
    length = n * spacing
    entry = _crossing(kappa, start - 1) if kappa[(start - 1) % n] <= LEAVE else float(start)
    leave = _crossing(kappa, stop - 1) if kappa[stop % n] <= LEAVE else float(stop)
    places = (float(place * spacing % length) for place in (entry, apex, leave))
    return Corner("", direction, *places)


def _crossing(kappa: np.ndarray, index: int) -> float:
    """Where, between `index` and the next one, the curvature crosses LEAVE. [stations]"""
    here, there = kappa[index % kappa.size], kappa[(index + 1) % kappa.size]
    return index + float((LEAVE - here) / (there - here))
