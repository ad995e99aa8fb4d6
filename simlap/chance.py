"""How likely a lap time is in the next outing, from the lap times of this one."""

from dataclasses import dataclass

import numpy as np

from simlap.errors import NotEnoughData
from simlap.robust import deviation

# What is assumed of a driver before the laps are looked at, as shares of the lap time: drift at the first lap and its
# spread, scatter from lap to lap and how many laps' worth of evidence that scatter counts. Set on replayed
# seeded sessions of drivers who improve, stand still or tire; see "Calibration" in DEVELOPERS.md.
DRIFT_PER_LAP = -0.0003
DRIFT_SPREAD = 0.0020
EXPECTED_SCATTER = 0.0025
SCATTER_WEIGHT = 3.0  # [laps]
# Improvement wears off: each lap improves by this share of the lap before.
PERSISTENCE = 0.92
# The least that laps are taken to scatter by where it is asked whether they differ, as a share of the lap time: laps
# that happen to be alike do not make a driver who never varies.
SCATTER = 0.004
# A lap this many deviations above the median held a slip or traffic: it says nothing of the best lap to come.
SLIP = 2.5
TRIALS = 4000  # a chance of 50 % then carries an error of 0.8 points


@dataclass(frozen=True)
class Outlook:
    """Lap times of the next outing: simulated, shape (trials, laps). [s]"""

    laps: np.ndarray

    def chance_of(self, lap_time: float) -> float:
        """Chance that the best lap of the outing is `lap_time` [s] or faster."""
        return float((self.laps.min(axis=1) <= lap_time).mean())


def outlook(lap_times: np.ndarray, next_laps: int, *, seed: int = 0) -> Outlook:
    """Simulate the next outing's lap times.

    Parameters
    ----------
    lap_times : float64 array, shape (m,)
        Counted laps in driving order. [s]
    next_laps : int
        Number of laps in the next outing.

    Returns
    -------
    Outlook

    Raises
    ------
    NotEnoughData
        With fewer than two laps.

    Notes
    -----
    Bayesian regression of the lap times on a drift that wears off, with a normal prior on the drift and a scaled
    inverse-chi-squared prior on the scatter (Gelman and others, Bayesian Data Analysis, 3rd ed. 2013, chapter
    14; from memory), carried on to the laps ahead. Laps with a slip are left out.
    """
    y = np.asarray(lap_times, dtype=float)
    if y.size < 2:
        raise NotEnoughData(f"A chance needs at least two counted laps; this session has {y.size}.")
    scale = float(np.median(y))
    clean = without_slip(y, SCATTER * scale)
    # drift laps: what an initial drift has added up to by each lap, driven and ahead
    grown = np.cumsum(PERSISTENCE ** np.arange(y.size + next_laps))
    ahead = grown[y.size :]
    design, y = np.column_stack([np.ones(y.size), grown[: y.size]])[clean], y[clean]
    # the level is left free, the drift is drawn towards what drivers do
    prior_precision = np.diag([0.0, (EXPECTED_SCATTER / DRIFT_SPREAD) ** 2])
    prior_mean = np.array([0.0, DRIFT_PER_LAP * scale])
    precision = design.T @ design + prior_precision
    mean = np.linalg.solve(precision, design.T @ y + prior_precision @ prior_mean)
    residual = y - design @ mean
    weight = SCATTER_WEIGHT + y.size - 1
    variance = (SCATTER_WEIGHT * (EXPECTED_SCATTER * scale) ** 2 + float(residual @ residual)) / weight
    rng = np.random.default_rng(seed)
    sigma = np.sqrt(weight * variance / rng.chisquare(weight, TRIALS))
    root = np.linalg.cholesky(np.linalg.inv(precision))
    level, drift = (mean + sigma[:, None] * (rng.standard_normal((TRIALS, 2)) @ root.T)).T
    scatter = sigma[:, None] * rng.standard_normal((TRIALS, next_laps))
    return Outlook(level[:, None] + drift[:, None] * ahead + scatter)


def without_slip(lap_times: np.ndarray, usual: float) -> np.ndarray:
    """Which laps lie within `SLIP` deviations above the median; `usual` is the least deviation [s]."""
    above = lap_times - np.median(lap_times)
    return np.asarray(above <= SLIP * max(deviation(above), usual))
