"""Slopes of the road as the log tells them: what the accelerometers feel beyond the motion of the path.

Along the road the sensor reads dv/dt + g sin(grade), and the path of the receiver alone tells dv/dt. A lap ends at the
height where it began, which takes out the bias.

Across it, on a road that falls by `b` towards the inside of a left turn, it reads v² kappa cos b - g sin b. The path
tells v² kappa, so the difference is gravity across the road, plus what the sensor and the body add: a bias, and shares
of a_lat (body roll, scale), of a_lon (a sensor turned on its mount, a nose that points into the turn) and of the yaw
acceleration (a sensor ahead of or behind the centre of gravity). Those are the same all around the lap and are fitted
to the whole of it, robustly, so that a few banked corners stand out instead of bending the fit. What all corners have
in common - roll, or a camber that is everywhere the same - cannot be told apart and need not be: the lateral limit
takes it up.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d

from simlap.frozen import own
from simlap.reference import low_pass
from simlap.robust import deviation
from simlap.spectra import chance_of, matern, sides_of
from simlap.units import G

# Grade: wave length of one half of the smoothing, as for elevation; expected size before looking.
GRADE_CUT = 120.0  # [m]
GRADE_EXPECTED = 0.008  # [rad]
# Banking is read at even steps of the median lap and lasts for about a corner; the noise of neighbouring frequencies is
# about the same; sizes of banking tried [rad].
EVEN, LASTS, NOISE_BINS = 0.1, 2.0, 9  # [s], [s]
SIZES = np.geomspace(0.002, 0.1, 30)
SLOWEST = 1.0  # [m/s] speed that a lateral acceleration is divided by
LEAST_STEPS = 16  # of a lap: fewer have no spectrum to split
LEAST_NOISE = 1e-18  # [1] density of laps that are all alike, so that no size of banking is divided by nought
# Fewer laps cannot tell how good the reading is.
LEAST_LAPS = 2
# Robust fit: residuals beyond this many deviations count less (Huber 1964, doi:10.1214/aoms/1177703732).
HUBER, HUBER_ROUNDS = 1.345, 20
LEAST_SIZE = 1e-12  # of residuals that are all nought; keeps their weights finite
# Error that all laps share (roll that is not in proportion, curvature smoothed a little differently): readings of 16
# synthetic sessions were 0.002 rad from the truth, noise included; and where a reading says no more than was known.
FLOOR, POOREST = 0.0015, 0.012  # [rad]
# A banking that is stated contradicts the accelerometer where they differ by more than this (rms around the lap) and so
# many standard errors of the reading.
UNLIKE, UNLIKE_ERRORS = 0.012, 4.0  # [rad]
# The same for a grade that is stated or follows from logged heights, what the calibration cannot tell taken out. Right
# ones differed by less than 0.0035 rad on 44 logs of two simulators; heights that feel 12 % of the dynamic pressure by
# 0.012 and more, 6 % of it by 0.002 to 0.018; feet under a header of metres by 0.026 and more on hilly circuits.
UNLIKE_GRADE = 0.007  # [rad]
# What hills do to the calibration of the longitudinal accelerometer, for they go with the driving all around the lap:
# at most this of its scale, of the nose into the turn, of the tilt and of its place ahead of the rear axle. Heights
# pressed on by the wind pass for a scale of 0.06 to 0.12, so the bound on that has to be narrow.
UNTOLD = (0.03, 0.004, 0.04, 0.8)  # [1], [rad s²/m], [1], [m]
# Two bankings are compared where both vary by more than this around the lap, and are alike from this correlation on
# (stated rightly, they correlated by 0.6 to 0.98 on 19 sessions with track files).
TELLING, LIKE = 0.004, 0.6  # [rad]
# Roads fall away by less than this; a larger reading is a sensor that came loose.
STEEPEST = 0.35  # [rad]


@dataclass(frozen=True, eq=False)
class Banking:
    """Slope across the road at the stations of a table of laps."""

    bank: np.ndarray  #: (n,) positive when the left edge is lower [rad]
    doubt: float  #: standard deviation of it in a corner [rad]

    def __post_init__(self) -> None:
        own(self, "bank")


@dataclass(frozen=True, eq=False)
class Grade:
    """Slope along the road at the stations of a table of laps."""

    grade: np.ndarray  #: (n,) uphill positive, its sine with zero mean over the lap [rad]
    doubt: float  #: standard deviation of it [rad]

    def __post_init__(self) -> None:
        own(self, "grade")


def read_banking(
    across: np.ndarray, a_lat: np.ndarray, a_lon: np.ndarray, v: np.ndarray, duration: np.ndarray
) -> Banking | None:
    """Banking from what the lateral accelerometer reads beyond the path, (m, n) laps by stations of a closed lap.

    Parameters
    ----------
    across : float64 array, shape (m, n)
        Reading less v² kappa of the receiver's path, left positive; NaN in laps without the sensor. [m/s²]
    a_lat, a_lon : float64 arrays, shape (m, n)
        Of the path. [m/s²]
    v : float64 array, shape (m, n)
        Speed. [m/s]
    duration : float64 array, shape (m, n)
        Time from each station to the next. [s]

    Returns
    -------
    Banking or None
        None when the laps are too few, or the reading so poor that it says less than was known before.
    """
    read = np.isfinite(across).all(axis=1)
    across, a_lat, a_lon, v, duration = (values[read] for values in (across, a_lat, a_lon, v, duration))
    if across.shape[0] < LEAST_LAPS:
        return None
    weight = np.median(duration, axis=0)
    t = np.concatenate(([0.0], np.cumsum(weight)))
    features = _features(a_lat, a_lon, v, weight)
    felt = np.median(across, axis=0)
    sensor = _robust_fit(features, felt, weight)
    # laps of another outing may have another bias or mount: banking cancels between laps, so plain least squares do
    apart = features @ np.linalg.lstsq(features, (across - felt).T, rcond=None)[0]
    count = max(round(t[-1] / EVEN), LEAST_STEPS)
    grid = t[-1] / count * np.arange(count)
    rows = across - features @ sensor - apart.T
    even = np.stack([np.interp(grid, t, np.append(row, row[0])) for row in rows]) / G
    common, deviation = _common(even, t[-1] / count)
    if deviation > POOREST:
        return None
    slope = -np.clip(np.interp(t[:-1], np.append(grid, t[-1]), np.append(common, common[0])), -STEEPEST, STEEPEST)
    return Banking(np.arcsin(slope), float(np.hypot(FLOOR, deviation)))


def turned_round(stated: np.ndarray, read: Banking | None) -> bool:
    """Whether a stated banking (n,) [rad] looks like the read one with its sign turned round."""
    if read is None:
        return False
    one, other = stated - stated.mean(), read.bank - read.bank.mean()
    if min(one.std(), other.std()) < max(TELLING, read.doubt):
        return False
    return bool(np.corrcoef(one, other)[0, 1] < -LIKE)


def grade_contradicted(
    stated: np.ndarray, read: Grade | None, ds: np.ndarray, a_lat: np.ndarray, a_lon: np.ndarray, v: np.ndarray
) -> bool:
    """Whether a stated grade is not the one that was read.

    Parameters
    ----------
    stated : float64 array, shape (n,)
        Uphill positive. [rad]
    read : Grade or None
        From `read_grade`; None, where nothing was read, contradicts nothing.
    ds : float64 array, shape (n,)
        Path length to the next station. [m]
    a_lat, a_lon : float64 arrays, shape (m, n)
        Of the laps' paths. [m/s²]
    v : float64 array, shape (m, n)
        Speed. [m/s]

    Notes
    -----
    What the calibration of the accelerometer cannot tell from hills (`UNTOLD`) is left out.
    """
    from scipy.optimize import lsq_linear

    if read is None:
        return False
    lat, lon, speed = (np.median(values, axis=0) for values in (a_lat, a_lon, v))
    motion = np.column_stack([lon, lat**2, lat, (lat / np.maximum(speed, SLOWEST)) ** 2])

    def even(values: np.ndarray) -> np.ndarray:
        return low_pass(values - np.average(values, weights=ds), float(ds.mean()), GRADE_CUT)

    features = np.column_stack([even(column) for column in motion.T]) / G
    unlike = even(stated) - read.grade
    most = np.asarray(UNTOLD)
    root = np.sqrt(ds / ds.sum())
    untold = lsq_linear(features * root[:, None], unlike * root, (-most, most)).x
    left = float(np.linalg.norm((unlike - features @ untold) * root))
    return left > max(UNLIKE_GRADE, UNLIKE_ERRORS * read.doubt)


def banking_contradicted(
    stated: np.ndarray, read: Banking | None, a_lat: np.ndarray, a_lon: np.ndarray, v: np.ndarray, duration: np.ndarray
) -> bool:
    """Whether a stated banking is not the one that was read from these laps.

    Parameters
    ----------
    stated : float64 array, shape (n,)
        Left edge lower positive. [rad]
    read : Banking or None
        From `read_banking`; None, where nothing was read, contradicts nothing.
    a_lat, a_lon, v, duration : float64 arrays, shape (m, n)
        As `read_banking` takes them. [m/s²], [m/s²], [m/s], [s]

    Notes
    -----
    What the reading cannot tell, such as a camber that goes with the lateral load, is left out.
    """
    if read is None:
        return False
    weight = np.median(duration, axis=0)
    features = _features(a_lat, a_lon, v, weight)
    told = [values - features @ _robust_fit(features, values, weight) for values in (stated, read.bank)]
    unlike = float(np.sqrt(np.average((told[0] - told[1]) ** 2, weights=weight)))
    return unlike > max(UNLIKE, UNLIKE_ERRORS * read.doubt)


def read_grade(along: np.ndarray, ds: np.ndarray) -> Grade | None:
    """Grade from what the longitudinal accelerometer reads beyond dv/dt, laps by stations of a closed lap.

    Parameters
    ----------
    along : float64 array, shape (m, n)
        Reading less dv/dt of the receiver's path, scale and slip undone; NaN in laps without the sensor. [m/s²]
    ds : float64 array, shape (m, n)
        Path length from each station to the next. [m]

    Returns
    -------
    Grade or None
        None when the reading says less than was known.
    """
    read = np.isfinite(along).all(axis=1)
    along, step = along[read], ds[read].mean(axis=0) if read.any() else ds[0]
    if along.shape[0] < LEAST_LAPS:
        return None
    level = along - (along @ step)[:, None] / step.sum()
    rows = np.stack([low_pass(row, float(step.mean()), GRADE_CUT) for row in level])
    error = float(np.median(rows.std(axis=0, ddof=1))) / np.sqrt(rows.shape[0]) / G
    if error > GRADE_EXPECTED:
        return None
    believed = GRADE_EXPECTED**2 / (GRADE_EXPECTED**2 + error**2)
    return Grade(believed * np.arcsin(np.clip(rows.mean(axis=0) / G, -STEEPEST, STEEPEST)), error)


def _features(a_lat: np.ndarray, a_lon: np.ndarray, v: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """What a lateral accelerometer reads of the median lap's motion beyond the path's own, (n, p); from laps (m, n) and
    the time `weight` (n,) [s] to the next station."""
    lat, lon = np.median(a_lat, axis=0), np.median(a_lon, axis=0)
    yaw = np.median(a_lat / np.maximum(v, SLOWEST), axis=0)
    return np.column_stack([np.ones_like(lat), lat, lon, lat * lon, _rate(yaw, weight)])


def _rate(values: np.ndarray, duration: np.ndarray) -> np.ndarray:
    """Change per second of `values` (n,) on a closed lap; `duration` (n,) s to the next station."""
    t = np.cumsum(np.concatenate(([0.0], duration[-1:], duration)))  # the last station again before, the first behind
    return np.asarray(np.gradient(np.concatenate((values[-1:], values, values[:1])), t)[1:-1])


def _robust_fit(features: np.ndarray, felt: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Coefficients (p,) of least squares in which far stations count less."""
    root = np.sqrt(weight)
    coefficients = np.linalg.lstsq(features * root[:, None], felt * root, rcond=None)[0]
    for _ in range(HUBER_ROUNDS):
        residual = np.abs(felt - features @ coefficients)
        scale = HUBER * deviation(residual) + LEAST_SIZE
        part = root * np.sqrt(np.minimum(1.0, scale / np.maximum(residual, LEAST_SIZE)))
        coefficients = np.linalg.lstsq(features * part[:, None], felt * part, rcond=None)[0]
    return np.asarray(coefficients)


