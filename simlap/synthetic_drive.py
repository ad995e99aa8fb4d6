"""Drive an invented car along an invented road: the truth that synthetic sessions are made of.

Written apart from `simlap.solver` on purpose, so that errors of one do not cancel in the other: a finer grid,
second-order sweeps, a closed-form corner speed, and a driver who needs time to change pedals.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from simlap.envelope import Envelope
from simlap.synthetic_kernels import COAST, ENGINE_STEP, ENGINE_TOP, corner_ceiling, drive_on, plan_back
from simlap.synthetic_road import Road


def car_vector(envelope: Envelope) -> np.ndarray:
    """The envelope's pairs, exponents and drags for the kernels, shape (14,)."""
    return np.array(
        [
            *envelope.lateral_left,
            *envelope.lateral_right,
            *envelope.braking,
            *envelope.traction,
            envelope.exponent_braking,
            envelope.exponent_drive,
            envelope.cornering_drag,
            *envelope.drag,
        ]
    )


def engine_table(envelope: Envelope) -> np.ndarray:
    """Full-throttle acceleration at v = j `ENGINE_STEP` [m/s²]."""
    speeds = np.arange(0.0, ENGINE_TOP + ENGINE_STEP, ENGINE_STEP)
    return np.interp(speeds, envelope.engine_v, envelope.engine_a)


@dataclass(frozen=True, eq=False)
class Inputs:
    """What the driver does at each point of a run; arrays shape (n,). `Inputs.perfect` is the limit itself."""

    brake_share: np.ndarray  #: part of the braking limit in use
    mid_share: np.ndarray  #: speed over the corner's possible speed
    drive_share: np.ndarray  #: part of the available drive in use
    foot: np.ndarray  #: NORMAL, COAST or HOLD, int
    cap: np.ndarray  #: speed not to exceed, as behind a slower car [m/s]
    build_s: np.ndarray  #: to build up the brakes [s]
    release_s: np.ndarray  #: to let go of them [s]
    pickup_s: np.ndarray  #: to open the throttle [s]
    shift_s: np.ndarray  #: of a gear change [s]
    lifts: tuple[tuple[int, int, float], ...] = ()  #: braking zones: first index, end, coasting before [m]

    @classmethod
    def perfect(cls, n: int) -> "Inputs":
        """The whole envelope, everywhere, in no time."""
        one, none = np.ones(n), np.zeros(n)
        return cls(one, one, one, np.zeros(n, dtype=np.int64), np.full(n, ENGINE_TOP), none, none, none, none)


