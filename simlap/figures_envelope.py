"""The envelope in pictures: g-g diagrams per band of speed, and the g-g-v surface.

The g-g diagram as such is Milliken and Milliken (1995), Race Car Vehicle Dynamics, SAE (its chapter on
it, from memory).
"""

from itertools import pairwise
from typing import Any

import numpy as np

from simlap.envelope import Envelope
from simlap.envelope_samples import RoadSamples
from simlap.limits import edge_tested
from simlap.palette import BLACK, BLUE, ORANGE
from simlap.units import MS_TO_KMH, G

ROWS, COLUMNS = 2, 2  # panels of the g-g figure
# Points of an edge from full braking to full drive, per side.
EDGE_POINTS = 181
# Speeds of the surface's rings.
RINGS = 15
# Samples drawn at most in one panel; more only darken the same places.
MOST_SAMPLES = 4000
# An edge that no sample of the band comes so near to was not shown by these laps at this mix of the two accelerations.
NEAR = 0.25 * G  # [m/s²]
SEEN, UNSEEN = "solid: the laps show it at that speed", "dashed: carried on from other speeds"


def edge_of(envelope: Envelope, v: float) -> tuple[np.ndarray, np.ndarray]:
    """Closed edge (a_lat, a_lon) of the envelope at speed `v` on a flat road [m/s²], right turns to the right."""
    left, right = (float(envelope.lateral_limit(v, turn)) for turn in (1, -1))
    angle = np.linspace(0.0, np.pi, EDGE_POINTS)
    lateral = np.where(np.cos(angle) >= 0.0, right, left) * -np.cos(angle)
    braking = -envelope.braking_limit(v, lateral)
    drive = envelope.drive_limit(v, lateral)[::-1]
    return np.concatenate([lateral, lateral[::-1]]), np.concatenate([braking, drive])


def _near(x: np.ndarray, y: np.ndarray, lateral: np.ndarray, along: np.ndarray) -> np.ndarray:
    """Which points (n,) of an edge lie `NEAR` a sample x, y (m,). [m/s²]"""
    from scipy.spatial import cKDTree

    if x.size == 0:
        return np.zeros(lateral.size, dtype=bool)
    distance, _ = cKDTree(np.column_stack([x, y])).query(np.column_stack([lateral, along]))
    return np.asarray(distance <= NEAR)


def plot_gg(envelope: Envelope, ax: Any, *, band: tuple[float, float], samples: RoadSamples | None = None) -> list[Any]:
    """Draw one g-g diagram [g] for speeds in `band` [m/s] on `ax`; return the artists.

    Dots are the counted laps' samples with the road taken out; the edge is the envelope at the band's middle, dashed
    where no data reach that speed, or no dot comes near. Left turns are drawn to the left: the lateral axis is -a_lat.
    """
    low, high = band
    v = 0.5 * (low + high)
    artists: list[Any] = []
    if samples is not None:
        inside = (samples.speed2 >= low**2) & (samples.speed2 < high**2)
        x, y = -samples.lateral[inside] / G, samples.along[inside] / G
        step = max(1, x.size // MOST_SAMPLES)
        artists += ax.plot(x[::step], y[::step], ".", color=ORANGE, markersize=2, alpha=0.5, label="laps")
    lateral, along = edge_of(envelope, v)
    half = lateral.size // 2
    shown = edge_tested(envelope, v, lateral, along)
    if samples is not None:
        shown &= _near(samples.lateral[inside], samples.along[inside], lateral, along)
    for part, label, colour in (
        (slice(0, half), "limit, braking", BLUE),
        (slice(half, None), "limit, drive", BLACK),
    ):
        tested = shown[part]
        for mask, dashes, words in ((tested, "-", label), (~tested, "--", f"{label}, untested")):
            if mask.any():
                x, y = np.where(mask, -lateral[part] / G, np.nan), np.where(mask, along[part] / G, np.nan)
                artists += ax.plot(x, y, dashes, linewidth=1.8, label=words, color=colour)
    speeds = f"{low * MS_TO_KMH:.0f} to {high * MS_TO_KMH:.0f} km/h, limit at {v * MS_TO_KMH:.0f} km/h"
    ax.set_title(speeds, fontsize=9)
    ax.set_xlabel("lateral [g], left turns to the left")
    ax.set_ylabel("along the road [g]")
    ax.axhline(0.0, color="0.8", linewidth=0.6, zorder=0)
    ax.axvline(0.0, color="0.8", linewidth=0.6, zorder=0)
    ax.set_aspect("equal", adjustable="box")
    return artists


def plot_ggv(envelope: Envelope, ax: Any, *, speeds: tuple[float, float]) -> list[Any]:
    """Draw the g-g-v surface as rings between two `speeds` [m/s] on a 3-D `ax`; solid where the laps tested it.

    Returns one dashed ring a speed; what was tested of it lies over it.
    """
    from matplotlib import colormaps

    shade = colormaps["cividis"]
    artists: list[Any] = []
    for share in np.linspace(0.0, 1.0, RINGS):
        v = speeds[0] + share * (speeds[1] - speeds[0])
        lateral, along = edge_of(envelope, v)
        tested = edge_tested(envelope, v, lateral, along)
        height, colour = np.full(lateral.size, v * MS_TO_KMH), shade(0.85 * share)
        artists += ax.plot(-lateral / G, along / G, height, "--", color=colour, linewidth=0.9)
        ax.plot(np.where(tested, -lateral / G, np.nan), along / G, height, "-", color=colour, linewidth=2.0)
    ax.plot([], [], [], "-", color=BLACK, linewidth=2.0, label=SEEN)
    ax.plot([], [], [], "--", color=BLACK, linewidth=0.9, label=UNSEEN)
    ax.set_xlabel("lateral [g], left turns negative")
    ax.set_ylabel("along the road [g]")
    ax.set_zlabel("speed [km/h]")
    ax.tick_params(labelsize=7)
    return artists


def speed_bands(samples: RoadSamples) -> list[tuple[float, float]]:
    """Equal bands of speed [m/s] over the laps, one a panel."""
    v = np.sqrt(samples.speed2)
    edges = np.linspace(float(v.min()), float(v.max()), ROWS * COLUMNS + 1)
    return [(float(a), float(b)) for a, b in pairwise(edges)]


def gg_figure(envelope: Envelope, samples: RoadSamples) -> Any:
    """A figure with one g-g panel per band of speed."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 7.0), layout="constrained")
    found: dict[str, Any] = {}
    panels = figure.subplots(ROWS, COLUMNS, sharex=True, sharey=True).flat
    for ax, band in zip(panels, speed_bands(samples), strict=True):
        for artist in plot_gg(envelope, ax, band=band, samples=samples):
            found.setdefault(artist.get_label(), artist)
        ax.label_outer()
    figure.legend(list(found.values()), list(found), loc="outside lower center", ncols=3, fontsize=8)
    return figure


def ggv_figure(envelope: Envelope, samples: RoadSamples) -> Any:
    """A figure with the g-g-v surface over the speeds of the laps."""
    from matplotlib.figure import Figure

    v = np.sqrt(samples.speed2)
    figure = Figure(figsize=(7.0, 6.0), layout="constrained")
    ax = figure.add_subplot(projection="3d")
    plot_ggv(envelope, ax, speeds=(float(v.min()), float(v.max())))
    ax.set_box_aspect(None, zoom=0.95)
    figure.legend(loc="outside lower center", ncols=2, fontsize=8)
    return figure
