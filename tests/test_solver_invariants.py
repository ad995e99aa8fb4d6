"""What must hold for every limit profile: symmetry, scaling, order, monotony, and the limits themselves."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline
from solver_cases import CIRCLE, DRAGGED, FULL, circuit, even, hilly_line, lap_time, random_line

from simlap.envelope import Envelope
from simlap.errors import NoSolution
from simlap.line import Line
from simlap.solver import PARALLEL_FROM, StationLimits, limit_profile, solve_batch

SEEDS = (11, 12, 13)
EXACT = 1e-9  # only rounding and Newton's last step are left


# -- start line, mirror, reversal


@pytest.mark.parametrize("env", [CIRCLE, FULL, DRAGGED], ids=["circle", "full", "dragged"])
@pytest.mark.parametrize("seed", SEEDS)
def test_moving_the_start_line_keeps_the_flying_lap_time(seed, env):
    line = hilly_line(seed)
    profile = limit_profile(line, env)
    for k in (1, 137, 399):
        moved = limit_profile(line.rolled(k), env)
        assert moved.lap_time == pytest.approx(profile.lap_time, abs=1e-6)
        assert moved.v == pytest.approx(np.roll(profile.v, -k), rel=1e-7)


@pytest.mark.parametrize("seed", SEEDS)
def test_mirrored_line_has_the_same_lap_time_when_left_and_right_change_places(seed):
    line = hilly_line(seed)
    swapped = replace(FULL, lateral_left=FULL.lateral_right, lateral_right=FULL.lateral_left)
    assert lap_time(line.mirrored(), swapped) == pytest.approx(lap_time(line, FULL), rel=EXACT)


@pytest.mark.parametrize("seed", SEEDS)
def test_reversed_line_has_the_same_lap_time_when_braking_and_drive_change_places(seed):
    line = hilly_line(seed)
    mighty = ([0.0, 200.0], [100.0, 100.0])  # an engine beyond all traction: brakes have none
    env = Envelope.from_limits(
        (11.0, 0.002), (10.0, 0.001), (7.0, 0.002), mighty, exponent_braking=1.6, exponent_drive=2.3
    )
    other = Envelope.from_limits(
        (11.0, 0.002), (7.0, 0.002), (10.0, 0.001), mighty, exponent_braking=2.3, exponent_drive=1.6
    )
    forward, backward = limit_profile(line, env), limit_profile(line.reversed(), other)
    assert backward.lap_time == pytest.approx(forward.lap_time, rel=EXACT)
    assert backward.v[::-1] == pytest.approx(forward.v, rel=1e-6)


def _rough_problem(rng):
    """A problem without any smoothness: jumps of curvature, slope and banking, long segments, odd limits."""
    n = int(rng.integers(3, 80))
    line = Line.from_curvature(
        rng.normal(size=n) * rng.choice([0.001, 0.02, 0.2]),
        float(rng.choice([0.1, 2.0, 20.0, 60.0])) * rng.uniform(0.5, 1.5, n),
        grade=rng.normal(size=n) * rng.choice([0.0, 0.05]),
        bank=rng.normal(size=n) * rng.choice([0.0, 0.1, 0.5]),
        kappa_v=rng.normal(size=n) * rng.choice([0.0, 0.001, 0.02]),
    )
    env = Envelope.from_limits(
        (rng.uniform(2.0, 20.0), rng.uniform(0.0, 0.01)),
        (rng.uniform(2.0, 20.0), rng.uniform(0.0, 0.005)),
        (rng.uniform(2.0, 15.0), rng.uniform(0.0, 0.005)),
        (np.linspace(0.0, rng.uniform(30.0, 100.0), 10), rng.uniform(-2.0, 10.0, 10)),
        exponent_braking=rng.uniform(1.0, 3.0),
        exponent_drive=rng.choice([1.0, 2.0, 2.6]),
        cornering_drag=rng.choice([0.0, 0.005]),
    )
    limits = {"cap": rng.uniform(1.0, 60.0, n), "lateral_scale": rng.uniform(0.5, 1.5, n)}
    if rng.random() < 0.5:
        limits |= {"own_drive": rng.normal(size=n) * 3.0, "own_drive_mode": rng.integers(0, 3, n)}
        limits |= {"floor": rng.uniform(0.0, 30.0, n)}
    return line, env, limits


@pytest.mark.filterwarnings("error")
def test_rough_input_gives_a_profile_that_does_not_know_its_start_line_or_a_named_error():
    rng = np.random.default_rng(9)
    solved, refused = 0, []
    for _ in range(300):
        line, env, limits = _rough_problem(rng)
        try:
            profile = limit_profile(line, env, limits=StationLimits(**limits))
        except NoSolution as error:
            refused.append(str(error))
            continue
        k = int(rng.integers(line.station.size))
        moved = {name: np.roll(values, -k) for name, values in limits.items()}
        assert lap_time(line.rolled(k), env, limits=StationLimits(**moved)) == pytest.approx(profile.lap_time, rel=1e-6)
        assert np.isfinite(profile.share).all()
        solved += 1
    assert solved > 100
    assert all(text.startswith("No speed profile obeys the limits at station") for text in refused)


# -- scaling without drag


@pytest.mark.parametrize("seed", SEEDS)
def test_doubling_every_length_multiplies_time_by_sqrt_2(seed):
    # Source: dimension analysis, [time] = sqrt([length] / [acceleration]).
    line = random_line(seed)
    twice = Line.from_curvature(line.kappa / 2.0, line.ds * 2.0)
    env = Envelope.constant(11.0, 9.0, 6.0, exponent=1.7)
    assert lap_time(twice, env) == pytest.approx(math.sqrt(2.0) * lap_time(line, env), rel=EXACT)


@pytest.mark.parametrize("seed", SEEDS)
def test_four_times_every_acceleration_halves_the_time(seed):
    line = random_line(seed)
    env = Envelope.constant(11.0, 9.0, 6.0, exponent=1.7)
    strong = Envelope.constant(44.0, 36.0, 24.0, exponent=1.7)
    assert lap_time(line, strong) == pytest.approx(lap_time(line, env) / 2.0, rel=EXACT)


# -- order


def _at(curve: CubicSpline, length: float, spacing: float, shift: float) -> Line:
    n = round(length / spacing)
    return Line.from_curvature(curve((np.arange(n) + shift) * length / n % length), length / n)


@pytest.mark.parametrize("env", [CIRCLE, FULL, DRAGGED], ids=["circle", "full", "dragged"])
@pytest.mark.parametrize("seed", SEEDS)
def test_time_error_falls_with_the_square_of_the_spacing(seed, env):
    # Where stations fall against the apexes scatters the error, so it is averaged over eight start points.
    length = 1600.0
    line = random_line(seed, n=400, spacing=4.0)
    curve = CubicSpline(np.append(line.station, length), np.append(line.kappa, line.kappa[0]), bc_type="periodic")
    reference = lap_time(_at(curve, length, 0.125, 0.0), env)
    spacings = np.array([8.0, 4.0, 2.0, 1.0])
    errors = [
        np.mean([lap_time(_at(curve, length, ds, k / 8.0), env) - reference for k in range(8)]) for ds in spacings
    ]
    order = np.polyfit(np.log(spacings), np.log(np.abs(errors)), 1)[0]
    assert 1.7 < order < 2.7
    assert abs(errors[2]) < 3e-4 * reference


# -- monotony


def _envelope(draw):
    p = st.floats(1.0, 3.0)
    speeds = np.linspace(0.0, 90.0, 19)
    power, drag = draw(st.floats(40.0, 300.0)), draw(st.floats(0.0, 8e-4))
    return Envelope.from_limits(
        (draw(st.floats(6.0, 20.0)), draw(st.floats(0.0, 0.005))),
        (draw(st.floats(6.0, 20.0)), draw(st.floats(0.0, 0.005))),
        (draw(st.floats(3.0, 15.0)), draw(st.floats(0.0, 0.003))),
        (speeds, np.minimum(9.0, power / np.maximum(speeds, 1.0)) - drag * speeds**2),
        exponent_braking=draw(p),
        exponent_drive=draw(p),
        cornering_drag=draw(st.floats(0.0, 0.004)),
    )


envelopes = st.composite(_envelope)()
# The explicit half of a segment is the running maximum of what the limit gives up to the speed at hand, found on the
# tangent superellipse. Where limits change with speed that is right to second order, and monotony with it.
NEVER = 1e-6


@settings(max_examples=60, deadline=None, derandomize=True)
@given(env=envelopes, seed=st.integers(0, 50), part=st.sampled_from(["lateral", "braking", "traction", "engine"]))
def test_more_of_any_limit_is_never_slower_anywhere(env, seed, part):
    line = hilly_line(seed, n=200, spacing=3.0)
    if part == "engine":  # more power, not more drag
        # Where the drag of cornering outdoes the engine it slows a car that the tyres alone could not slow (see
        # `brake_step`), and less so with more power: unless it does that with the throttle closed as well, as here.
        env = replace(env, drag=(0.0, 0.0, env.cornering_drag))
        more = replace(env, engine_a=env.engine_a + 0.05 * np.abs(env.engine_a))
    else:
        more = env.scaled(**{part: 1.05})
    before, after = (limit_profile(line, e) for e in (env, more))
    assert (after.v >= before.v * (1.0 - NEVER)).all()
    assert after.lap_time <= before.lap_time * (1.0 + NEVER)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(env=envelopes, seed=st.integers(0, 50), station=st.integers(0, 199))
def test_raising_one_limit_at_one_station_is_never_slower_anywhere(env, seed, station):
    line = hilly_line(seed, n=200, spacing=3.0)
    rng = np.random.default_rng(seed)
    limits = {
        "cap": rng.uniform(15.0, 60.0, 200),
        "brake_scale": rng.uniform(0.7, 1.2, 200),
        "drive_scale": rng.uniform(0.7, 1.2, 200),
        "lateral_scale": rng.uniform(0.7, 1.2, 200),
    }
    rows = {name: np.tile(values, (5, 1)) for name, values in limits.items()}
    for run, name in enumerate(limits, start=1):
        rows[name][run, station] *= 1.1
    result = solve_batch(line, env.pack(), StationLimits(**rows))
    assert (result.v[1:] >= result.v[0] * (1.0 - NEVER)).all()


def test_more_downforce_is_never_slower():
    line = random_line(21)
    times = [
        lap_time(line, Envelope.from_limits((11.0, c1), (10.0, c1), (8.0, c1))) for c1 in (0.0, 0.001, 0.002, 0.004)
    ]
    assert times == sorted(times, reverse=True)
    assert times[0] - times[-1] > 0.1


# -- the profile obeys its limits

# What the solver is given: the engine curve on the 32 speeds of a packed envelope.
PACKED, PACKED_DRAGGED = (Envelope.unpack(env.pack()) for env in (FULL, DRAGGED))


def _against_limits(line, env=PACKED):
    """Profile, acceleration of each segment, and the mean of what its two ends allow, with the Envelope's functions."""
    profile = limit_profile(line, env)
    v, following = profile.v, np.roll(profile.v, -1)
    a_lat, next_lat = v**2 * line.kappa, following**2 * np.roll(line.kappa, -1)
    drive = 0.5 * (env.drive_limit(v, a_lat) + env.drive_limit(following, next_lat))
    braking = 0.5 * (env.braking_limit(v, a_lat) + env.braking_limit(following, next_lat))
    return profile, (following**2 - v**2) / (2.0 * line.ds), drive, braking


