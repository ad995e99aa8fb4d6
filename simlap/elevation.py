"""Height of a road from heights that are rounded or noisy: a centimetre at every three metres is a tenth of the grip.

What a fast car feels is the vertical curvature, the second derivative: rounding to 1 cm every 3 m errs by 0.001 1/m in
it, which at 40 m/s is 1.5 m/s². So heights are not drawn through point by point, but split into road and noise.
"""

import numpy as np

from simlap.spectra import chance_of, matern, sides_of

# Roads as expected before looking: vertical curvature of any of these sizes (standard deviation) that changes over any
# of these lengths; heights with white noise of any of these sizes. 0.02 1/m is a crest of 50 m radius.
CURVATURES = np.geomspace(1e-5, 0.02, 23)  # [1/m]
LENGTHS = np.array([8.0, 16.0, 32.0])  # [m]
NOISES = np.geomspace(1e-6, 3.0, 40)  # [m]
# Heights in whole multiples of a power of ten down to this are rounded to it; slopes are read over so many metres.
FINEST_DECIMALS, SLOPE_OVER = 5, 100.0


def without_noise(z: np.ndarray, spacing: float, rounding: float = 0.0) -> np.ndarray:
    """Heights (n,) of a closed lap at even `spacing`, noise taken out. [m]

    Parameters
    ----------
    z : float64 array, shape (n,)
        Heights. [m]
    spacing : float
        From one to the next. [m]
    rounding : float
        Step to which the heights were rounded, 0 for none or unknown. [m]

    Notes
    -----
    Wiener's filter: at each wave number the share of the signal in signal and noise, averaged over all sizes of both,
    each weighed by how likely it makes the heights. The vertical curvature is a Matern process of smoothness 3/2, the
    height its second integral. Where the road climbs by less than a step of the rounding from one height to the next,
    the rounding is no white noise but stairs, as long as the road takes to climb a step.
    """
    count = z.size
    spectrum = np.fft.rfft(z - z.mean())[1:] / count
    wave = 2.0 * np.pi * np.fft.rfftfreq(count, spacing)[1:]
    power = np.abs(spectrum) ** 2
    sides = sides_of(count)[1:]
    shape = matern(LENGTHS[:, None] * wave)
    shape = shape / np.sum(sides * shape, axis=1, keepdims=True) / wave**4
    signal = (CURVATURES[:, None, None] ** 2 * shape).reshape(-1, 1, wave.size)
    noise = NOISES[:, None] ** 2 / count + _stairs(z, spacing, rounding, wave, sides)
    both = signal + noise
    gain = np.einsum("rs,rsk->k", chance_of(power, both, sides), signal / both)
    return np.asarray(z.mean() + np.fft.irfft(np.append(0.0, gain * spectrum) * count, count))


def _stairs(z: np.ndarray, spacing: float, rounding: float, wave: np.ndarray, sides: np.ndarray) -> np.ndarray:
    """Spectrum of the error of rounding (k,) at the wave numbers: its variance is that of an even spread."""
    lag = min(max(round(SLOPE_OVER / spacing), 1), z.size // 2)
    slope = max(float(np.std(np.roll(z, -lag) - z)) / (lag * spacing), 1e-6)
    shape = 1.0 / (1.0 + (wave * rounding / slope / (2.0 * np.pi)) ** 2)
    return np.asarray(rounding**2 / 12.0 * shape / np.sum(sides * shape))


def rounding_of(z: np.ndarray) -> float:
    """The power of ten that all heights (n,) are multiples of; 0 when none down to 10 µm is. [m]"""
    for decimals in range(-1, FINEST_DECIMALS + 1):
        if np.array_equal(np.round(z, decimals), z):
            return float(10.0**-decimals)
    return 0.0
