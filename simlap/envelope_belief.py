"""What is believed of a limit c0 + c1 v²: a posterior on a grid of level and growth, and draws that begin from it.

A posterior mean serves where corners with deficits happen to line up: the likeliest line through them may be far off,
and the mean weighs it against the others.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from simlap.envelope_combined import LEVEL_FLOOR
from simlap.envelope_frontier import Mixture, climb, log_density

# The v² term of a limit is expected to be positive (downforce) and of about this size; the prior is exponential.
GROWTH_SCALE = 0.0013  # [1/m]
# Downforce loads all tyres: braking and lateral limit are expected to grow in proportion, within this (drag adds to
# the braking).
GROWTH_APART, GROWTH_APART_SHARE = 0.0003, 0.2  # [1/m], share
# Chance that a limit does not grow with speed at all, before looking.
NO_GROWTH = 0.3
MOST_GROWTH = 6e-3  # [1/m] the largest growth that is tried
# At standstill a car keeps this share at least of the limit at the middle speed of its corners: one with the most
# downforce grips with 1.7 g at rest and 5 g at 70 m/s (common practice, no source). On circuits without a slow corner
# nothing else holds the constant: resampled limits fell to -6.7 m/s².
LEAST_AT_REST = 0.25
# ... and no tyre is expected to hold more than this without downforce, give or take (racing tyres on dry asphalt: 1.4
# to 1.8 g; common practice, no source). Where all corners are fast, 2.4 g is downforce and not rubber.
MOST_AT_REST, REST_APART = 17.0, 2.5  # [m/s²]
# Cells of the grids over level and growth; log likelihood below the best at which the coarse one is left out.
COARSE, FINE, FAINT = (120, 31), (81, 31), 9.0
SPEED2_UNIT = 1000.0  # [m²/s²] v² is measured in this unit while fitting, so that parameters are of one size


@dataclass(frozen=True)
class Growth:
    """What is expected of a limit's v² term before looking [1/m]: none, or exponential; and near another limit's."""

    beside: tuple[float, float] | None = None  #: expected value and standard deviation that another limit tells

    @classmethod
    def like(cls, other: Belief, limit: float, air: float = 0.0) -> Growth:
        """Of a limit of about `limit` m/s² when another has shown how the car grows with speed; `air` is what the air
        adds to the growth of this limit and not of the other's (below zero: of the other's alone) [1/m]."""
        mean, deviation = other.growth()
        mean = max(mean + min(air, 0.0), 0.0)
        scale = limit / other.mean()[0]
        apart = GROWTH_APART + GROWTH_APART_SHARE * mean * scale
        return cls((mean * scale + max(air, 0.0), float(np.hypot(deviation * scale, apart))))

    def log_prior(self, c1: np.ndarray, step: float) -> np.ndarray:
        """Log of the prior mass in a cell of width `step` around each v² term (in `SPEED2_UNIT`), up to a constant."""
        scale = GROWTH_SCALE * SPEED2_UNIT
        mass = (1.0 - NO_GROWTH) * step / scale * np.exp(-c1 / scale)
        out = np.log(np.where(c1 == 0.0, NO_GROWTH + 0.5 * mass, mass))
        if self.beside is not None:
            out -= 0.5 * ((c1 / SPEED2_UNIT - self.beside[0]) / self.beside[1]) ** 2
        return out

    def terms(self) -> tuple[np.ndarray, np.ndarray]:
        """Precision (2, 2) and slope (2,) of the log prior over (level, v² term in `SPEED2_UNIT`)."""
        pull = np.array([0.0, -1.0 / (GROWTH_SCALE * SPEED2_UNIT)])
        if self.beside is None:
            return np.zeros((2, 2)), pull
        precision = 1.0 / (self.beside[1] * SPEED2_UNIT) ** 2
        pull[1] += self.beside[0] * SPEED2_UNIT * precision
        return np.diag([0.0, precision]), pull


@dataclass(frozen=True, eq=False)
class Belief:
    """Posterior over (level at the middle speed, v² term in `SPEED2_UNIT`), on a grid."""

    points: np.ndarray  #: (K, 2)
    chance: np.ndarray  #: (K,), sums to 1
    middle: float  #: v² at which the level is taken [m²/s²]
    evidence: float  #: log of the mean likelihood under the prior
    expected: Growth  #: what was expected of the v² term before looking
    banking: float = 0.0  #: standard deviation of a corner's level that unknown banking makes, as a share

    def mean(self) -> np.ndarray:
        """Posterior mean, (2,)."""
        return np.asarray(self.chance @ self.points)

    def pair(self, point: np.ndarray) -> np.ndarray:
        """(c0, c1) of a point of the grid or of a mean of them, (2,) [m/s², 1/m]."""
        c1 = point[1] / SPEED2_UNIT
        return np.array([point[0] - c1 * self.middle, c1])

    def growth(self) -> tuple[float, float]:
        """Mean and standard deviation of the v² term [1/m]."""
        c1 = self.points[:, 1] / SPEED2_UNIT
        mean = float(self.chance @ c1)
        return mean, math.sqrt(max(float(self.chance @ (c1 - mean) ** 2), 0.0))


def fit_pair(
    level: np.ndarray,
    deviation: np.ndarray,
    z: np.ndarray,
    belief: Belief | None,
    growth: Growth,
    weight: np.ndarray,
    mixture: Mixture,
    rng: np.random.Generator | None = None,
) -> tuple[np.ndarray, Belief]:
    """A limit c0 + c1 v² of each draw, and what is believed of it.

    Parameters
    ----------
    level, deviation : float64 arrays, shape (B, J)
        Levels of the events and the standard deviations of their noise. [m/s²]
    z : float64 array, shape (B, J)
        v² of the events. [m²/s²]
    belief : Belief or None
        Of the fit that the draws belong to; None for the fit itself, which has one draw.
    growth : Growth
        What is expected of c1 before looking.
    weight : float64 array, shape (B, J)
        How often each event counts.
    mixture : Mixture
        What is expected of the events; its shortfall is a share of the limit.
    rng : Generator, optional
        Draws the limits that the draws begin at; None for the fit itself.

    Returns
    -------
    pair : float64 array, shape (B, 2)
        c0 [m/s²] and c1 [1/m] of each draw.
    belief : Belief

    Notes
    -----
    Without a belief the limits are the posterior mean over a grid. Draws begin at limits drawn from the belief of the
    fit, each in its own basin, and climb from there.
    """
    scale = float(np.mean(np.median(level, axis=1)))
    error = np.sqrt(deviation**2 + (LEVEL_FLOOR * scale) ** 2)
    kind = replace(mixture, shortfall=mixture.shortfall * scale)
    if belief is None or rng is None:
        middle = float(np.mean(z))
        design = np.stack([np.ones_like(z), (z - middle) / SPEED2_UNIT], axis=2)
        belief = _believe(level[0], error[0], design[0], weight[0], kind, growth, middle)
        return belief.pair(belief.mean())[None, :], belief
    design = np.stack([np.ones_like(z), (z - belief.middle) / SPEED2_UNIT], axis=2)
    precision, pull = belief.expected.terms()
    begin = belief.points[rng.choice(belief.chance.size, size=level.shape[0], p=belief.chance)]
    free = climb(level, error, design, begin, kind, precision, np.zeros(2), pull, weight)
    flat = climb(level, error, design[:, :, :1], begin[:, :1], kind, np.zeros((1, 1)), np.zeros(1), None, weight)
    constant = begin[:, 1] == 0.0
    at_middle = np.where(constant, flat[:, 0], free[:, 0])
    climbed = np.where(constant, 0.0, free[:, 1])
    grown = np.clip(_untold(climbed, begin[:, 1], belief), 0.0, _most_growth(at_middle, belief.middle))
    c1 = grown / SPEED2_UNIT
    return np.stack([at_middle - c1 * belief.middle, c1], axis=1), belief


def _untold(climbed: np.ndarray, begin: np.ndarray, belief: Belief) -> np.ndarray:
    """v² terms of the draws (B,), climbed to from `begin` (B,), with what the laps do not tell of growth put back.

    Where corners of one speed leave open whether a limit grows at all, every draw climbs to the one likeliest growth,
    and their interval passed by the posterior mean (all draws without growth, the mean with 0.0005 1/m). As far as
    no growth is as likely as before looking, the draws get the belief's mean and at least its spread.
    """
    grows = belief.points[:, 1]
    open_ = min(float(belief.chance[grows == 0.0].sum()) / NO_GROWTH, 1.0)
    mean = float(belief.chance @ grows)
    variance = float(belief.chance @ (grows - mean) ** 2)
    if open_ == 0.0 or variance == 0.0:
        return climbed
    lost = math.sqrt(max(1.0 - float(climbed.var()) / variance, 0.0))
    return climbed + open_ * (mean - float(climbed.mean()) + lost * (begin - mean))


def _most_growth(level: np.ndarray, middle: float) -> np.ndarray:
    """Largest v² term (in `SPEED2_UNIT`) beside a `level` [m/s²] at v² = `middle` that leaves `LEAST_AT_REST`."""
    return (1.0 - LEAST_AT_REST) * level * SPEED2_UNIT / middle


def _believe(
    level: np.ndarray,
    error: np.ndarray,
    design: np.ndarray,
    weight: np.ndarray,
    kind: Mixture,
    growth: Growth,
    middle: float,
) -> Belief:
    """Posterior on a coarse grid, then on a fine one where the coarse one lies."""
    a = np.linspace(0.8 * level.min(), 1.1 * level.max(), COARSE[0])
    c1 = np.linspace(0.0, MOST_GROWTH * SPEED2_UNIT, COARSE[1])
    for last in (False, True):
        limit = a[:, None, None] + c1[None, :, None] * design[:, 1]
        score = (log_density(level - limit, error, kind) * weight).sum(axis=2)
        step = c1[1] - c1[0]
        value = score + growth.log_prior(c1, step)
        at_rest = a[:, None] - c1[None, :] * (middle / SPEED2_UNIT)
        value -= 0.5 * (np.maximum(at_rest - MOST_AT_REST, 0.0) / REST_APART) ** 2
        value[c1 > _most_growth(a, middle)[:, None]] = -np.inf
        if last:
            break
        near = value > value.max() - FAINT
        rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
        a = np.linspace(a[max(rows[0] - 1, 0)], a[min(rows[-1] + 1, a.size - 1)], FINE[0])
        c1 = np.linspace(c1[max(columns[0] - 1, 0)], c1[min(columns[-1] + 1, c1.size - 1)], FINE[1])
    top = float(value.max())
    chance = np.exp(value - top)
    total = float(chance.sum())
    evidence = top + math.log(total * float(a[1] - a[0]))
    points = np.column_stack([np.repeat(a, c1.size), np.tile(c1, a.size)])
    return Belief(points, (chance / total).ravel(), middle, evidence, growth)
