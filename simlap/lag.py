"""How much later the receiver's channels are than the inertial ones."""

from __future__ import annotations

import numpy as np

LAG_STEP = 0.02  # [s] common grid of the two signals; the peak is then interpolated
LAG_RANGE = (-0.3, 0.6)  # [s] searched; receivers lag 0 to 0.3 s
LAG_BAND = (0.1, 1.5)  # [Hz] below: gravity and drift; above: noise
LEAST_CORRELATION = 0.5  # a weaker peak says nothing about the lag


def band_pass(values: np.ndarray, step: float, low: float, high: float) -> np.ndarray:
    """Zero-phase band-pass, Gaussian edges, of values (n,) sampled every `step` seconds."""
    from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

    size = next_fast_len(2 * values.size, real=True)
    f = rfftfreq(size, step)
    gain = np.exp(-0.5 * (f / high) ** 2) - np.exp(-0.5 * (f / low) ** 2)
    return irfft(rfft(values - values.mean(), size) * gain, size)[: values.size]


def lag_between(late_t: np.ndarray, late: np.ndarray, t: np.ndarray, reference: np.ndarray) -> tuple[float, float]:
    """Delay of a signal behind another that is its derivative, by cross-correlation.

    Parameters
    ----------
    late_t, late : float64 arrays, shape (n,)
        The receiver's signal, such as the speed, over its clock [s].
    t, reference : float64 arrays, shape (m,)
        The inertial one, such as the longitudinal acceleration, over its own [s].

    Returns
    -------
    (float, float)
        Lag [s], positive when `late` is behind, and the correlation there, with its sign. Correlation 0 when nothing
        moves or the two do not overlap for 20 s.
    """
    start, stop = max(late_t[0], t[0]), min(late_t[-1], t[-1])
    if stop - start < 20.0:
        return 0.0, 0.0
    grid = np.arange(start, stop, LAG_STEP)
    a = np.gradient(np.interp(grid, late_t, late), LAG_STEP)
    b = np.interp(grid, t, reference)
    a, b = (band_pass(z, LAG_STEP, *LAG_BAND) for z in (a, b))
    norm = np.sqrt((a @ a) * (b @ b))
    if norm <= 0.0:
        return 0.0, 0.0
    shifts = np.arange(round(LAG_RANGE[0] / LAG_STEP), round(LAG_RANGE[1] / LAG_STEP) + 1)
    edge = int(max(abs(shifts[0]), abs(shifts[-1])))
    core = b[edge:-edge]
    score = np.array([a[edge + k : edge + k + core.size] @ core for k in shifts]) / norm
    best = int(np.argmax(np.abs(score)))
    if best in (0, shifts.size - 1):
        return 0.0, 0.0
    left, mid, right = score[best - 1 : best + 2]
    bend = left - 2.0 * mid + right
    return float(LAG_STEP * (shifts[best] + 0.5 * (left - right) / bend)), float(mid)
