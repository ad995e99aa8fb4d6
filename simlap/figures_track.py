"""Map of a circuit: line, edges, start line, driving direction, corners, elevation."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from simlap.figures_lap import STRIP_NAME, UPRIGHT_NAME, letters, printable
from simlap.figures_save import image
from simlap.files import picture_kind, write_bytes
from simlap.labels import place_labels
from simlap.projection import Curve

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simlap.track import Track

ROAD = "0.82"
INK = "0.15"
MARK = "#b3261e"  # start line and driving direction
LABEL_AWAY = 7.0  # [points] from a corner's apex to the edge of its name
FAR = 2.0  # times that: a name further off gets a line to its apex
LETTER, LETTER_HEIGHT = 6.6, 12.0  # [points] width of a letter and height of a line at 10 points
EDGE = 10.0  # [points] from names and road to the frame
ROOM = 1.15  # names beside the road make the map larger than the road by about so much
WIDTH, FRAME, STRIP = 9.0, 0.95, 1.9  # [inch] the figure, what stands around the map, the elevation strip
LOWEST, HIGHEST = 2.5, 7.0  # [inch] the map
ARROW_FROM, ARROW_TO = 0.012, 0.045  # driving direction, shares of the lap behind the start line
TITLE_LENGTH = 60  # characters of a circuit's name
STRIP_ROOM = 0.25  # above and below the elevation, share of its range
ASLANT_ROOM = 2.5  # names that stand aslant over the elevation need more room
PAGE_DPI = 130  # of a PNG: the whole figure on a screen
TOLD_STRETCH = 1.5  # heights drawn this much larger than lengths are told of


def plot_map(track: Track, ax: Axes) -> None:
    """Draw the circuit on `ax`, metres east and north of its origin.

    Corners are named on their outside where there is room, and elsewhere beside the road, with a thin line to the apex.
    """
    curve = Curve(track.line)
    around = np.append(curve.station, curve.length)
    x, y = curve.at(around).T
    drawn = [curve.at(around), np.array(track.start_line)]
    if track.width_left is not None and track.width_right is not None:
        normal = curve.normal(around)
        left = curve.at(around) + np.append(track.width_left, track.width_left[0])[:, None] * normal
        right = curve.at(around) - np.append(track.width_right, track.width_right[0])[:, None] * normal
        drawn += [left, right]
        for k in range(len(around) - 1):  # piece by piece, so that a crossing is not filled
            quad = np.array([left[k], left[k + 1], right[k + 1], right[k]])
            # pieces along an axis would be snapped to whole pixels, each to others
            ax.fill(quad[:, 0], quad[:, 1], color=ROAD, linewidth=0.3, zorder=1, snap=False)
    else:
        ax.plot(x, y, color=ROAD, linewidth=6, zorder=1, solid_capstyle="round")
    ax.plot(x, y, color=INK, linewidth=1.2, zorder=3)
    _name_corners(track, curve, np.concatenate(drawn), ax)
    (x1, y1), (x2, y2) = track.start_line
    ax.plot([x1, x2], [y1, y2], color=MARK, linewidth=2.5, zorder=6)
    tail, head = curve.at(np.array([ARROW_FROM, ARROW_TO]) * curve.length)
    ax.annotate("", xy=head, xytext=tail, arrowprops={"arrowstyle": "-|>", "color": MARK, "linewidth": 2}, zorder=6)
    ax.set_aspect("equal")
    ax.set(xlabel="east [m]", ylabel="north [m]")
    ax.set_title(
        f"{printable(track.name, TITLE_LENGTH)}: {track.length:.0f} m, {len(track.corners)} corners", parse_math=False
    )


def _name_corners(track: Track, curve: Curve, drawn: np.ndarray, ax: Axes) -> None:
    """Write the corners' names beside what is `drawn` (n, 2) [m], and set the limits of `ax` around both."""
    box, to_points = ax.get_window_extent(), 72.0 / ax.figure.dpi
    width, height = box.width * to_points, box.height * to_points
    unit = float(max(np.ptp(drawn[:, 0]) / width, np.ptp(drawn[:, 1]) / height)) * ROOM  # a point on the map [m]
    at = np.array([corner.apex_m for corner in track.corners])
    names = [printable(corner.name) for corner in track.corners]
    apexes, centres, sizes = np.empty((0, 2)), np.empty((0, 2)), np.empty((0, 2))
    if names:
        outside = np.array([-1.0 if corner.direction == "left" else 1.0 for corner in track.corners])
        apexes = curve.at(at)
        boxes = [(unit * LETTER * max(letters(name), 2.0), unit * LETTER_HEIGHT) for name in names]
        towards = outside[:, None] * curve.normal(at)
        centres = place_labels(apexes, drawn, boxes, unit * LABEL_AWAY, towards)
        sizes = np.array(boxes)
    for name, apex, centre, size in zip(names, apexes, centres, sizes, strict=True):
        ax.plot(*apex, marker="o", markersize=3.5, color=INK, zorder=4)
        gap = np.maximum(np.abs(centre - apex) - size / 2.0, 0.0)
        far = float(np.hypot(*gap)) > FAR * unit * LABEL_AWAY
        ax.annotate(
            name,
            (float(apex[0]), float(apex[1])),
            xytext=tuple((centre - apex) / unit),
            textcoords="offset points",
            ha="center",
            va="center",
            parse_math=False,
            zorder=5,
            fontsize=10,
            arrowprops={"arrowstyle": "-", "linewidth": 0.5} if far else None,
        )
    corners = np.concatenate([drawn, centres - sizes / 2.0, centres + sizes / 2.0])
    edge = unit * EDGE
    ax.set(
        xlim=(corners[:, 0].min() - edge, corners[:, 0].max() + edge),
        ylim=(corners[:, 1].min() - edge, corners[:, 1].max() + edge),
    )


