"""Map of a circuit: line, edges, start line, driving direction, corners, elevation."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from simlap.errors import OptionError
from simlap.figures_lap import printable
from simlap.files import write_bytes
from simlap.projection import Curve

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simlap.track import Track

SUFFIXES = ("png", "svg", "pdf")
ROAD = "0.82"
INK = "0.15"
MARK = "#b3261e"  # start line and driving direction
LABEL_AWAY = 12.0  # [points] from a corner's apex to its number
ARROW_FROM, ARROW_TO = 0.012, 0.045  # driving direction, shares of the lap behind the start line
TITLE_LENGTH = 60  # characters of a circuit's name
STRIP_ROOM = 0.25  # above and below the elevation, share of its range


def plot_map(track: Track, ax: Axes) -> None:
    """Draw the circuit on `ax`, metres east and north of its origin; corner numbers stand on the outside."""
    curve = Curve(track.line)
    around = np.append(curve.station, curve.length)
    x, y = curve.at(around).T
    if track.width_left is not None and track.width_right is not None:
        normal = curve.normal(around)
        left = curve.at(around) + np.append(track.width_left, track.width_left[0])[:, None] * normal
        right = curve.at(around) - np.append(track.width_right, track.width_right[0])[:, None] * normal
        for k in range(len(around) - 1):  # piece by piece, so that a crossing is not filled
            quad = np.array([left[k], left[k + 1], right[k + 1], right[k]])
            ax.fill(quad[:, 0], quad[:, 1], color=ROAD, linewidth=0.3, zorder=1)
    else:
        ax.plot(x, y, color=ROAD, linewidth=6, zorder=1, solid_capstyle="round")
    ax.plot(x, y, color=INK, linewidth=1.2, zorder=3)
    for corner in track.corners:
        at = np.array([corner.apex_m])
        place = curve.at(at)[0]
        outside = -1.0 if corner.direction == "left" else 1.0
        ax.plot(*place, marker="o", markersize=3.5, color=INK, zorder=4)
        ax.annotate(
            printable(corner.name),
            (float(place[0]), float(place[1])),
            xytext=tuple(outside * LABEL_AWAY * curve.normal(at)[0]),
            textcoords="offset points",
            ha="center",
            va="center",
            parse_math=False,
            zorder=5,
            fontsize=10,
        )
    (x1, y1), (x2, y2) = track.start_line
    ax.plot([x1, x2], [y1, y2], color=MARK, linewidth=2.5, zorder=6)
    tail, head = curve.at(np.array([ARROW_FROM, ARROW_TO]) * curve.length)
    ax.annotate("", xy=head, xytext=tail, arrowprops={"arrowstyle": "-|>", "color": MARK, "linewidth": 2}, zorder=6)
    ax.set_aspect("equal")
    ax.margins(0.09)
    ax.set(xlabel="east [m]", ylabel="north [m]")
    ax.set_title(
        f"{printable(track.name, TITLE_LENGTH)}: {track.length:.0f} m, {len(track.corners)} corners", parse_math=False
    )


def plot_elevation(track: Track, ax: Axes) -> None:
    """Draw the elevation along the lap on `ax`, with the corners' apexes marked."""
    station = np.append(track.line.station, track.length)
    z = np.append(track.line.z, track.line.z[0])
    ax.plot(station, z, color=INK, linewidth=1.4)
    room = STRIP_ROOM * max(float(np.ptp(z)), 1.0)
    ax.fill_between(station, z, z.min() - room, color=ROAD)
    ax.set_ylim(float(z.min()) - room, float(z.max()) + room)
    for corner in track.corners:
        height = float(np.interp(corner.apex_m, station, z))
        ax.plot(corner.apex_m, height, marker="o", markersize=3.5, color=INK)
        ax.annotate(
            printable(corner.name),
            (corner.apex_m, height),
            xytext=(0, 5),
            textcoords="offset points",
            ha="center",
            fontsize=9,
            parse_math=False,
        )
    ax.set_xlim(0.0, track.length)
    ax.set(xlabel="distance from the start line [m]", ylabel="elevation [m]")


def track_figure(track: Track) -> Figure:
    """A figure with the map and, where it is known, the elevation below it."""
    from matplotlib.figure import Figure

    if not track.has_elevation:
        figure = Figure(figsize=(9, 8), layout="constrained")
        plot_map(track, figure.subplots())
        return figure
    figure = Figure(figsize=(9, 9.5), layout="constrained")
    top, bottom = figure.subplots(2, 1, height_ratios=(4, 1))
    plot_map(track, top)
    plot_elevation(track, bottom)
    return figure


def write_track_figure(track: Track, path: str | os.PathLike[str]) -> Path:
    """Draw `track_figure` into a PNG, SVG or PDF file, by the ending of `path`.

    Raises
    ------
    OptionError
        When the ending is another one, or the file cannot be written.
    """
    kind = Path(path).suffix.lstrip(".").lower()
    if kind not in SUFFIXES:
        raise OptionError(f"{path}: pictures end in {', '.join('.' + s for s in SUFFIXES)}. Choose one of them.")
    data = io.BytesIO()
    track_figure(track).savefig(data, format=kind, dpi=130)
    return write_bytes(path, data.getvalue())
