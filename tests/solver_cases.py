"""Lines, envelopes and independent solvers that the tests and benchmarks of the limit profile share."""

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simlap.envelope import Envelope
from simlap.line import Line
from simlap.solver import limit_profile
from simlap.trackfile import read_track

GRIP = 11.8  # [m/s²], radius of the friction circle in all comparisons
CIRCLE = Envelope.constant(lateral=GRIP, braking=GRIP, drive=GRIP, exponent=2.0)
ENGINE_SPEEDS = np.linspace(0.0, 80.0, 17)
# Everything that an envelope can carry at once: downforce, superellipses, an engine of constant power less drag.
FULL = Envelope.from_limits(
    lateral=((11.0, 0.002), (10.8, 0.002)),
    braking=(10.5, 0.001),
    traction=(8.0, 0.0005),
    engine=(ENGINE_SPEEDS, np.minimum(8.0, 120.0 / np.maximum(ENGINE_SPEEDS, 1.0)) - 0.0004 * ENGINE_SPEEDS**2),
    exponent_braking=1.7,
    exponent_drive=1.6,
    cornering_drag=0.002,
)
# The same about minus the drag: rolling, air and cornering slow the car without use of the tyres.
DRAGGED = replace(FULL, drag=(0.2, 0.0004, 0.005))
# Spacing of the comparisons with independent solvers [m]: the invented circuits of this repository, and those of the
# open data. A reference that takes the limit at the start of a segment is off by an amount that falls with the spacing
# and grows with the curvature: 0.04 % of a lap at 2 m on the kart circuit, whose hairpin has a radius of 11 m.
INVENTED = {"club": 1.0, "fast": 2.0, "kart": 0.5}
CIRCUITS = INVENTED | {"Norisring": 2.0, "Oschersleben": 2.0, "Spielberg": 2.0}
_TRACKS = Path(__file__).resolve().parents[1] / "tracks"
_FOLDER = Path(__file__).resolve().parents[2] / "shared" / "data" / "circuits"


def circuit(name: str) -> Line:
    """Line of an invented circuit, or of one in the shared data folder: skips the test where that is not there."""
    if name in INVENTED:
        return read_track(_TRACKS / f"{name}.geojson").line
    path = _FOLDER / f"{name}_line.csv"
    if not path.exists():
        pytest.skip(f"{path} is not there: the circuits of the open data are not part of this repository")
    x, y = np.loadtxt(path, delimiter=",", unpack=True)
    return Line.from_points(x, y)


def even(line: Line, spacing: float) -> Line:
    """Curvature of `line` at even stations, flat: what the two-dimensional references are given as well."""
    line = line.resample(spacing)
    return Line.from_curvature(line.kappa, line.length / line.kappa.size)


def random_line(seed: int, n: int = 400, spacing: float = 2.0, closed: bool = True) -> Line:
    """Smooth random curvature with bends down to 15 m radius, flat."""
    rng = np.random.default_rng(seed)
    waves = rng.normal(size=(2, 12)) / np.arange(1, 13) ** 0.3
    angle = 2.0 * np.pi * np.arange(n) / n
    bend = sum(waves[0, k] * np.cos((k + 1) * angle) + waves[1, k] * np.sin((k + 1) * angle) for k in range(12))
    return Line.from_curvature(bend / np.abs(bend).max() / rng.uniform(15.0, 60.0), spacing, closed=closed)


def hilly_line(seed: int, n: int = 400, spacing: float = 2.0) -> Line:
    """`random_line` with slope (up to 4 deg), vertical curvature and banking (up to 6 deg)."""
    line = random_line(seed, n, spacing)
    rng = np.random.default_rng(seed + 1000)
    angle = 2.0 * np.pi * np.arange(n) / n
    phase = rng.uniform(0.0, 2.0 * np.pi, 2)
    grade = 0.07 * np.sin(2.0 * angle + phase[0])
    kappa_v = np.gradient(grade, spacing)
    return replace(line, grade=grade, kappa_v=kappa_v, bank=0.1 * np.sin(3.0 * angle + phase[1]))


