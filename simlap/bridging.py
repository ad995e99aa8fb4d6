"""Gaps of a log without positions: the path behind one is laid over the laps before it by its curvature.

How far a car went in a gap, and how far it turned, nothing in the log tells. A circuit tells both, but for whole laps:
its curvature over distance is the same on each lap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from simlap.spans import Span
from simlap.warp import lap_length_of, smooth_over

WIDTH = 30.0  # [m] smoothing of the curvature that is compared, as where a lap's length is looked for
SHORTEST = 350.0  # [m] two of the shortest laps and a little: a shorter piece holds no two laps
LEAST_PROBE = 0.5  # laps that must lie behind a gap: a few corners look like a few others, half a circuit does not
LEAST_LIKENESS = 0.6  # correlation of curvature behind a gap with the laps before it; one lap apart as much is asked


@dataclass(frozen=True, eq=False)
class Bridged:
    """A log's distance with the ways through its gaps set so that laps repeat over it."""

    s: np.ndarray  #: (n,) distance; its part in a gap is right but for whole laps [m]
    lap_length: float  #: [m]
    pieces: tuple[Span, ...]  #: samples between gaps that lie on one circuit, in order
    gaps: tuple[Span, ...]  #: between these


def bridged(s: np.ndarray, kappa: np.ndarray, gaps: Sequence[Span], spacing: float) -> Bridged | None:
    """Find each gap's way; None where the longest piece between gaps shows no lap.

    Parameters
    ----------
    s, kappa : float64 arrays, shape (n,)
        Distance that was driven [m], rising, and curvature [1/m].
    gaps : half-open ranges of samples, in order
        Where either is drawn, not known.
    spacing : float
        Of the profiles over distance. [m]
    """
    edges = [0, *(edge for gap in gaps for edge in gap), s.size]
    pieces = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]
    if not pieces:
        return None
    base = max(range(len(pieces)), key=lambda k: s[pieces[k][1] - 1] - s[pieces[k][0]])
    if s[pieces[base][1] - 1] - s[pieces[base][0]] < SHORTEST:
        return None
    length, likeness = lap_length_of(_profile(s, kappa, pieces[base], spacing), spacing)
    if likeness < LEAST_LIKENESS:
        return None
    cells = round(length / spacing)
    spacing = length / cells  # a lap is a whole number of cells
    drawn = np.full(cells, np.nan)  # curvature of one lap, the piece last placed on top
    placed = {}  # metres from the start of the base's lap to the start of each piece
    for k in (*range(base, len(pieces)), *range(base - 1, -1, -1)):
        seen = _profile(s, kappa, pieces[k], spacing)
        cell = 0 if k == base else _place_on(drawn, seen, spacing)
        if cell is not None:
            placed[k] = cell * spacing
            drawn[(cell + np.arange(seen.size)) % cells] = seen
    found = [pieces[k] for k in sorted(placed)]
    between = tuple((one[1], other[0]) for one, other in pairwise(found))
    return Bridged(_set(s, found, [placed[k] for k in sorted(placed)], length), length, tuple(found), between)


def _set(s: np.ndarray, pieces: list[Span], places: list[float], length: float) -> np.ndarray:
    """Distance whose pieces begin at `places` but for whole laps, less than a lap after the piece before each."""
    out = s.copy()
    for k in range(1, len(pieces)):
        (first, last), (before, _) = (pieces[k - 1][1], pieces[k][0]), pieces[k - 1]
        arrived = places[k - 1] + s[first - 1] - s[before]
        arrive = out[first - 1] + (places[k] - arrived) % length
        out[last:] = s[last:] + arrive - s[last]
        out[first:last] = np.interp(np.arange(first, last), [first - 1, last], [out[first - 1], arrive])
    return out


def _profile(s: np.ndarray, kappa: np.ndarray, piece: Span, spacing: float) -> np.ndarray:
    """Curvature at even distances of one piece."""
    s, kappa = s[slice(*piece)], kappa[slice(*piece)]
    rising = np.concatenate([[True], np.diff(s) > 1e-6])
    return np.interp(np.arange(s[0], s[-1], spacing), s[rising], kappa[rising])


def _place_on(drawn: np.ndarray, seen: np.ndarray, spacing: float) -> int | None:
    """Cell of the lap `drawn` (NaN where nobody was) at which the piece `seen` begins; None where it is not alike."""
    cells = drawn.size
    if seen.size < LEAST_PROBE * cells:
        return None
    known = np.isfinite(drawn)
    lap = smooth_over(np.where(known, drawn, 0.0), spacing, WIDTH, periodic=True) * known
    probe = smooth_over(seen, spacing, WIDTH)[:cells]
    turned = np.zeros(cells)
    there = np.zeros(cells)
    turned[: probe.size], there[: probe.size] = probe, 1.0

    def over(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        """Sum of a[i + k] b[i] over i, for each k, both periodic."""
        return np.fft.irfft(np.fft.rfft(a) * np.conj(np.fft.rfft(b)), cells)

    shared = over(known.astype(float), there) >= LEAST_PROBE * cells - 0.5
    energy = over(lap * lap, there) * over(known.astype(float), turned * turned)
    score = np.where(shared, over(lap, turned) / np.sqrt(np.maximum(energy, 1e-30)), -1.0)
    best = int(np.argmax(score))
    return best if score[best] >= LEAST_LIKENESS else None
