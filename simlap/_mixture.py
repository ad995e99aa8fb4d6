"""Densities of the frontier's mixture, one event at a time, compiled by numba into ufuncs that broadcast.

`residual` is level - limit and `deviation` the error of the level; the other arguments are those of
`simlap.envelope_frontier.Mixture`, with `reach` as its IDLE_REACH.
"""

# One file: numba's cache looks at the date of a function's own file only, not at what that function calls elsewhere.

import math

import numpy as np
from numba import njit, vectorize

ROOT_HALF = math.sqrt(0.5)
LOG_ROOT_2PI = 0.5 * math.log(2.0 * math.pi)
ROOT_PI = math.sqrt(math.pi)
# So many deviations from the limit the normal density is below 1e-17 of its top: nothing beside the other parts.
OUT = 9.0
# From here on exp(x²) erfc(x) comes from its asymptotic series, whose fourth term is 1e-9 there; erfc is 0 from 27 on.
FAR = 20.0

_inlined = njit(error_model="numpy", forceinline=True)


@_inlined
def _scaled_erfc(x: float) -> float:
    """exp(x²) erfc(x) for x >= 0 (Abramowitz and Stegun 1964, 7.1.23)."""
    if x < FAR:
        return math.exp(x * x) * math.erfc(x)
    y = 0.5 / (x * x)
    return (1.0 - y * (1.0 - 3.0 * y * (1.0 - 5.0 * y * (1.0 - 7.0 * y)))) / (x * ROOT_PI)


@_inlined
def _densities(
    residual: float, deviation: float, spike: float, shortfall: float, idle: float, reach: float
) -> tuple[float, float, float]:
    """Weighted densities: at the limit, a little short of it, not trying."""
    u = residual / deviation
    if u > OUT:
        return 0.0, 0.0, 0.0
    rest = 1.0 - spike
    ratio = deviation / shortfall
    a = u + ratio  # the normal convolved with the exponential
    if a < -OUT:
        short = math.exp(residual / shortfall + 0.5 * ratio * ratio) / shortfall
        return 0.0, rest * (1.0 - idle) * short, rest * idle / (reach * shortfall)
    bell = math.exp(-0.5 * u * u - LOG_ROOT_2PI) / deviation
    if a > 0.0:
        short = 0.5 * math.exp(-0.5 * u * u) * _scaled_erfc(a * ROOT_HALF) / shortfall
    else:
        short = 0.5 * math.exp(residual / shortfall + 0.5 * ratio * ratio) * math.erfc(a * ROOT_HALF) / shortfall
    wide = 0.5 * math.erfc(u * ROOT_HALF) / (reach * shortfall)
    return spike * bell, rest * (1.0 - idle) * short, rest * idle * wide


_ARGUMENTS = "float64, float64, float64, float64, float64, float64, float64"


@vectorize([f"float64({_ARGUMENTS})"], cache=True)
def log_density(
    residual: float, deviation: float, spike: float, shortfall: float, idle: float, reach: float, outlier: float
) -> float:
    """Log density of an event."""
    at, short, wide = _densities(residual, deviation, spike, shortfall, idle, reach)
    return math.log(at + short + wide + outlier / shortfall)


@vectorize([f"float64({_ARGUMENTS})"], cache=True)
def at_limit_chance(
    residual: float, deviation: float, spike: float, shortfall: float, idle: float, reach: float, outlier: float
) -> float:
    """Chance that an event was at the limit."""
    at, short, wide = _densities(residual, deviation, spike, shortfall, idle, reach)
    return at / (at + short + wide + outlier / shortfall)


# Both at once, slope + i curvature: they share their densities. No guvectorize: it keeps two files of compiled code, of
# which the second names what only the process that wrote the first has. Two processes that compile at one time leave
# two that do not fit, and every later one ends in a segmentation fault.
@vectorize([f"complex128({_ARGUMENTS}, float64)"], cache=True)
def _slope_and_curvature(
    residual: float,
    deviation: float,
    spike: float,
    shortfall: float,
    idle: float,
    reach: float,
    outlier: float,
    slab: float,
) -> complex:
    at, short, wide = _densities(residual, deviation, spike, shortfall, idle, reach)
    total = at + short + wide + outlier / shortfall
    u = residual / deviation
    bell = math.exp(-0.5 * u * u - LOG_ROOT_2PI) / deviation
    rest = 1.0 - spike
    edge = rest * ((1.0 - idle) + idle / reach) * bell / shortfall  # both short parts end in the bell
    slope = (at * u / deviation - short / shortfall + edge) / total
    return complex(slope, (at + slab * (short + wide)) / (total * deviation * deviation))


def slopes(residual: np.ndarray, deviation: np.ndarray, *terms: float | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slope of the log density over the limit, and a positive curvature for Newton steps.

    The last of `terms` is the share of their information that events short of the limit add to the curvature.
    """
    both = _slope_and_curvature(residual, deviation, *terms)
    return np.ascontiguousarray(both.real), np.ascontiguousarray(both.imag)
