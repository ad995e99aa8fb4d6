"""The bandwidths that positions and sensors carry, the motion at them, and how wrong its accelerations are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from simlap.fuse import INERTIAL_WANDER, Fused
from simlap.motion_types import shape_of
from simlap.sensors import Fixes, Observation
from simlap.splines import KnotGrid, flat_lowpass, lowpass

JERK_BAND = (0.4, 0.9)  # [Hz] around the bandwidths that poor data carry
JERK_RANGE = (1.0, 60.0)  # [m²/s⁵] believed densities: a parade lap, a kart on a slalom
LEAST_BANDWIDTH = 0.3  # [Hz]
NYQUIST_SHARE = 0.4  # of their rate: the highest bandwidth that positions or speeds alone can carry
# Channels beside the positions that tell of the acceleration along and across the path.
TOLD_BY = {"lon": ("speed", "wheel_speed", "a_lon"), "lat": ("course", "a_lat", "yaw_rate")}


@dataclass(frozen=True)
class Bands:
    """Bandwidths of one motion, -3 dB of its low-pass.

    Speed is often told by a channel of its own, and may then be sharper than the path, whose curvature positions alone
    tell in the plainest of logs.
    """

    path: float  #: of the path, its course and curvature [Hz]
    speed: float  #: of the speed along it and of a_lon; not below `path` [Hz]


@dataclass(frozen=True, eq=False)
class Shape:
    """A smooth motion at n times; float64 arrays (n,), `position` (n, 2)."""

    position: np.ndarray  #: east, north [m]
    v: np.ndarray  #: [m/s]
    course: np.ndarray  #: [rad]
    kappa: np.ndarray  #: [1/m]
    a_lon: np.ndarray  #: dv/dt [m/s²]
    a_lat: np.ndarray  #: v² kappa [m/s²]


def smooth_shape(grid: KnotGrid, path: np.ndarray, t: np.ndarray, bands: Bands) -> Shape:
    """The shape at times `t` of a spline path (size, 2), smoothed to `bands`."""
    position = grid.evaluate(lowpass(path, grid.step, bands.path), t)
    return Shape(position, *_shaped(_rates(grid, path, t, bands)))


def _rates(grid: KnotGrid, coefficients: np.ndarray, t: np.ndarray, bands: Bands) -> np.ndarray:
    """Velocity and acceleration smoothed to the path's bandwidth and, where it is another, to the speed's:
    (bandwidths, 2, n, 2, ...) of a spline (size, 2, ...)."""
    smooth = [lowpass(coefficients, grid.step, width) for width in dict.fromkeys((bands.path, bands.speed))]
    return np.array([[grid.evaluate(each, t, derivative) for derivative in (1, 2)] for each in smooth])


def _shaped(rates: np.ndarray) -> tuple[np.ndarray, ...]:
    """v, course, kappa, a_lon and a_lat, each (n,), of what `_rates` gives for one path."""
    v, course, kappa, a_lon, a_lat = shape_of(*rates[0])
    if len(rates) > 1:
        v, _, _, a_lon, _ = shape_of(*rates[1])
        a_lat = v**2 * kappa
    return v, course, kappa, a_lon, a_lat


def drawn_errors(fused: Fused, t: np.ndarray, bands: Bands) -> tuple[np.ndarray, np.ndarray]:
    """Drawn errors of a_lon and a_lat at times `t`, both (k, n), through the low-pass and the geometry of the path."""
    found, shaken = (_rates(fused.grid, each, t, bands) for each in (fused.path, fused.noise_path))
    *_, a_lon, a_lat = _shaped(found)
    lon, lat = np.empty((shaken.shape[-1], t.size)), np.empty((shaken.shape[-1], t.size))
    for k in range(shaken.shape[-1]):
        *_, one, two = _shaped(found + shaken[..., k])
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
    for name in TOLD_BY[axis]:
        if name not in fused.noise:  # not logged, or not while there were fixes
            continue
        white = fused.noise[name] ** 2 / channels[name].per_second
        drift = INERTIAL_WANDER[name].intensity / w2 if name in INERTIAL_WANDER else 0.0
        inform += 1.0 / ((white + drift) * (w2 if name in ("speed", "course", "wheel_speed") else 1.0))
    return 1.0 / inform


def supported_bands(fused: Fused, fixes: Fixes, channels: Mapping[str, Observation], most: float) -> Bands:
    """Bandwidths up to `most` [Hz] with the least mean square error of the accelerations.

    Error = ∫ (1 - H)² signal + H² noise df, the signal a white jerk whose density is read from the path itself in
    `JERK_BAND`. The path has that of the worse axis.
    """
    frequency = np.arange(0.01, 8.0, 0.02)
    signal = jerk_of(fused) / (2.0 * np.pi * frequency) ** 2
    tried = np.geomspace(LEAST_BANDWIDTH, 4.0, 60)
    gains = flat_lowpass(frequency, tried[:, None])
    inertial = "a_lon" in channels and ("a_lat" in channels or "yaw_rate" in channels)

    def best(axis: str) -> float:
        noise = acceleration_noise(fused, fixes, channels, frequency, axis)
        error = ((1.0 - gains) ** 2 * signal + gains**2 * noise).sum(axis=1)
        rates = [fixes.rate, *(channels[name].per_second for name in TOLD_BY[axis] if name in channels)]
        seen = np.inf if inertial else NYQUIST_SHARE * max(rates)
        return float(min(most, max(min(tried[np.argmin(error)], seen), LEAST_BANDWIDTH)))

    along, across = best("lon"), best("lat")
    return Bands(path=min(along, across), speed=along)


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
