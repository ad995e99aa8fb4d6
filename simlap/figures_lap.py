"""Figures of the whole lap: the map of loss, speed, loss building up. `ax` in, artists out."""

from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.ft2font import FT2Font
from matplotlib.lines import Line2D
from matplotlib.text import Text

from simlap.labels import laid_down, place_labels
from simlap.palette import BEST, BLACK, DRIVEN, LIMIT, LINE_DASHES, PHASE_COLOURS, PHASE_HATCHES
from simlap.report.plain import corner_label, shortened
from simlap.results import Analysis
from simlap.traces import loss_scale, traces
from simlap.units import MS_TO_KMH

LABEL_LENGTH = 16  # characters of a corner's name in a figure
MAP_POINTS = 330.0  # printer's points across the path on the map's figure
LETTER, LABEL_HEIGHT, LABEL_OUT = 4.4, 19.0, 8.0  # [printer's points] a letter, two lines, distance from the path
STRIP_NAME, UPRIGHT_NAME = 8, 3  # characters of a corner's name along the lap; more than the second stand aslant
BAR_POINTS = 7  # of the start line that labels keep clear of
START_HALF = 0.025  # half the length of the start line, share of the circuit's longer side
LABELS_SAY = "under each name: rank, and worth: time gained if this corner alone were driven at the limit"
BOX, BOX_LETTERS = "\u25a1", 1.8
THINNEST, THICKEST = 1.5, 9.0  # [points] line of the map at no loss and at the largest loss


def plot_loss_map(analysis: Analysis, ax: Axes) -> LineCollection:
    """Draw the driven path on `ax`, its colour and width by the time lost there; return the path.

    The start line is a short bar across the path with an arrow in the driving direction beside it; the corners carry
    their rank and name.
    """
    lap = traces(analysis)
    points, turned = laid_down(lap.x, lap.y)
    closed = np.concatenate([points, points[:1]])
    segments: Any = np.stack([closed[:-1], closed[1:]], axis=1)
    top = loss_scale(lap.loss_per_100m)
    share = np.clip(lap.loss_per_100m / top, 0.0, 1.0)
    widths = THINNEST + (THICKEST - THINNEST) * share
    ax.add_collection(LineCollection(segments, colors=BLACK, linewidths=widths + 1.6, capstyle="round"))
    path = LineCollection(segments, cmap="cividis", linewidths=widths, capstyle="round")
    path.set_array(np.clip(lap.loss_per_100m, 0.0, top))
    path.set_clim(0.0, top)
    ax.add_collection(path)
    ax.set_aspect("equal")
    ax.set_axis_off()
    bar = np.asarray(_start_bar(points, ax).get_xydata(), dtype=float)
    arrow = _heading(points, ax)
    strokes = [ends[:1] + np.linspace(0.0, 1.0, BAR_POINTS)[:, None] * np.diff(ends, axis=0) for ends in (bar, arrow)]
    covered = np.concatenate([points, *strokes])
    half_widths = np.concatenate([0.5 * widths, np.zeros(2 * BAR_POINTS)])
    unit = float(np.ptp(points, axis=0).max()) / MAP_POINTS  # one printer's point on the map [m]
    apexes = points[[station_index(lap.station, corner.corner.apex_m) for corner in analysis.ranked]]
    texts = [
        f"{printable(corner_label(corner.corner.name))}\n{corner.rank}: {corner.gain_alone.value:.2f} s"
        for corner in analysis.ranked
    ]
    sizes = [(unit * LETTER * max(map(letters, text.split("\n"))), unit * LABEL_HEIGHT) for text in texts]
    centres = place_labels(apexes, covered, sizes, unit * LABEL_OUT, half_widths=unit * half_widths)
    for text, apex, centre in zip(texts, apexes, centres, strict=True):
        ax.annotate(
            text, xy=(float(apex[0]), float(apex[1])), xytext=(float(centre[0]), float(centre[1])), fontsize=7,
            ha="center", va="center", parse_math=False, arrowprops={"arrowstyle": "-", "linewidth": 0.5},
        )  # fmt: skip
    reach = np.array(sizes) / 2 + 4 * unit
    low = np.minimum(covered.min(axis=0) - THICKEST * unit, (centres - reach).min(axis=0))
    high = np.maximum(covered.max(axis=0) + THICKEST * unit, (centres + reach).max(axis=0))
    ax.set(xlim=(low[0], high[0]), ylim=(low[1], high[1]))
    words = [LABELS_SAY]
    if analysis.motion.closes:  # a path rebuilt from turning alone does not know where north is
        words.insert(0, "north is to the left" if turned else "north is up")
    ax.set_title("; ".join(words), fontsize=7, loc="left")
    return path


