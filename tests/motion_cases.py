"""Drives that are known exactly, and loggers with the errors that receivers and inertial sensors have.

Independent of `simlap.synthetic`: a plan of straights, clothoids and arcs (curvature in closed form), a speed profile,
and noise of the kind that receivers have: position Gauss-Markov with a time constant of 30 s plus white, speed and
course 0.05 m/s.
"""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from scipy.signal import lfilter

from simlap.circuits import invented_layout
from simlap.geodesy import to_geodetic
from simlap.layout import Layout
from simlap.session import Session

ORIGIN = (47.3, 11.1)  # any place on land
FINE = 0.005  # [s] of the truth


@dataclass(frozen=True, eq=False)
class Drive:
    """Truth on a grid of `FINE` seconds."""

    plan: Layout
    t: np.ndarray
    s: np.ndarray
    v: np.ndarray
    x: np.ndarray
    y: np.ndarray
    kappa: np.ndarray
    course: np.ndarray
    a_lon: np.ndarray

    @property
    def a_lat(self) -> np.ndarray:
        return self.v**2 * self.kappa

    def at(self, name: str, t: np.ndarray) -> np.ndarray:
        return np.interp(t, self.t, getattr(self, name))

    @property
    def crossings(self) -> np.ndarray:
        """Times at station 0 of each lap."""
        count = int(self.s[-1] // self.plan.length)
        return np.interp(self.plan.length * np.arange(count + 1), self.s, self.t)


def speeds(plan: Layout, ds: float, lateral=10.0, brake=9.0, drive=4.5, top=58.0) -> np.ndarray:
    """Speed of a driver on a friction ellipse, at stations `ds` apart."""
    k = np.abs(plan.curvature(ds * np.arange(round(plan.length / ds))))
    z = np.minimum(lateral / np.maximum(k, 1e-6), top**2)
    n, first = z.size, int(np.argmin(z))
    order = (first + np.arange(n + 1)) % n
    z, k = z[order].copy(), k[order]
    for i in range(n - 1, -1, -1):
        room = np.sqrt(max(0.0, 1.0 - (z[i + 1] * k[i + 1] / lateral) ** 2))
        z[i] = min(z[i], z[i + 1] + 2.0 * brake * room * ds)
    for i in range(n):
        room = np.sqrt(max(0.0, 1.0 - (z[i] * k[i] / lateral) ** 2))
        z[i + 1] = min(z[i + 1], z[i] + 2.0 * min(drive, 230.0 / np.sqrt(z[i])) * room * ds)
    return np.sqrt(z[:-1][np.argsort(order[:-1])])


def drive(circuit: str = "club", laps: int = 5, seed: int = 1, slow=None, factors=None) -> Drive:
    """Laps of an invented circuit, each a little slower than the limit; `slow(lap, station) -> factor` disturbs it."""
    plan = invented_layout(circuit)
    count = round(plan.length / 0.5)
    ds = plan.length / count
    base = speeds(plan, ds)
    pace = 1.0 - 0.02 * np.random.default_rng(seed).random(laps) if factors is None else np.asarray(factors)
    station = ds * np.arange(count)
    v = np.concatenate([base * p * (1.0 if slow is None else slow(i, station)) for i, p in enumerate(pace)])
    t = np.concatenate([[0.0], np.cumsum(2.0 * ds / (v[:-1] + v[1:]))])
    grid = np.arange(0.0, t[-1], FINE)
    v = gaussian_filter1d(np.interp(grid, t, v), 0.12 / FINE)  # feet and tyres take a tenth of a second or two
    return _driven(plan, grid, v)


def _driven(plan: Layout, t: np.ndarray, v: np.ndarray) -> Drive:
    s = np.concatenate([[0.0], np.cumsum(0.5 * FINE * (v[1:] + v[:-1]))])
    there = s % plan.length
    x, y = plan.positions(there)
    course = plan.headings(there) + 0.0
    return Drive(plan, t, s, v, x, y, plan.curvature(there), np.unwrap(course), np.gradient(v, FINE))


def wander(rng: np.random.Generator, n: int, step: float, deviation: float, tau: float = 30.0) -> np.ndarray:
    """First-order Gauss-Markov sequence."""
    keep = np.exp(-step / tau)
    steps = rng.normal(0.0, deviation * np.sqrt(1.0 - keep**2), n)
    steps[0] = rng.normal(0.0, deviation)
    return lfilter([1.0], [1.0, -keep], steps)


def logged(
    d: Drive, rate: float, *, slow_m=0.3, white_m=0.02, speed_ms=None, inertial=False, lag=0.0, seed=0, signs=(1, 1, 1),
    lat_scale=1.0, accel=0.5, edit=None, extra=None,
) -> Session:  # fmt: skip
    """A log of the drive. `edit(fix)` may change the fixes (dict of t, x, y, speed, course) before they are written."""
    rng = np.random.default_rng(seed)
    path = CubicSpline(d.t[::2], np.column_stack([d.x, d.y])[::2])
    t = np.arange(0.5 + lag, d.t[-1] - 0.5, 1.0 / rate)
    p = path(t - lag)
    fix = {"t": t, "v": d.at("v", t - lag)}
    for i, name in enumerate("xy"):
        fix[name] = p[:, i] + wander(rng, t.size, 1.0 / rate, slow_m) + rng.normal(0.0, white_m, t.size)
    noise = 0.0 if speed_ms is None else speed_ms
    fix["speed"] = fix["v"] + rng.normal(0.0, noise, t.size)
    fix["course"] = d.at("course", t - lag) + rng.normal(0.0, noise, t.size) / np.maximum(fix["v"], 3.0)
    if edit is not None:
        fix = edit(fix)
    latitude, longitude = to_geodetic(fix["x"], fix["y"], ORIGIN)
    channels = {"latitude": latitude, "longitude": longitude}
    if speed_ms is not None:
        channels |= {"speed": fix["speed"], "course": (0.5 * np.pi - fix["course"]) % (2.0 * np.pi)}
    if not inertial:
        return Session.from_arrays(fix["t"], **channels, **(extra(fix["t"]) if extra else {}))
    rows = np.arange(0.5, d.t[-1] - 0.5, 0.01)
    row = np.searchsorted(fix["t"], rows, side="right") - 1  # each fix is written again until the next one comes
    out = {name: np.where(row >= 0, value[row], np.nan) for name, value in channels.items()}

    def shake(deviation: float) -> np.ndarray:
        return rng.normal(0.0, deviation, rows.size)

    hill = 0.3 * np.sin(4.0 * np.pi * d.at("s", rows) / d.plan.length)  # gravity on the slope, felt as acceleration
    out["a_lon"] = signs[0] * (d.at("a_lon", rows) + hill + shake(accel))
    out["a_lat"] = signs[1] * (lat_scale * d.at("a_lat", rows) + 0.15 + shake(accel))
    out["yaw_rate"] = signs[2] * (d.at("v", rows) * d.at("kappa", rows) + 0.005 + shake(0.01))
    return Session.from_arrays(rows, **out, **(extra(rows) if extra else {}))


def start_points(d: Drive, station: float = 0.0, half_width: float = 12.0) -> tuple[float, float, float, float]:
    """Latitude and longitude of a line across the plan."""
    x, y = (z[0] for z in d.plan.positions(np.array([station])))
    h = float(d.plan.headings(np.array([station]))[0])
    xs = np.array([x + half_width * np.sin(h), x - half_width * np.sin(h)])
    ys = np.array([y - half_width * np.cos(h), y + half_width * np.cos(h)])
    latitude, longitude = to_geodetic(xs, ys, ORIGIN)
    return float(latitude[0]), float(longitude[0]), float(latitude[1]), float(longitude[1])
