"""What a motion is: one smooth path over time, with its noise and its quality."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simlap.errors import NotEnoughData
from simlap.frozen import own
from simlap.noted import Kind, of_kind

MOTION_RATE = 50.0  # [Hz] of the result: 25 samples a period of its bandwidth, so linear interpolation errs below 1 mm
LONGEST = 4.0 * 3600.0  # [s] of one log: memory grows with it, a gap of days would fill it
STANDS = 1.5  # [m/s] no faster throughout a gap, a car stands in it: no path is lost
# Heights of a receiver err by more than roads bend: a crest of 100 m at 50 m/s takes two seconds.
ALTITUDE_BANDWIDTH = 0.5  # [Hz]
BANDWIDTH = 2.0  # [Hz] default: a driver's inputs take 0.2 s and more; tyre and spring noise lie above


@dataclass(frozen=True)
class MotionQuality:
    """How good the motion is, in figures and in words."""

    fixes_per_second: float  #: 0 without positions
    lag_s: float | None  #: receiver behind the inertial sensors; None when nothing could show it
    rms_position_m: float | None  #: of the positions beside the path; None without them, as below
    rms_speed_ms: float | None  #: of the receiver's speed beside the path, or else of the wheels'
    repaired_share: float  #: share of time bridged or repaired, 0..1
    speed_source: str
    verdict: str  #: 'good', 'usable' or 'not enough'
    reason: str


@dataclass(frozen=True, eq=False)
class Motion:
    """Smooth motion along the driven path; all arrays float64 on one uniform grid, shape (n,), read-only.

    All of x, y, v, course, kappa, a_lon and a_lat come from one curve; v and a_lon may be sharper than the rest.
    """

    t: np.ndarray  #: session clock [s]
    x: np.ndarray  #: east [m]
    y: np.ndarray  #: north [m]
    s: np.ndarray  #: distance along the driven path [m]
    v: np.ndarray  #: speed [m/s]
    course: np.ndarray  #: direction of the velocity, anticlockwise from east, unwrapped [rad]
    kappa: np.ndarray  #: curvature, left positive [1/m]
    a_lon: np.ndarray  #: dv/dt [m/s²]
    a_lat: np.ndarray  #: v² kappa [m/s²]
    altitude: np.ndarray | None  #: [m]
    noise_a_lon: np.ndarray  #: (k, n) drawn errors of a_lon [m/s²]
    noise_a_lat: np.ndarray  #: (k, n) drawn errors of a_lat [m/s²]
    origin: tuple[float, float] | None  #: latitude, longitude of x = y = 0 [deg]
    bandwidth_hz: float  #: -3 dB of the low-pass of the path, its course and curvature
    speed_bandwidth_hz: float  #: the same of v and a_lon; not less
    valid: np.ndarray  #: (n,) bool: False in gaps and where repaired heavily
    quality: MotionQuality
    notes: tuple[str, ...]
    closes: bool  #: False: dead-reckoned, the path drifts from lap to lap
    #: (n,) what the lateral accelerometer reads beyond the v² kappa of the receiver's path, scale and tilt undone; None
    #: without that sensor or a path of its own [m/s²]
    across: np.ndarray | None = None
    along: np.ndarray | None = None  #: (n,) the same of the longitudinal accelerometer and dv/dt [m/s²]
    used: tuple[str, ...] = ()  #: channels beside the positions that the path was found from

    def __post_init__(self) -> None:
        own(self, "t", "x", "y", "s", "v", "course", "kappa", "a_lon", "a_lat", "altitude")
        own(self, "noise_a_lon", "noise_a_lat", "across", "along")
        own(self, "valid", dtype=bool)
        n = self.t.size
        for name in ("x", "y", "s", "v", "course", "kappa", "a_lon", "a_lat", "valid"):
            assert getattr(self, name).shape == (n,), name
        assert self.noise_a_lon.shape == self.noise_a_lat.shape == (self.noise_a_lon.shape[0], n)

    @property
    def channels_out(self) -> tuple[str, ...]:
        """Notes on channels that contradict the path and were not used."""
        return tuple(of_kind(self.notes, Kind.CHANNEL_OUT))

    def at(self, name: str, t: np.ndarray) -> np.ndarray:
        """Channel `name` of the motion, interpolated linearly at times `t` [s]."""
        return np.interp(t, self.t, getattr(self, name))


def short_enough(source: str, what: str, seconds: float) -> None:
    """Refuse a log that spans more than `LONGEST`.

    Raises
    ------
    NotEnoughData
        Naming the log, and how long its `what` span.
    """
    if seconds > LONGEST:
        raise NotEnoughData(
            f"{source}: {what} span {seconds / 3600.0:.1f} h; at most {LONGEST / 3600.0:.0f} h are taken at once. "
            'Split the log into outings; or, if its clock counts in another unit, state it: --column time="NAME":ms.'
        )


# Curvature is v² kappa / v²: below this speed it is held at zero. A car that turns at 0.5 m/s is being pushed.
STANDSTILL = 0.5  # [m/s]


def shape_of(velocity: np.ndarray, acceleration: np.ndarray) -> tuple[np.ndarray, ...]:
    """Speed, course, curvature, a_lon, a_lat from p' and p'', arrays (n, 2).

    Returns
    -------
    v, course, kappa, a_lon, a_lat : float64 arrays, shape (n,)
        Where the car stands (v below `STANDSTILL`) course is held between the neighbours, kappa and a_lat are zero.
    """
    v = np.hypot(velocity[:, 0], velocity[:, 1])
    moves = v > STANDSTILL
    course = np.zeros(v.size)
    if moves.any():
        index = np.flatnonzero(moves)
        direction = np.unwrap(np.arctan2(velocity[index, 1], velocity[index, 0]))
        course = np.interp(np.arange(v.size), index, direction)
    safe = np.maximum(v, STANDSTILL)
    a_lon = np.sum(velocity * acceleration, axis=1) / safe
    a_lat = (velocity[:, 0] * acceleration[:, 1] - velocity[:, 1] * acceleration[:, 0]) / safe
    a_lat = np.where(moves, a_lat, 0.0)
    return v, course, a_lat / safe**2, a_lon, a_lat


def integrated(values: np.ndarray, step: float) -> np.ndarray:
    """Integral (n,) of values (n,) that come every `step` [s], from 0 on: trapezoid.

    Of a speed it is the distance driven: its error does not grow, it stays below step² (a - a0) / 12.
    """
    return np.concatenate([[0.0], np.cumsum(0.5 * step * (values[1:] + values[:-1]))])
