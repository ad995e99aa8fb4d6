"""A comparison as figures: change per corner phase with intervals, envelopes of both sides over each other."""

import os
from pathlib import Path
from typing import Any

import numpy as np

from simlap.comparison import Comparison
from simlap.envelope import Envelope
from simlap.figures_grip import UNTESTED, UNTESTED_LABEL
from simlap.figures_lap import printable
from simlap.figures_save import save_figure
from simlap.limits import PERCENTILES, tested_at
from simlap.report.plain import corner_label
from simlap.units import MS_TO_KMH, G

# Okabe and Ito (2008), Color Universal Design: blue, vermillion, bluish green.
SIDE_STYLES = (("#0072B2", "-"), ("#D55E00", "--"), ("#009E73", ":"))
PHASE_STYLES = {"braking": ("#D55E00", "v"), "mid_corner": ("#0072B2", "o"), "exit": ("#009E73", "^")}
SPEEDS = 60  # points along each limit


def draw_changes(comparison: Comparison, ax: Any) -> list[Any]:
    """Draw the change of the limit [s] per corner phase with its 90 % interval; return the markers."""
    markers = []
    named: set[str] = set()  # phases that the legend has
    for index, corner in enumerate(comparison.corners):
        for offset, phase in zip((-0.25, 0.0, 0.25), corner.phases, strict=True):
            colour, shape = PHASE_STYLES[phase.name]
            change = phase.limit_change
            if change.low == change.high:  # a corner taken flat has no braking and no exit
                continue
            ax.plot([change.low, change.high], [index + offset] * 2, "-", color=colour, linewidth=1.5)
            (marker,) = ax.plot(
                [change.value],
                [index + offset],
                shape,
                color=colour,
                label=None if phase.name in named else phase.name.replace("_", "-"),
            )
            markers.append(marker)
            named.add(phase.name)
    ax.axvline(0.0, color="black", linewidth=0.8)
    ax.set_yticks(
        range(len(comparison.corners)), [printable(corner_label(corner.name, 24)) for corner in comparison.corners]
    )
    for label in ax.get_yticklabels():
        label.set_parse_math(False)
    ax.invert_yaxis()
    ax.set(xlabel="change of the limit, left is faster [s]", ylabel="corner")
    ax.legend(loc="best", frameon=False)
    return markers


def draw_envelopes(comparison: Comparison, axes: Any) -> list[Any]:
    """Draw the three limits [g] over speed [km/h] of every side, with 90 % bands; `axes` holds three; return lines.

    Where a side has no data its limit is thin and without a band, and the line returned holds NaN.
    """
    driven = [np.asarray(one.table.v) for side in comparison.sides for one in side.prepared]
    v = np.linspace(min(part.min() for part in driven), max(part.max() for part in driven), SPEEDS)
    limits = ("lateral", "braking", "drive")
    lines = []
    for ax, name in zip(axes, limits, strict=True):
        for side, (colour, dashes) in zip(comparison.sides, SIDE_STYLES, strict=False):
            curves = np.array([_limit(name, envelope, v) for envelope in _envelopes(side)]) / G
            low, high = np.percentile(curves[1:], PERCENTILES, axis=0)
            shown = tested_at(side.fit.envelope, name, v)
            ax.fill_between(v * MS_TO_KMH, low, high, where=shown, color=colour, alpha=0.15, linewidth=0)
            ax.plot(v * MS_TO_KMH, curves[0], dashes, color=colour, **UNTESTED)
            (line,) = ax.plot(v * MS_TO_KMH, np.where(shown, curves[0], np.nan), dashes, color=colour, label=side.label)
            lines.append(line)
        ax.set(title=name, xlabel="speed [km/h]", ylabel="limit [g]")
    axes[0].plot([], [], color="black", label=UNTESTED_LABEL, **UNTESTED)
    return lines


def _envelopes(side: Any) -> list[Any]:
    return [side.fit.envelope, *(Envelope.unpack(packed) for packed in np.asarray(side.fit.draws)[:100])]


def _limit(name: str, envelope: Any, v: np.ndarray) -> np.ndarray:
    if name == "lateral":
        return 0.5 * (envelope.lateral_limit(v, 1) + envelope.lateral_limit(v, -1))
    return envelope.braking_limit(v) if name == "braking" else envelope.drive_limit(v)


def save_comparison_figures(comparison: Comparison, folder: str | os.PathLike[str]) -> list[Path]:
    """Write changes and envelopes as PNG and SVG into `folder`; return their paths."""
    from matplotlib.figure import Figure

    rows = len(comparison.corners)
    changes = Figure(figsize=(8.0, 1.5 + 0.45 * rows), layout="constrained")
    draw_changes(comparison, changes.subplots())
    envelopes = Figure(figsize=(11.0, 3.6), layout="constrained")
    panels = envelopes.subplots(1, 3)
    draw_envelopes(comparison, panels)
    # below the panels: the curves leave no corner free that is wide enough
    envelopes.legend(*panels[0].get_legend_handles_labels(), loc="outside lower center", ncols=4, frameon=False)
    return save_figure(changes, Path(folder), "changes") + save_figure(envelopes, Path(folder), "envelopes")