def _common(rows: np.ndarray, step: float) -> tuple[np.ndarray, float]:
    """What all laps (m, n) share, at even steps [s] of a closed lap, and its standard deviation from the truth.

    Wiener's filter: at each frequency the share of the signal in signal and noise. The noise is what the laps differ
    by; the signal a Matern process (smoothness 3/2) of `LASTS` seconds, of every size tried, each weighed by how likely
    it makes the mean of the laps.
    """
    laps, count = rows.shape
    spectrum = np.fft.rfft(rows, axis=1) / count
    mean = spectrum.mean(axis=0)
    noise = np.sum(np.abs(spectrum - mean) ** 2, axis=0) / (laps - 1) / laps
    noise = uniform_filter1d(noise, NOISE_BINS, mode="nearest") + LEAST_NOISE
    frequency = np.fft.rfftfreq(count, step)
    shape = matern(2.0 * np.pi * LASTS * frequency)
    sides = sides_of(count)
    shape /= np.sum(sides * shape)
    signal = SIZES[:, None] ** 2 * shape
    both = signal + noise
    chance = chance_of(np.abs(mean) ** 2, both, sides)
    gain = signal / both
    found = chance @ gain
    # the laps' noise let through, and what is not known of the size
    variance = chance @ (gain * noise + (gain - found) ** 2 * np.abs(mean) ** 2)
    return np.fft.irfft(found * mean * count, count), float(np.sqrt(np.sum(sides * variance)))
