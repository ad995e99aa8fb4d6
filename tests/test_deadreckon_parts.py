"""Parts of the reckoned motion by themselves: what laps repeat, what a sensor reads beyond the path, who comes late."""

import numpy as np
import pytest

from simlap.deadreckon import _aligned, _beyond
from simlap.sensors import Observation
from simlap.session import Session
from simlap.splines import lowpass
from simlap.warp import lap_length_of, shift_between

T = np.arange(0.0, 120.0, 0.02)


def smooth(seed, deviation):
    noise = lowpass(np.random.default_rng(seed).standard_normal((T.size, 1)), 0.02, 0.5)[:, 0]
    return deviation * noise / noise.std()


@pytest.mark.parametrize("drift", [0.0, 2e-4])
def test_a_lap_of_an_oval_is_twice_what_its_curvature_repeats_after(drift):
    # Straights of 400 m and half circles of 50 m: every half lap is like the other, and turns the car round by half.
    # A turn rate that drifts by 2e-4 1/m adds a sixtieth of a turn to a lap.
    half = 400.0 + 50.0 * np.pi
    s = np.arange(0.0, 4.4 * 2.0 * half, 2.0)
    kappa = np.where(s % half < 400.0, 0.0, 1.0 / 50.0) + drift
    length, likeness = lap_length_of(kappa, 2.0)
    assert length == pytest.approx(2.0 * half, abs=2.0)
    assert likeness > 0.95


def test_what_is_read_beyond_a_reckoned_path_is_in_true_units():
    # A sensor that reads a fifth too much, with a bias, on a road whose gravity along goes from -0.3 to 0.3 m/s²; the
    # other sensors' a_lat tilts in by 3 %.
    a_lon, a_lat = smooth(1, 3.0), smooth(2, 5.0)
    road = 0.3 * np.sin(2.0 * np.pi * T / 40.0)
    session = Session.from_arrays(T, a_lon=1.2 * (a_lon + road + 0.03 * a_lat) + 0.25)
    path = (a_lon, a_lat**2, a_lat)
    found = _beyond(session, "a_lon", T, path, np.ones(T.size, dtype=bool), 2.0)
    inner = slice(200, -200)
    # 120 s of 0.5 Hz are a hundred independent values: the road goes into the fit by a tenth of its size
    assert np.polyfit(road[inner], found[inner], 1)[0] == pytest.approx(1.0, abs=0.06)
    assert np.std(found[inner] - road[inner]) < 0.06


@pytest.mark.parametrize(("late", "lag"), [(0.15, 0.15), (-0.06, 0.0)])
def test_a_speed_is_put_on_the_accelerometer_s_clock_and_never_ahead_of_it(late, lag):
    a = smooth(3, 3.0)
    v = 30.0 + np.concatenate([[0.0], np.cumsum(0.5 * (a[1:] + a[:-1])) * 0.02])
    speed = Observation(T, np.interp(T - late, T, v), 50.0)
    shifted, found = _aligned(Session.from_arrays(T, a_lon=a), speed, [])
    assert found == pytest.approx(lag, abs=0.004)
    assert shifted.t == pytest.approx(T - found, abs=1e-9)


def test_another_line_through_one_corner_is_no_shift_of_the_odometer():
    # Eight corners 200 m apart; the second lap's odometer runs 0.3 % ahead, and in the fifth corner the driver turns in
    # 25 m late.
    s = np.arange(0.0, 1800.0, 2.0)

    def kappa(at, late):
        corners = 200.0 * np.arange(1, 9) + np.where(np.arange(8) == 4, late, 0.0)
        return np.sum(0.02 * np.exp(-0.5 * ((at[:, None] - corners) / 20.0) ** 2), axis=1)

    shift = shift_between(kappa(s, 0.0), kappa(s / 1.003, 25.0), 2.0)
    away = (np.abs(s - 1000.0) > 150.0) & (s > 150.0) & (s < 1650.0)
    # 0.1 m per root metre is what an odometer is believed to wander: 1.4 m on the way to a neighbour
    assert shift[away] == pytest.approx(0.003 * s[away], abs=1.4)
    here = np.argmin(np.abs(s - 1000.0))
    assert shift[here] == pytest.approx(3.0, abs=12.5)  # nearer to the odometer than to the driver


@pytest.mark.parametrize("reads", [0.0, 9.81])
def test_a_sensor_that_has_died_tells_nothing_beyond_the_path(reads):
    # A dead sensor reads one value: 0, or its mount's share of gravity. Its scale is 0, and what it "felt" 0 / 0.
    session = Session.from_arrays(T, a_lon=np.full(T.size, reads))
    assert _beyond(session, "a_lon", T, (smooth(1, 3.0),), np.ones(T.size, dtype=bool), 2.0) is None


def test_a_sensor_that_is_heard_only_while_the_car_stands_tells_nothing_beyond_the_path():
    moves = T > 60.0
    session = Session.from_arrays(T, a_lon=np.where(moves, np.nan, smooth(1, 0.1)))
    assert _beyond(session, "a_lon", T, (smooth(2, 3.0),), moves, 2.0) is None
