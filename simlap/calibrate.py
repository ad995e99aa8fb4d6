"""Bring inertial channels and receiver together: lag, signs, scales, and how the body turns against its velocity.

A first path from the receiver alone tells what each inertial channel should have read. The channel is regressed on
that, for every trial lag:

- longitudinal: scale · a_lon + slip · a_lat² + tilt · a_lat + lever · yaw rate²: the nose points into the turn, so it
  feels some of a_lat; a sensor l ahead of the rear axle, which rolls where the car points, feels -l · yaw rate²,
- lateral: scale · a_lat + tilt · a_lon,
- wheel speed: scale · v + slip · v · a_lon: wheels turn too slowly under braking, too fast under power,
- yaw rate: scale · course rate + slip · d(a_lat)/dt: it leads the course rate while the sideslip builds up.

All signals are band-passed alike, so biases, grade and drift do not count. The lag with the least residual over all
channels is the receiver's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from simlap.lag import band_pass
from simlap.noted import Kind, Note
from simlap.robust import deviation
from simlap.sensors import Observation
from simlap.units import G

STEP = 0.04  # [s] of the common grid
THIN = 5  # every fifth instant of it counts: 0.2 s, three samples per period of HIGH at least
LOW = 0.06  # [Hz] below: gravity, bias, drift
HIGH = 0.6  # [Hz] above: noise of the first path, which would make the coefficients too small
LAGS = (-0.2, 0.5)  # [s] searched; receivers lag 0 to 0.3 s
COARSE, FINE = 0.05, 0.01  # [s]
LEAST_FIT = 0.3  # share of a channel's variance that the path must explain; else it is no reading of this motion
FIRST_RESIDUAL = 0.02  # first guess of the share of a channel's variance that is noise
SCALES = (0.6, 1.6)  # a channel that reads another share of the path's motion is in another unit, or another channel
# Where positions jump the first path makes moves that no channel has seen. An instant is left out where a channel and
# the path differ by so many robust deviations and by so much of the channel's rms (on straights a channel follows more
# closely than in corners, which must stay in). The first fit leans towards such moves: so many rounds at most.
OUTLIER, OUTLIER_SHARE, OUTLIER_ROUNDS = 6.0, 0.5, 30
LEAST_TIME = 20.0  # [s] of driving
MOVING = 5.0  # [m/s]
NOSE_ROUNDS, NOSE_STEP, MOST_NOSE = 4, 1e-4, 0.012  # rounds, [rad s²/m], [rad s²/m]: 7 degrees at 1 g
# Sensors of one logger that are read alike come within 0.1 s of each other (16 logs of three simulators). One that
# comes later than the promptest by more than this is smoothed by a quarter of a second or more: its peaks are lost.
HELD_BACK = 0.18  # [s]
EARLY = 0.05  # [s] a receiver cannot be ahead of time: lags down to -EARLY are taken as errors of the estimate

# What is known beforehand of the coefficients: mean and standard deviation. Accelerometers are good to a few per cent,
# body roll adds up to 6 %; noses point into the turn by 0 to 0.006 rad per m/s²; loggers sit from the rear axle to
# 1.5 m ahead of it [m].
PRIOR = {
    "a_lon": ((1.0, 0.1), (0.003, 0.004), (0.0, 0.05), (-0.6, 0.8)),
    "a_lat": ((1.0, 0.1), (0.0, 0.05)),
    "yaw_rate": ((1.0, 0.05), (0.003, 0.006)),
    "wheel_speed": ((1.0, 0.05), (0.0, 0.01)),
}
WORDS = {
    "a_lon": "longitudinal acceleration",
    "a_lat": "lateral acceleration",
    "yaw_rate": "yaw rate",
    "wheel_speed": "wheel speed",
}


@dataclass(frozen=True, eq=False)
class Drive:
    """A first path on a uniform grid of `STEP`, on the receiver's clock; arrays of shape (n,) but for the errors."""

    t: np.ndarray  #: [s]
    v: np.ndarray  #: [m/s]
    a_lon: np.ndarray  #: [m/s²]
    a_lat: np.ndarray  #: [m/s²]
    course_rate: np.ndarray  #: [rad/s]
    bandwidth: float  #: it is smoothed to this [Hz]
    noise_a_lon: np.ndarray  #: (k, n) drawn errors of a_lon [m/s²]
    noise_a_lat: np.ndarray  #: (k, n) drawn errors of a_lat [m/s²]


