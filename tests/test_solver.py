"""The limit profile against closed forms, ordinary differential equations and a road-design standard."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from solver_cases import CIRCLE, FULL, GRIP, lap_time, random_line

from simlap.circuits import invented_circuit
from simlap.envelope import Envelope
from simlap.envelope_packed import ENGINE_POINTS, Packed
from simlap.errors import NoSolution, OptionError
from simlap.line import Line
from simlap.solver import StationLimits, limit_profile, solve_batch
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session
from simlap.units import G

# Closed forms that the scheme meets exactly: only rounding and Newton's last step are left.
EXACT = 1e-9


def straight(length, spacing=1.0, **road):
    return Line.from_curvature(np.zeros(round(length / spacing) + 1), spacing, closed=False, **road)


def ring(radius, **road):
    n = 200
    return Line.from_curvature(np.full(n, 1.0 / radius), 2.0 * math.pi * radius / n, **road)


# -- corners


@pytest.mark.parametrize(("mu", "radius"), [(0.8, 20.0), (1.2, 50.0), (1.7, 180.0)])
def test_steady_circle_is_driven_at_sqrt_mu_g_r(mu, radius):
    # Source: v² / R = mu g; a lap takes 2 pi sqrt(R / (mu g)).
    profile = limit_profile(ring(radius), Envelope.constant(mu * G, mu * G, mu * G))
    assert profile.v == pytest.approx(math.sqrt(mu * G * radius), rel=EXACT)
    assert profile.lap_time == pytest.approx(2.0 * math.pi * math.sqrt(radius / (mu * G)), rel=EXACT)
    assert set(profile.active_names) == {"lateral"}
    assert profile.share == pytest.approx(1.0, rel=EXACT)
    assert profile.a_lat == pytest.approx(mu * G, rel=EXACT)


@pytest.mark.parametrize("exponent", [1.6, 2.0, 2.7])
def test_a_steady_circle_is_driven_where_what_the_tyres_leave_equals_the_drag(exponent):
    # Source: along the road (T + r)(1 - u^p)^(1/p) = r holds the speed, so u^p = 1 - (r / (T + r))^p; v² = u A R.
    lateral, pull, drag, radius = 11.0, 8.0, 0.9, 60.0
    env = Envelope.from_limits((lateral, 0.0), (10.0, 0.0), (pull, 0.0), exponent_drive=exponent, drag=(drag, 0.0, 0.0))
    used = (1.0 - (drag / (pull + drag)) ** exponent) ** (1.0 / exponent)
    profile = limit_profile(ring(radius), env)
    # the running maximum of the explicit half leaves a hair more, second order in the step of 1.9 m
    assert profile.v == pytest.approx(math.sqrt(used * lateral * radius), rel=1e-5)
    assert set(profile.active_names) == {"traction"}
    assert profile.share == pytest.approx(1.0, rel=1e-4)
    assert profile.sideways == pytest.approx(used, rel=2e-5)  # v² with the speed's own tolerance


def test_drag_does_not_change_braking_and_traction_on_a_straight():
    # Both are limits of the car with it: v² = 2 b s.
    plain = Envelope.from_limits((10.0, 0.0), (9.0, 0.0), (6.0, 0.0))
    for env in (plain, replace(plain, drag=(0.3, 0.0005, 0.005))):
        assert limit_profile(straight(100.0), env, end_speed=0.0).v[0] == pytest.approx(math.sqrt(1800.0), rel=1e-9)
        assert limit_profile(straight(100.0), env, start_speed=0.0).v[-1] == pytest.approx(math.sqrt(1200.0), rel=1e-9)


@pytest.mark.parametrize("name", ["club", "kart"])
def test_limit_lap_about_minus_the_drag_agrees_with_the_time_domain_drive(name):
    # Another integrator, midpoint steps of 1 m: without drag both differ by 0.02 %.
    track, car = invented_circuit(name), replace(club_car(), drag=(0.2, 0.00035, 0.005))
    truth = synthetic_session(track, car, Driver.at_limit(), Sensors.good(), laps=1, seed=1).truth
    assert lap_time(track.line, car) == pytest.approx(truth.limit_lap_s, rel=5e-4)


def test_downforce_raises_the_cornering_speed():
    # Source: v² / R = c0 + c1 v², so v² = c0 R / (1 - c1 R).
    c0, c1, radius = 11.0, 0.004, 80.0
    env = Envelope.from_limits((c0, c1), (10.0, 0.0), (10.0, 0.0))
    expected = math.sqrt(c0 * radius / (1.0 - c1 * radius))
    assert limit_profile(ring(radius), env).v == pytest.approx(expected, rel=EXACT)


def test_left_and_right_turns_use_their_own_limit():
    env = Envelope.from_limits(((9.0, 0.0), (12.0, 0.0)), (10.0, 0.0), (10.0, 0.0))
    left = Line.from_curvature(np.full(100, 0.02), 1.0)
    assert limit_profile(left, env).v == pytest.approx(math.sqrt(9.0 * 50.0), rel=EXACT)
    assert limit_profile(left.mirrored(), env).v == pytest.approx(math.sqrt(12.0 * 50.0), rel=EXACT)


def test_oval_lap_of_two_straights_and_two_half_circles():
    # Source: corners at v_c = sqrt(A R); on a straight of length S half is driven with +A and half with -A, so
    # v_max² = v_c² + A S, and the straight takes 2 (v_max - v_c) / A.
    # Stations sit in the middle of equal pieces, so that curvature jumps half-way between two stations.
    radius, n_bend, n_run = 40.0, 800, 1200
    gap = math.pi * radius / n_bend
    run = n_run * gap
    kappa = np.tile(np.concatenate([np.full(n_bend, 1.0 / radius), np.zeros(n_run)]), 2)
    line = Line.from_curvature(kappa, gap)
    v_c = math.sqrt(GRIP * radius)
    v_max = math.sqrt(v_c**2 + GRIP * run)
    expected = 2.0 * (math.pi * radius / v_c + 2.0 * (v_max - v_c) / GRIP)
    profile = limit_profile(line, CIRCLE)
    # Second order at the jumps too: (ds / R)² = 1.5e-5 of the speed there, over a part of the straight.
    assert profile.lap_time == pytest.approx(expected, rel=1e-5)
    assert profile.v.max() == pytest.approx(v_max, rel=1e-3)  # the peak lies between two stations


# -- road: banking, slope, crest and dip

# A Policy on Geometric Design of Highways and Streets (AASHTO Green Book), minimum radius by limiting superelevation
# and side friction, 6th edition 2011, table 3-7 metric. The figures are from memory; each agrees with the printed
# formula e + f = V² / (127 R). (speed [km/h], e, f, R [m])
AASHTO = [
    (50, 0.04, 0.19, 86),
    (50, 0.08, 0.19, 73),
    (60, 0.06, 0.17, 123),
    (70, 0.04, 0.15, 203),
    (80, 0.06, 0.14, 252),
    (80, 0.08, 0.14, 229),
    (100, 0.04, 0.12, 492),
    (100, 0.08, 0.12, 394),
    (110, 0.06, 0.11, 560),
    (120, 0.04, 0.09, 872),
]


@pytest.mark.parametrize(("kmh", "e", "f", "radius"), AASHTO)
def test_banked_turn_has_the_design_speed_of_the_highway_standard(kmh, e, f, radius):
    line = ring(float(radius), bank=math.atan(e))
    v = limit_profile(line, Envelope.constant(f * G, f * G, f * G)).v[0]
    # The standard's formula leaves out the product e f, "always small": exact is v² / (g R) = (e + f) / (1 - e f),
    # for e f <= 0.015 up to 0.8 % faster. R is rounded to 1 m (0.6 % of speed at 73 m) and 127 is 126.97.
    assert kmh * 0.994 < v * 3.6 < kmh * 1.014
    assert v == pytest.approx(math.sqrt(G * radius * (e + f) / (1.0 - e * f)), rel=EXACT)


def test_adverse_banking_slows_the_turn():
    # Source: the same formula with e < 0.
    line = ring(100.0, bank=-0.1)
    e, f = -math.tan(0.1), 1.1
    expected = math.sqrt(G * 100.0 * (f + e) / (1.0 - e * f))
    assert limit_profile(line, Envelope.constant(f * G, 10.0, 10.0)).v == pytest.approx(expected, rel=EXACT)


@pytest.mark.parametrize(("rise", "word"), [(-1.0 / 300.0, "crest"), (1.0 / 300.0, "dip")])
def test_crest_lightens_and_dip_presses_the_car_in_a_turn(rise, word):
    # Source: v² / R = mu (g + v² kappa_v), so v² = mu g / (1/R - mu kappa_v).
    mu, radius = 1.2, 60.0
    v = limit_profile(ring(radius, kappa_v=rise), Envelope.constant(mu * G, 10.0, 10.0)).v
    assert v == pytest.approx(math.sqrt(mu * G / (1.0 / radius - mu * rise)), rel=EXACT), word


def test_straight_crest_is_not_taken_faster_than_the_tyres_touch():
    # Source: g + v² kappa_v = 0, v = sqrt(g R) with R = 50 m.
    crest = replace(straight(200.0), kappa_v=np.where(np.abs(np.arange(201) - 100) < 20, -1.0 / 50.0, 0.0))
    profile = limit_profile(crest, CIRCLE, start_speed=10.0)
    assert profile.v[82:119].max() <= math.sqrt(G * 50.0) * (1.0 + EXACT)
    assert profile.v[100] == pytest.approx(math.sqrt(G * 50.0), rel=1e-6)


@pytest.mark.parametrize("degrees", [-6.0, 0.0, 6.0])
def test_stopping_distance_on_a_slope(degrees):
    # Source: d = v² / (2 (mu g cos + g sin)); limits scale with the normal load g cos. One millimetre less is refused.
    slope, b, v0 = math.radians(degrees), 9.0, 40.0
    distance = v0**2 / (2.0 * (b * math.cos(slope) + G * math.sin(slope)))
    env = Envelope.constant(10.0, b, 10.0)

    def stop_within(metres):
        line = Line.from_curvature(np.zeros(101), metres / 100.0, grade=slope, closed=False)
        return limit_profile(line, env, start_speed=v0, end_speed=0.0)

    profile = stop_within(distance)
    assert profile.v[[0, -1]] == pytest.approx([v0, 0.0], abs=1e-5)
    with pytest.raises(NoSolution, match=r"start speed 40 m/s cannot be driven.*Give a lower start speed"):
        stop_within(distance - 0.001)


def test_braking_with_downforce_takes_a_logarithmic_distance():
    # Source: v dv/ds = -(b0 + b1 v²) integrates to s = ln((b0 + b1 v²) / b0) / (2 b1).
    b0, b1, v0 = 10.0, 0.01, 60.0
    distance = math.log((b0 + b1 * v0**2) / b0) / (2.0 * b1)
    line = straight(200.0)
    env = Envelope.from_limits((10.0, 0.0), (b0, b1), (30.0, 0.0))
    profile = limit_profile(line, env, end_speed=0.0)
    started = np.interp(v0, profile.v[::-1], 200.0 - profile.s[::-1])
    assert started == pytest.approx(distance, rel=1e-4)  # trapezoidal rule at 1 m: (2 b1 ds)² / 12 = 3e-5


# -- open runs


def test_constant_push_from_rest_covers_100_m_in_6_325_s():
    # Source: s = a t² / 2; v² is linear in s, so the scheme is exact.
    profile = limit_profile(straight(100.0), Envelope.constant(10.0, 10.0, 5.0), start_speed=0.0)
    assert profile.lap_time == pytest.approx(math.sqrt(2.0 * 100.0 / 5.0), rel=EXACT)
    assert profile.v[-1] == pytest.approx(math.sqrt(2.0 * 5.0 * 100.0), rel=EXACT)
    assert profile.t[0] == 0.0
    assert profile.t[-1] == pytest.approx(profile.lap_time, rel=EXACT)
    assert profile.a_lon == pytest.approx(5.0, rel=EXACT)


def test_one_lap_from_a_start_speed_ends_under_the_limits_of_the_station_where_it_began():
    # The line's first station is its last one too: what caps the speed there caps it at the end.
    line = ring(50.0)
    cap = np.where(np.arange(line.station.size) == 0, 12.0, 100.0)
    profile = limit_profile(line, CIRCLE, limits=StationLimits(cap=cap), start_speed=5.0)
    assert profile.v[0] == pytest.approx(5.0, rel=EXACT)
    assert profile.v[-1] == pytest.approx(12.0, rel=EXACT)
    assert profile.v[-2] > 12.0


def test_share_of_a_weaker_drive_is_a_share_of_what_is_left_of_it():
    # Half of the drive is all there is: on the traction limit its share is 1, whatever the factor.
    half = StationLimits(drive_scale=np.full(101, 0.5))
    profile = limit_profile(straight(100.0), Envelope.constant(10.0, 10.0, 5.0), limits=half, start_speed=0.0)
    assert profile.a_lon == pytest.approx(2.5, rel=EXACT)
    assert profile.share == pytest.approx(1.0, rel=EXACT)


@pytest.mark.parametrize("closed", [False, True])
def test_acceleration_at_a_station_is_that_of_the_place_where_the_spacing_changes(closed):
    # A cap v² = 400 + 2 (a s + k s² / 2): dv/dt = a + k s, whose mean over a segment is its value half-way along. The
    # straight line through both neighbours meets the station exactly, whatever their lengths.
    a, k, ds = 1.0, -0.02, np.tile([1.0, 3.0, 2.0], 20)
    line = Line.from_curvature(np.zeros(ds.size), ds, closed=closed)
    v = np.sqrt(400.0 + 2.0 * (a * line.station + 0.5 * k * line.station**2))
    profile = limit_profile(line, Envelope.constant(50.0, 5000.0, 5000.0), limits=StationLimits(cap=v))
    assert profile.v == pytest.approx(v, rel=EXACT)
    assert profile.a_lon[1:-1] == pytest.approx((a + k * line.station)[1:-1], rel=EXACT)


def test_linear_engine_reaches_its_terminal_speed_as_the_closed_form_says():
    # Source: dv/dt = e0 - k v gives v = v_t (1 - exp(-k t)), s = v_t (t - (1 - exp(-k t)) / k), v_t = e0 / k.
    e0, k = 6.0, 0.15
    top = e0 / k
    env = Envelope.from_limits((10.0, 0.0), (10.0, 0.0), (10.0, 0.0), ([0.0, 80.0], [e0, e0 - 80.0 * k]))
    profile = limit_profile(straight(2000.0, 0.5), env, start_speed=0.0)
    t = np.linspace(0.0, 40.0, 4001)
    s = top * (t - (1.0 - np.exp(-k * t)) / k)
    # Second order: 2e-5 s at 0.5 m, most of it in the first metres, where the speed rises with the root of distance.
    assert profile.t[1000] == pytest.approx(np.interp(500.0, s, t), abs=2e-4)
    assert profile.v[1000] == pytest.approx(top * (1.0 - math.exp(-k * profile.t[1000])), rel=1e-4)
    assert profile.v[-1] == pytest.approx(top, rel=1e-3)
    assert profile.v.max() < top
    assert set(profile.active_names[1:]) == {"engine"}


def _along(env, v0, length):
    """v² at `length` m and the time, from dz/ds = 2 e(sqrt z) by an adaptive Runge-Kutta method."""
    packed = env.pack()
    grid, curve = packed[11] * np.arange(ENGINE_POINTS), packed[Packed.ENGINE]

    def rate(s, y):
        v = math.sqrt(y[0])
        return [2.0 * np.interp(v, grid, curve), 1.0 / v]

    run = solve_ivp(rate, (0.0, length), [v0**2, 0.0], rtol=1e-10, atol=1e-10, max_step=1.0)
    return math.sqrt(run.y[0, -1]), run.y[1, -1]


@pytest.mark.parametrize("v0", [10.0, 75.0], ids=["speeding up", "faster than the terminal speed"])
def test_engine_with_drag_follows_the_differential_equation(v0):
    speeds = np.linspace(0.0, 93.0, ENGINE_POINTS)  # the packed grid itself, so that both sides see one curve
    curve = np.minimum(7.0, 110.0 / np.maximum(speeds, 1.0)) - 0.0006 * speeds**2
    env = Envelope.from_limits((10.0, 0.0), (12.0, 0.0), (9.0, 0.0), (speeds, curve))
    profile = limit_profile(straight(800.0), env, start_speed=v0)
    v_end, time = _along(env, v0, 800.0)
    assert profile.v[-1] == pytest.approx(v_end, rel=1e-6)
    assert profile.lap_time == pytest.approx(time, abs=1e-4)  # second order at 1 m


def test_coast_down_without_drive_follows_the_differential_equation():
    speeds = np.linspace(0.0, 62.0, ENGINE_POINTS)
    env = Envelope.from_limits((10.0, 0.0), (12.0, 0.0), (9.0, 0.0), (speeds, -(0.15 + 0.0009 * speeds**2)))
    profile = limit_profile(straight(600.0), env, start_speed=50.0)
    v_end, time = _along(env, 50.0, 600.0)
    assert (np.diff(profile.v) < 0.0).all()
    assert profile.v[-1] == pytest.approx(v_end, rel=1e-6)
    assert profile.lap_time == pytest.approx(time, abs=1e-4)


def test_drag_slows_the_car_where_it_is_stronger_than_the_brakes():
    # Full throttle still loses 3 m/s² where the brakes give 1: v² = 10² + 2*3*100 at the start is possible.
    env = Envelope.from_limits((10.0, 0.0), (1.0, 0.0), (9.0, 0.0), ([0.0, 60.0], [-3.0, -3.0]))
    profile = limit_profile(straight(100.0), env, end_speed=10.0)
    assert profile.v[0] ** 2 == pytest.approx(700.0, rel=EXACT)
    assert profile.a_lon == pytest.approx(-3.0, rel=1e-6)


def test_terminal_speed_on_a_closed_lap_is_where_drag_eats_the_drive():
    # Source: e(v) = 4 - 0.1 v = 0 at 40 m/s, less the cornering drag 0.01 (v²/R)² on a circle of 2000 m.
    env = Envelope.from_limits((12.0, 0.0), (12.0, 0.0), (9.0, 0.0), ([0.0, 62.0], [4.0, -2.2]), cornering_drag=0.01)
    profile = limit_profile(ring(2000.0), env)
    v = profile.v[0]
    assert 4.0 - 0.1 * v - 0.01 * (v**2 / 2000.0) ** 2 == pytest.approx(0.0, abs=1e-6)
    assert set(profile.active_names) == {"engine"}


def test_acceleration_at_the_stations_is_right_for_segments_of_any_length():
    # A straight of 200 m behind a bend, driven with a constant 4 m/s² until the brakes: uneven segments, one slope.
    gap = np.random.default_rng(8).uniform(0.5, 1.5, 220)
    line = Line.from_curvature(np.where(np.arange(220) < 20, 1.0 / 30.0, 0.0), gap)
    profile = limit_profile(line, Envelope.constant(GRIP, GRIP, 4.0))
    steady = profile.active_names == "traction"
    inside = steady & np.roll(steady, 1) & np.roll(steady, -1) & (line.kappa == 0.0) & (np.roll(line.kappa, 1) == 0.0)
    assert inside.sum() > 80
    assert profile.a_lon[inside] == pytest.approx(4.0, rel=EXACT)


# -- what cannot be driven


def test_grade_steeper_than_the_drive_has_no_standing_start():
    # 5 m/s² cos(0.6) of drive against g sin(0.6) = 5.5 m/s²
    with pytest.raises(NoSolution, match=r"station 1\.0 m: grade 34\.4 deg.*check elevation"):
        limit_profile(straight(100.0, grade=0.6), Envelope.constant(10.0, 10.0, 5.0), start_speed=0.0)


def test_start_faster_than_the_corner_is_refused():
    line = Line.from_curvature(np.full(50, 1.0 / 50.0), 1.0, closed=False)
    with pytest.raises(NoSolution, match=r"start speed 30 m/s cannot be driven: the limits allow 24\.2899"):
        limit_profile(line, CIRCLE, start_speed=30.0)  # sqrt(11.8 * 50) = 24.29


def test_end_speed_out_of_reach_is_refused():
    with pytest.raises(NoSolution, match=r"end speed 40 m/s cannot be driven: the limits allow 31\.6228"):
        limit_profile(straight(100.0), Envelope.constant(10.0, 10.0, 5.0), start_speed=0.0, end_speed=40.0)


def test_straight_without_any_limit_is_refused():
    with pytest.raises(NoSolution, match="Nothing limits the speed"):
        limit_profile(straight(100.0), CIRCLE)


def test_bank_too_steep_to_creep_around_is_refused():
    # tan(40 deg) = 0.84 > mu = 0.6: below the slowest speed the car slides down.
    slow = StationLimits(cap=np.full(200, 2.0))
    with pytest.raises(NoSolution, match=r"bank 40\.0 deg"):
        limit_profile(ring(60.0, bank=math.radians(40.0)), Envelope.constant(0.6 * G, 10.0, 10.0), limits=slow)


@pytest.mark.parametrize(
    ("limits", "message"),
    [
        ({"cap": np.full(9, 30.0)}, r"cap has shape \(9,\); the line has 200 stations"),
        ({"lateral_scale": np.full(200, -1.0)}, r"lateral_scale\[0\] is -1\.0, which is no limit"),
        ({"own_brake": np.full(200, np.nan)}, r"own_brake\[0\]"),
        ({"own_brake_mode": np.full(200, 3)}, r"own_brake_mode\[0\] is 3, which"),
        ({"cap": np.full((2, 200), 30.0), "floor": np.full((3, 200), 1.0)}, "3 rows, another array 2"),
        (
            {
                "own_brake": np.zeros(200),
                "own_drive": np.full(200, -1.0),
                "own_brake_mode": np.ones(200, dtype=int),
                "own_drive_mode": np.ones(200, dtype=int),
            },
            "no speed obeys both",
        ),
    ],
)
def test_limits_that_make_no_sense_are_named(limits, message):
    with pytest.raises(OptionError, match=message):
        solve_batch(ring(50.0), CIRCLE.pack(), StationLimits(**limits))


def test_closed_lap_with_a_start_speed_is_driven_once_from_it():
    line = random_line(3)
    standing = limit_profile(line, FULL, start_speed=0.0)
    flying = limit_profile(line, FULL)
    assert standing.v.size == line.station.size + 1
    assert standing.v[0] == 0.0
    assert standing.lap_time > flying.lap_time
    # Once both have been through the tightest corner they are the same lap.
    assert standing.v[-2] == pytest.approx(flying.v[-1], rel=1e-6)
    capped = limit_profile(line, FULL, start_speed=0.0, limits=StationLimits(cap=np.full(400, 12.0)))
    assert capped.v.max() == pytest.approx(12.0, rel=EXACT)  # limits of the closed lap hold at its end too
    assert capped.v.size == 401


def test_spacing_resamples_the_line():
    line = random_line(5)
    profile = limit_profile(line, CIRCLE, spacing=1.0)
    assert profile.v.size == 800
    assert profile.lap_time == pytest.approx(lap_time(line.resample(1.0), CIRCLE), rel=EXACT)
