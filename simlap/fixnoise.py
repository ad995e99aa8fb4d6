"""Noise of a receiver's positions, read from the positions alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LEAST_RUN = 256  # fixes without a gap
SEGMENT = 16.0  # [s] of one periodogram
LOWEST = 0.6  # [Hz] below, a car's motion has five times the jerk that it has above
# Steps of the acceleration (pedals) make a path of 1 / f⁶, steps of the jerk (clothoids, slow feet) of 1 / f⁸. At
# 5 Hz a wander of 0.3 m came out 0.0 to 0.6 times as strong with 1 / f⁶, 1.1 to 1.8 with f⁻⁸, 0.5 to 1.1 with f⁻⁷.
PATH_POWER = 3.5  # of D²
ROUNDS = 300  # multiplicative updates; the likelihood moves by less than 1e-4 after 200
STEADY = 0.05  # relative spread of the time steps that still counts as uniform


@dataclass(frozen=True)
class FixNoise:
    """Variances of the model position = path + random walk + white."""

    white: float  #: standard deviation of the white part [m]
    intensity: float  #: variance that the wandering part gains per second [m²/s]


def fix_noise(t: np.ndarray, x: np.ndarray, y: np.ndarray) -> FixNoise | None:
    """Split the spectrum of the positions into white noise, random walk and path.

    Parameters
    ----------
    t, x, y : float64 arrays, shape (n,)
        Fixes [s], [m].

    Returns
    -------
    FixNoise or None
        None when there is no run of `LEAST_RUN` evenly spaced fixes.

    Notes
    -----
    Second differences of the positions are stationary. Their periodogram I(f), averaged over segments, is fitted by
    P(f) = Σ θ_k g_k(f) with the least Itakura-Saito distance, which is Whittle's likelihood (Whittle 1953,
    doi:10.1007/BF02590998), by multiplicative updates θ_k *= Σ g_k I / P² / Σ g_k / P (Févotte, Bertin, Durrieu 2009,
    doi:10.1162/neco.2008.04-08-771). With D = 2 sin(π f dt) / dt: white 1, walk 1 / D², path 1 / D⁷.
    """
    from scipy.signal import welch

    run = _longest_even_run(t)
    if run.size < LEAST_RUN:
        return None
    dt = float(np.mean(np.diff(t[run])))
    length = min(int(SEGMENT / dt), run.size - 2)
    total = 0.0
    for z in (x, y):
        frequency, density = welch(np.diff(z[run], 2), 1.0 / dt, nperseg=length, detrend=False)
        total = total + 0.25 * density  # two-sided, mean of east and north
    keep = (frequency >= LOWEST) & (frequency <= 0.48 / dt)
    if keep.sum() < 8:
        return None
    d2 = (2.0 * np.sin(np.pi * frequency[keep] * dt) / dt) ** 2
    seen = np.asarray(total)[keep] / (d2 * dt**2) ** 2  # density of the position itself
    shapes = np.array([np.full(d2.size, dt), 1.0 / d2, 1.0 / d2**PATH_POWER])
    scale = np.array([np.median(seen) / np.median(g) for g in shapes])
    theta = scale / 3.0
    for _ in range(ROUNDS):
        model = theta @ shapes
        theta = theta * ((shapes * (seen / model**2)).sum(axis=1) / (shapes / model).sum(axis=1))
    return FixNoise(float(np.sqrt(theta[0])), float(theta[1]))


def _longest_even_run(t: np.ndarray) -> np.ndarray:
    """Indices of the longest run of evenly spaced times."""
    step = np.diff(t)
    even = np.abs(step - np.median(step)) <= STEADY * np.median(step)
    breaks = np.flatnonzero(~even)
    pieces = np.split(np.arange(t.size), breaks + 1)
    return max(pieces, key=len)
