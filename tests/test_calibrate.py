"""Sensors against a first path: channels made up of a motion that is known."""

from dataclasses import replace

import numpy as np
import pytest

from simlap.calibrate import STEP, Drive, calibrate
from simlap.sensors import Observation
from simlap.splines import lowpass

BANDWIDTH = 1.0  # [Hz]
T = np.arange(0.0, 300.0, STEP)


def smooth(rng, deviation):
    noise = lowpass(rng.standard_normal((T.size, 1)), STEP, BANDWIDTH)[:, 0]
    return deviation * noise / noise.std()


def motion():
    """Speed [m/s] and accelerations [m/s²] of pedals and corners that come at random."""
    rng = np.random.default_rng(7)
    return 25.0 + smooth(rng, 3.0), smooth(rng, 3.0), smooth(rng, 5.0)


def first_path(lag, error=0.0):
    """The motion as a receiver `lag` seconds late tells and smooths it; `error` [m/s²] is that of its accelerations."""
    rng = np.random.default_rng(8)
    v, a_lon, a_lat = (lowpass(np.interp(T - lag, T, z), STEP, BANDWIDTH) for z in motion())
    drawn = [np.array([smooth(rng, error) for _ in range(4)]) for _ in range(2)]
    a_lon, a_lat = a_lon + smooth(rng, error), a_lat + smooth(rng, error)
    return Drive(T, v, a_lon, a_lat, a_lat / v, BANDWIDTH, *drawn)


def between(values):
    """Away from the ends, which nobody drove."""
    return values[100:-100]


@pytest.mark.parametrize("lag", [0.0, 0.135, 0.274])
def test_lag_scale_nose_and_tilt_of_the_accelerometers_are_found_and_taken_out(lag):
    # 4 % too much along, a nose 4 mrad per m/s² into the turn and a logger 0.6 m ahead of the rear axle; 6 % of body
    # roll and a mount turned by 2 degrees.
    v, a_lon, a_lat = motion()
    along = 1.04 * a_lon + 0.004 * a_lat**2 - 0.6 * (a_lat / v) ** 2
    read = {"a_lon": along, "a_lat": 1.06 * a_lat + 0.035 * a_lon}
    seen = {name: Observation(T, values, 25.0) for name, values in read.items()}
    out, found = calibrate(first_path(lag), seen, [])
    assert found == pytest.approx(lag, abs=0.004)  # a tenth of a step; without noise
    # what is expected beforehand (scales within 10 %, tilts within 0.05) pulls little against 5 minutes of driving
    for name, true in (("a_lon", a_lon), ("a_lat", a_lat)):
        assert np.std(between(out[name].value - true)) < 0.02 * np.std(true)


def test_noise_of_the_first_path_does_not_make_the_scale_too_small():
    # Errors of 1.5 m/s² beside 5 of the motion's own: plain least squares would find 1 / (1 + 0.09) of the scale, and
    # the channel would come out 9 % too large.
    _, _, a_lat = motion()
    out, _ = calibrate(first_path(0.1, 1.5), {"a_lat": Observation(T, a_lat, 25.0)}, [])
    assert np.polyfit(between(a_lat), between(out["a_lat"].value), 1)[0] == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_jumps_of_the_positions_do_not_make_the_scales_too_small(sign):
    # Six times in five minutes the positions jump by 8 m for 2 s: smoothed to 1 Hz (a Gaussian of 0.13 s), such an edge
    # is 8 m · x / (0.13 s)² of acceleration, 290 m/s² at the most, that no sensor has felt. Least squares over all
    # instants finds less than 0.6 of the scale and leaves the channels out.
    v, _, a_lat = motion()
    path = first_path(0.1)
    aside = np.zeros(T.size)
    for at in (40.0, 81.0, 122.0, 163.0, 204.0, 245.0):
        aside += 8.0 * (np.abs(T - at - 1.0) < 1.0)
    felt = np.gradient(np.gradient(lowpass(aside, STEP, BANDWIDTH), STEP), STEP)
    path = replace(path, a_lat=path.a_lat + felt, course_rate=path.course_rate + felt / path.v)
    read = {"a_lat": sign * a_lat, "yaw_rate": sign * a_lat / v}
    out, lag = calibrate(path, {name: Observation(T, values, 25.0) for name, values in read.items()}, [])
    assert lag == pytest.approx(0.1, abs=0.01)
    for name, true in (("a_lat", a_lat), ("yaw_rate", a_lat / v)):
        assert np.polyfit(between(true), between(out[name].value), 1)[0] == pytest.approx(1.0, abs=0.02)


def test_a_receiver_cannot_be_ahead_of_time():
    # 30 ms is an error of the estimate; it is no lag.
    _, _, a_lat = motion()
    assert calibrate(first_path(-0.03), {"a_lat": Observation(T, a_lat, 25.0)}, [])[1] == 0.0
