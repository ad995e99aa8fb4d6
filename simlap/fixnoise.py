"""Noise of a receiver's positions, read from the positions alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LEAST_RUN = 256  # fixes without a gap
SEGMENT = 16.0  # [s] of one periodogram
LOWEST = 0.6  # [Hz] below, a car's motion has five times the jerk that it has above
ROUNDS = 300  # multiplicative updates; the likelihood moves by less than 1e-4 after 200
STEADY = 0.05  # relative spread of the time steps that still counts as uniform


@dataclass(frozen=True)
class FixNoise:
    """Variances of the model position = path + random walk + white."""

    white: float  #: standard deviation of the white part [m]
    intensity: float  #: variance that the wandering part gains per second [m²/s]
    jerk: float  #: two-sided density of the jerk that the path needs [m²/s⁵]


def fix_noise(t: np.ndarray, x: np.ndarray, y: np.ndarray) -> FixNoise | None:
    """Split the spectrum of the positions into white noise, random walk and white jerk.

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
    doi:10.1162/neco.2008.04-08-771). With D = 2 sin(π f dt) / dt: white 1, walk 1 / D², jerk 1 / D⁶.
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
    shapes = np.array([np.full(d2.size, dt), 1.0 / d2, 1.0 / d2**3])
    scale = np.array([np.median(seen) / np.median(g) for g in shapes])
    theta = scale / 3.0
    for _ in range(ROUNDS):
        model = theta @ shapes
        theta = theta * ((shapes * (seen / model**2)).sum(axis=1) / (shapes / model).sum(axis=1))
    return FixNoise(float(np.sqrt(theta[0])), float(theta[1]), float(theta[2]))


def _longest_even_run(t: np.ndarray) -> np.ndarray:
    """Indices of the longest run of evenly spaced times."""
    step = np.diff(t)
    even = np.abs(step - np.median(step)) <= STEADY * np.median(step)
    breaks = np.flatnonzero(~even)
    pieces = np.split(np.arange(t.size), breaks + 1)
    return max(pieces, key=len)
