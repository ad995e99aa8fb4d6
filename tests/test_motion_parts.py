"""Parts of the motion by themselves, against signals that are known."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from simlap.bandwidth import acceleration_noise, jerk_of, supported_bands
from simlap.calibrate import STEP, Drive
from simlap.clipping import without_clipped, without_wild
from simlap.fixnoise import FixNoise, fix_noise
from simlap.fuse import fuse
from simlap.lag import lag_between
from simlap.located import _altitude, felt
from simlap.motion_types import MOTION_RATE, shape_of
from simlap.receiver import held_against
from simlap.sensors import Fixes, Observation, heard
from simlap.session import Session
from simlap.smoother import BandedSystem, Wander
from simlap.splines import grid_over, lowpass
from simlap.units import G


def fixes_at(t, x, y):
    return Fixes(t, x, y, None, float(1.0 / np.median(np.diff(t))), 0, (), t)


def test_a_channel_is_heard_between_values_that_follow_each_other_soon_and_a_step_beyond_its_ends():
    # Steps of 1 s: four of them are no silence, five are.
    t = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 9.0, 10.0, 11.0, 16.0, 17.0])
    at = np.array([-1.5, -0.8, 2.5, 7.0, 13.0, 17.8, 18.5])
    assert heard(t, at).tolist() == [False, True, True, True, False, True, False]


@pytest.mark.parametrize("lag", [0.128, 0.212, -0.07])
def test_a_lag_between_the_steps_of_the_grid_is_found(lag):
    # Pedals at random, smoothed to 1 Hz, read by both without noise: a parabola through a rounded peak is exact to a
    # tenth of a step of 0.02 s.
    t = np.arange(0.0, 120.0, 0.01)
    a = lowpass(np.random.default_rng(2).standard_normal(t.size), 0.01, 1.0)
    speed = np.concatenate([[0.0], np.cumsum(0.5 * (a[1:] + a[:-1])) * 0.01])
    found, strength = lag_between(t, np.interp(t - lag, t, speed), t, a)
    assert found == pytest.approx(lag, abs=0.002)
    assert strength > 0.95


def test_altitude_that_comes_late_with_the_receiver_is_shifted_back():
    # A hill of 5 m every 63 s: late by 0.3 s it would be off by up to 0.15 m.
    rows, t = np.arange(0.0, 200.0, 0.1), np.arange(10.0, 190.0, 1.0 / MOTION_RATE)
    session = Session.from_arrays(rows, altitude=300.0 + 5.0 * np.sin(0.1 * (rows - 0.3)))
    found = _altitude(session, t, 0.3, 2.0)
    inner = (t > 15.0) & (t < 185.0)
    # 0.5 Hz takes next to nothing of 0.016 Hz
    assert found[inner] == pytest.approx(300.0 + 5.0 * np.sin(0.1 * t[inner]), abs=0.02)


@pytest.mark.parametrize("lag", [0.0, 0.25])
def test_what_an_accelerometer_feels_beyond_the_path_is_read_at_its_own_time(lag):
    # The receiver's path tells the acceleration `lag` late. The sensor reads 0.4 m/s² of slope on top.
    t = np.arange(0.0, 60.0, STEP)
    own = 3.0 * np.sin(0.8 * (t - lag))
    drive = Drive(t, 0.0 * t, own, own, own, 1.0, own[None], own[None])
    seen = Observation(t, 3.0 * np.sin(0.8 * t) + 0.4, 25.0)
    inner = t[200:-200]
    # 0.8 rad/s lies far below 1 Hz; unshifted it would be 0.6 m/s² off
    assert felt(seen, drive, lowpass(own, STEP, 1.0), lag, inner) == pytest.approx(0.4, abs=0.01)


def rows_of(values, **more):
    return Session.from_arrays(np.arange(values.size) * 0.02, a_lat=values, **more)


def test_a_car_that_goes_round_a_circle_is_no_sensor_at_the_end_of_its_range():
    # 10 m/s² on four rows of ten, and less on the way there.
    rng = np.random.default_rng(3)
    values = np.round(np.where(np.arange(5000) % 10 < 4, 10.0, 10.0 * rng.random(5000) ** 2), 2)
    values = np.minimum(values, 10.0)
    session, notes = without_clipped(rows_of(values))
    assert notes == ()
    assert np.isfinite(session.channel("a_lat")).all()
    # on one row of ten it is one
    clipped = np.where(np.arange(5000) % 10 < 1, 10.0, np.round(9.9 * rng.random(5000), 2))
    assert len(without_clipped(rows_of(clipped))[1]) == 1


@pytest.mark.parametrize(("wild", "out"), [(40, True), (60, False)])
def test_readings_that_no_car_gives_are_error_values_only_while_they_are_few(wild, out):
    # Of 5000 rows, 50 are the hundredth up to which they are; beyond, the unit is wrong and they stay to be judged.
    values = np.where(np.arange(5000) < wild, 9.0 * G, 5.0)
    session, notes = without_wild(rows_of(values))
    assert len(notes) == int(out)
    assert np.isnan(session.channel("a_lat")).sum() == (wild if out else 0)


def on_a_circle(radius, rate, seconds=300.0):
    """Fixes without error on a circle, at 25 m/s ± 5 m/s every 20 s; and the speed at the same times."""
    t = np.arange(0.0, seconds, 1.0 / rate)
    way = 25.0 * t - 5.0 * 20.0 / (2.0 * np.pi) * np.cos(2.0 * np.pi * t / 20.0)
    v = 25.0 + 5.0 * np.sin(2.0 * np.pi * t / 20.0)
    return fixes_at(t, radius * np.cos(way / radius), radius * np.sin(way / radius)), Observation(t, v, rate)


def test_the_way_along_an_arc_is_not_its_chord():
    # 30 m/s round 110 m turn by 0.27 rad from fix to fix: the chord is 0.3 % short, which would pass for a speed of
    # another scale. An arc is longer than its chord by turn² / 24, the next term is a hundredth of that.
    fixes, speed = on_a_circle(110.0, 1.0)
    assert held_against(fixes, speed, 0.0).scale == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize(("white", "intensity"), [(0.15, 0.0), (0.15, 0.02), (0.0, 0.02)])
def test_the_wander_of_positions_against_their_speed_is_told_from_their_white_noise(white, intensity):
    # Twenty minutes at 10 Hz along an all but straight line. Over a second, white noise adds 2 white² to the variance
    # of a way, a walk its intensity.
    rng = np.random.default_rng(5)
    fixes, speed = on_a_circle(20_000.0, 10.0, 1200.0)
    walk = np.cumsum(np.sqrt(0.1 * intensity) * rng.standard_normal((2, fixes.t.size)), axis=1)
    x, y = np.stack([fixes.x, fixes.y]) + walk + white * rng.standard_normal((2, fixes.t.size))
    found = held_against(fixes_at(fixes.t, x, y), speed, white)
    assert not found.wheels
    # 1200 seconds tell a variance to 4 %; the spread is a robust one, which tells it to 7 %, of noise and walk together
    assert found.wander == pytest.approx(intensity, abs=0.2 * (intensity + 2.0 * white**2))


@pytest.mark.parametrize(("white", "intensity"), [(0.2, 0.0), (0.02, 0.05)])
def test_noise_of_fixes_of_a_car_that_drives_straight_on_is_found_to_a_tenth(white, intensity):
    # Ten minutes at 10 Hz: 6000 fixes tell a variance to 2 % each way, the spectrum's shape to a few times that.
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 600.0, 0.1)
    walk = np.cumsum(np.sqrt(0.1 * intensity) * rng.standard_normal((2, t.size)), axis=1)
    x, y = walk + white * rng.standard_normal((2, t.size)) + 20.0 * t
    told = fix_noise(t, x, y)
    if intensity:
        assert told.intensity == pytest.approx(intensity, rel=0.15)
    else:
        assert told.white == pytest.approx(white, rel=0.1)


def test_a_wander_that_nothing_is_known_of_has_its_stationary_variance():
    # Gauss and Markov: intensity q and variance V are a correlation time of 2 V / q, here 4 s. With nothing measured,
    # the inverse of the normal equations is the prior's covariance, V exp(-lag / 4 s) away from the ends.
    wander = Wander(0.5, 1.0)
    system = BandedSystem(grid_over(0.0, 60.0, 0.1), [wander], 40.0)
    m, n = system.per_knot, system.grid.size
    band = system.band[:, 2::m]
    stiff = np.diag(band[0]) + np.diag(band[m][: n - 1], 1) + np.diag(band[m][: n - 1], -1)
    covariance = np.linalg.inv(stiff)
    middle = n // 2
    # steps of 0.1 s are a fortieth of the correlation time: exact to its square
    assert covariance[middle, middle] == pytest.approx(1.0, rel=0.01)
    assert covariance[middle, middle + 40] == pytest.approx(np.exp(-1.0), rel=0.01)


def test_a_noisy_speed_is_not_one_of_the_wheels_by_chance():
    # 80 s of a speed once a second that errs by 1 m/s: its scale is known to 1 / 25 / sqrt(80) = 0.45 %.
    for seed in range(10):
        fixes, speed = on_a_circle(20_000.0, 1.0, 80.0)
        noisy = Observation(speed.t, speed.value + np.random.default_rng(seed).standard_normal(80), 1.0)
        assert not held_against(fixes, noisy, 0.0).wheels


@pytest.mark.parametrize("rate", [1.0, 2.0])
def test_no_motion_is_read_from_fixes_beyond_half_their_rate(rate):
    # A car that weaves by 0.3 m at 0.3 to 0.9 Hz, seen without error: had it been seen `rate` times a second alone,
    # there would be nothing beyond half of that (the sampling theorem), however good the fixes.
    t = np.arange(0.0, 100.0, 0.1)
    weave = 0.3 * np.sin(2.0 * np.pi * (0.3 + 0.3 * t / 100.0) * t)  # its frequency rises by twice the second term
    fixes = fixes_at(t, 20.0 * t, weave)
    fused = fuse(fixes, {}, None, 0.0, t[-1])
    assert supported_bands(fused, replace(fixes, rate=rate), {}, 2.0).speed <= 0.5 * rate


@pytest.mark.parametrize("frequency", [0.2, 1.0, 3.0])
def test_noise_of_positions_grows_with_the_fourth_power_of_the_frequency_as_an_acceleration(frequency):
    # Textbook: white values of deviation s, r a second, have the density s²/r; a derivative multiplies it by w², and a
    # random walk of q a second has q/w². So 0.3 m ten times a second that wander by 0.05 m²/s are, at 1 Hz,
    # (2 pi)^4 0.09/10 + (2 pi)² 0.05 = 14.03 + 1.97 m²/s⁴/Hz of acceleration.
    w2 = (2.0 * np.pi * frequency) ** 2
    places = w2**2 * 0.3**2 / 10.0 + w2 * 0.05
    fused = SimpleNamespace(noise={"position": 0.3, "speed": 0.1}, wander=Wander(0.05, 1.0))
    fixes = SimpleNamespace(rate=10.0)
    found = acceleration_noise(fused, fixes, {}, np.array([frequency]), "lat")
    assert found == pytest.approx([places], rel=1e-9)
    # Speeds of 0.1 m/s, 20 a second: w² 0.1²/20 along the path. What two independent readings tell adds up (weights of
    # the inverse variance); a speed tells nothing across.
    speed = Observation(np.arange(0.0, 10.0, 0.05), np.zeros(200), 20.0)
    both = 1.0 / (1.0 / places + 1.0 / (w2 * 0.1**2 / (200 / 9.95)))  # 200 values in 9.95 s
    along, across = (
        acceleration_noise(fused, fixes, {"speed": speed}, np.array([frequency]), axis) for axis in ("lon", "lat")
    )
    assert along == pytest.approx([both], rel=1e-9)
    assert across == pytest.approx([places], rel=1e-9)


def test_noise_of_the_positions_is_no_jerk_of_the_car():
    # Straight on at 20 m/s with 0.3 m of white noise: at 0.65 Hz that noise has a jerk of (2 pi 0.65)^6 0.09 / 10 = 42
    # m²/s⁵, the car none.
    t = np.arange(0.0, 200.0, 0.1)
    rng = np.random.default_rng(8)
    x, y = 0.3 * rng.standard_normal((2, t.size)) + np.stack([20.0 * t, 0.0 * t])
    fused = fuse(fixes_at(t, x, y), {}, None, 0.0, t[-1])
    assert jerk_of(fused) < 5.0


def test_a_fast_log_is_not_drawn_in_where_positions_wander():
    # A slalom at 0.8 Hz, 7.6 m/s² (a kart's), 25 fixes a second that wander by 0.024 m²/s. The best path under a prior
    # of white jerk q keeps 1 / (1 + 0.024 w⁴ / q) of it (Wiener): 84 % with the 80 m²/s⁵ that hold a log of 5 values a
    # second together, 96 % with 400.
    w, t = 2.0 * np.pi * 0.8, np.arange(0.0, 200.0, 0.04)
    fixes = fixes_at(t, 20.0 * t, 0.3 * np.sin(w * t))
    fused = fuse(fixes, {}, FixNoise(0.02, 0.024), 0.0, t[-1])
    at = np.arange(20.0, 180.0, 0.05)
    y = fused.grid.evaluate(fused.path, at)[:, 1]
    assert 2.0 * np.mean(y * np.sin(w * at)) / 0.3 > 0.92


def test_a_circle_has_the_curvature_of_its_radius_and_v2_over_it_across():
    # Textbook: v = 20 m/s round 50 m to the left, gaining 3 m/s²: kappa = 1/50 1/m, 20²/50 = 8 m/s² across.
    angle = np.linspace(0.0, 3.0, 7)
    along, across = np.column_stack([-np.sin(angle), np.cos(angle)]), -np.column_stack([np.cos(angle), np.sin(angle)])
    v, _, kappa, a_lon, a_lat = shape_of(20.0 * along, 3.0 * along + 8.0 * across)
    for found, true in ((v, 20.0), (kappa, 0.02), (a_lon, 3.0), (a_lat, 8.0)):
        assert found == pytest.approx(true, rel=1e-12)