@pytest.mark.parametrize("env", [PACKED, PACKED_DRAGGED], ids=["full", "dragged"])
@pytest.mark.parametrize("seed", SEEDS)
def test_no_segment_asks_for_more_than_its_ends_allow(seed, env):
    line = random_line(seed)
    profile, rate, drive, braking = _against_limits(line, env)
    assert (np.abs(profile.a_lat) <= PACKED.lateral_limit(profile.v, line.kappa) * (1.0 + EXACT)).all()
    # The running maximum lets the car leave an apex a little faster than the mean of both ends: with a friction
    # circle of radius A by sqrt(1 + (ds kappa)²) - 1 of z = A / kappa, which is A ds kappa / 4 of acceleration.
    tightest = np.maximum(np.abs(line.kappa), np.abs(np.roll(line.kappa, -1)))
    slack = 0.25 * 12.0 * line.ds * tightest
    assert (rate <= drive + slack).all()
    assert (-rate <= braking + slack).all()
    # It only does so where a corner takes all the grip; elsewhere the limit is kept to Newton's last step.
    used = np.abs(profile.a_lat) / PACKED.lateral_limit(profile.v, line.kappa)
    beyond = (rate > drive + 1e-5) | (-rate > braking + 1e-5)
    assert (np.maximum(used, np.roll(used, -1))[beyond] > 0.98).all()