def plot_speed(analysis: Analysis, ax: Axes) -> list[Line2D]:
    """Draw speed [km/h] over station [m]: typical, best and limit lap; return the three lines."""
    lap = traces(analysis)
    shade_phases(analysis, ax)
    ax.fill_between(
        lap.station, lap.v_low * MS_TO_KMH, lap.v_high * MS_TO_KMH, color=DRIVEN, alpha=0.2, linewidth=0,
        label="middle half of the counted laps",
    )  # fmt: skip
    curves = (
        (lap.v_typical, DRIVEN, "driven", 1.6, "typical lap"),
        (lap.v_best, BEST, "best", 1.5, f"best lap ({analysis.best_lap})"),
        (lap.v_limit, LIMIT, "limit", 1.4, "limit lap, a bound"),
    )
    lines = [
        ax.plot(lap.station, v * MS_TO_KMH, color=colour, linestyle=LINE_DASHES[dash], linewidth=width, label=label)[0]
        for v, colour, dash, width, label in curves
    ]
    ax.set(xlabel="station [m]", ylabel="speed [km/h]", xlim=(0.0, float(analysis.line.length)))
    ax.legend(fontsize=7, ncols=6, loc="lower center", bbox_to_anchor=(0.5, 1.12), frameon=False)
    name_corners(analysis, ax)
    return lines


def plot_loss_building(analysis: Analysis, ax: Axes) -> Line2D:
    """Draw the time lost since the start line [s] of the typical lap against the limit lap; return the line."""
    lap = traces(analysis)
    shade_phases(analysis, ax)
    (line,) = ax.plot(lap.station, lap.loss, color=BLACK, linewidth=1.6)
    ax.fill_between(lap.station, 0.0, lap.loss, color="0.8", linewidth=0)
    ax.set(xlabel="station [m]", ylabel="time lost [s]", xlim=(0.0, float(analysis.line.length)))
    ax.legend(fontsize=7, ncols=2, loc="upper left", framealpha=0.9)
    name_corners(analysis, ax)
    return line


def shade_phases(analysis: Analysis, ax: Axes) -> list[Artist]:
    """Shade braking and mid-corner phases behind the curves of `ax`, one of each named for its legend."""
    length = float(analysis.line.length)
    spans: list[Artist] = []
    unnamed = {"braking": "braking", "mid_corner": "mid-corner (exits are white)"}
    for corner in analysis.corners:
        for phase in corner.phases:
            if phase.name == "exit":
                continue
            for start, stop in unwrapped(phase.start_m, phase.stop_m, length):
                spans.append(
                    ax.axvspan(
                        start, stop, facecolor=PHASE_COLOURS[phase.name], alpha=0.25, linewidth=0,
                        hatch=PHASE_HATCHES[phase.name], edgecolor="0.6", zorder=0, label=unnamed.pop(phase.name, None),
                    )
                )  # fmt: skip
    return spans


def name_corners(analysis: Analysis, ax: Axes) -> list[Text]:
    """Write the corners' names along the top of `ax`, at their apexes; numbers upright, longer names aslant."""
    names = [printable(corner.corner.name, STRIP_NAME) for corner in analysis.corners]
    aslant = max(map(letters, names), default=0.0) > UPRIGHT_NAME
    return [
        ax.text(
            corner.corner.apex_m, 1.01, name, transform=ax.get_xaxis_transform(), va="bottom", parse_math=False,
            fontsize=8 if aslant else 10, rotation=30 if aslant else 0, ha="left" if aslant else "center",
        )
        for corner, name in zip(analysis.corners, names, strict=True)
    ]  # fmt: skip


def unwrapped(start: float, stop: float, length: float) -> list[tuple[float, float]]:
    """A stretch of a closed lap as one or two stretches that do not cross the start line; none if it is empty."""
    start, stop = start % length, stop % length
    if start == stop:
        return []
    if start < stop:
        return [(start, stop)]
    return [stretch for stretch in ((start, length), (0.0, stop)) if stretch[0] < stretch[1]]


def station_index(station: np.ndarray, at: float) -> int:
    """Index of the station nearest to `at` [m]."""
    return int(np.argmin(np.abs(station - at)))


def printable(text: str, length: int = LABEL_LENGTH) -> str:
    """The user's text, short, with a box for each character that the figures' font does not have."""
    return "".join(c if _in_font(c) else BOX for c in shortened(text, length))


def letters(text: str) -> float:
    """Width of `printable` text in letters: the box for a missing one is as wide as two, nearly."""
    return len(text) + (BOX_LETTERS - 1.0) * text.count(BOX)


def _in_font(character: str) -> bool:
    return FT2Font(findfont(FontProperties())).get_char_index(ord(character)) != 0


def _start_bar(points: np.ndarray, ax: Axes) -> Line2D:
    """A bar across the path at station 0."""
    half = START_HALF * float(np.ptp(points, axis=0).max())
    across = half * _across(points)
    ends = np.array([points[0] - across, points[0] + across])
    (bar,) = ax.plot(ends[:, 0], ends[:, 1], color=BLACK, linewidth=2.0, solid_capstyle="butt")
    return bar


def _heading(points: np.ndarray, ax: Axes) -> np.ndarray:
    """Draw an arrow in the driving direction beside the start line; return its ends, (2, 2)."""
    size = START_HALF * float(np.ptp(points, axis=0).max())
    across = _across(points)
    tail = points[0] - 1.6 * size * across  # clear of the bar, on the right of the path
    ends = np.array([tail, tail + 2.0 * size * np.array([across[1], -across[0]])])
    ax.annotate("", xy=tuple(ends[1]), xytext=tuple(ends[0]), arrowprops={"arrowstyle": "->", "linewidth": 1.6})
    return ends


def _across(points: np.ndarray) -> np.ndarray:
    """Unit vector to the left of the path at station 0."""
    along = points[1] - points[-1]
    return np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
