"""Line two curvature profiles up by a slowly varying shift in distance."""

from __future__ import annotations

import numpy as np

# How the odometer of one lap may run away from another's: standard deviation per root metre. 0.1 m/√m is 1 m in
# 100 m and 5.5 m in a lap of 3 km; a driver's other line through one corner shifts its curvature for tens of metres
# only and is not followed.
SHIFT_WALK = 0.1  # [m/√m]
KNOT = 40.0  # [m] the shift is linear between knots
SCALES = (60.0, 25.0, 12.0)  # [m] widths of the Gaussian smoothing, coarse to fine
ROUNDS = 4  # Gauss-Newton steps at each scale
SHORTEST_REPEAT = 50.0  # [m] a path that repeats itself sooner is no circuit
REPEATS = 0.8  # of the best correlation: lengths with less are no laps
OFF_WHOLE_TURNS = 0.25  # turns: half-way to a lap of two halves that are alike; a turn rate drifts less in a lap
CURVATURE_NOISE = 1.0e-3  # [1/m] rms difference of curvature between two laps of one driver, 12 m smoothing


def smooth_over(values: np.ndarray, spacing: float, width: float, periodic: bool = False) -> np.ndarray:
    """Gaussian smoothing, standard deviation `width` / 2, of a profile sampled every `spacing` metres."""
    from scipy.ndimage import gaussian_filter1d

    return gaussian_filter1d(values, 0.5 * width / spacing, mode="wrap" if periodic else "nearest")


def shift_between(reference: np.ndarray, other: np.ndarray, spacing: float) -> np.ndarray:
    """Shift d (n,) [m] such that ``other(s + d(s))`` looks like ``reference(s)``.

    Parameters
    ----------
    reference, other : float64 arrays, shape (n,), (m,)
        Curvature sampled every `spacing` metres, both from the same odometer zero. [1/m]
    spacing : float
        [m]

    Notes
    -----
    Least squares over the curvature difference, with a random-walk prior on the shift (`SHIFT_WALK`); straights carry
    no information and are bridged linearly. Begun at no shift, coarse to fine, so that one of up to 30 m is found.
    """
    from scipy.linalg import solveh_banded

    n = reference.size
    s = spacing * np.arange(n)
    count = max(int(np.ceil(s[-1] / KNOT)) + 1, 2)
    place = s / (s[-1] / (count - 1))
    left = np.clip(place.astype(int), 0, count - 2)
    share = place - left
    knots = np.zeros(count)
    other_s = spacing * np.arange(other.size)
    stiff = 1.0 / (SHIFT_WALK**2 * s[-1] / (count - 1))
    for width in SCALES:
        aim = smooth_over(reference, spacing, width)
        have = smooth_over(other, spacing, width)
        slope = np.gradient(have, spacing)
        # neighbouring samples of a smoothed profile share their noise: one is worth spacing / width of a free one
        weight = spacing / width / CURVATURE_NOISE**2
        for _ in range(ROUNDS):
            shift = knots[left] * (1.0 - share) + knots[left + 1] * share
            error = aim - np.interp(s + shift, other_s, have)
            g = np.interp(s + shift, other_s, slope)
            inside = (s + shift > 0.0) & (s + shift < other_s[-1])
            w = weight * inside / (1.0 + (error / (3.0 * CURVATURE_NOISE)) ** 2)  # Cauchy: another line is no shift
            band = np.zeros((2, count))
            np.add.at(band[1], left, w * (g * (1.0 - share)) ** 2)
            np.add.at(band[1], left + 1, w * (g * share) ** 2)
            np.add.at(band[0], left + 1, w * g * g * share * (1.0 - share))
            right = np.bincount(left, w * g * (1.0 - share) * error, count)
            right += np.bincount(left + 1, w * g * share * error, count)
            tension = stiff * np.diff(knots)
            band[1, :-1] += stiff
            band[1, 1:] += stiff
            band[0, 1:] -= stiff
            right[:-1] += tension
            right[1:] -= tension
            band[1] += 1e-6 * stiff
            step = solveh_banded(band, right)
            knots = knots + np.clip(step, -0.5 * width, 0.5 * width)
    return knots[left] * (1.0 - share) + knots[left + 1] * share


def lap_length_of(kappa: np.ndarray, spacing: float) -> tuple[float, float]:
    """Length after which a curvature profile repeats, and the correlation there; 0, 0 when nothing repeats.

    The shortest that brings the course round by whole turns, as every closed path does: half an oval repeats its
    curvature too. Where a drift of the turn rate leaves none such, the shortest of all.
    """
    lengths, scores = lap_lengths_of(kappa, spacing)
    if not lengths.size:
        return 0.0, 0.0
    course = np.cumsum(kappa) * spacing / (2.0 * np.pi)
    lags = np.round(lengths / spacing).astype(int)
    turns = np.array([np.median(course[lag:] - course[:-lag]) for lag in lags])
    best = int(np.argmax(np.abs(turns - np.round(turns)) < OFF_WHOLE_TURNS))
    return float(lengths[best]), float(scores[best])


def lap_lengths_of(kappa: np.ndarray, spacing: float) -> tuple[np.ndarray, np.ndarray]:
    """Lengths after which a curvature profile may repeat, rising, and the correlation at each.

    All lags whose correlation is a local peak within 80 % of the best, behind the first lags at which the profile still
    resembles itself: laps, several of them, and parts of a circuit that resembles itself. Lags up to four fifths of the
    record are tried, each normalised by its own overlap.
    """
    from scipy.signal import fftconvolve

    k = smooth_over(kappa, spacing, 30.0)
    n = k.size
    last = int(0.8 * n)
    first = int(SHORTEST_REPEAT / spacing)
    if last - first < 10:
        return np.zeros(0), np.zeros(0)
    product = fftconvolve(k, k[::-1])[n - 1 :]
    energy = np.concatenate([[0.0], np.cumsum(k * k)])
    lags = np.arange(last)
    head, tail = energy[n - lags], energy[n] - energy[lags]
    score = product[lags] / np.sqrt(np.maximum(head * tail, 1e-30))
    peaks = np.flatnonzero((score[1:-1] >= score[:-2]) & (score[1:-1] > score[2:])) + 1
    peaks = peaks[peaks > first]
    if peaks.size == 0:
        return np.zeros(0), np.zeros(0)
    alike = REPEATS * score[peaks].max()
    good = peaks[(score[peaks] >= alike) & (peaks > np.argmax(score < alike))]
    return spacing * lags[good], score[good]
