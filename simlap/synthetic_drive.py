"""Drive an invented car along an invented line: the truth that synthetic sessions are made of.

Written apart from `simlap.solver` on purpose, so that errors of one do not cancel in the other: a finer grid,
second-order sweeps, a closed-form corner speed, and a driver who needs time to change pedals.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.interpolate import make_interp_spline
from scipy.ndimage import gaussian_filter1d

from simlap.envelope import Envelope
from simlap.frozen import own
from simlap.units import G

# Distance between stations of the truth. Halving it moves the limit lap of a 3.5 km circuit by less than 1 ms.
FINE_SPACING = 0.5  # [m]
# Step and end of the table that the engine curve is read from; finer than any curve bends.
ENGINE_STEP = 0.1  # [m/s]
ENGINE_TOP = 140.0  # [m/s]
# Deceleration of a car off both pedals: rolling and engine braking, and air (invented, common size).
COAST_CONSTANT = 0.7  # [m/s²]
COAST_SQUARE = 0.0005  # [1/m]
# The same with the clutch open, during a gear change.
SHIFT_CONSTANT = 0.2  # [m/s²]
# Nobody changes gear on a car that hardly pulls; avoids gear changes in mid-corner.
SHIFT_PULL = 0.8  # [m/s²]
# Speed below which a car is treated as rolling at this speed, so that times stay finite.
V_CREEP = 0.5  # [m/s]
# Ceiling where the road is straight.
Z_TOP = ENGINE_TOP**2  # [m²/s²]

NORMAL, COAST, HOLD = 0, 1, 2  # what the driver's right foot may do at a station


@dataclass(frozen=True, eq=False)
class Road:
    """A driven path on a fine grid; every array float64, shape (n,). Segment i runs from point i to i + 1."""

    ds: np.ndarray  #: length of the segment behind point i [m]
    kappa: np.ndarray  #: curvature, left positive [1/m]
    kappa_v: np.ndarray  #: vertical curvature, dip positive [1/m]
    grade: np.ndarray  #: uphill positive [rad]
    bank: np.ndarray  #: left edge lower positive [rad]

    def __post_init__(self) -> None:
        own(self, "ds", "kappa", "kappa_v", "grade", "bank")

    def table(self) -> np.ndarray:
        """Shape (7, n): ds, kappa, kappa_v, sin and cos of grade, sin and cos of bank."""
        return np.stack(
            (
                self.ds,
                self.kappa,
                self.kappa_v,
                np.sin(self.grade),
                np.cos(self.grade),
                np.sin(self.bank),
                np.cos(self.bank),
            )
        )


@dataclass(frozen=True, eq=False)
class BaseLine:
    """The closed line that the laps scatter about, on a uniform fine grid of station; arrays shape (n,)."""

    spacing: float  #: [m]
    x: np.ndarray  #: east [m]
    y: np.ndarray  #: north [m]
    z: np.ndarray  #: height [m]
    course: np.ndarray  #: anticlockwise from east, unwrapped [rad]
    kappa: np.ndarray  #: curvature, left positive [1/m]
    kappa_slope: np.ndarray  #: d kappa / d station [1/m²]
    kappa_v: np.ndarray  #: [1/m]
    grade: np.ndarray  #: [rad]
    bank: np.ndarray  #: [rad]

    def __post_init__(self) -> None:
        names = ("x", "y", "z", "course", "kappa", "kappa_slope", "kappa_v", "grade", "bank")
        own(self, *names)

    @property
    def length(self) -> float:
        """Length of the lap [m]."""
        return self.spacing * self.x.size

    @property
    def station(self) -> np.ndarray:
        """Stations, shape (n,) [m]."""
        return self.spacing * np.arange(self.x.size)

    @classmethod
    def of(cls, line, spacing: float = FINE_SPACING) -> "BaseLine":
        """Resample a closed `simlap.line.Line` by periodic quintic splines; `spacing` is met as nearly as fits.

        The curvature comes from the spline itself, so that it belongs exactly to the points.
        """
        flat = np.zeros(line.x.size)
        points = [line.x, line.y, flat if line.z is None else line.z, flat if line.bank is None else line.bank]
        station = np.append(line.station, line.length)
        values = np.column_stack(points)
        spline = make_interp_spline(station, np.vstack((values, values[:1])), k=5, bc_type="periodic")
        speed = spline.derivative(1)
        # Arc length along the spline at dense parameters, then stations uniform in that arc length.
        dense = np.linspace(0.0, line.length, 8 * line.x.size + 1)
        rate = np.hypot(*speed(dense)[:, :2].T)
        arc = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(dense))))
        count = max(round(arc[-1] / spacing), 16)
        step = arc[-1] / count
        at = np.interp(step * np.arange(count), arc, dense)
        x, y, z, bank = spline(at).T
        d1, d2, d3 = (spline.derivative(k)(at) for k in (1, 2, 3))
        norm = np.hypot(d1[:, 0], d1[:, 1])
        cross = d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]
        kappa = cross / norm**3
        along = (d1[:, 0] * d2[:, 0] + d1[:, 1] * d2[:, 1]) / norm**2
        kappa_slope = (d1[:, 0] * d3[:, 1] - d1[:, 1] * d3[:, 0]) / norm**4 - 3.0 * kappa * along / norm
        rise = d1[:, 2] / norm
        return cls(
            spacing=step,
            x=x,
            y=y,
            z=z,
            course=np.unwrap(np.arctan2(d1[:, 1], d1[:, 0])),
            kappa=kappa,
            kappa_slope=kappa_slope,
            kappa_v=d2[:, 2] / norm**2 / (1.0 + rise**2) ** 1.5,
            grade=np.arctan(rise),
            bank=bank,
        )

    def shifted(self, offset: np.ndarray, slope: np.ndarray, bend: np.ndarray) -> Road:
        """The path `offset` to the left of the line, repeated as often as the arrays are laps long.

        Parameters
        ----------
        offset, slope, bend : float64 arrays, shape (m,), m a multiple of n or less
            Offset and its first and second derivative by station [m, 1, 1/m].

        Notes
        -----
        With r = r0 + o n, t' = kappa n, n' = -kappa t: r' = A t + B n, A = 1 - kappa o, B = o', and the
        curvature (A (A kappa + B') - B (A' - kappa B)) / (A² + B²)^1.5 (Frenet, plane curves).
        """
        index = np.arange(offset.size) % self.x.size
        k, k_slope = self.kappa[index], self.kappa_slope[index]
        a, b = 1.0 - k * offset, slope
        a_slope = -k_slope * offset - k * slope
        stretch = np.hypot(a, b)
        kappa = (a * (a * k + bend) - b * (a_slope - k * b)) / stretch**3
        # Trapezoid: length of a segment from the stretch at both of its ends.
        ahead = np.append(stretch[1:], stretch[-1] if offset.size % self.x.size else stretch[0])
        ds = 0.5 * (stretch + ahead) * self.spacing
        return Road(ds, kappa, self.kappa_v[index], self.grade[index], self.bank[index])


def wander(rng: np.random.Generator, size: int, spacing: float, sd: float, length: float, wrap: bool = False):
    """A smooth random offset with its two derivatives by station, each shape (size,).

    White noise through a Gaussian filter: standard deviation `sd` [m], autocorrelation exp(-d²/(2 length²)).
    """
    width = length / np.sqrt(2.0) / spacing
    white = rng.standard_normal(size)
    scale = sd * np.sqrt(2.0 * width * np.sqrt(np.pi))  # the filter leaves a variance of 1 / (2 width sqrt(pi))
    mode = "wrap" if wrap else "reflect"
    return tuple(gaussian_filter1d(white, width, order=order, mode=mode) * scale / spacing**order for order in range(3))


def car_vector(envelope: Envelope) -> np.ndarray:
    """The envelope's pairs, exponents and cornering drag for the kernels, shape (11,)."""
    return np.array(
        [
            *envelope.lateral_left,
            *envelope.lateral_right,
            *envelope.braking,
            *envelope.traction,
            envelope.exponent_braking,
            envelope.exponent_drive,
            envelope.cornering_drag,
        ]
    )