def time_of(z: np.ndarray, ds: float) -> float:
    """Lap time of z = v² at even stations of a closed lap, constant acceleration between them."""
    v = np.sqrt(z)
    return float((2.0 * ds / (v + np.roll(v, -1))).sum())


def convex_lap(line: Line, grip: float, where: str) -> tuple[float, float]:
    """Lap time, and the solver's own run time, of the convex problem of Lipp and Boyd (2014) for a friction circle.

    doi:10.1080/00207179.2013.875224, equations 12 to 15 with z = v² as variable: minimise the sum of
    2 ds / (sqrt(z_i) + sqrt(z_i+1)) subject to the friction circle, ``where``: at the "start" of each segment, or as
    the mean of what its two "ends" allow.
    """
    import cvxpy as cp

    n, ds, scale = line.kappa.size, float(line.ds[0]), 100.0  # z / 100 is of order 1, which the solver likes
    nxt = np.r_[1:n, 0]
    z = cp.Variable(n, nonneg=True)
    rate = scale * (z[nxt] - z) / (2.0 * ds)
    a_lat = scale * cp.multiply(line.kappa, z)
    if where == "start":
        limits = [cp.SOC(np.full(n, grip), cp.vstack([rate, a_lat]))]
    else:
        along = cp.Variable(n, nonneg=True)
        limits = [cp.SOC(np.full(n, grip), cp.vstack([along, a_lat])), cp.abs(rate) <= (along + along[nxt]) / 2.0]
    root = cp.sqrt(z)
    problem = cp.Problem(cp.Minimize(cp.sum(cp.inv_pos(root + root[nxt])) * 2.0 * ds), limits)
    problem.solve(solver=cp.CLARABEL)
    assert problem.status in ("optimal", "optimal_inaccurate")
    return time_of(scale * np.asarray(z.value), ds), float(problem.solver_stats.solve_time)


def reachability_lap(line: Line, grip: float, facets: int, repeat: int = 1) -> tuple[float, float]:
    """Lap time and shortest CPU time of toppra (Pham and Pham 2018, doi:10.1109/TRO.2018.2819195), solve only.

    The friction circle becomes the polygon of `facets` sides around it, so that toppra is the faster one. The lap
    starts and ends at the tightest station. Lengths are in units of 100 m: its solver has an absolute tolerance.
    """
    import toppra

    toppra.setup_logging("ERROR")
    unit = 100.0
    ds, radius = float(line.ds[0]) / unit, grip / unit
    kappa = np.roll(line.kappa, -int(np.argmax(np.abs(line.kappa)))) * unit
    kappa = np.append(kappa, kappa[0])
    angle = 2.0 * np.pi * np.arange(facets) / facets

    class FrictionPolygon(toppra.constraint.LinearConstraint):
        def __init__(self):
            super().__init__()
            self.identical = True
            self.set_discretization_type(0)

        def compute_constraint_params(self, path, gridpoints):
            n = len(gridpoints)
            a, b, bound = np.zeros((n, 2)), np.zeros((n, 2)), np.zeros((n, 2))
            a[:, 0] = 1.0
            b[:, 1] = kappa
            bound[:, 1] = (200.0 / unit) ** 2
            sides = np.column_stack([np.cos(angle), np.sin(angle)])
            return a, b, np.zeros((n, 2)), sides, np.full(facets, radius), None, bound

    s = ds * np.arange(kappa.size)
    path = toppra.SplineInterpolator(s, s[:, None])
    slowest = np.sqrt(radius / abs(kappa[0])) * (1.0 - 1e-9)
    spent = []
    for _ in range(repeat):
        problem = toppra.algorithm.TOPPRA([FrictionPolygon()], path, gridpoints=s, solver_wrapper="seidel")
        before = time.thread_time()
        _, speed, _ = problem.compute_parameterization(slowest, slowest)
        spent.append(time.thread_time() - before)
    return float((2.0 * ds / (speed[:-1] + speed[1:])).sum()), min(spent)


def lap_time(line: Line, env: Envelope, **options) -> float:
    return limit_profile(line, env, **options).lap_time
