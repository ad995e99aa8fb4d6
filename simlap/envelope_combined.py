"""What is left of one limit beside the other: exponents and traction, from windows with both accelerations in use."""

import numpy as np

from simlap.envelope import combined_use, slowed_by
from simlap.envelope_event_types import CombinedEvents
from simlap.envelope_events import COMBINED_SHARE
from simlap.envelope_frontier import Mixture, hats, log_density, upper_levels
from simlap.envelope_samples import DRAG

# Every level gets at least this error, as a share of the limit: windows of corners differ by surface and by rounding
# of peaks in the smooth motion.
LEVEL_FLOOR = 0.005
# Windows of trail braking: half at the limit, of the others half about 6 % short.
TRAIL_EVENTS = Mixture(spike=0.5, shortfall=0.06, idle=0.5)
# A window out of a corner with more than this of the engine's pull tells only that traction is more than it used.
ENGINE_SHARE, ENGINE_DOUBT = 0.96, 0.1  # share, [m/s²]
# Windows out of corners: many are limited by the engine and tell of traction only that it is more.
DRIVE_EVENTS = Mixture(spike=0.1, shortfall=0.1)
# Windows on straights with less drive than the engine's: most are a driver on half throttle, any amount short.
STRAIGHT_EVENTS = Mixture(spike=0.2, shortfall=0.1, idle=1.0)
# Error of the combined use out of corners, as a share: it sums the errors of lateral limit, engine and ringing.
DRIVE_FLOOR = 0.015
# Exponents tried, and what is expected of them before looking. Tyres trade along something like an ellipse (the cars
# of other simulators that simlap was tried on have 1.4 to 2.4; no source). What looks like less is a driver who hardly
# brakes and turns at once: read as the tyres' (1.1) it made four novices' limit laps 1.3 to 2.6 % too slow.
EXPONENTS = np.linspace(1.4, 3.0, 33)
DRIVE_EXPONENTS = EXPONENTS[::4]
EXPONENT_PRIOR = (1.95, 0.3)
# Narrower for drive: most exits are limited by the engine and tell little of the tyres.
DRIVE_EXPONENT_PRIOR = (2.0, 0.2)
# Traction with no lateral load over the braking limit: tried ratios, and what is expected before looking (two driven
# wheels of four, loaded by the acceleration).
TRACTION_RATIOS = np.linspace(0.3, 1.0, 15)
TRACTION_PRIOR = (0.72, 0.17)
# Traction grows with v² by this share of what the braking limit does: two of four wheels are driven, and the wings'
# load does not all reach them.
TRACTION_GROWTH = 0.7


def fit_exponent(
    found: CombinedEvents,
    laps: np.ndarray,
    quantile: np.ndarray,
    lateral: np.ndarray,
    braking: np.ndarray,
    weight: np.ndarray,
) -> np.ndarray:
    """Posterior mean of the braking exponent of each draw, shape (B,).

    Parameters
    ----------
    found : CombinedEvents
        J windows with both accelerations in use, on m laps.
    laps : int array, shape (B, m)
        Rows of the laps of each draw.
    quantile : float64 array, shape (B,)
        Share of the laps below the level that counts as reached.
    lateral : float64 array, shape (B, 2, 2)
        c0 [m/s²] and c1 [1/m] of the lateral limit, of left and of right turns.
    braking : float64 array, shape (B, 2)
        The same of the braking limit.
    weight : float64 array, shape (B, J)
        How often each window counts.

    Notes
    -----
    (|a_lon| / limit)^p + (|a_lat| / limit)^p = 1 at the limit; p on a grid, EXPONENT_PRIOR before looking.
    """
    draws = laps.shape[0]
    log_prior = -0.5 * ((EXPONENTS - EXPONENT_PRIOR[0]) / EXPONENT_PRIOR[1]) ** 2
    if found.count == 0:
        return np.full(draws, EXPONENT_PRIOR[0])
    x, y, noise_x, noise_y, lift = combined_shares(found, laps, quantile, lateral, braking)
    score = np.empty((draws, EXPONENTS.size))
    for k, p in enumerate(EXPONENTS):
        used, error = _use(x, y, noise_x, noise_y, p, laps.shape[1], LEVEL_FLOOR)
        score[:, k] = np.sum(weight * log_density(used * found.bend[k] + lift - 1.0, error, TRAIL_EVENTS), axis=1)
        score[:, k] += log_prior[k]
    return _mean_of(score, EXPONENTS)


