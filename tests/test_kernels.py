"""The compiled kernels, compiled and uncompiled, against root finders and curves of other libraries."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from solver_cases import CIRCLE, DRAGGED, FULL, hilly_line, random_line

from simlap import _kernels as k
from simlap.envelope_packed import ENGINE_POINTS, NO_SPEED_CAP, Packed
from simlap.line import LAT_BANK, LAT_SLOPE, NORMAL, NORMAL_SLOPE
from simlap.solver import StationLimits

BOTH = pytest.mark.parametrize("compiled", [True, False], ids=["compiled", "python"])


def as_asked(function, compiled):
    return function if compiled else function.py_func


def road(slope, bank=0.0, normal=1.0, normal_slope=0.0):
    geo = np.zeros((6, 1))
    geo[[LAT_SLOPE, LAT_BANK, NORMAL, NORMAL_SLOPE], 0] = slope, bank, normal, normal_slope
    geo[5] = 1.0
    return geo


@BOTH
@pytest.mark.parametrize("seed", range(30))
def test_ceiling_is_the_first_speed_at_which_the_tyres_let_go(compiled, seed):
    rng = np.random.default_rng(seed)
    geo = road(rng.uniform(-0.05, 0.05), rng.uniform(-1.0, 1.0), 1.0, rng.uniform(-2e-3, 2e-3))
    env = FULL.pack()

    def spare(z):  # grip left over in the direction that the turn asks for
        side = 0 if geo[LAT_SLOPE, 0] > 0.0 else 2
        limit = (env[side] + env[side + 1] * z) * (geo[NORMAL, 0] + geo[NORMAL_SLOPE, 0] * z)
        return limit - math.copysign(1.0, geo[LAT_SLOPE, 0]) * (geo[LAT_SLOPE, 0] * z - geo[LAT_BANK, 0])

    found = as_asked(k.ceiling, compiled)(0, geo, env, 1.0)
    grid = np.linspace(0.0, 2e4, 20001)
    lost = np.flatnonzero([spare(z) < 0.0 for z in grid])
    if lost.size == 0:
        assert found > grid[-1]
    else:  # source: bisection (Brent) in the first step in which the spare grip changes its sign
        assert found == pytest.approx(brentq(spare, grid[lost[0] - 1], grid[lost[0]], xtol=1e-9), rel=1e-9)


@BOTH
def test_engine_curve_is_read_as_linear_interpolation_reads_it(compiled):
    env = FULL.pack()
    speeds = np.array([0.0, 0.3, 2.58, 17.0, 41.9, 79.99, 80.0, 120.0])
    expected = (
        1.3 * np.interp(speeds, env[11] * np.arange(ENGINE_POINTS), env[Packed.ENGINE]) - FULL.cornering_drag * 8.0**2
    )
    found = [as_asked(k.engine, compiled)(v, 8.0, env, 1.3)[0] for v in speeds]
    assert found == pytest.approx(expected, rel=1e-12)


@BOTH
@pytest.mark.parametrize("p", [1.0, 1.6, 2.0, 3.0])
@pytest.mark.parametrize("kind", [k.BRAKE, k.DRIVE])
@pytest.mark.parametrize("car", [FULL, DRAGGED], ids=["full", "dragged"])
def test_tyre_root_is_where_the_implicit_half_closes(compiled, p, kind, car):
    rng = np.random.default_rng(7)
    env, sign = car.pack(), 1.0 if kind == k.DRIVE else -1.0
    env[8:10] = p
    ds = 2.0
    for _ in range(20):
        geo = road(rng.uniform(-0.08, 0.08), rng.uniform(-0.5, 0.5), 1.0, rng.uniform(-1e-3, 1e-3))
        ceiling = k.ceiling(0, geo, env, 1.0)
        rho = rng.uniform(0.05, 1.0) * min(ceiling, 3000.0)
        top = min(ceiling, 5000.0)

        def excess(z, geo=geo, rho=rho):
            normal = geo[NORMAL, 0] + geo[NORMAL_SLOPE, 0] * z
            a_lat = geo[LAT_SLOPE, 0] * z - geo[LAT_BANK, 0]
            side = 0 if a_lat >= 0.0 else 2
            used = min(abs(a_lat) / ((env[side] + env[side + 1] * z) * normal), 1.0)
            straight = car.drag[0] + car.drag[1] * z
            pure = (env[4 + 2 * kind] + env[5 + 2 * kind] * z + sign * straight) * normal
            drag = sign * (straight + car.drag[2] * a_lat**2)
            return z - rho - ds * (pure * (1.0 - used**p) ** (1.0 / p) - drag)

        expected = top if excess(top) <= 0.0 else brentq(excess, max(rho - 4.0 * ds, 0.0), top, xtol=1e-10)
        for guess in (rho, 0.5 * (rho + top), top):
            found = as_asked(k.tyre_root, compiled)(rho, top, guess, 0, ds, kind, geo, env, 1.0, 1.0)
            # Newton's last step is 1e-6 of z at most, so that quadratic convergence leaves 1e-10 or so.
            assert found == pytest.approx(expected, rel=1e-8)


@BOTH
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_engine_root_is_where_the_implicit_half_closes(compiled, sign):
    env = FULL.pack()
    geo = road(0.002)
    for rho in (0.0, 5.0, 400.0, 2500.0, 8000.0):

        def excess(z, rho=rho):
            power = (
                np.interp(math.sqrt(z), env[11] * np.arange(ENGINE_POINTS), env[Packed.ENGINE])
                - env[10] * (0.002 * z) ** 2
            )
            return z - rho - sign * 2.0 * power

        found = as_asked(k.engine_root, compiled)(rho, 1e5, rho + 10.0, 0, 2.0, sign, geo, env, 1.0)
        if excess(0.0) > 0.0:
            assert found == -1.0  # not even standstill: the car would have to roll back
        else:
            assert found == pytest.approx(brentq(excess, 0.0, 1e5, xtol=1e-10), rel=1e-8, abs=1e-8)


@BOTH
@pytest.mark.parametrize("drag", [(0.0, 0.0), (0.5, 0.004), (-0.5, -0.004)], ids=["none", "drive", "braking"])
@pytest.mark.parametrize("p", [1.3, 2.0, 2.7])
def test_running_maximum_is_the_largest_value_below(compiled, p, drag):
    # A superellipse y^p / D^p + z^p / L^p = 1 with limits that do not change with speed, less a drag r0 + r1 z: exact.
    # Source: a fine grid.
    ds, pure, ceiling = 4.0, 9.0, 150.0
    for used in (0.3, 0.9, 0.97, 1.0):
        z = used * ceiling
        grid = np.linspace(0.0, z, 200001)
        slowed = drag[0] + drag[1] * grid
        expected = (grid + ds * (pure * (1.0 - (grid / ceiling) ** p) ** (1.0 / p) - slowed)).max()
        along = pure * (1.0 - used**p) ** (1.0 / p) - drag[0] - drag[1] * z
        found = as_asked(k.furthest, compiled)(
            z, along, pure, used, 1.0 / ceiling, p, ds, drag[0] + drag[1] * z, drag[1]
        )
        assert found == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("env", [CIRCLE, FULL, DRAGGED], ids=["circle", "full", "dragged"])
@pytest.mark.parametrize("line", [random_line(2, n=120), hilly_line(2, n=120)], ids=["flat", "hilly"])
def test_compiled_and_uncompiled_solver_give_the_same_profile(line, env):
    rows, brake_modes, drive_modes = StationLimits().rows(120)
    results = []
    for run in (k.solve_one, k.solve_one.py_func):
        z, tag, time = np.empty(120), np.empty(120, dtype=np.int8), np.zeros(120)
        packed = env.pack()
        status = run(
            z, tag, time, line.road_loads, packed, rows[0], brake_modes[0], drive_modes[0], True, np.inf, np.inf
        )
        assert status == k.OK
        results.append((z, tag, time))
    assert results[0][0] == pytest.approx(results[1][0], rel=1e-12)  # other rounding in other instructions
    assert (results[0][1] == results[1][1]).all()
    assert results[0][2] == pytest.approx(results[1][2], rel=1e-12)


def test_sweep_uncompiled_is_the_sweep_compiled():
    line = hilly_line(3, n=120)
    rows, brake_modes, drive_modes = StationLimits().rows(120)
    packed = FULL.pack()
    ceiling = np.array([k.ceiling(i, line.road_loads, packed, 1.0) for i in range(120)])
    swept = []
    for run in (k.sweep, k.sweep.py_func):
        z, tag = ceiling.copy(), np.zeros(120, dtype=np.int8)
        start = int(ceiling.argmin())
        args = (line.road_loads, packed, rows[0])
        assert run(z, tag, k.DRIVE, start, True, *args, drive_modes[0], brake_modes[0]) == k.OK
        assert run(z, tag, k.BRAKE, start, True, *args, brake_modes[0], drive_modes[0]) == k.OK
        swept.append(z)
    assert swept[0] == pytest.approx(swept[1], rel=1e-12)
    assert (swept[0] < ceiling).any()


def test_the_kernel_reads_a_packed_envelope_as_it_is_packed():
    assert (Packed.ENGINE.start, ENGINE_POINTS, NO_SPEED_CAP) == (k.ENV_CURVE, k.ENV_POINTS, k.NO_CAP)
    assert (
        Packed.EXPONENT_BRAKING, Packed.CORNERING_DRAG, Packed.ENGINE_STEP, Packed.SPEED_CAP, Packed.DRAG.start,
    ) == (k.ENV_EXPONENT, k.ENV_CORNERING, k.ENV_STEP, k.ENV_CAP, k.ENV_DRAG)  # fmt: skip
