"""Signal and noise told apart by their spectra, for values at even steps of a closed lap (Wiener's filter)."""

import numpy as np


def sides_of(count: int) -> np.ndarray:
    """How often each wave of `np.fft.rfft` of `count` values stands in the whole spectrum: once or twice."""
    wave = np.arange(count // 2 + 1)
    return np.where((wave == 0) | (2 * wave == count), 1.0, 2.0)


def matern(phase: np.ndarray) -> np.ndarray:
    """Spectrum of a Matern process of smoothness 3/2, 1 for long waves, over `phase`: wave number times its length.

    Rasmussen and Williams, *Gaussian Processes for Machine Learning*, 2006, section 4.2.1.
    """
    return np.asarray((1.0 + phase**2 / 3.0) ** -2.0)


def chance_of(power: np.ndarray, expected: np.ndarray, sides: np.ndarray) -> np.ndarray:
    """How likely each of some expected spectra (..., k) is, by what one makes of a measured `power` (k,); sums to 1."""
    likelihood = -0.5 * np.sum(sides * (np.log(expected) + power / expected), axis=-1)
    chance = np.exp(likelihood - likelihood.max())
    return np.asarray(chance / chance.sum())