def engine_table(envelope: Envelope) -> np.ndarray:
    """Full-throttle acceleration at v = j `ENGINE_STEP` [m/s²]."""
    speeds = np.arange(0.0, ENGINE_TOP + ENGINE_STEP, ENGINE_STEP)
    return np.interp(speeds, envelope.engine_v, envelope.engine_a)


@njit(cache=True)
def _demand(road, i, z):
    """Signed lateral demand on the tyres [m/s²] and g_n / g at point i for z = v²."""
    y = z * road[1, i] * road[6, i] - G * road[5, i] * road[4, i]
    normal = road[4, i] * road[6, i] + z * (road[2, i] + road[1, i] * road[5, i]) / G
    return y, max(normal, 0.05)


@njit(cache=True)
def _used(car, grip, y, normal, z):
    """Share of the lateral limit in use, at most 1."""
    c0, c1 = (car[0], car[1]) if y >= 0.0 else (car[2], car[3])
    return min(abs(y) / ((c0 + c1 * z) * normal * grip), 1.0)


@njit(cache=True)
def braking_force(road, car, grip, i, z):
    """Deceleration the tyres give at point i for z = v² [m/s²], without gravity."""
    y, normal = _demand(road, i, z)
    used = _used(car, grip, y, normal, z)
    return (car[4] + car[5] * z) * normal * grip * (1.0 - used ** car[8]) ** (1.0 / car[8])


