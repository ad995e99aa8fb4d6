"""The frontier of noisy levels: the limit that many events reach and none passes, their noise being known.

Model of an event's level: y = L (1 - d) + noise. With probability `spike` the driver was at the limit (d = 0), else
the shortfall is exponential; the noise is normal with a known deviation. A mean would let under-driven corners drag the
limit down, a maximum would let the noise push it up; the likelihood of this mixture does neither. It is a stochastic
frontier with normal noise and exponential inefficiency (Aigner, Lovell, Schmidt 1977, doi:10.1016/0304-4076(77)90052-5;
Meeusen and van den Broeck 1977, doi:10.2307/2525757), with a share of events that have no inefficiency.

All functions work on a batch of B bootstrap draws at once: levels (B, J) of J events.
"""

from dataclasses import dataclass, fields

import numpy as np
from scipy.special import ndtri

from simlap import _mixture

# Newton steps; the largest change after the tenth was 1e-5 of a limit on synthetic sessions.
STEPS = 14
# A step changes no limit by more than this share of its scale, so that a draw cannot leave its basin.
LONGEST_STEP = 0.02
# Share of the events' information that the shortfall part of the mixture adds to the curvature (keeps steps finite).
SLAB_CURVATURE = 0.3
# Variance of twice the mean square of the upper half of normal residuals, times the degrees of freedom, in units of
# their variance squared (2 for the whole of them, more for a half).
CHANCE = 5.0
# The motion's drawn errors are this far from its true ones, as a share of their variance (10 % of the deviation): what
# is taken for noise too little would be taken for the driver's variation.
NOISE_DOUBT = 0.2
# "Any amount short" reaches down to this many mean shortfalls.
IDLE_REACH = 16.0
# What two laps exceed by so many deviations of the noise has been shown, whatever the others did.
TWICE = 3.0


Each = float | np.ndarray  # for all events, or for each one


@dataclass(frozen=True)
class Mixture:
    """What is expected of events before looking."""

    spike: Each  #: share of events at the limit
    shortfall: Each  #: mean shortfall of the others, in the unit of the levels
    idle: Each = 0.5  #: share of those others that may be any amount short (the driver was not trying)
    outlier: Each = 1e-5  #: density floor times `shortfall`: an event far above all others counts this little

    def where(self, mask: np.ndarray, other: "Mixture") -> "Mixture":
        """This mixture for events where `mask` holds, the `other` for the rest."""
        parts = {each.name: (getattr(self, each.name), getattr(other, each.name)) for each in fields(self)}
        return Mixture(**{name: np.where(mask, *pair) for name, pair in parts.items()})

    def terms(self) -> tuple[float | np.ndarray, ...]:
        """Arguments of the compiled densities."""
        return self.spike, self.shortfall, self.idle, IDLE_REACH, self.outlier