def plot_elevation(track: Track, ax: Axes) -> None:
    """Draw the elevation along the lap on `ax`, with the corners' apexes marked."""
    station = np.append(track.line.station, track.length)
    z = np.append(track.line.z, track.line.z[0])
    ax.plot(station, z, color=INK, linewidth=1.4)
    room = STRIP_ROOM * max(float(np.ptp(z)), 1.0)
    ax.fill_between(station, z, z.min() - room, color=ROAD)
    aslant = max((len(printable(corner.name, STRIP_NAME)) for corner in track.corners), default=0) > UPRIGHT_NAME
    ax.set_ylim(float(z.min()) - room, float(z.max()) + room * (ASLANT_ROOM if aslant else 1.0))
    for corner in track.corners:
        height = float(np.interp(corner.apex_m, station, z))
        ax.plot(corner.apex_m, height, marker="o", markersize=3.5, color=INK)
        ax.annotate(
            printable(corner.name, STRIP_NAME),
            (corner.apex_m, height),
            xytext=(0, 5),
            textcoords="offset points",
            ha="left" if aslant else "center",
            rotation=30 if aslant else 0,
            fontsize=8 if aslant else 9,
            parse_math=False,
        )
    ax.set_xlim(0.0, track.length)
    ax.set(xlabel="distance from the start line [m]", ylabel="elevation [m]")


def track_figure(track: Track) -> Figure:
    """A figure with the map and, where it is known, the elevation below it."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, HIGHEST + FRAME + STRIP), layout="constrained")
    ratios = [HIGHEST + FRAME, STRIP] if track.has_elevation else [1.0]
    axes = figure.subplots(len(ratios), 1, height_ratios=ratios, squeeze=False)[:, 0]
    plot_map(track, axes[0])
    if track.has_elevation:
        plot_elevation(track, axes[1])
    # as high as the map is at this width: no blank bands above and below a wide circuit
    shape = float(np.ptp(axes[0].get_ylim()) / np.ptp(axes[0].get_xlim()))
    high = min(max((WIDTH - FRAME) * shape, LOWEST), HIGHEST) + FRAME
    figure.set_size_inches(WIDTH, high + (STRIP if track.has_elevation else 0.0))
    if track.has_elevation:
        axes[0].get_gridspec().set_height_ratios([high, STRIP])
        _tell_stretch(figure, axes[1])
    return figure


def _tell_stretch(figure: Figure, ax: Axes) -> None:
    """Say over the elevation how much larger its heights are drawn than its lengths."""
    heights = ax.get_lines()[0].get_ydata()
    words = f"{float(np.ptp(heights)):.1f} m from the lowest to the highest point"
    ax.set_title(words, fontsize=9)
    figure.draw_without_rendering()
    box = ax.get_window_extent()
    stretch = (box.height / float(np.ptp(ax.get_ylim()))) / (box.width / float(np.ptp(ax.get_xlim())))
    if stretch >= TOLD_STRETCH:
        ax.set_title(f"{words}; heights are drawn {stretch:.0f} times larger than lengths", fontsize=9)


def write_track_figure(track: Track, path: str | os.PathLike[str]) -> Path:
    """Draw `track_figure` into a PNG, SVG or PDF file, by the ending of `path`.

    Raises
    ------
    OptionError
        When the ending is another one, or the file cannot be written.
    """
    kind = picture_kind(path)
    return write_bytes(path, image(track_figure(track), kind, PAGE_DPI))