@dataclass(frozen=True, eq=False)
class Fit:
    """One channel against the drive."""

    coefficients: np.ndarray  #: of its features, (p,), as in the head of this module
    explained: float  #: share of the variance, signed as the scale


def features_of(drive: Drive, name: str) -> np.ndarray:
    """Columns (n, p) of what the channel `name` reads, not filtered."""
    if name == "a_lon":
        turning = drive.a_lat / np.maximum(drive.v, MOVING)
        return np.column_stack([drive.a_lon, drive.a_lat**2, drive.a_lat, turning**2])
    if name == "wheel_speed":
        return np.column_stack([drive.v, drive.v * drive.a_lon])
    if name == "a_lat":
        return np.column_stack([drive.a_lat, drive.a_lon])
    return np.column_stack([drive.course_rate, np.gradient(drive.a_lat, STEP)])


class Calibration:
    """Band-passed channels and features of one session."""

    def __init__(self, drive: Drive, inertial: Mapping[str, Observation]) -> None:
        self.drive = drive
        self.features = {n: self._band(features_of(drive, n)) for n in inertial}
        # the channel is smoothed like the path, then both are band-passed alike
        self.read = {
            n: self._band(o.smoothed(drive.t, STEP, drive.bandwidth)[:, None])[:, 0] for n, o in inertial.items()
        }
        low = max(o.t[0] for o in inertial.values())
        high = min(o.t[-1] for o in inertial.values())
        reach = max(abs(x) for x in LAGS) + STEP
        inside = (drive.t > max(low, drive.t[0] + reach)) & (drive.t < min(high, drive.t[-1] - reach))
        self.used = np.flatnonzero(inside & (drive.v > MOVING))[::THIN]
        self.doubt = {n: self._doubt(n) for n in inertial}

    @property
    def enough(self) -> bool:
        """Whether the car drove for long enough."""
        return self.used.size * STEP * THIN > LEAST_TIME

    def _band(self, columns: np.ndarray) -> np.ndarray:
        return np.column_stack([band_pass(c, STEP, LOW, HIGH) for c in columns.T])

    def _doubt(self, name: str) -> float:
        """Error variance of the first feature; without it the scale would come out too small (attenuation)."""
        if name == "wheel_speed":
            return 0.0  # the error of the first path's speed is a hundredth of what the speed changes by
        noise = self.drive.noise_a_lon if name == "a_lon" else self.drive.noise_a_lat
        banded = self._band(noise.T)[self.used]
        if name == "yaw_rate":
            banded = banded / np.maximum(self.drive.v[self.used], MOVING)[:, None]
        return float(np.mean(banded**2)) if self.used.size else 0.0

    def fit(self, name: str, lag: float) -> tuple[Fit, float]:
        """Regression at one lag, and the residual variance over the variance."""
        at = self.drive.t[self.used] + lag
        matrix = np.column_stack([np.interp(at, self.drive.t, f) for f in self.features[name].T])
        read = self.read[name][self.used]
        # by the direction alone: where positions jump, the path's size says nothing
        sign = 1.0 if np.sign(matrix[:, 0]) @ read >= 0.0 else -1.0
        size = OUTLIER_SHARE * float(np.sqrt(np.mean(read**2)))
        kept = np.ones(read.size, dtype=bool)
        for _ in range(OUTLIER_ROUNDS):
            coefficients, residual = self._solved(name, matrix[kept], sign * read[kept])
            away = np.abs(sign * read - matrix @ coefficients)
            before, kept = kept, away <= max(OUTLIER * deviation(away), size)
            if np.array_equal(kept, before):
                break
        return Fit(coefficients, sign * (1.0 - residual)), residual

    def _solved(self, name: str, matrix: np.ndarray, read: np.ndarray) -> tuple[np.ndarray, float]:
        """Coefficients, and the residual variance over the variance, of instants whose features are `matrix` (n, p)."""
        mean, spread = np.array(PRIOR[name]).T
        variance = float(np.mean(read**2))
        # Samples within one period of the bandwidth share their noise.
        free = max(read.size * STEP * THIN * 2.0 * HIGH, 1.0)
        square, product = matrix.T @ matrix, matrix.T @ read
        square[0, 0] -= min(self.doubt[name] * read.size, 0.5 * square[0, 0])
        residual = FIRST_RESIDUAL
        for _ in range(2):
            precision = free / read.size / max(residual * variance, 1e-12)
            coefficients = np.linalg.solve(
                precision * square + np.diag(1.0 / spread**2), precision * product + mean / spread**2
            )
            residual = float(np.mean((read - matrix @ coefficients) ** 2)) / max(variance, 1e-12)
        return coefficients, residual

    def cost(self, lag: float, names: list[str]) -> float:
        """Sum of the logarithms of the residual variances: minus twice the likelihood per sample."""
        return float(sum(np.log(self.fit(name, lag)[1]) for name in names))

    def lag(self, names: list[str]) -> float | None:
        """Lag with the least cost, None when it lies at the edge of the range."""
        return _lowest(lambda lag: self.cost(lag, names))


