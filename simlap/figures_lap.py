"""Figures of the whole lap: the map of loss, speed, loss building up. `ax` in, artists out."""

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.ft2font import FT2Font
from matplotlib.lines import Line2D
from matplotlib.text import Text

from simlap.palette import BEST, BLACK, DRIVEN, LIMIT, LINE_DASHES, PHASE_COLOURS, PHASE_HATCHES
from simlap.report.plain import MS_TO_KMH, corner_label, shortened
from simlap.results import Analysis
from simlap.traces import loss_scale, traces

LABEL_LENGTH = 16  # characters of a corner's name in a figure
THINNEST, THICKEST = 1.5, 9.0  # [points] line of the map at no loss and at the largest loss


def plot_loss_map(analysis: Analysis, ax: Axes) -> LineCollection:
    """Draw the driven path on `ax`, its colour and width by the time lost there; return the path.

    The start line is a short bar across the path, and the corners carry their rank and name.
    """
    lap = traces(analysis)
    x, y = np.append(lap.x, lap.x[0]), np.append(lap.y, lap.y[0])
    points = np.stack([x, y], axis=1)
    segments = np.stack([points[:-1], points[1:]], axis=1)
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
    ax.autoscale_view()
    ax.margins(0.14)
    _start_bar(lap.x, lap.y, ax)
    centre = points[:-1].mean(axis=0)
    for corner in analysis.ranked:
        at = station_index(lap.station, corner.corner.apex_m)
        outward = points[at] - centre
        outward = outward / max(float(np.hypot(*outward)), 1.0)
        ax.annotate(
            f"{printable(corner_label(corner.corner.name))}\n{corner.rank}: {corner.gain_alone.value:.2f} s",
            xy=(float(points[at, 0]), float(points[at, 1])),
            xytext=(22 * float(outward[0]), 18 * float(outward[1])),
            textcoords="offset points",
            fontsize=7,
            ha="left" if outward[0] >= 0 else "right",
            va="center",
            parse_math=False,
            arrowprops={"arrowstyle": "-", "linewidth": 0.5},
        )
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
        (lap.v_best, BEST, "best", 1.2, f"best lap ({analysis.best_lap})"),
        (lap.v_limit, LIMIT, "limit", 1.4, "limit lap, a bound"),
    )
    lines = [
        ax.plot(lap.station, v * MS_TO_KMH, color=colour, linestyle=LINE_DASHES[dash], linewidth=width, label=label)[0]
        for v, colour, dash, width, label in curves
    ]
    ax.set(xlabel="station [m]", ylabel="speed [km/h]", xlim=(0.0, float(analysis.line.length)))
    ax.legend(fontsize=7, ncols=4, loc="lower center", bbox_to_anchor=(0.5, 1.08), frameon=False)
    name_corners(analysis, ax)
    return lines


def plot_loss_building(analysis: Analysis, ax: Axes) -> Line2D:
    """Draw the time lost since the start line [s] of the typical lap against the limit lap; return the line."""
    lap = traces(analysis)
    shade_phases(analysis, ax)
    (line,) = ax.plot(lap.station, lap.loss, color=BLACK, linewidth=1.6)
    ax.fill_between(lap.station, 0.0, lap.loss, color="0.8", linewidth=0)
    ax.set(xlabel="station [m]", ylabel="time lost [s]", xlim=(0.0, float(analysis.line.length)))
    name_corners(analysis, ax)
    return line


def shade_phases(analysis: Analysis, ax: Axes) -> list[Artist]:
    """Shade braking and mid-corner phases behind the curves of `ax`; the exits stay white."""
    length = float(analysis.line.length)
    spans: list[Artist] = []
    for corner in analysis.corners:
        for phase in corner.phases:
            if phase.name == "exit":
                continue
            for start, stop in unwrapped(phase.start_m, phase.stop_m, length):
                spans.append(
                    ax.axvspan(
                        start, stop, facecolor=PHASE_COLOURS[phase.name], alpha=0.25, linewidth=0,
                        hatch=PHASE_HATCHES[phase.name], edgecolor="0.6", zorder=0,
                    )
                )  # fmt: skip
    return spans


def name_corners(analysis: Analysis, ax: Axes) -> list[Text]:
    """Write the corners' names along the top of `ax`, at their apexes."""
    return [
        ax.text(
            corner.corner.apex_m, 1.01, printable(corner.corner.name, 8), transform=ax.get_xaxis_transform(),
            fontsize=6, rotation=30, ha="left", va="bottom", parse_math=False,
        )
        for corner in analysis.corners
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
    return "".join(c if _in_font(c) else "\u25a1" for c in shortened(text, length))


def _in_font(character: str) -> bool:
    return FT2Font(findfont(FontProperties())).get_char_index(ord(character)) != 0


def _start_bar(x: np.ndarray, y: np.ndarray, ax: Axes) -> Line2D:
    along = np.array([x[1] - x[-1], y[1] - y[-1]])
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
    half = 0.025 * max(np.ptp(x), np.ptp(y))
    ends = np.array([[x[0], y[0]] - half * across, [x[0], y[0]] + half * across])
    (bar,) = ax.plot(ends[:, 0], ends[:, 1], color=BLACK, linewidth=2.0, solid_capstyle="butt")
    ax.annotate("start", xy=(ends[0, 0], ends[0, 1]), fontsize=7, ha="center", va="bottom")
    return bar