def combined_shares(found, laps, quantile, lateral, along_limit):
    """Shares of both limits that J windows use in B draws.

    Parameters
    ----------
    found, laps, quantile, lateral
        As in `fit_exponent`.
    along_limit : float64 array, shape (B, 2)
        The same of the limit along the path.

    Returns
    -------
    x, y : float64 arrays, shape (B, J)
        Median share of the lateral limit, and of the one along the path.
    noise_x, noise_y : float64 arrays, shape (B, J)
        Their standard deviations: the motion's noise and what the laps spread by.
    lift : float64 array, shape (B, J)
        By how much the level reached at `quantile` is above the median, as a share.
    """
    z = found.speed2[laps]
    zm = np.median(z, axis=1)
    side = np.where(found.turn >= 0, 0, 1)
    lat_limit = lateral[:, side, 0] + lateral[:, side, 1] * zm
    lon_limit = along_limit[:, :1] + along_limit[:, 1:] * zm
    x = np.median(found.lateral[laps], axis=1) / lat_limit
    y = np.median(found.along[laps], axis=1) / lon_limit
    noise_x, noise_y = found.noise_lateral / lat_limit[0], found.noise_along / lon_limit[0]
    each = found.use[laps]
    level, _, spread = upper_levels(each, found.noise_use, quantile)
    lift = level - np.median(each, axis=1)
    return x, y, np.hypot(noise_x, spread), np.hypot(noise_y, spread), lift


def _use(x, y, noise_x, noise_y, p, laps, floor):
    used = combined_use(x, y, p)
    error = np.hypot((x / used) ** (p - 1) * noise_x, (y / used) ** (p - 1) * noise_y) * np.sqrt(np.pi / 2 / laps)
    return used, np.hypot(error, floor)


def _mean_of(score: np.ndarray, at: np.ndarray) -> np.ndarray:
    weight = np.exp(score - score.max(axis=1, keepdims=True))
    return weight @ at / weight.sum(axis=1)


def fit_traction(
    found: CombinedEvents,
    laps: np.ndarray,
    quantile: np.ndarray,
    lateral: np.ndarray,
    braking: np.ndarray,
    knots: np.ndarray,
    engine: np.ndarray,
    drag: np.ndarray,
    slowest: float,
    weight: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Posterior means of traction over braking, and of the drive exponent, of each draw, both of shape (B,).

    Parameters
    ----------
    found, laps, quantile, lateral, braking, weight
        As in `fit_exponent`.
    knots : float64 array, shape (K,)
        Speeds of the engine curve. [m/s]
    engine : float64 array, shape (B, K)
        The curve at the knots. [m/s²]
    drag : float64 array, shape (B,)
        Cornering drag. [s²/m]
    slowest : float
        The engine's curve was driven from this speed on (infinite: nowhere); below it tells nothing of the tyres. [m/s]
    """
    draws = laps.shape[0]
    log_prior = (
        -0.5 * ((TRACTION_RATIOS[:, None] - TRACTION_PRIOR[0]) / TRACTION_PRIOR[1]) ** 2
        - 0.5 * ((DRIVE_EXPONENTS - DRIVE_EXPONENT_PRIOR[0]) / DRIVE_EXPONENT_PRIOR[1]) ** 2
    )
    score = np.tile(log_prior, (draws, 1, 1))
    # traction is at least what the engine ever used, at the speed where it did
    seen = np.append(slowest, knots[knots > slowest]) if np.isfinite(slowest) else np.zeros(0)
    pulled = engine @ hats(seen, knots).T
    share = pulled / (braking[:, :1] + TRACTION_GROWTH * braking[:, 1:] * seen**2)
    largest = np.max(share, axis=1, initial=0.0) * ENGINE_SHARE
    score += np.where(TRACTION_RATIOS[None, :, None] < largest[:, None, None] - 1e-3, -1e3, 0.0)
    if found.count:
        x, y, noise_x, noise_y, lift = combined_shares(found, laps, quantile, lateral, braking)
        z = np.median(found.speed2[laps], axis=1)
        lon = braking[:, :1] + braking[:, 1:] * z
        grown = (braking[:, :1] + TRACTION_GROWTH * braking[:, 1:] * z) / lon
        pull = np.einsum("bjk,bk->bj", hats(np.sqrt(z), knots), engine)
        free = slowed_by(DRAG, z)
        pull += free + (DRAG[2] - drag[:, None]) * np.median(found.lateral[laps], axis=1) ** 2  # the tyres' part of it
        at_engine = y * lon > ENGINE_SHARE * pull - ENGINE_DOUBT
        kind = STRAIGHT_EVENTS.where((x < COMBINED_SHARE) & ~at_engine, DRIVE_EVENTS)
        for i, ratio in enumerate(TRACTION_RATIOS):
            for k, p in enumerate(DRIVE_EXPONENTS):
                share = y / (ratio * grown + free / lon)
                used, error = _use(x, share, noise_x, noise_y / ratio, p, laps.shape[1], DRIVE_FLOOR)
                residual = used * found.bend[k] + lift - 1.0
                residual = np.where(at_engine, np.maximum(residual, 0.0), residual)
                score[:, i, k] += np.sum(weight * log_density(residual, error, kind), axis=1)
    flat = score.reshape(draws, -1)
    weight = np.exp(flat - flat.max(axis=1, keepdims=True)).reshape(score.shape)
    weight /= weight.sum(axis=(1, 2), keepdims=True)
    return weight.sum(axis=2) @ TRACTION_RATIOS, weight.sum(axis=1) @ DRIVE_EXPONENTS