class Turning:
    """A yaw rate as the only inertial channel: its lag and the nose's angle, told apart.

    A lag L and a nose that points k a_lat into the turn delay the course alike, by L and by k v: only how the delay
    grows with speed tells them apart, and the noise of the first path must not blur that. So the noisy course rate is
    what is explained, and the yaw rate r explains it: the course rate c solves c + k d(v c)/dt = r.
    """

    def __init__(self, drive: Drive, yaw: Observation) -> None:
        self.drive = drive
        self.yaw = yaw.smoothed(drive.t, STEP, drive.bandwidth)
        self.v = np.maximum(drive.v, MOVING)
        reach = max(abs(x) for x in LAGS) + STEP
        low, high = max(yaw.t[0], drive.t[0]) + reach, min(yaw.t[-1], drive.t[-1]) - reach
        self.used = (drive.v > MOVING) & (drive.t > low) & (drive.t < high)
        # the first path's error is one of a_lat: of the course rate it is that over v
        self.weight = self.v[self.used]
        self.seen = band_pass(drive.course_rate, STEP, LOW, HIGH)[self.used] * self.weight

    def _course_rate(self, read: np.ndarray, nose: float) -> np.ndarray:
        """Course rate of a car whose nose points `nose` [rad s²/m] times a_lat into the turn, from its yaw rate."""
        from scipy.linalg import solve_banded

        band = np.zeros((2, read.size))
        band[0, 0], band[0, 1:] = 1.0, 0.5 / self.v[1:] + nose / STEP
        band[1, :-1] = 0.5 / self.v[:-1] - nose / STEP
        right = np.append(self.v[0] * read[0], 0.5 * (read[1:] + read[:-1]))
        return solve_banded((1, 0), band, right) / self.v

    def _explained_by(self, read: np.ndarray, nose: float) -> np.ndarray:
        return band_pass(self._course_rate(read, nose), STEP, LOW, HIGH)[self.used] * self.weight

    def at(self, lag: float) -> tuple[float, float, float]:
        """Mean square of what is not explained, scale and nose at one lag (Gauss and Newton)."""
        read = np.interp(self.drive.t - lag, self.drive.t, self.yaw)
        nose = PRIOR["yaw_rate"][1][0]
        for _ in range(NOSE_ROUNDS):
            one, other = self._explained_by(read, nose), self._explained_by(read, nose + NOSE_STEP)
            columns = np.column_stack([one, (other - one) / NOSE_STEP])
            scale, change = np.linalg.lstsq(columns, self.seen, rcond=None)[0]
            nose = float(np.clip(nose + change / scale, 0.0, MOST_NOSE))
        one = self._explained_by(read, nose)
        scale = float(one @ self.seen / (one @ one))
        return float(np.mean((self.seen - scale * one) ** 2)), scale, nose

    def lag(self) -> float | None:
        """Lag with the least unexplained course rate, None when it lies at the edge of the range."""
        return _lowest(lambda lag: self.at(lag)[0])

    def fit(self, lag: float, first: Fit) -> Fit:
        """Scale and nose of the yaw rate at the lag, in place of those of a `first` fit."""
        _, scale, nose = self.at(lag)
        return Fit(np.array([1.0 / abs(scale), nose / abs(scale)]), first.explained)


def _lowest(cost: Callable[[float], float]) -> float | None:
    """Lag [s] with the least cost, between the trial lags by a parabola; None at the edge of the range."""
    lags = np.arange(LAGS[0], LAGS[1] + 0.5 * COARSE, COARSE)
    best = float(lags[np.argmin([cost(x) for x in lags])])
    if best <= lags[0] or best >= lags[-1]:
        return None
    lags = np.arange(best - COARSE, best + COARSE + 0.5 * FINE, FINE)
    costs = np.array([cost(x) for x in lags])
    i = int(np.clip(np.argmin(costs), 1, lags.size - 2))
    left, middle, right = costs[i - 1 : i + 2]
    return float(lags[i] + 0.5 * FINE * (left - right) / (left - 2.0 * middle + right))