@njit(cache=True)
def driving_force(road, car, engine, grip, i, z):
    """Acceleration the tyres give at full throttle at point i for z = v² [m/s²], without gravity."""
    y, normal = _demand(road, i, z)
    used = _used(car, grip, y, normal, z)
    pull = (car[6] + car[7] * z) * normal * grip * (1.0 - used ** car[9]) ** (1.0 / car[9])
    place = min(np.sqrt(z) / ENGINE_STEP, engine.size - 1.001)
    j = int(place)
    push = engine[j] + (place - j) * (engine[j + 1] - engine[j]) - car[10] * y * y
    return min(push, pull)


@njit(cache=True)
def corner_ceiling(road, car, grip):
    """Largest v² the lateral limit allows at each point, shape (n,): the smaller positive root of

    ±(z kappa cos(bank) - g sin(bank) cos(grade)) = (c0 + c1 z) grip (P + Q z), with g_n / g = P + Q z.
    """
    n = road.shape[1]
    ceiling = np.full(n, Z_TOP)
    for i in range(n):
        p = road[4, i] * road[6, i]
        q = (road[2, i] + road[1, i] * road[5, i]) / G
        for turn in (1.0, -1.0):
            c0, c1 = (car[0], car[1]) if turn > 0 else (car[2], car[3])
            qa = c1 * q * grip[i]
            qb = (c0 * q + c1 * p) * grip[i] - turn * road[1, i] * road[6, i]
            qc = c0 * p * grip[i] + turn * G * road[5, i] * road[4, i]
            # f(z) = qa z² + qb z + qc is positive at z = 0; the first root above 0 is the ceiling.
            root = Z_TOP
            square = qb * qb - 4.0 * qa * qc
            if abs(qa) < 1e-14:
                if qb < 0.0:
                    root = -qc / qb
            elif square >= 0.0:
                w = -0.5 * (qb + np.copysign(np.sqrt(square), qb))
                for r in (w / qa, qc / w if w != 0.0 else Z_TOP):
                    if 0.0 < r < root:
                        root = r
            ceiling[i] = min(ceiling[i], root)
    return ceiling


@njit(cache=True)
def plan_back(road, car, grip, ceiling, share, release_s, z_end):
    """Largest v² at each point from which the driver's braking still meets every ceiling ahead.

    `share` (n,) is the part of the braking limit in use; `release_s` (n,) the time to let go of full brakes
    (0: no time), which bounds how fast the deceleration grows when looked at backwards.
    """
    n = ceiling.size
    z = np.empty(n)
    z[n - 1] = min(ceiling[n - 1], z_end)
    felt = 0.0
    for i in range(n - 2, -1, -1):
        ds = road[0, i]
        ahead = z[i + 1]
        slow = share[i] * braking_force(road, car, grip[i + 1], i + 1, ahead) + G * road[3, i + 1]
        half = ahead + ds * max(slow, 0.0)
        slow = share[i] * 0.5 * (
            braking_force(road, car, grip[i], i, half) + braking_force(road, car, grip[i + 1], i + 1, half)
        ) + G * 0.5 * (road[3, i] + road[3, i + 1])
        if release_s[i] > 0.0:
            rate = (car[4] + car[5] * half) / release_s[i]
            slow = min(slow, max(felt, 0.0) + rate * ds / max(np.sqrt(half), V_CREEP))
        z[i] = min(ceiling[i], ahead + 2.0 * ds * slow)
        felt = (z[i] - ahead) / (2.0 * ds)
    return z