def upper_levels(
    values: np.ndarray, noise: np.ndarray, quantile: np.ndarray, near: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Level of each event that the driver reaches at `quantile` of the laps, noise taken out.

    Parameters
    ----------
    values : (B, m, J) per draw, lap and event
    noise : (J,) standard deviation of the motion's error in one value
    quantile : (B,) in (0, 1)
    near : (B, J), optional
        How much each event tells of what all have in common: a driver varies more where he is far from the limit, for
        at the limit the tyres leave no room above.

    Returns
    -------
    level, deviation : (B, J)
        The level and the standard error of it.
    spread : (B, J)
        Standard deviation of the driver's own variation; 0 where the noise explains all.

    Notes
    -----
    level = median over the laps + z_q spread. The spread comes from the upper half of the residuals alone (mistakes lie
    below): twice their mean square, less the noise's variance. Each event's estimate is drawn towards the mean of all
    events by what chance alone would make them differ (empirical Bayes), and the mean is lowered by one standard error,
    so that a driver without variation is not given one by chance. What the second-best lap shows beyond the noise is
    the least: a driver who brakes hard on two laps of four has a median that says little.
    """
    laps = values.shape[1]
    share = np.ones((values.shape[0], values.shape[2])) if near is None else near
    share = share / share.sum(axis=1, keepdims=True)

    def mean(each: np.ndarray) -> np.ndarray:
        return np.sum(share * each, axis=1, keepdims=True)

    freedom = max(laps - 1, 1)
    middle = np.median(values, axis=1)
    above = np.clip(values - middle[:, None], 0.0, 4.0 * noise + 0.03 * np.abs(middle[:, None]))
    excess = 2.0 * np.sum(above**2, axis=1) / freedom - noise**2
    common = mean(excess)
    chance = CHANCE * (noise**2 + np.maximum(common, 0.0)) ** 2 / freedom
    between = np.maximum(mean((excess - common) ** 2) - mean(chance), 0.0)
    own = between / np.maximum(between + chance, 1e-12)
    doubt = np.hypot(np.sqrt(mean(chance) * np.sum(share**2, axis=1, keepdims=True)), NOISE_DOUBT * mean(noise**2))
    spread = np.sqrt(np.maximum(common - doubt + own * (excess - common), 0.0))
    level = middle + ndtri(quantile)[:, None] * spread
    highest = values.max(axis=1, keepdims=True)
    second = np.max(values, axis=1, where=values < highest, initial=-np.inf)
    level = np.maximum(level, second - TWICE * noise)
    deviation = np.sqrt((noise**2 + spread**2) * (np.pi / 2.0) / laps)
    return level, deviation, spread


def log_density(residual: np.ndarray, deviation: np.ndarray, kind: Mixture) -> np.ndarray:
    """Log density of level - limit under the mixture."""
    out: np.ndarray = _mixture.log_density(residual, deviation, *kind.terms())
    return out


def at_limit_chance(residual: np.ndarray, deviation: np.ndarray, kind: Mixture) -> np.ndarray:
    """Chance that an event was at the limit, given level - limit."""
    out: np.ndarray = _mixture.at_limit_chance(residual, deviation, *kind.terms())
    return out


def climb(
    level: np.ndarray,
    deviation: np.ndarray,
    design: np.ndarray,
    start: np.ndarray,
    kind: Mixture,
    precision: np.ndarray,
    lowest: np.ndarray,
    pull: np.ndarray | None = None,
    weight: np.ndarray | None = None,
    fixed: np.ndarray | float = 0.0,
) -> np.ndarray:
    """Parameters (B, K) of limit = fixed + design (B, J, K) @ parameters at the top of the penalised likelihood.

    Parameters
    ----------
    level, deviation : (B, J)
        Levels of the events and the standard deviations of their noise, in the unit of the limit.
    start : (B, K)
        Parameters that the climb begins at; it ends in their basin.
    kind : Mixture
        What is expected of the events; its shortfall in the unit of the limit.
    precision : (K, K), or (B, K, K)
        Penalty -½ p' precision p.
    lowest : (K,)
        Smallest value of each parameter.
    pull : (K,), or (B, K), optional
        Slope of a log prior that is linear in the parameters.
    weight : (B, J), optional
        How often each event counts in each draw.
    fixed : (B, J), optional
        Part of the limit that no parameter moves.
    """
    p = np.array(start, dtype=float)
    scale = np.mean(np.abs(level), axis=1)
    reach = LONGEST_STEP * scale[:, None]
    for _ in range(STEPS):
        residual = level - fixed - np.einsum("bjk,bk->bj", design, p)
        slope, curvature = _mixture.slopes(residual, deviation, *kind.terms(), SLAB_CURVATURE)
        if weight is not None:
            slope, curvature = slope * weight, curvature * weight
        gradient = np.einsum("bjk,bj->bk", design, slope) - (p[:, None] @ precision)[:, 0]
        if pull is not None:
            gradient = gradient + pull
        matrix = np.einsum("bjk,bj,bjl->bkl", design, curvature, design, optimize=True) + precision
        held = (p <= lowest) & (gradient < 0.0)
        matrix = np.where(held[:, :, None] | held[:, None, :], 0.0, matrix)
        index = np.arange(p.shape[1])
        diagonal = matrix[:, index, index]
        matrix[:, index, index] = np.where(held, 1.0, diagonal + 1e-9 + 1e-6 * diagonal.max(axis=1, keepdims=True))
        step = np.linalg.solve(matrix, np.where(held, 0.0, gradient)[..., None])[..., 0]
        change = np.max(np.abs(np.einsum("bjk,bk->bj", design, step)), axis=1, keepdims=True)
        step *= np.minimum(1.0, reach / np.maximum(change, 1e-12))
        p = np.maximum(p + step, lowest)
    return p


def falling(values: np.ndarray) -> np.ndarray:
    """Least-squares monotone falling fit of each row of `values` (B, K), by the min-max formula.

    Source: Robertson, Wright and Dykstra (1988), Order Restricted Statistical Inference, theorem 1.4.4.
    """
    count = values.shape[1]
    total = np.concatenate([np.zeros((values.shape[0], 1)), np.cumsum(values, axis=1)], axis=1)
    out = np.empty_like(values)
    first, last = np.arange(count)[:, None], np.arange(count)[None, :]
    width = np.maximum(last - first + 1, 1)
    means = (total[:, None, 1:] - total[:, :-1, None]) / width
    for i in range(count):
        out[:, i] = np.min(np.max(means[:, : i + 1, i:], axis=2), axis=1)
    return out


def hats(v: np.ndarray, knots: np.ndarray) -> np.ndarray:
    """Weights (..., K) of linear interpolation between `knots`, constant outside."""
    at = np.clip(v, knots[0], knots[-1])
    right = np.clip(np.searchsorted(knots, at, side="right"), 1, knots.size - 1)
    share = (at - knots[right - 1]) / (knots[right] - knots[right - 1])
    out = np.zeros((*at.shape, knots.size))
    np.put_along_axis(out, (right - 1)[..., None], (1.0 - share)[..., None], axis=-1)
    np.put_along_axis(out, right[..., None], share[..., None], axis=-1)
    return out
