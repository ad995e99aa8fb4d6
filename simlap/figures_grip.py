"""Figures of the envelope: accelerations driven against the limits, and the limits over speed."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection
from matplotlib.lines import Line2D

from simlap.limits import NAMES, edge_tested, limits_with_interval, tested_at
from simlap.palette import BLUE, GREEN, ORANGE, PURPLE, VERMILION
from simlap.results import Analysis
from simlap.traces import gg_boundary, gg_samples, gg_speeds
from simlap.units import MS_TO_KMH, G

LIMITS = (  # the rows of `limits_with_interval`: name, colour, dashes
    ("lateral, left", BLUE, "-"),
    ("lateral, right", PURPLE, "--"),
    ("braking", VERMILION, "-."),
    ("traction", GREEN, ":"),
    ("engine", ORANGE, (0, (5, 1, 1, 1, 1, 1))),
)

UNTESTED: dict[str, Any] = {"linewidth": 0.8, "alpha": 0.6}  # where no data reach: pale beside what the laps have shown
UNTESTED_LABEL = "thin: not shown at the limit at that speed"


def plot_gg(analysis: Analysis, ax: Axes) -> tuple[PathCollection, list[Line2D]]:
    """Draw accelerations [g] of the counted laps and the envelope at two speeds; return points and boundaries.

    Left turns are drawn to the left, speeding up upwards. A boundary is thin where no data reach that speed; the lines
    returned hold NaN there.
    """
    a_lat, a_lon = gg_samples(analysis)
    points = ax.scatter(-a_lat / G, a_lon / G, s=3, color="0.45", alpha=0.5, linewidths=0, label="counted laps")
    lines = []
    for v, colour, dash in zip(gg_speeds(analysis), (BLUE, VERMILION), ("-", "--"), strict=True):
        lateral, along = gg_boundary(analysis, v)
        shown = edge_tested(analysis.fit.envelope, v, lateral, along)
        lines.append(
            _two_weights(ax, -lateral / G, along / G, shown, colour, dash, f"envelope at {v * MS_TO_KMH:.0f} km/h")
        )
    _tell_thin(ax, lines)
    ax.set(xlabel="left turn  <  lateral [g]  >  right turn", ylabel="braking  <  along [g]  >  drive")
    ax.set_aspect("equal")
    ax.legend(fontsize=7, frameon=False, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
    return points, lines


def plot_envelope(analysis: Analysis, ax: Axes) -> list[Line2D]:
    """Draw the limits [g] over speed [km/h] with their intervals; return one line a limit, NaN where it has no data.

    There it is drawn thin and without its interval.
    """
    v = np.linspace(5.0, float(np.asarray(analysis.table.v).max()), 80)
    value, low, high = (part / G for part in limits_with_interval(analysis.fit.envelope, analysis.fit.draws, v))
    lines = []
    for row, (name, colour, dash) in enumerate(LIMITS):
        shown = tested_at(analysis.fit.envelope, NAMES[row], v)
        ax.fill_between(v * MS_TO_KMH, low[row], high[row], where=shown, color=colour, alpha=0.2, linewidth=0)
        lines.append(_two_weights(ax, v * MS_TO_KMH, value[row], shown, colour, dash, name))
    _tell_thin(ax, lines)
    ax.set(xlabel="speed [km/h]", ylabel="limit [g]", ylim=(0.0, None))
    ax.legend(fontsize=7, frameon=False, ncols=3, loc="lower center", bbox_to_anchor=(0.5, 1.0))
    return lines


def _two_weights(
    ax: Axes, x: np.ndarray, y: np.ndarray, shown: np.ndarray, colour: str, dash: Any, label: str
) -> Line2D:
    """A curve at full weight where `shown`, thin elsewhere; return the first part, NaN elsewhere."""
    if not shown.all():
        ax.plot(x, y, color=colour, linestyle=dash, **UNTESTED)
    (line,) = ax.plot(x, np.where(shown, y, np.nan), color=colour, linestyle=dash, label=label)
    return line


def _tell_thin(ax: Axes, lines: list[Line2D]) -> None:
    """An entry of the legend for the thin curves, where there are any."""
    if any(np.isnan(np.asarray(line.get_ydata(), dtype=float)).any() for line in lines):
        ax.plot([], [], color="black", label=UNTESTED_LABEL, **UNTESTED)
