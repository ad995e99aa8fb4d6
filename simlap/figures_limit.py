"""Figures of the solver: speed by what limits it, and lap time over factors."""

from typing import TYPE_CHECKING, Any

import numpy as np

from simlap.palette import BLACK, BLUE, GREEN, ORANGE, PURPLE, SKY, VERMILION
from simlap.solver import LIMIT_NAMES, LimitProfile
from simlap.sweep import Sweep
from simlap.units import MS_TO_KMH

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# One colour, dash and width for each limit, so that grey prints and any colour vision tell them apart.
LIMIT_STYLES: dict[str, dict[str, Any]] = {
    "lateral": {"color": BLUE, "linestyle": "-", "linewidth": 2.5, "marker": "o", "markersize": 5},
    "braking": {"color": VERMILION, "linestyle": (0, (1.5, 1.0)), "linewidth": 2.5},
    "engine": {"color": GREEN, "linestyle": "-", "linewidth": 1.5},
    "traction": {"color": ORANGE, "linestyle": (0, (4.0, 1.2)), "linewidth": 2.5},
    "cap": {"color": PURPLE, "linestyle": (0, (4.0, 1.2, 1.0, 1.2)), "linewidth": 2.5, "marker": "s", "markersize": 4},
    "kept": {"color": BLACK, "linestyle": ":", "linewidth": 2.0},
}
DOTTED = ("lateral", "cap")
# From this share of the lateral limit on a place is drawn as lateral. The drag in a corner has to be made up for, so
# that even a steady speed lies a hair below what lateral grip alone would hold, and the solver names traction (or,
# where the corner tightens, braking) as what is met. At 0.98 the speed, its root, is within 1 % of that ceiling.
# On the demo 189 of 1643 stations; from 0.97 or 0.96 on 193 and 197, from 0.99 on 169.
LATERAL_FROM = 0.98  # [1]
SWEEP_STYLES: tuple[dict[str, Any], ...] = (
    {"color": BLACK, "marker": "o", "linestyle": "-"},
    {"color": BLUE, "marker": "s", "linestyle": "--"},
    {"color": VERMILION, "marker": "v", "linestyle": "-."},
    {"color": ORANGE, "marker": "^", "linestyle": ":"},
    {"color": GREEN, "marker": "D", "linestyle": "-"},
    {"color": PURPLE, "marker": "P", "linestyle": "--"},
    {"color": SKY, "marker": "X", "linestyle": "-."},
)


def limited_by(profile: LimitProfile) -> np.ndarray:
    """What limits each station, for the eye: `active`, but lateral where the tyres give all but a hair sideways."""
    tyres = np.isin(profile.active, [LIMIT_NAMES.index("braking"), LIMIT_NAMES.index("traction")])
    return np.where(tyres & (profile.sideways >= LATERAL_FROM), LIMIT_NAMES.index("lateral"), profile.active)


def plot_profile(profile: LimitProfile, ax: "Axes") -> list[Any]:
    """Draw the limit speed [km/h] over the station [m] on `ax`, one line for each active limit; return the lines.

    A segment has the style of the limit that its acceleration meets; stations at the ceiling are dots, for an apex is
    often a single station.
    """
    closed, limits = profile.line.closed, limited_by(profile)
    station = np.append(profile.s, profile.line.length) if closed else np.asarray(profile.s)
    active = np.append(limits, limits[0]) if closed else limits
    speed = (np.append(profile.v, profile.v[0]) if closed else profile.v) * MS_TO_KMH
    # drive limits tag the station that a segment leads to, braking and ceilings the one it comes from
    driven = np.isin(active[1:], [LIMIT_NAMES.index("engine"), LIMIT_NAMES.index("traction")])
    segment = np.where(driven, active[1:], active[:-1])
    lines = []
    for number, name in enumerate(LIMIT_NAMES):
        here = segment == number
        shown = (active == number) & (name in DOTTED)
        shown[:-1] |= here
        shown[1:] |= here
        if not shown.any():
            continue
        # a gap between two stretches of this limit, so that no segment of another is drawn over
        apart = np.flatnonzero(shown[:-1] & shown[1:] & ~here) + 1
        x, y = np.insert(station, apart, station[apart]), np.where(shown, speed, np.nan)
        (line,) = ax.plot(x, np.insert(y, apart, np.nan), label=name, **LIMIT_STYLES[name])
        lines.append(line)
    ax.set(xlabel="station [m]", ylabel="speed [km/h]", xlim=(station[0], station[-1]))
    ax.legend(title="limited by", loc="best")
    ax.grid(alpha=0.3)
    return lines


def plot_sweep(result: Sweep, ax: "Axes") -> list[Any]:
    """Draw the change of the limit lap [s] over the change of each parameter [%] on `ax`; return the lines."""
    lines = []
    for name, times, style in zip(result.parameters, result.lap_time, SWEEP_STYLES, strict=False):
        (line,) = ax.plot((result.factors - 1.0) * 100.0, times - result.base_s, label=name, markersize=5, **style)
        lines.append(line)
    ax.axhline(0.0, color="0.6", linewidth=0.8)
    ax.axvline(0.0, color="0.6", linewidth=0.8)
    ax.set(xlabel="change of the parameter [%]", ylabel="change of the limit lap [s]")
    ax.legend()
    ax.grid(alpha=0.3)
    return lines