@dataclass(frozen=True, eq=False)
class Car:
    """An envelope made ready for the kernels, and a gearbox."""

    envelope: Envelope
    upshift: tuple[float, ...] = (18.0, 27.0, 37.0, 48.0)  #: speeds of the up-changes [m/s]
    redline: float = 760.0  #: engine speed at an up-change [rad/s]

    @cached_property
    def arrays(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Car vector, engine table, up-change speeds."""
        return car_vector(self.envelope), engine_table(self.envelope), np.array(self.upshift)


def simulate(road: Road, car: Car, grip: np.ndarray, inputs: Inputs, v_start: float, v_end: float):
    """Drive an open run; returns v² at each point (n,) and the gear (n,).

    However the driver behaves, the result never leaves the envelope: last of all it is swept once more with
    the whole envelope as the only limit.
    """
    table = road.table()
    vector, engine, upshift = car.arrays
    top = corner_ceiling(table, vector, grip)
    ceiling = np.minimum(top * inputs.mid_share**2, inputs.cap**2)
    plan = plan_back(table, vector, grip, ceiling, inputs.brake_share, inputs.release_s, v_end**2)
    pedals = (inputs.pickup_s, inputs.release_s, inputs.shift_s, upshift, v_start**2)
    foot = np.array(inputs.foot)
    z, gear = drive_on(table, vector, engine, grip, plan, inputs.drive_share, foot, *pedals)
    if any(coast > 0.0 for _, _, coast in inputs.lifts):
        s = np.concatenate(([0.0], np.cumsum(road.ds[:-1])))
        for first, end, coast in inputs.lifts:
            onset = _onset(z, plan, first, end)
            if onset >= 0 and coast > 0.0:
                foot[np.searchsorted(s, s[onset] - coast) : end] = COAST
        z, gear = drive_on(table, vector, engine, grip, plan, inputs.drive_share, foot, *pedals)
    z = soften(z, road.ds, inputs.build_s)
    n = z.size
    whole = Inputs.perfect(n)
    z = plan_back(table, vector, grip, np.minimum(z, top), whole.brake_share, whole.release_s, z[-1])
    quick = (whole.pickup_s, whole.release_s, whole.shift_s, upshift, z[0])
    z, _ = drive_on(table, vector, engine, grip, z, whole.drive_share, whole.foot, *quick)
    return z, gear


def _onset(z: np.ndarray, plan: np.ndarray, first: int, end: int) -> int:
    """First point of a braking zone where the speed has met a falling plan, or -1."""
    here = slice(first, min(end, z.size - 1))
    met = (z[here] >= plan[here] * (1.0 - 1e-12)) & (plan[first + 1 : here.stop + 1] < plan[here])
    return first + int(np.argmax(met)) if met.any() else -1


def closed_run(road: Road, car: Car, grip: np.ndarray, inputs: Inputs) -> tuple[np.ndarray, float]:
    """Flying lap of a closed road: v² at each point (n,) and the lap time [s].

    Starts at the slowest place and runs one and a half laps, of which the middle one counts.
    """
    n = road.ds.size
    vector = car.arrays[0]
    start = int(np.argmin(corner_ceiling(road.table(), vector, grip) * inputs.mid_share**2))
    quarter = n // 4
    index = (start + np.arange(n + 2 * quarter + 1)) % n

    def along(array: np.ndarray) -> np.ndarray:
        return array[index]

    long_road = Road(*(along(getattr(road, k)) for k in ("ds", "kappa", "kappa_v", "grade", "bank")))
    lifts = tuple(
        (a + turn * n, b + turn * n, coast)
        for first, stop, coast in inputs.lifts
        for a, b in [((first - start) % n, (first - start) % n + (stop - first) % n)]
        for turn in (0, 1)
        if a + turn * n < index.size
    )
    names = ("brake_share", "mid_share", "drive_share", "foot", "cap", "build_s", "release_s", "pickup_s", "shift_s")
    long_inputs = replace(inputs, lifts=lifts, **{name: along(getattr(inputs, name)) for name in names})
    z, _ = simulate(long_road, car, along(grip), long_inputs, ENGINE_TOP, ENGINE_TOP)
    window = z[quarter : quarter + n + 1]
    ds = along(road.ds)[quarter : quarter + n + 1]
    lap = np.empty(n)
    lap[index[quarter : quarter + n]] = window[:n]
    return lap, float(run_times(window, ds)[-1])


def soften(z: np.ndarray, ds: np.ndarray, build_s: np.ndarray) -> np.ndarray:
    """Round off each sudden onset of braking over `build_s` [s]: never faster than `z` anywhere.

    v² averaged over the distance covered in that time lies below v² where the curve is concave (brakes or
    throttle closing) and above where it is convex; the smaller of both keeps corner speeds as they are.
    """
    s = np.concatenate(([0.0], np.cumsum(ds[:-1])))
    area = np.concatenate(([0.0], np.cumsum(0.5 * (z[1:] + z[:-1]) * ds[:-1])))
    half = 0.5 * np.sqrt(z) * build_s
    low, high = np.maximum(s - half, s[0]), np.minimum(s + half, s[-1])
    half = np.minimum(s - low, high - s)  # keep the window centred at the ends
    wide = half > 1e-9
    mean = np.array(z)
    centre = s[wide]
    h = half[wide]

    def integral(at: np.ndarray) -> np.ndarray:
        i = np.clip(np.searchsorted(s, at, side="right") - 1, 0, s.size - 2)
        d = at - s[i]
        return area[i] + d * (z[i] + 0.5 * d * (z[i + 1] - z[i]) / (s[i + 1] - s[i]))

    mean[wide] = (integral(centre + h) - integral(centre - h)) / (2.0 * h)
    return np.minimum(z, mean)


def run_times(z: np.ndarray, ds: np.ndarray) -> np.ndarray:
    """Time at each point, 0 at the first, shape (n,): 2 ds / (v0 + v1), exact for constant acceleration."""
    v = np.sqrt(z)
    return np.concatenate(([0.0], np.cumsum(2.0 * ds[:-1] / (v[:-1] + v[1:]))))