@pytest.mark.parametrize("env", [PACKED, PACKED_DRAGGED], ids=["full", "dragged"])
@pytest.mark.parametrize("seed", SEEDS)
def test_some_limit_is_met_at_every_station(seed, env):
    # A profile below all its limits would not be the fastest.
    line = random_line(seed)
    profile, rate, drive, braking = _against_limits(line, env)
    at_ceiling = np.abs(profile.a_lat) >= PACKED.lateral_limit(profile.v, line.kappa) * (1.0 - 1e-6)
    driving = np.roll(rate >= drive - 1e-5, 1)
    slowing = -rate >= braking - 1e-5
    assert (at_ceiling | driving | slowing).all()
    names = profile.active_names
    # beside drag a car may come down on the brakes to the very ceiling
    allowed = {"lateral"} if env is PACKED else {"lateral", "braking"}
    assert set(names[at_ceiling]) <= allowed
    assert set(names) == {"lateral", "braking", "engine", "traction"}
    assert slowing[(names == "braking") & ~at_ceiling].all()
    assert driving[np.isin(names, ["engine", "traction"])].all()


def test_share_is_one_where_the_tyres_limit_and_less_where_the_engine_does():
    line = random_line(14, n=800, spacing=1.0)
    profile = limit_profile(line, FULL)
    by_engine = profile.active_names == "engine"
    assert by_engine.any()
    assert (profile.share[by_engine] < 1.0 + 1e-3).all()
    assert np.median(profile.share[~by_engine]) == pytest.approx(1.0, abs=1e-2)  # a_lon is a mean of two segments
    assert profile.share.max() < 1.05


