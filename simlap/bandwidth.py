"""The bandwidth that positions and sensors carry, and how wrong accelerations are at it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from simlap.fuse import INERTIAL_WANDER, Fused
from simlap.motion_types import shape_of
from simlap.sensors import Fixes, Observation
from simlap.splines import flat_lowpass, lowpass

JERK_BAND = (0.4, 0.9)  # [Hz] around the bandwidths that poor data carry
JERK_RANGE = (1.0, 60.0)  # [m²/s⁵] believed densities: a parade lap, a kart on a slalom
LEAST_BANDWIDTH = 0.3  # [Hz]
NYQUIST_SHARE = 0.4  # of the fix rate: the highest bandwidth that positions or speeds alone can carry


def drawn_errors(fused: Fused, t: np.ndarray, bandwidth: float) -> tuple[np.ndarray, np.ndarray]:
    """Drawn errors of a_lon and a_lat at times `t`, both (k, n), through the low-pass and the geometry of the path."""
    path = lowpass(fused.path, fused.grid.step, bandwidth)
    errors = lowpass(fused.noise_path, fused.grid.step, bandwidth)
    velocity, acceleration = (fused.grid.evaluate(path, t, d) for d in (1, 2))
    _, _, _, a_lon, a_lat = shape_of(velocity, acceleration)
    shaken = [fused.grid.evaluate(errors, t, d) for d in (1, 2)]
    lon, lat = np.empty((errors.shape[2], t.size)), np.empty((errors.shape[2], t.size))
    for k in range(errors.shape[2]):
        _, _, _, one, two = shape_of(velocity + shaken[0][:, :, k], acceleration + shaken[1][:, :, k])
        lon[k], lat[k] = one - a_lon, two - a_lat
    return lon, lat


def acceleration_noise(
    fused: Fused, fixes: Fixes, channels: Mapping[str, Observation], frequency: np.ndarray, axis: str
) -> np.ndarray:
    """Two-sided noise density [m²/s⁴/Hz] of the acceleration along ('lon') or across ('lat') the path.

    Every channel is turned into an acceleration (position: times ω⁴, speed: ω²); information adds up.
    """
    w2 = (2.0 * np.pi * frequency) ** 2
    inform = 1.0 / (w2**2 * (fused.noise["position"] ** 2 / fixes.rate + fused.wander.intensity / w2))
    names = {"lon": ("speed", "wheel_speed", "a_lon"), "lat": ("course", "a_lat", "yaw_rate")}[axis]
    for name in names:
        if name not in fused.noise:  # not logged, or not while there were fixes
            continue
        rate = channels[name].t.size / max(np.ptp(channels[name].t), 1.0)
        white = fused.noise[name] ** 2 / rate
        drift = INERTIAL_WANDER[name].intensity / w2 if name in INERTIAL_WANDER else 0.0
        inform += 1.0 / ((white + drift) * (w2 if name in ("speed", "course", "wheel_speed") else 1.0))
    return 1.0 / inform


def supported_bandwidth(fused: Fused, fixes: Fixes, channels: Mapping[str, Observation]) -> float:
    """Bandwidth [Hz] of the common low-pass with the least mean square error of the accelerations.

    Error = ∫ (1 - H)² signal + H² noise df, the signal a white jerk whose density is read from the path itself in
    `JERK_BAND`. The worse of the two axes counts: there is one bandwidth.
    """
    frequency = np.arange(0.01, 8.0, 0.02)
    signal = jerk_of(fused) / (2.0 * np.pi * frequency) ** 2
    tried = np.geomspace(LEAST_BANDWIDTH, 4.0, 60)
    gains = flat_lowpass(frequency, tried[:, None])
    best = tried[-1]
    for axis in ("lon", "lat"):
        noise = acceleration_noise(fused, fixes, channels, frequency, axis)
        error = ((1.0 - gains) ** 2 * signal + gains**2 * noise).sum(axis=1)
        best = min(best, tried[np.argmin(error)])
    if not ("a_lon" in channels and ("a_lat" in channels or "yaw_rate" in channels)):
        best = min(best, NYQUIST_SHARE * fixes.rate)
    return float(max(best, LEAST_BANDWIDTH))


def jerk_of(fused: Fused) -> float:
    """Two-sided density of the path's jerk in `JERK_BAND`, less that of its drawn errors, mean of both axes [m²/s⁵]."""
    from scipy.signal import welch

    t = fused.grid.start + fused.grid.step * np.arange(fused.grid.intervals + 1)
    densities = []
    for coefficients in (fused.path, fused.noise_path):
        acceleration = fused.grid.evaluate(coefficients, t, 2)
        frequency, density = welch(acceleration, 1.0 / fused.grid.step, nperseg=min(512, t.size), axis=0)
        band = (frequency >= JERK_BAND[0]) & (frequency <= JERK_BAND[1])
        weight = (2.0 * np.pi * frequency[band]) ** 2
        densities.append(0.5 * float(np.mean(density[band].reshape(weight.size, -1).mean(axis=1) * weight)))
    return float(np.clip(densities[0] - densities[1], *JERK_RANGE))
