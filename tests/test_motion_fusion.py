"""What each channel measures of a path, and how the fusion weighs it: paths with derivatives in closed form."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from simlap.circuits import invented_circuit
from simlap.fuse import PathFusion, fuse
from simlap.located_quality import valid_of
from simlap.motion import motion_of
from simlap.sensors import Fixes, Observation
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session
from simlap.units import G

TURN, WAVE = 0.05, 0.35  # [rad/s]


def course_of(t):
    """Course of a drive through bends [rad], and its rate and the change of that."""
    return TURN * t + np.sin(WAVE * t), TURN + WAVE * np.cos(WAVE * t), -(WAVE**2) * np.sin(WAVE * t)


def speed_of(t):
    """Speed of a car that brakes and pulls [m/s], and its change."""
    return 25.0 + 8.0 * np.sin(0.5 * t), 4.0 * np.cos(0.5 * t)


def drive(rate=50.0, seconds=40.0):
    """Fixes along the drive, by the trapezoidal rule: at 50 Hz good to a hundredth of a millimetre a step."""
    t = np.arange(0.0, seconds, 1.0 / rate)
    v, course = speed_of(t)[0], course_of(t)[0]
    x, y = (
        np.concatenate([[0.0], np.cumsum(0.5 * (z[1:] + z[:-1]) / rate)])
        for z in (v * np.cos(course), v * np.sin(course))
    )
    return Fixes(t, x, y, None, rate, 0, (), t)


def misses(name, value, slip):
    """What the rows of a channel make of the true path, less what it reads; away from the ends of the path."""
    fixes = drive()
    t = np.arange(10.0, 30.0, 0.04)
    fusion = PathFusion(fixes, {name: Observation(t, value(t), 25.0, slip)}, None, 0.0, fixes.t[-1], 0)
    weights, index = fusion.grid.weights(fixes.t, 0)[1], fusion.grid.weights(fixes.t, 0)[0]
    design = np.zeros((fixes.t.size, fusion.grid.size))
    for k in range(weights.shape[1]):
        design[np.arange(fixes.t.size), index + k] = weights[:, k]
    path = np.linalg.lstsq(design, np.column_stack([fixes.x, fixes.y]), rcond=None)[0]
    rows = fusion._rows(path)
    system = fusion._system(rows, 1.0)
    coefficients = np.zeros((fusion.grid.size, system.per_knot))
    coefficients[:, :2] = path
    (row,) = rows[name]
    return system.simulate(row, coefficients) - row.value


@pytest.mark.parametrize("slip", [0.0, 0.006])
def test_a_yaw_rate_leads_the_course_rate_while_the_nose_turns_in(slip):
    # r = course rate + slip d(a_lat)/dt with a_lat = v course rate.
    def read(t):
        (v, a_lon), (_, rate, change) = speed_of(t), course_of(t)
        return rate + slip * (a_lon * rate + v * change)

    # Where a course rate is asked for the reading stands in, which differs by slip d(a_lat)/dt: of 12 m/s² across, that
    # is slip² v a_lon d(a_lat)/dt, 0.006² · 33 · 4 · 7 = 0.03 m/s². Left out, the term is 0.3 m/s².
    assert misses("yaw_rate", read, slip) == pytest.approx(0.0, abs=0.04)


@pytest.mark.parametrize("slip", [0.0, 0.004])
def test_wheels_turn_faster_than_the_car_under_power_and_slower_on_the_brakes(slip):
    def read(t):
        v, a_lon = speed_of(t)
        return v * (1.0 + slip * a_lon)

    assert misses("wheel_speed", read, slip) == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(("name", "of"), [
    ("speed", lambda t: speed_of(t)[0]),
    ("course", lambda t: course_of(t)[0]),
    ("a_lon", lambda t: speed_of(t)[1]),
    ("a_lat", lambda t: speed_of(t)[0] * course_of(t)[1]),
])  # fmt: skip
def test_every_channel_reads_what_its_name_says(name, of):
    assert misses(name, of, 0.0) == pytest.approx(0.0, abs=0.01)


def test_what_shakes_a_sensor_beyond_the_motion_is_no_error_within_it():
    # The engine shakes the accelerometer by 2 m/s² at 10 Hz, 1.4 rms; over five values of 25 a second that is nought.
    fixes = drive(10.0, 60.0)
    t = np.arange(0.02, 59.9, 0.04)
    rng = np.random.default_rng(1)
    shaken = speed_of(t)[0] * course_of(t)[1] + 2.0 * np.sin(2.0 * np.pi * 10.0 * t) + 0.1 * rng.standard_normal(t.size)
    near = [z + 0.02 * rng.standard_normal(z.size) for z in (fixes.x, fixes.y)]
    noisy = Fixes(fixes.t, *near, None, 10.0, 0, (), fixes.t)
    fused = fuse(noisy, {"a_lat": Observation(t, shaken, 25.0)}, None, 0.0, fixes.t[-1])
    # 0.1 m/s² is white and in the band; a fifth of what shakes it would be 0.28
    assert fused.noise["a_lat"] < 0.25


def test_a_wander_of_twice_the_steps_has_four_times_the_variance():
    fixes = drive(10.0, 60.0)
    fusion = PathFusion(fixes, {}, None, 0.0, fixes.t[-1], 0)
    steps = np.random.default_rng(4).standard_normal((fusion.grid.size, 2, 9))
    steps[..., 0] *= 2.0
    # 600 steps each way tell the median of their size to 4 %, and its square to 8 %
    assert fusion._wandered(np.cumsum(steps, axis=0), 0.1) == pytest.approx(4.0, rel=0.2)


def test_the_course_of_a_car_that_hardly_moves_is_not_believed():
    # A receiver's course is a dice at 2 m/s: believed, it would stop the car, for it moves in no such direction.
    t = np.arange(0.0, 40.0, 0.1)
    rng = np.random.default_rng(5)
    x, y = 2.0 * t + 0.02 * rng.standard_normal(t.size), 0.02 * rng.standard_normal(t.size)
    dice = Observation(t, rng.uniform(-3.0, 3.0, t.size), 10.0)
    fused = fuse(Fixes(t, x, y, None, 10.0, 0, (), t), {"course": dice}, None, 0.0, t[-1])
    inner = np.arange(5.0, 35.0, 0.5)
    velocity = fused.grid.evaluate(fused.path, inner, 1)
    # with the fixes alone: 0.02 m over a tenth of a second or so, 0.15 m/s
    assert velocity[:, 0] == pytest.approx(2.0, abs=0.6)
    assert np.mean(velocity[:, 0]) == pytest.approx(2.0, abs=0.02)


def test_fixes_a_few_metres_off_are_left_out_and_counted():
    # Twenty of 600 fixes of 0.02 m lie 3 m off: as many as a receiver sends back from a wall.
    fixes = drive(10.0, 60.0)
    rng = np.random.default_rng(9)
    x, y = (z + 0.02 * rng.standard_normal(z.size) for z in (fixes.x, fixes.y))
    wrong = np.sort(rng.choice(np.arange(20, 580), 20, replace=False))
    off = rng.uniform(0.0, 2.0 * np.pi, 20)
    x[wrong] += 3.0 * np.cos(off)
    y[wrong] += 3.0 * np.sin(off)
    fused = fuse(Fixes(fixes.t, x, y, None, 10.0, 0, (), fixes.t), {}, None, 0.0, fixes.t[-1])
    assert fused.outliers == 20
    assert fused.outlier_t == pytest.approx(fixes.t[wrong])
    inner = slice(10, -10)
    miss = np.hypot(
        *(fused.grid.evaluate(fused.path, fixes.t, 0)[inner] - np.column_stack([fixes.x, fixes.y])[inner]).T
    )
    assert miss.max() < 0.15  # a tenth of a second bridged at 0.02 m; the fixes themselves would draw it 1 m away


@pytest.mark.parametrize(("gap", "bridges"), [(4.0, True), (6.0, False)])
def test_accelerometers_bridge_five_seconds_and_no_more(gap, bridges):
    # An error of 0.15 m/s² is 2 m in five seconds and grows with their square.
    t = np.arange(0.0, 60.0, 0.1)
    keep = (t <= 20.0) | (t >= 20.0 + gap)
    fixes = Fixes(t[keep], t[keep], t[keep], None, 10.0, 0, (), t[keep])
    heard = {name: Observation(t, 0.0 * t, 10.0) for name in ("a_lon", "a_lat")}
    fused = SimpleNamespace(outlier_t=np.zeros(0))
    at = np.arange(0.0, 59.0, 0.02)
    inside = (at > 20.2) & (at < 19.8 + gap)
    valid = valid_of(at, fixes, fused, heard, 30.0 + 0.0 * at)
    assert valid[inside].all() == valid[inside].any() == bridges
    assert valid[(at < 19.9) | (at > 20.1 + gap)].all()
    assert not valid_of(at, fixes, fused, {}, 30.0 + 0.0 * at)[inside].any()  # nothing else tells of a gap
    assert valid_of(at, fixes, fused, {}, 0.0 * at).all()  # but where the car stands


def test_a_log_of_five_rows_a_second_tells_accelerations_as_well_as_its_own_noise_allows():
    # A lateral accelerometer with 0.05 g of white noise at 5 Hz leaves 0.05 g sqrt(2 * 1 Hz / 5 Hz) = 0.31 m/s² in a
    # band of 1 Hz, and speed and positions can only lower that. The same log at 100 rows a second errs by 0.05
    # (DEVELOPERS.md).
    track = invented_circuit("club")
    sensors = Sensors.good(rate_hz=100.0, accel_g=0.05, vibration_g=0.0).without("yaw_rate", "course")
    log = synthetic_session(track, club_car(), Driver(), sensors, laps=3, seed=12, losses=False).session
    slow = replace(log, t=log.t[::20], channels={name: values[::20] for name, values in log.channels.items()})
    fine, coarse = motion_of(log, bandwidth=1.0), motion_of(slow, bandwidth=1.0)
    assert coarse.bandwidth_hz == 1.0
    at = np.arange(log.t[0] + 20.0, log.t[-1] - 20.0, 0.1)
    error = coarse.at("a_lat", at) - fine.at("a_lat", at)
    assert np.sqrt(np.mean(error**2)) < np.hypot(0.05 * G * np.sqrt(2.0 / 5.0), 0.05)


def test_the_sideslip_that_was_taken_out_is_told_in_degrees_per_g():
    # The made car points into the turn by 0.04 rad per g, 2.29 degrees; 5 % of it is 0.1 degree, one digit more another
    # half of that.
    sensors = Sensors.good(sideslip_per_g=0.04)
    log = synthetic_session(
        invented_circuit("club"), club_car(), Driver(), sensors, laps=3, seed=5, losses=False
    ).session
    (told,) = (note for note in motion_of(log).notes if note.startswith("Yaw rate: "))
    degrees = float(re.search(r"sideslip (\S+) deg per g", told).group(1))
    assert degrees == pytest.approx(np.degrees(0.04), abs=0.15)