def calibrate(
    drive: Drive, inertial: Mapping[str, Observation], notes: list[str]
) -> tuple[dict[str, Observation], float | None]:
    """Inertial channels turned to ISO 8855, scaled and freed of the body's slip; and the receiver's lag.

    Parameters
    ----------
    drive : Drive
        From the receiver alone, on its own clock.
    inertial : mapping of Observation
        a_lon, a_lat, yaw_rate, wheel_speed, as far as logged.
    notes : list of str
        What was found is added here, in plain words.

    Returns
    -------
    channels, lag : dict, float or None
        Channels that do not follow the path at any lag are left out. The lag is None when no channel shows it.
    """
    if not inertial:
        notes.append("Lag of the receiver unknown: no inertial channel to compare with.")
        return {}, None
    work = Calibration(drive, inertial)
    if not work.enough:
        notes.append("Lag of the receiver unknown and inertial channels not used: the car drives for less than 20 s.")
        return {}, None
    follows = _following(work, list(inertial), notes)
    told = Turning(drive, inertial["yaw_rate"]) if follows == ["yaw_rate"] else None
    lag = None
    if follows:
        lag = work.lag(follows) if told is None else told.lag()
    if lag is None:
        notes.append("Lag of the receiver unknown: no inertial channel follows the path.")
        return {}, None
    if -EARLY < lag < 0.0:
        lag = 0.0
    notes.append(f"Receiver {lag:.3f} s behind the {', '.join(WORDS[n] for n in follows)}; undone.")
    out = {}
    for name in follows:
        fit, _ = work.fit(name, lag)
        if told is not None:
            fit = told.fit(lag, fit)
        out[name] = _undone(name, inertial[name], fit, drive, lag, notes)
    return out, lag


def _following(work: Calibration, names: list[str], notes: list[str]) -> list[str]:
    """Channels that follow the path, by about its size and about as prompt as the others; `notes` tells of the rest."""
    alone = {name: work.lag([name]) for name in names}
    follows = []
    for name, at in alone.items():
        fit = None if at is None else work.fit(name, at)[0]
        if fit is None or abs(fit.explained) <= LEAST_FIT:
            why = "does not follow the path: the channel is left out."
        elif not SCALES[0] <= fit.coefficients[0] <= SCALES[1]:
            why = (
                f"reads {fit.coefficients[0]:.2f} times what the path does: the channel is left out. Check its column "
                "and unit."
            )
        else:
            follows.append(name)
            continue
        notes.append(Note(f"The {WORDS[name]} {why}", Kind.CHANNEL_OUT))
    prompt = max((float(alone[name] or 0.0) for name in follows), default=0.0)
    late = {name: prompt - float(alone[name] or 0.0) for name in follows if name != "wheel_speed"}
    for name in [name for name, behind in late.items() if behind > HELD_BACK]:
        why = f"comes {late[name]:.2f} s behind the other sensors, as one does that the logger smooths"
        notes.append(Note(f"The {WORDS[name]} {why}: the channel is left out.", Kind.CHANNEL_OUT))
        follows.remove(name)
    return follows


def _undone(name: str, seen: Observation, fit: Fit, drive: Drive, lag: float, notes: list[str]) -> Observation:
    """A channel with its sign, its scale and what the body adds to it taken out; `notes` tells of them."""
    if fit.explained < 0.0:
        notes.append(
            f"Sign of the {WORDS[name]} turned to ISO 8855 (correlation with the path {-np.sqrt(-fit.explained):.2f})."
        )
    words = f"{WORDS[name].capitalize()}: scale {fit.coefficients[0]:.3f}"
    if name == "wheel_speed":
        words += f", slip {100.0 * fit.coefficients[1]:.2f} % per m/s²"
    elif name != "a_lat":
        words += f", sideslip {np.degrees(fit.coefficients[1] * G):.1f} deg per g of cornering"
    notes.append(words + "; taken out.")
    value = np.sign(fit.explained) * seen.value
    if name in ("yaw_rate", "wheel_speed"):  # undone within the smoother: this first path is too noisy for it
        slip = fit.coefficients[1] / fit.coefficients[0]
        return replace(seen, value=value / fit.coefficients[0], slip=float(slip))
    side = np.column_stack([np.interp(seen.t + lag, drive.t, f) for f in features_of(drive, name).T])
    return replace(seen, value=(value - side[:, 1:] @ fit.coefficients[1:]) / fit.coefficients[0])
