"""Run times of the limit profile against general solvers; prints ratios.

    python -m pytest tests/bench_solver.py -m benchmark -s

CPU time of one thread, shortest of several runs, compiled beforehand, so that other programs on the machine count as
little as possible; only the batch, which uses all cores, is timed by the clock.
"""

import os
import subprocess
import sys
import time

import numpy as np
import pytest
from solver_cases import CIRCLE, FULL, GRIP, circuit, even, reachability_lap

from simlap import _kernels as kernels
from simlap.solver import StationLimits, solve_batch

pytestmark = pytest.mark.benchmark
LAP = "fast"  # 2,232 stations at 2 m
SPACING = 2.0
BATCH = 1000


def shortest(run, repeat, clock=time.thread_time):
    run()
    spent = []
    for _ in range(repeat):
        before = clock()
        run()
        spent.append(clock() - before)
    return min(spent)


def kernel_time(line, env, repeat=200):
    """One solve without what Python prepares around it: what the others' "solve only" is."""
    n = line.station.size
    rows, brake_modes, drive_modes = StationLimits().rows(n)
    z, tag, seconds, packed = np.empty(n), np.empty(n, dtype=np.int8), np.zeros(n), env.pack()
    args = (line.road_loads, packed, rows[0], brake_modes[0], drive_modes[0], True, np.inf, np.inf)
    return shortest(lambda: kernels.solve_one(z, tag, seconds, *args), repeat)


def convex_time(line, repeat=3):
    """Clarabel alone on the friction circle at the start of each segment, the leanest form of the convex problem."""
    import clarabel
    import cvxpy as cp

    n, ds, scale = line.kappa.size, float(line.ds[0]), 100.0
    nxt = np.r_[1:n, 0]
    z = cp.Variable(n, nonneg=True)
    rate = scale * (z[nxt] - z) / (2.0 * ds)
    a_lat = scale * cp.multiply(line.kappa, z)
    root = cp.sqrt(z)
    problem = cp.Problem(
        cp.Minimize(cp.sum(cp.inv_pos(root + root[nxt])) * 2.0 * ds),
        [cp.SOC(np.full(n, GRIP), cp.vstack([rate, a_lat]))],
    )
    data, _, _ = problem.get_problem_data(cp.CLARABEL)
    from scipy.sparse import csc_matrix, triu

    cones, sizes = [], data["dims"]
    if sizes.zero:
        cones.append(clarabel.ZeroConeT(sizes.zero))
    if sizes.nonneg:
        cones.append(clarabel.NonnegativeConeT(sizes.nonneg))
    cones += [clarabel.SecondOrderConeT(size) for size in sizes.soc]
    quadratic = data.get("P", csc_matrix((data["c"].size, data["c"].size)))
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    spent = []
    for _ in range(repeat):
        solver = clarabel.DefaultSolver(
            triu(quadratic).tocsc(), data["c"], csc_matrix(data["A"]), data["b"], cones, settings
        )
        before = time.thread_time()
        solution = solver.solve()
        spent.append(time.thread_time() - before)
        assert "Solved" in str(solution.status)
    return min(spent)


def tight_lap(spacing):
    """Lap times of the circle and the full envelope with Newton's tolerance at rounding, in a process of its own."""
    code = (
        "import pathlib, sys, tempfile, os\n"
        "os.environ['NUMBA_CACHE_DIR'] = tempfile.mkdtemp()\n"
        "sys.path.insert(0, 'tests')\n"
        "import simlap._kernels as k\n"
        "k.STEP_TOLERANCE = 1e-14\n"
        "from solver_cases import *\n"
        f"line = even(circuit('{LAP}'), {spacing})\n"
        "print(*(repr(float(lap_time(line, env))) for env in (CIRCLE, FULL)))\n"
    )
    folder = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=folder)
    return [float(part) for part in done.stdout.split()]


def test_one_solve_against_general_solvers():
    line = even(circuit(LAP), SPACING)
    circle, full = kernel_time(line, CIRCLE), kernel_time(line, FULL)
    called = (
        shortest(lambda: solve_batch(line, CIRCLE.pack()), 200),
        shortest(lambda: solve_batch(line, FULL.pack()), 200),
    )
    _, reachability = reachability_lap(line, GRIP, 64, repeat=5)
    convex = convex_time(line)
    print(f"\n{line.kappa.size} stations, friction circle, solve only, CPU time of one thread")
    for name, spent in (("simlap, circle", circle), ("simlap, full envelope", full)):
        print(f"  {name:26s} {spent * 1e3:9.3f} ms")
    for name, spent in (("simlap, circle, from Python", called[0]), ("simlap, full, from Python", called[1])):
        print(f"  {name:26s} {spent * 1e3:9.3f} ms")
    for name, spent in (("toppra, 64 facets", reachability), ("Clarabel, convex problem", convex)):
        print(
            f"  {name:26s} {spent * 1e3:9.3f} ms: {spent / circle:6.0f} x circle, {spent / full:6.0f} x full envelope"
        )
    assert reachability / circle >= 60.0
    assert convex / circle >= 400.0
    assert reachability / full >= 25.0


def test_default_tolerance_is_far_below_a_tenth_of_a_millisecond():
    line = even(circuit(LAP), SPACING)
    tight = tight_lap(SPACING)
    loose = [solve_batch(line, env.pack()).lap_time[0] for env in (CIRCLE, FULL)]
    print(f"\nlap time against Newton at 1e-14: circle {loose[0] - tight[0]:+.1e} s, full {loose[1] - tight[1]:+.1e} s")
    assert loose == pytest.approx(tight, abs=1e-4)


def test_time_is_linear_in_the_number_of_stations():
    line = circuit(LAP)
    spent = []
    for spacing in (4.0, 2.0, 1.0, 0.5):
        fine = even(line, spacing)
        spent.append((fine.kappa.size, kernel_time(fine, FULL, 50) / fine.kappa.size))
    print("\nfull envelope, ns per station: " + ", ".join(f"{n}: {each * 1e9:.0f}" for n, each in spent))
    each = [per_station for _, per_station in spent]
    assert max(each) < 1.5 * min(each)


@pytest.mark.parametrize("env", [CIRCLE, FULL], ids=["circle", "full"])
def test_batch_of_a_thousand(env):
    line = even(circuit(LAP), SPACING)
    one = shortest(lambda: solve_batch(line, env.pack()), 100, time.perf_counter)
    packed = np.array([env.scaled(lateral=k).pack() for k in np.linspace(0.95, 1.05, BATCH)])
    clock = shortest(lambda: solve_batch(line, packed), 7, time.perf_counter)
    cpu = shortest(lambda: solve_batch(line, packed), 3, time.process_time)
    print(
        f"\nbatch of {BATCH}: {clock * 1e3:.0f} ms by the clock = {clock / one:.0f} x one solve ({one * 1e3:.3f} ms); "
        f"CPU time {cpu * 1e3:.0f} ms = {cpu / one:.0f} x"
    )
    # By the clock on a free machine with two cores; CPU time over two cores where others share the machine.
    assert min(clock, cpu / 2.0) / one <= 600.0