# -- batches


def test_a_batch_is_its_runs_one_by_one():
    line, runs = hilly_line(31), 60
    assert runs * line.station.size > PARALLEL_FROM  # so that the threads are at work
    packed = np.array([FULL.scaled(lateral=k, braking=k).pack() for k in np.linspace(0.9, 1.1, runs)])
    caps = np.linspace(20.0, 40.0, runs)[:, None] * np.ones(400)
    batch = solve_batch(line, packed, StationLimits(cap=caps))
    for k in (0, 29, 59):
        one = solve_batch(line, packed[k], StationLimits(cap=caps[k]))
        assert (batch.v[k] == one.v[0]).all()
        assert batch.lap_time[k] == one.lap_time[0]
    assert (np.diff(batch.lap_time) < 0.0).all()


@pytest.mark.parametrize("runs", [3, 60])
def test_a_batch_names_the_run_that_has_no_profile(runs):
    scale = np.ones((runs, 400))
    scale[runs - 2, 7] = 0.0
    with pytest.raises(NoSolution, match=rf"station 14\.0 m \(run {runs - 2}\)"):
        solve_batch(random_line(33), CIRCLE.pack(), StationLimits(lateral_scale=scale))


def test_one_envelope_serves_many_limits_and_one_limit_many_envelopes():
    line = random_line(32)
    caps = np.array([[20.0], [30.0]]) * np.ones(400)
    many_limits = solve_batch(line, CIRCLE.pack(), StationLimits(cap=caps))
    assert many_limits.v.max(axis=1) == pytest.approx([20.0, 30.0], rel=EXACT)
    packed = np.array([CIRCLE.pack(), FULL.pack()])
    many_cars = solve_batch(line, packed, StationLimits(cap=caps[0]))
    assert many_cars.lap_time[0] == pytest.approx(many_limits.lap_time[0], rel=EXACT)
    assert many_cars.lap_time == pytest.approx(
        [limit_profile(line, e, limits=StationLimits(cap=caps[0])).lap_time for e in (CIRCLE, FULL)], rel=EXACT
    )


def test_segment_times_add_up_to_the_lap():
    line = even(circuit("fast"), 2.0)
    batch = solve_batch(line, FULL.pack())
    v = batch.v[0]
    # Source: constant acceleration over a segment takes 2 ds / (v_i + v_i+1).
    assert batch.segment_time[0] == pytest.approx(2.0 * line.ds / (v + np.roll(v, -1)), rel=EXACT)
    assert batch.lap_time[0] == pytest.approx(batch.segment_time[0].sum(), rel=EXACT)
