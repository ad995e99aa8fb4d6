"""Invented sensors: what a logger writes of a drive that is known exactly."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from scipy.signal import lfilter

from simlap.errors import OptionError
from simlap.frozen import own
from simlap.session import Session
from simlap.synthetic_drive import Car
from simlap.synthetic_kernels import COAST_CONSTANT, COAST_SQUARE
from simlap.units import G

# The place of an invented circuit that has none of its own: open ocean.
ORIGIN = (-42.0, -118.0)  # latitude, longitude [deg]
# Brake pressure per deceleration that the brakes themselves give.
PRESSURE_PER_DECELERATION = 6.0e5  # [Pa s²/m]
# What the pressure sensor's noise is a share of.
PRESSURE_FULL = 6.0e6  # [Pa]
# The sensor reads this with the brakes off.
PRESSURE_REST = 2.0e4  # [Pa]
# Wheelbase and steering per lateral acceleration beyond it, for the road-wheel angle.
WHEELBASE = 2.5  # [m]
UNDERSTEER = 0.0015  # [rad s²/m]
# Engine and road vibration that inertial sensors pick up: a lightly damped resonance.
VIBRATION_HZ, VIBRATION_DAMPING = 14.0, 0.15
# The barometer or the receiver's height wanders this slowly.
ALTITUDE_TAU = 60.0  # [s]


@dataclass(frozen=True)
class Sensors:
    """Noise, rates and faults; standard deviations unless said otherwise. Start from `good`, `fair` or `poor`."""

    rate_hz: float = 100.0  #: rows of the log, and of the inertial channels
    fix_hz: float = 25.0  #: of position, GPS speed and course; must divide the rate
    repeat_fixes: bool = True  #: fixes repeated at the log's rate; False: empty cells between them
    position_m: float = 0.5  #: slow position error (Gauss-Markov), each of east and north
    position_tau_s: float = 30.0  #: its correlation time
    position_white_m: float = 0.03  #: white position error
    speed_ms: float = 0.05  #: of GPS speed
    course_ms: float = 0.05  #: of the velocity across the path; course noise is this over the speed
    fix_lag_s: float = 0.0  #: the receiver's values are this old, 0 to 0.3
    dropouts: int = 0  #: number of gaps of 2 s without fixes
    jumps: int = 0  #: number of single fixes that are off by 20 m
    accel_g: float = 0.05  #: white noise of the accelerometers [g]
    vibration_g: float = 0.03  #: vibration on top [g]
    a_lon_bias_g: float = 0.0
    a_lat_bias_g: float = 0.0
    accel_scale: float = 1.0  #: reading over truth
    ahead_m: float = 0.0  #: the accelerometers sit this far ahead of the point whose path is driven
    roll_per_g: float = 0.03  #: body roll in a turn [rad per g]; the sensor reads some of gravity
    yaw_rate_rad_s: float = 0.01  #: noise
    yaw_bias_rad_s: float = 0.0
    sideslip_per_g: float = 0.03  #: nose points this far into the turn [rad per g]
    wheel_slip: float = 0.0  #: slip at the braking or drive of 1 g; the wheel speed reads less or more
    altitude_m: float = 0.6  #: slow error of the height (Gauss-Markov)
    pedal_noise: float = 0.004  #: of the throttle, and of the brake pressure as a share of 60 bar [1]
    downshift_release: float = 0.0  #: share of the brake pressure let go during down-changes
    sign_a_lat: int = 1  #: -1: logged with right turns positive
    channels: tuple[str, ...] = (
        "latitude", "longitude", "altitude", "speed", "course", "a_lon", "a_lat", "yaw_rate",
        "throttle", "brake_pressure", "gear", "engine_speed",
    )  # fmt: skip

    def __post_init__(self) -> None:
        step = self.rate_hz / self.fix_hz
        if abs(step - round(step)) > 1e-9:
            raise OptionError(f"Sensors: {self.fix_hz:g} fixes per second do not fit {self.rate_hz:g} rows per second.")

    @classmethod
    def good(cls, **changes: Any) -> "Sensors":
        """25 Hz, position good to 0.3 m, 0.05 g."""
        return replace(cls(position_m=0.3, position_white_m=0.02), **changes)

    @classmethod
    def fair(cls, **changes: Any) -> "Sensors":
        """20 Hz, 0.6 m, a lag of 0.1 s, biases."""
        return replace(
            cls(
                fix_hz=20.0, position_m=0.6, position_white_m=0.05, speed_ms=0.08, course_ms=0.08, fix_lag_s=0.1,
                vibration_g=0.05, a_lon_bias_g=0.01, a_lat_bias_g=-0.01, yaw_bias_rad_s=0.003,
            ),
            **changes,
        )  # fmt: skip

    @classmethod
    def poor(cls, **changes: Any) -> "Sensors":
        """10 Hz, 1 m, a lag of 0.2 s, larger biases and vibration."""
        return replace(
            cls(
                fix_hz=10.0, position_m=1.0, position_white_m=0.1, speed_ms=0.12, course_ms=0.12, fix_lag_s=0.2,
                vibration_g=0.08, a_lon_bias_g=0.02, a_lat_bias_g=-0.02, yaw_rate_rad_s=0.015, yaw_bias_rad_s=0.006,
                accel_scale=1.01,
            ),
            **changes,
        )  # fmt: skip

    @classmethod
    def perfect(cls, **changes: Any) -> "Sensors":
        """No error at all, fixes at every row."""
        none: dict[str, Any] = dict.fromkeys(
            ("position_m", "position_white_m", "speed_ms", "course_ms", "accel_g", "vibration_g", "roll_per_g",
             "yaw_rate_rad_s", "sideslip_per_g", "altitude_m", "pedal_noise"), 0.0,
        )  # fmt: skip
        return replace(cls(fix_hz=100.0, **none), **changes)

    def without(self, *names: str) -> "Sensors":
        """The same logger with some channels missing."""
        return replace(self, channels=tuple(c for c in self.channels if c not in names))


@dataclass(frozen=True, eq=False)
class TrueMotion:
    """The drive itself at some instants; arrays float64, shape (n,)."""

    t: np.ndarray  #: session clock, strictly rising [s]
    s: np.ndarray  #: distance along the driven path [m]
    v: np.ndarray  #: [m/s]
    a_lon: np.ndarray  #: dv/dt [m/s²]
    a_lat: np.ndarray  #: v² kappa [m/s²]
    kappa: np.ndarray  #: left positive [1/m]
    course: np.ndarray  #: of the velocity, anticlockwise from east [rad]
    x: np.ndarray  #: east [m]
    y: np.ndarray  #: north [m]
    z: np.ndarray  #: height [m]
    grade: np.ndarray  #: [rad]
    bank: np.ndarray  #: [rad]
    gear: np.ndarray  #: from 1

    def __post_init__(self) -> None:
        own(self, *(f.name for f in fields(self)))

    @classmethod
    def driven(cls, t, ds, z2, x, y, height, course, kappa, grade, bank, gear) -> "TrueMotion":
        """From points of a run: v² `z2`, segment lengths `ds` [m], times `t`."""
        segment = np.diff(z2) / (2.0 * ds[:-1])
        middle = 0.5 * (t[1:] + t[:-1])
        return cls(
            t=t,
            s=np.concatenate(([0.0], np.cumsum(ds[:-1]))),
            v=np.sqrt(z2),
            a_lon=np.interp(t, middle, segment),
            a_lat=z2 * kappa,
            kappa=kappa,
            course=course,
            x=x,
            y=y,
            z=height,
            grade=grade,
            bank=bank,
            gear=gear,
        )

    def at(self, times: np.ndarray) -> "TrueMotion":
        """The state at other instants; before the first one the car stands there, after the last one too.

        Within a segment the acceleration is constant, so the speed is linear in time and the distance quadratic.
        """
        i = np.clip(np.searchsorted(self.t, times, side="right") - 1, 0, self.t.size - 2)
        tau = np.clip(times, self.t[0], self.t[-1]) - self.t[i]
        v = np.interp(times, self.t, self.v)
        s = self.s[i] + 0.5 * (self.v[i] + v) * tau
        moving = (times >= self.t[0]) & (times <= self.t[-1])
        kappa = np.interp(s, self.s, self.kappa)
        v = np.where(moving, v, 0.0)
        along = {k: np.interp(s, self.s, getattr(self, k)) for k in ("course", "x", "y", "z", "grade", "bank")}
        a_lon = np.where(moving, np.interp(times, self.t, self.a_lon), 0.0)
        return TrueMotion(t=times, s=s, v=v, a_lon=a_lon, a_lat=v * v * kappa, kappa=kappa, gear=self.gear[i], **along)


def gauss_markov(rng: np.random.Generator, size: int, step: float, sd: float, tau: float) -> np.ndarray:
    """A stationary first-order Gauss-Markov process, autocorrelation exp(-t / tau), shape (size,).

    x[k + 1] = f x[k] + sqrt(1 - f²) sd w, f = exp(-step / tau): Gelb (1974), Applied Optimal Estimation, 3.8.
    """
    f = np.exp(-step / tau)
    w = rng.standard_normal(size) * sd * np.sqrt(1.0 - f * f)
    w[0] = rng.standard_normal() * sd
    return lfilter([1.0], [1.0, -f], w)


def vibration(rng: np.random.Generator, size: int, step: float, sd: float) -> np.ndarray:
    """Noise of standard deviation `sd` about `VIBRATION_HZ`, a lightly damped resonance driven by noise."""
    w0 = 2.0 * np.pi * VIBRATION_HZ * step
    r = np.exp(-VIBRATION_DAMPING * w0)
    run_in = 200
    raw = lfilter([1.0], [1.0, -2.0 * r * np.cos(w0), r * r], rng.standard_normal(size + run_in))[run_in:]
    # Variance of a second-order autoregression: (1 + a2) / ((1 - a2)((1 + a2)² - a1²)), Box and Jenkins.
    a1, a2 = 2.0 * r * np.cos(w0), r * r
    return sd * raw / np.sqrt((1.0 + a2) / ((1.0 - a2) * ((1.0 + a2) ** 2 - a1**2)))


def record(
    drive: TrueMotion,
    sensors: Sensors,
    car: Car,
    origin: tuple[float, float] | None,
    rng: np.random.Generator,
    *,
    standing_s: float,
    source: str,
) -> tuple[Session, TrueMotion]:
    """Log a drive; returns the session and the truth at its rows.

    Parameters
    ----------
    origin : tuple or None
        Latitude and longitude of x = y = 0; those of an ocean where None. [deg]
    rng : Generator
        Of all noise; each group of channels draws from a stream of its own.
    standing_s : float
        How long the log runs on behind the drive, the car standing; before ``drive.t[0]`` it stands too. [s]
    source : str
        Name of the log.

    Raises
    ------
    OptionError
        When `sensors` name a channel that there is none of.
    """
    step = 1.0 / sensors.rate_hz
    times = step * np.arange(int((drive.t[-1] + standing_s) / step))
    rows = drive.at(times)
    # One stream per group, so that leaving out a channel does not change the noise of the others.
    gps, inertial, pedals = rng.spawn(3)
    every = round(sensors.rate_hz / sensors.fix_hz)
    made: dict[str, np.ndarray] = {}
    made.update(_receiver(drive, times, every, sensors, origin or ORIGIN, gps))
    made.update(_inertial(rows, sensors, inertial))
    made.update(_controls(rows, sensors, car, pedals))
    unknown = [name for name in sensors.channels if name not in made]
    if unknown:
        raise OptionError(f"Sensors, channels: {unknown[0]!r} is none of {', '.join(made)}.")
    channels: dict[str, Any] = {k: made[k] for k in sensors.channels}
    return Session.from_arrays(times, source=source, **channels), rows


def _receiver(drive, times, every, sensors, origin, rng) -> Mapping[str, np.ndarray]:
    """Position, speed, course, altitude and satellites of a satellite receiver."""
    at = times[::every]
    fix = drive.at(at - sensors.fix_lag_s)
    step = every / sensors.rate_hz
    n = at.size
    error = [
        gauss_markov(rng, n, step, sensors.position_m, sensors.position_tau_s)
        + sensors.position_white_m * rng.standard_normal(n)
        for _ in range(2)
    ]
    x, y = fix.x + error[0], fix.y + error[1]
    speed = np.abs(fix.v + sensors.speed_ms * rng.standard_normal(n))
    across = sensors.course_ms * rng.standard_normal(n)
    course = fix.course + np.arctan2(across, np.maximum(fix.v, 1e-3))
    altitude = fix.z + gauss_markov(rng, n, step, sensors.altitude_m, ALTITUDE_TAU)
    satellites = np.full(n, 11.0)
    moving = np.flatnonzero((fix.v > 5.0) & (at > at[0] + 20.0) & (at < at[-1] - 20.0))
    for place in rng.choice(moving, sensors.jumps, replace=False) if sensors.jumps else ():
        angle = rng.uniform(0.0, 2.0 * np.pi)
        x[place] += 20.0 * np.cos(angle)
        y[place] += 20.0 * np.sin(angle)
    there = np.ones(n, dtype=bool)
    for place in rng.choice(moving, sensors.dropouts, replace=False) if sensors.dropouts else ():
        there[place : place + round(2.0 / step)] = False
    latitude, longitude = _geodetic(x, y, origin)
    values = {
        "latitude": latitude,
        "longitude": longitude,
        "x": x,
        "y": y,
        "altitude": altitude,
        "speed": speed,
        "course": (0.5 * np.pi - course) % (2.0 * np.pi),
        "satellites": satellites,
    }
    out = {}
    for name, value in values.items():
        column = np.full(times.size, np.nan)
        column[::every][there] = value[there]
        if sensors.repeat_fixes:
            last = np.maximum.accumulate(np.where(np.isfinite(column), np.arange(times.size), 0))
            column = column[last]
        out[name] = column
    return out


def _geodetic(x, y, origin) -> tuple[np.ndarray, np.ndarray]:
    from pyproj import Transformer

    plane = f"+proj=tmerc +lat_0={origin[0]:.12f} +lon_0={origin[1]:.12f} +k=1 +x_0=0 +y_0=0 +ellps=WGS84"
    longitude, latitude = Transformer.from_crs(plane, "EPSG:4326", always_xy=True).transform(x, y)
    return latitude, longitude


def _inertial(rows: TrueMotion, sensors: Sensors, rng) -> Mapping[str, np.ndarray]:
    """Accelerometers, gyroscope and wheel speed, as they stand in a body that rolls and slips."""
    n = rows.t.size
    step = 1.0 / sensors.rate_hz
    # ISO 8855: positive when the velocity points to the left of the nose; the nose points into the turn.
    slip = -sensors.sideslip_per_g * rows.a_lat / G
    roll = sensors.roll_per_g * rows.a_lat / G
    along = rows.a_lon + G * np.sin(rows.grade)
    across = rows.a_lat * np.cos(rows.bank) - G * np.sin(rows.bank) * np.cos(rows.grade)

    def noise() -> np.ndarray:
        white = sensors.accel_g * rng.standard_normal(n)
        return G * (white + vibration(rng, n, step, sensors.vibration_g))

    yaw_rate = rows.v * rows.kappa - np.gradient(slip, step)
    # A point ahead on a rigid body is pulled back by the yaw rate squared and across by the yaw acceleration.
    a_lon = along * np.cos(slip) - across * np.sin(slip) - sensors.ahead_m * yaw_rate**2
    a_lat = across * np.cos(slip) + along * np.sin(slip) + G * np.sin(roll)
    a_lat = a_lat + sensors.ahead_m * np.gradient(yaw_rate, step)
    vertical = G * np.cos(rows.grade) * np.cos(rows.bank) + noise()
    return {
        "a_lon": sensors.accel_scale * a_lon + G * sensors.a_lon_bias_g + noise(),
        "a_lat": sensors.sign_a_lat * (sensors.accel_scale * a_lat + G * sensors.a_lat_bias_g + noise()),
        "a_vert": vertical,
        "yaw_rate": yaw_rate + sensors.yaw_bias_rad_s + sensors.yaw_rate_rad_s * rng.standard_normal(n),
        "sideslip": slip + 0.002 * rng.standard_normal(n),
        "wheel_speed": np.maximum(rows.v * (1.0 + sensors.wheel_slip * along / G) + 0.02 * rng.standard_normal(n), 0.0),
    }  # fmt: skip


def _controls(rows: TrueMotion, sensors: Sensors, car: Car, rng) -> Mapping[str, np.ndarray]:
    """Pedals, gears and steering that make these accelerations."""
    n = rows.t.size
    force = rows.a_lon + G * np.sin(rows.grade)
    coast = -(COAST_CONSTANT + COAST_SQUARE * rows.v**2)
    full = np.maximum(car.envelope.engine_limit(rows.v, rows.a_lat), coast + 0.5)
    moving = rows.v > 0.0
    throttle = np.where(moving, np.clip((force - coast) / (full - coast), 0.0, 1.0), 0.0)
    throttle = np.where(force < coast, 0.0, throttle)
    braking = np.where(moving, np.maximum(coast - force, 0.0), 0.0)
    if sensors.downshift_release > 0.0:
        down = np.flatnonzero(np.diff(rows.gear) < 0)
        for place in down:
            braking[place : place + round(0.15 * sensors.rate_hz)] *= 1.0 - sensors.downshift_release
    pressure = PRESSURE_PER_DECELERATION * braking + PRESSURE_REST
    pressure = pressure + sensors.pedal_noise * PRESSURE_FULL * rng.standard_normal(n)
    up = np.array(car.upshift)
    top = np.append(up, up[-1] * 1.2)[rows.gear.astype(int) - 1]
    speed = np.maximum(car.redline * rows.v / top, 0.15 * car.redline)
    steering = WHEELBASE * rows.kappa + UNDERSTEER * rows.a_lat
    return {
        "throttle": np.clip(throttle + sensors.pedal_noise * rng.standard_normal(n), 0.0, 1.0),
        "brake_pressure": np.maximum(pressure, 0.0),
        "brake": np.clip(braking / (1.2 * car.envelope.braking[0]), 0.0, 1.0),
        "gear": np.where(moving, rows.gear, 0.0),
        "engine_speed": speed * (1.0 + 0.003 * rng.standard_normal(n)),
        "steering": steering + 0.002 * rng.standard_normal(n),
    }