@njit(cache=True)
def drive_on(road, car, engine, grip, plan, share, foot, pickup_s, release_s, shift_s, upshift, z_start):
    """Drive forward below `plan`; returns v² (n,) and the gear (n,) counted from 1.

    share : (n,) part of the available drive in use; foot : (n,) NORMAL, COAST or HOLD (no more speed)
    pickup_s, release_s : (n,) times to open the throttle fully and to let go of the brakes [s]
    shift_s : (n,) duration of a gear change [s]; upshift : (k,) speeds of the up-changes [m/s]
    """
    n = plan.size
    z = np.empty(n)
    gears = np.empty(n)
    z[0] = min(plan[0], z_start)
    felt = 0.0
    gear = 0
    while gear < upshift.size and np.sqrt(z[0]) > upshift[gear]:
        gear += 1
    open_clutch = 0.0
    for i in range(n - 1):
        gears[i] = gear + 1
        ds = road[0, i]
        here = z[i]
        v = max(np.sqrt(here), V_CREEP)
        dt = ds / v
        slope = G * 0.5 * (road[3, i] + road[3, i + 1])
        while gear > 0 and v < 0.92 * upshift[gear - 1]:
            gear -= 1
        pull = driving_force(road, car, engine, grip[i], i, here)
        half = max(here + ds * (pull - slope), V_CREEP**2)
        pull = 0.5 * (
            driving_force(road, car, engine, grip[i], i, half)
            + driving_force(road, car, engine, grip[i + 1], i + 1, half)
        )
        push = share[i] * pull if pull > 0.0 else pull
        if foot[i] == COAST or open_clutch > 0.0:
            drag = (SHIFT_CONSTANT if open_clutch > 0.0 else COAST_CONSTANT) + COAST_SQUARE * here
            push = min(push, -min(drag, braking_force(road, car, grip[i], i, here)))
            open_clutch -= dt
        elif foot[i] == HOLD:
            push = min(push, slope)
        gain = push - slope
        if gain > 0.0 and open_clutch <= 0.0:
            rise = gain
            if felt < 0.0 and release_s[i] > 0.0:
                rise = felt + (car[4] + car[5] * here) / release_s[i] * dt
            elif felt >= 0.0 and pickup_s[i] > 0.0:
                rise = felt + max(pull, SHIFT_PULL) / pickup_s[i] * dt
            gain = min(gain, rise)
        z[i + 1] = min(plan[i + 1], max(here + 2.0 * ds * gain, V_CREEP**2))
        actual = (z[i + 1] - here) / (2.0 * ds)
        if open_clutch <= 0.0:
            felt = actual
        if gear < upshift.size and np.sqrt(z[i + 1]) > upshift[gear] and actual > SHIFT_PULL and open_clutch <= 0.0:
            gear += 1
            open_clutch = shift_s[i]
    gears[n - 1] = gear + 1
    return z, gears


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

    def arrays(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Car vector, engine table, up-change speeds."""
        return car_vector(self.envelope), engine_table(self.envelope), np.array(self.upshift)


def simulate(road: Road, car: Car, grip: np.ndarray, inputs: Inputs, v_start: float, v_end: float):
    """Drive an open run; returns v² at each point (n,) and the gear (n,).

    However the driver behaves, the result never leaves the envelope: last of all it is swept once more with
    the whole envelope as the only limit.
    """
    table = road.table()
    vector, engine, upshift = car.arrays()
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
    vector = car.arrays()[0]
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
    long_inputs = Inputs(*(along(getattr(inputs, k)) for k in names), lifts=lifts)
    z, _ = simulate(long_road, car, along(grip), long_inputs, ENGINE_TOP, ENGINE_TOP)
    window = z[quarter : quarter + n + 1]
    ds = along(road.ds)[quarter : quarter + n + 1]
    lap = np.empty(n)
    lap[index[quarter : quarter + n]] = window[:n]
    return lap, float(run_times(window, ds)[-1])
