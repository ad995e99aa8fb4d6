"""Rate of the velocity's direction from yaw rate, sideslip and lateral acceleration, and its noise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from simlap.lag import band_pass
from simlap.sensors import Observation
from simlap.splines import lowpass
from simlap.units import G

SLOW = 3.0  # [m/s] course rate over speed says nothing below
REPLICATES = 8
NOISE_SHARE = (0.2, 0.45)  # of the sample rate: white noise is read between, above the car's motion
SLIP_BAND = (0.1, 1.0)  # [Hz] in which yaw rate and lateral acceleration are compared
SLIP_RANGE = (0.0, 0.01)  # [rad s²/m] noses point into the turn by 0 to 0.1 rad at 1 g
SLIP_BANDWIDTH = 2.0  # [Hz] of the lateral acceleration that stands in for the sideslip
LIKENESS = 0.5  # correlation beyond which two signs count as told
LEAST_ROWS = 200


@dataclass(frozen=True, eq=False)
class Turn:
    """Course rate on a grid and what it was made of."""

    rate: np.ndarray  #: (n,) [rad/s]
    name: str
    slip: float  #: share of d(a_lat)/dt that was taken out of the yaw rate [rad s²/m]

    def drawn(
        self, channels: Mapping[str, Observation], t: np.ndarray, v: np.ndarray, random: np.random.Generator
    ) -> np.ndarray:
        """Errors (n, k) of the rate: each channel's white noise on the way that the channel itself went."""
        step = t[1] - t[0]
        if "yaw_rate" not in channels:
            return drawn_noise(channels["a_lat"], t, random) / np.maximum(v, SLOW)[:, None]
        out = drawn_noise(channels["yaw_rate"], t, random)
        if "sideslip" in channels:
            out = out + np.gradient(drawn_noise(channels["sideslip"], t, random), step, axis=0)
        elif self.slip:
            smooth = lowpass(drawn_noise(channels["a_lat"], t, random), step, SLIP_BANDWIDTH)
            out = out - self.slip * np.gradient(smooth, step, axis=0)
        return out


def course_rate(channels: Mapping[str, Observation], t: np.ndarray, v: np.ndarray, notes: list[str]) -> Turn:
    """Rate of the velocity's direction on the grid `t`.

    Parameters
    ----------
    channels : mapping of Observation
        yaw_rate [rad/s] with sideslip [rad] or a_lat [m/s²] beside it, or a_lat alone.
    t, v : float64 arrays, shape (n,)
        Uniform grid [s] and the speed on it [m/s].
    notes : list of str
        What was done is added here.

    Notes
    -----
    Course = heading + sideslip (ISO 8855), so course rate = yaw rate + d(sideslip)/dt. Where no sideslip is logged it
    is taken as -slip a_lat, the nose pointing into the turn; slip is the regression of v · yaw rate - a_lat on
    v d(a_lat)/dt.
    """
    if "yaw_rate" not in channels:
        notes.append("Course rate = lateral acceleration / speed: the log has no yaw rate.")
        a = np.interp(t, channels["a_lat"].t, channels["a_lat"].value)
        return Turn(np.where(v > SLOW, a / np.maximum(v, SLOW), 0.0), "lateral acceleration / speed", 0.0)
    yaw = channels["yaw_rate"]
    rate = np.interp(t, yaw.t, yaw.value)
    slip, name = 0.0, "yaw rate"
    if "sideslip" in channels:
        seen = channels["sideslip"]
        rate = rate + np.gradient(np.interp(t, seen.t, seen.value), t)
        name = "yaw rate + sideslip rate"
    if "a_lat" in channels:
        a = np.interp(t, channels["a_lat"].t, channels["a_lat"].value)
        likeness = _likeness(a, v * rate, v > SLOW)
        if likeness < -LIKENESS:
            notes.append("Lateral acceleration and yaw rate have opposite signs; the yaw rate is believed.")
        elif likeness > LIKENESS and "sideslip" not in channels:
            step = t[1] - t[0]
            growth = np.gradient(lowpass(a, step, SLIP_BANDWIDTH), step)
            slip = _slip(v * rate - a, v * growth, a, step, v > SLOW)
            rate = rate - slip * growth
            name = "yaw rate less the sideslip's"
            notes.append(
                f"Sideslip {np.degrees(slip * G):.1f} deg per g of cornering; its rate taken out of the yaw rate."
            )
    notes.append(f"Course rate = {name}.")
    return Turn(rate, name, slip)


def _likeness(one: np.ndarray, other: np.ndarray, where: np.ndarray) -> float:
    """Correlation, 0 where there is too little to compare."""
    if where.sum() < LEAST_ROWS or min(np.std(one[where]), np.std(other[where])) == 0.0:
        return 0.0
    return float(np.corrcoef(one[where], other[where])[0, 1])


def _slip(gap: np.ndarray, growth: np.ndarray, a: np.ndarray, step: float, where: np.ndarray) -> float:
    """Coefficient of `growth` in `gap`, the accelerometer's scale apart, all band-passed."""
    left, one, two = (band_pass(z, step, *SLIP_BAND)[where] for z in (gap, growth, a))
    coefficients = np.linalg.lstsq(np.column_stack([one, two]), left, rcond=None)[0]
    return float(np.clip(coefficients[0], *SLIP_RANGE))


def drawn_noise(seen: Observation, t: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """White errors (n, k) of a channel, drawn at its own samples and interpolated like it."""
    level = white_level(seen)
    drawn = random.normal(0.0, level, (seen.t.size, REPLICATES))
    return np.column_stack([np.interp(t, seen.t, column) for column in drawn.T])


def white_level(seen: Observation) -> float:
    """Standard deviation of white noise with the density that the channel shows near its highest frequency."""
    from scipy.signal import welch

    rate = (seen.t.size - 1) / float(seen.t[-1] - seen.t[0])
    f, density = welch(seen.value, rate, nperseg=min(512, seen.t.size), detrend="linear")
    band = (f >= NOISE_SHARE[0] * rate) & (f <= NOISE_SHARE[1] * rate)
    return float(np.sqrt(np.median(density[band]) * 0.5 * rate)) if band.any() else 0.0
