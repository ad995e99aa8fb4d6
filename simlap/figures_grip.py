"""Figures of the envelope: accelerations driven against the limits, and the limits over speed."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PathCollection
from matplotlib.lines import Line2D

from simlap.limits import limits_with_interval
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


def plot_gg(analysis: Analysis, ax: Axes) -> tuple[PathCollection, list[Line2D]]:
    """Draw accelerations [g] of the counted laps and the envelope at two speeds; return points and boundaries.

    Left turns are drawn to the left, speeding up upwards.
    """
    a_lat, a_lon = gg_samples(analysis)
    points = ax.scatter(-a_lat / G, a_lon / G, s=3, color="0.45", alpha=0.5, linewidths=0, label="counted laps")
    lines = []
    for v, colour, dash in zip(gg_speeds(analysis), (BLUE, VERMILION), ("-", "--"), strict=True):
        lateral, along = gg_boundary(analysis, v)
        (line,) = ax.plot(
            -lateral / G, along / G, color=colour, linestyle=dash, label=f"envelope at {v * MS_TO_KMH:.0f} km/h"
        )
        lines.append(line)
    ax.set(xlabel="left turn  <  lateral [g]  >  right turn", ylabel="braking  <  along [g]  >  drive")
    ax.set_aspect("equal")
    ax.legend(fontsize=7, frameon=False, loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3)
    return points, lines


def plot_envelope(analysis: Analysis, ax: Axes) -> list[Line2D]:
    """Draw the limits [g] over speed [km/h] with their intervals; return one line a limit."""
    v = np.linspace(5.0, float(np.asarray(analysis.table.v).max()), 80)
    value, low, high = (part / G for part in limits_with_interval(analysis.fit.envelope, analysis.fit.draws, v))
    lines = []
    for row, (name, colour, dash) in enumerate(LIMITS):
        ax.fill_between(v * MS_TO_KMH, low[row], high[row], color=colour, alpha=0.2, linewidth=0)
        (line,) = ax.plot(v * MS_TO_KMH, value[row], color=colour, linestyle=dash, label=name)
        lines.append(line)
    ax.set(xlabel="speed [km/h]", ylabel="limit [g]", ylim=(0.0, None))
    ax.legend(fontsize=7, frameon=False, ncols=5, loc="lower center", bbox_to_anchor=(0.5, 1.0))
    return lines
