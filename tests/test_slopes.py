"""Slopes of the road from the log: what accelerometers feel beyond the motion of the path."""

from dataclasses import replace

import numpy as np
import pytest

from simlap.analysis import judge, prepare
from simlap.circuits import invented_circuit
from simlap.line import Line
from simlap.merge import merge_tables
from simlap.options import Options
from simlap.reference import low_pass
from simlap.report.cautions import cautions
from simlap.report.data_cautions import data_cautions
from simlap.slopes import (
    FLOOR,
    GRADE_EXPECTED,
    LASTS,
    SIZES,
    Banking,
    Grade,
    _common,
    _rate,
    grade_contradicted,
    read_banking,
    read_grade,
    turned_round,
)
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session

STEP = 0.1  # [s]
G = 9.80665  # [m/s²] CGPM 1901


SENSOR = (0.1, 0.03, 0.01, 0.003)


def lap_of(bank: np.ndarray, *, laps: int = 6, seed: int = 3, noise: float = 0.15, sensor=SENSOR):
    """Readings beyond the path on a lap of 80 s: ten corners of 10 m/s², left and right in turn, 5 s each with 3 s of
    straight between, with `bank` [rad] at each step; speed is 25 m/s.

    `sensor` is the bias [m/s²] and the shares of a_lat, of a_lon and of their product that it reads beside gravity.
    """
    t = STEP * np.arange(800)
    lat = np.where(t % 8.0 < 5.0, 10.0 * (-1.0) ** (t // 8.0), 0.0)
    lon = 5.0 * np.sin(2.0 * np.pi * t / 11.0)
    a_lat, a_lon = np.tile(lat, (laps, 1)), np.tile(lon, (laps, 1))
    # a road that falls to the left (bank > 0) by b pulls the sensor to the left by g sin b less than the turn does
    rng = np.random.default_rng(seed)
    across = -G * np.sin(bank) + sensor[0] + sensor[1] * a_lat + sensor[2] * a_lon + sensor[3] * a_lat * a_lon
    across = across + noise * rng.standard_normal(across.shape)
    return across, a_lat, a_lon, np.full(across.shape, 25.0), np.full(across.shape, STEP)


def banked(*degrees: float) -> np.ndarray:
    """Banking of the ten corners of `lap_of` [rad]."""
    t = STEP * np.arange(800)
    return np.where(t % 8.0 < 5.0, np.radians(np.asarray(degrees)[(t // 8.0).astype(int)]), 0.0)


# half of the banked corners fall inwards, half outwards, by as much
TILTED = (0, 3, 0, -3, -2, 0, 2, 0, 0, 0)


def in_corners(bank: np.ndarray) -> np.ndarray:
    """Mean over the middle 3 s of each corner [deg]."""
    return np.degrees([bank[80 * k + 10 : 80 * k + 40].mean() for k in range(10)])


def test_at_the_neutral_speed_the_reading_is_the_banking():
    # Textbook: on a banked circle nothing is felt across at v² = g r tan b. Reading 0, so beyond the path it is -v²/r,
    # which the path must have turned into b: tan b = v² / (g r).
    bank = banked(0, 0, 0, 8, 0, 0, 0, 0, 0, 0)
    neutral = G * np.tan(np.radians(8.0))
    assert neutral * np.cos(np.radians(8.0)) - G * np.sin(np.radians(8.0)) == pytest.approx(0.0, abs=1e-12)
    across, a_lat, *others = lap_of(bank, noise=0.0, sensor=(0.0, 0.0, 0.0, 0.0))
    found = read_banking(across, a_lat, *others)
    # 0.1 degrees: what a smoothing over 2 s leaves of the corner's ends at 1 s from them
    assert in_corners(found.bank) == pytest.approx([0, 0, 0, 8, 0, 0, 0, 0, 0, 0], abs=0.1)
    # the corner driven at just that speed: the sensor reads nothing, so beyond the path it reads minus its turn.
    # Tangent for sine is 0.08 degrees at 8; ten corners lean a little on the share of a_lat
    here = bank > 0.0
    a_lat[:, here], across[:, here] = neutral, -neutral
    assert in_corners(read_banking(across, a_lat, *others).bank)[3] == pytest.approx(8.0, abs=0.3)


def test_moving_the_start_line_moves_the_banking_with_it():
    readings = lap_of(banked(*TILTED))
    here = read_banking(*readings)
    for stations in (1, 250, 320):  # behind the start of a corner, on a straight, at a corner's start
        moved = read_banking(*(np.roll(values, -stations, axis=1) for values in readings))
        assert moved.bank == pytest.approx(np.roll(here.bank, -stations), abs=1e-9)  # stations lie on the even grid


def test_banked_corners_stand_out_of_bias_roll_and_a_turned_mount():
    found = read_banking(*lap_of(banked(*TILTED)))
    # noise leaves 0.07 degrees, and the two corners banked by 3 degrees lean a little on each of the four sensor terms
    assert in_corners(found.bank) == pytest.approx(TILTED, abs=0.5)
    assert 0.1 < np.degrees(found.doubt) < 0.5


def test_a_sensor_ahead_of_the_centre_of_gravity_feels_the_yaw_acceleration():
    # Rigid body: a point x ahead feels x dr/dt more. A slalom of 10 m/s² in 8 s at 25 m/s: dr/dt up to 0.31 rad/s², 2 m
    # ahead 0.63 m/s², which would pass for 3.7 degrees of banking between the corners.
    t = STEP * np.arange(800)
    lat, acceleration = 10.0 * np.sin(2.0 * np.pi * t / 8.0), 0.4 * 2.0 * np.pi / 8.0 * np.cos(2.0 * np.pi * t / 8.0)
    ones = np.ones((5, 1))
    assert np.degrees(np.max(2.0 * acceleration) / G) == pytest.approx(3.7, abs=0.05)
    found = read_banking(
        2.0 * acceleration * ones, lat * ones, 0.0 * t * ones, 25.0 + 0.0 * t * ones, STEP + 0.0 * t * ones
    )
    assert np.degrees(np.abs(found.bank).max()) < 0.2


def test_a_sensor_ahead_of_the_centre_of_gravity_feels_the_yaw_of_slow_corners_more():
    # r = a_lat / v: the same slalom while the speed goes from 10 to 40 m/s and back every 20 s.
    t = STEP * np.arange(800)
    lat, v = 10.0 * np.sin(2.0 * np.pi * t / 8.0), 25.0 + 15.0 * np.sin(2.0 * np.pi * t / 20.0)
    rise, gain = 10.0 * 2.0 * np.pi / 8.0 * np.cos(2.0 * np.pi * t / 8.0), 1.5 * np.pi * np.cos(2.0 * np.pi * t / 20.0)
    acceleration = rise / v - lat * gain / v**2
    laps = (np.tile(row, (5, 1)) for row in (2.0 * acceleration, lat, gain, v, STEP + 0.0 * t))
    found = read_banking(*laps)
    # steps of 0.1 s follow a slalom of 8 s to 0.1 %, and 2 m ahead feel up to 1.6 m/s², 9 degrees, of it
    assert np.degrees(np.abs(found.bank).max()) < 0.2


def test_a_camber_that_all_corners_share_counts_as_grip():
    # Inwards everywhere: left corners fall to the left, right ones to the right. Nothing tells it from body roll.
    inwards = [2.0 if k % 2 == 0 else -2.0 for k in range(10)]
    found = read_banking(*lap_of(banked(*inwards)))
    assert np.abs(in_corners(found.bank)).max() < 0.3


def test_laps_of_an_outing_with_another_mount_tell_the_same_banking():
    one = lap_of(banked(*TILTED))
    other = lap_of(banked(*TILTED), seed=4, sensor=(-0.3, -0.02, 0.04, 0.0))
    found = read_banking(*(np.concatenate(pair) for pair in zip(one, other, strict=True)))
    assert in_corners(found.bank) == pytest.approx(TILTED, abs=0.5)
    assert np.degrees(found.doubt) < 0.3  # laps with another bias are not taken for scatter


def test_a_poor_reading_says_nothing():
    assert read_banking(*lap_of(banked(*[0] * 10), noise=4.0, laps=2)) is None
    assert read_banking(*lap_of(banked(*[0] * 10), laps=1)) is None
    across, *others = lap_of(banked(*[0] * 10), laps=2)
    across[1] = np.nan  # a lap of a session without the sensor
    assert read_banking(across, *others) is None


@pytest.fixture(scope="module")
def banked_session():
    """The club circuit, banked by up to 4 degrees, and a driver with deficits."""
    track = invented_circuit("club")
    driver = Driver.with_deficits(track.corners, seed=11)
    return track, synthetic_session(track, club_car(), driver, Sensors.fair(), laps=8, seed=11)


def apexes(track, line: Line, motion) -> np.ndarray:
    """Banking of `line` at the true apexes, found by position [rad]."""
    at = [int(np.argmin(np.abs(track.line.station - corner.apex_m))) for corner in track.corners]
    there = track.in_plane(motion.origin).line
    nearest = [int(np.argmin(np.hypot(line.x - there.x[i], line.y - there.y[i]))) for i in at]
    return np.asarray(line.bank)[nearest]


@pytest.mark.parametrize("with_file", [True, False])
def test_banking_that_no_file_states_is_read_from_the_log(banked_session, with_file):
    track, made = banked_session
    unstated = replace(track, line=replace(track.line, bank=np.zeros(track.line.x.size), bank_stated=False))
    ready = prepare(made.session, unstated if with_file else None)
    truth = np.array([np.interp(c.apex_m, track.line.station, track.line.bank) for c in track.corners])
    assert np.abs(np.degrees(truth)).max() > 3.0
    assert ready.line.bank_stated
    # the camber that all corners share (0.5 degrees inwards here) is not told and taken out of both
    inwards = np.array([1.0 if c.direction == "left" else -1.0 for c in track.corners])
    read = inwards * np.degrees(apexes(track, ready.line, ready.motion))
    truth = inwards * np.degrees(truth)
    # 0.5 degrees is 2 % of a lateral limit near 1 g, about what one corner's level is good to
    assert read - read.mean() == pytest.approx(truth - truth.mean(), abs=0.5)
    analysis = judge(ready, Options())
    stated = judge(prepare(made.session, track), Options())
    # 0.5 %, what the limit lap is asked to be good to; measured 0.29 and 0.27 %
    assert analysis.limit_lap.value == pytest.approx(stated.limit_lap.value, rel=0.005)
    assert "banking from the log" in [caution.key for caution in cautions(analysis)]


def test_stated_banking_is_believed_and_without_the_sensor_it_stays_unknown(banked_session):
    track, made = banked_session
    ready = prepare(made.session, track)
    assert ready.line.bank_doubt == 0.0
    assert ready.line.bank == pytest.approx(track.line.resample(2.0).bank, abs=1e-3)
    bare = replace(made.session, channels={k: v for k, v in made.session.channels.items() if k != "a_lat"})
    ready = prepare(bare)
    assert not ready.line.bank_stated
    told = {caution.key: caution.text for caution in cautions(judge(ready, Options()))}
    assert ("do not tell it clearly" in told["banking unknown"]) == (ready.table.across is not None)


def test_joined_tables_keep_what_the_sensors_read(banked_session):
    track, made = banked_session
    table = prepare(made.session, track).table
    joined = merge_tables([table, replace(table, across=None, along=None)])
    count = table.v.shape[0]
    for name in ("across", "along"):
        assert np.array_equal(getattr(joined, name)[:count], getattr(table, name)), name
        assert np.isnan(getattr(joined, name)[count:]).all(), name


def hill(noise: float, laps: int = 5, bias: float = 0.2):
    """A lap of 3 km over one hill of 12 m: height 6 (1 - cos(2 pi s / 3000)), slope in closed form."""
    s = 2.0 * np.arange(1500)
    slope = np.arctan(6.0 * 2.0 * np.pi / 3000.0 * np.sin(2.0 * np.pi * s / 3000.0))
    rng = np.random.default_rng(2)
    along = G * np.sin(slope) + bias + noise * rng.standard_normal((laps, s.size))
    return slope, along, np.full(along.shape, 2.0)


def test_a_banking_of_the_wrong_sign_in_the_track_file_is_told(banked_session):
    track, made = banked_session

    def told(bank):
        line = replace(track.line, bank=bank, bank_stated=True)
        ready = prepare(made.session, replace(track, line=line))
        return "banking turned round" in [caution.key for caution in data_cautions(ready)]

    assert told(-track.line.bank)
    assert not told(track.line.bank)
    assert not told(0.0 * track.line.bank)  # stated to be flat: nothing to turn round


def test_slopes_of_a_track_file_that_the_log_contradicts_are_told(banked_session):
    track, made = banked_session

    def told(line):
        ready = prepare(made.session, replace(track, line=line))
        return {caution.key for caution in data_cautions(ready) if "contradicted" in caution.key}

    line = track.line
    assert told(line) == set()
    assert told(replace(line, bank=np.zeros(line.bank.size), bank_stated=True)) == {"banking contradicted"}
    flat = Line.from_points(line.x, line.y, bank=line.bank)
    assert told(Line.from_points(line.x, line.y, 3.28084 * line.z, bank=line.bank)) == {"altitude contradicted"}
    assert told(flat) == {"altitude contradicted"}  # `has_elevation`: it is stated to be flat


@pytest.mark.parametrize("spoilt", [
    lambda z, v: 3.28084 * z,  # feet under a header of metres
    lambda z, v: z + 0.12 * v**2 / (2.0 * G),  # a barometer that feels 12 % of the dynamic pressure
    lambda z, v: 10.0 * np.round(0.1 * z),
    lambda z, v: 0.0 * z,
])  # fmt: skip
def test_heights_that_the_accelerometer_contradicts_give_way_to_it(banked_session, spoilt):
    _, made = banked_session
    session = made.session
    none = {name: values for name, values in session.channels.items() if name != "altitude"}
    height = spoilt(session.channel("altitude"), session.channel("speed"))
    without, wrong, right = (
        prepare(replace(session, channels=channels))
        for channels in (none, {**none, "altitude": height}, dict(session.channels))
    )
    # A line over wrong heights is a little longer: a slope of 2 % in 300 m changes by 0.0002 rad where it shifts by 3 m
    share = np.linspace(0.0, 1.0, 500, endpoint=False)
    there, other = (np.interp(share, one.line.station / one.line.length, one.line.grade) for one in (wrong, without))
    assert there == pytest.approx(other, abs=0.001)
    assert not wrong.line.kappa_v.any()
    told = {caution.key: caution.text for caution in data_cautions(wrong)}
    assert "read from the accelerometer" in told["altitude contradicted"]
    assert "altitude contradicted" not in {caution.key for caution in data_cautions(right)}
    assert right.line.kappa_v.any()


@pytest.mark.parametrize("share", [0.03, -0.03])
def test_right_heights_are_kept_where_hills_bend_the_calibration_of_the_accelerometer(share):
    # A road that climbs with v²/2g: gravity along it is `share` times the acceleration, which no comparison with the
    # path tells from a scale of the sensor. The reading then misses that hill, and the heights are right.
    track = invented_circuit("club")
    driver, sensors, line = Driver.with_deficits(track.corners, seed=11), Sensors.fair(ahead_m=1.2), track.line

    def drive(on):
        return synthetic_session(on, club_car(), driver, sensors, laps=5, seed=11, losses=False)

    limit = drive(track).truth
    smooth = low_pass(limit.limit_v**2, float(limit.limit_station_m[1]), 60.0)
    climb = share * np.interp(line.station, limit.limit_station_m, smooth, period=line.length) / (2.0 * G)
    hilly = replace(track, line=Line.from_points(line.x, line.y, line.z + climb, bank=line.bank))
    session = drive(hilly).session
    right = prepare(session)
    assert "altitude contradicted" not in {caution.key for caution in data_cautions(right)}
    assert right.line.kappa_v.any()
    true = hilly.in_plane(right.motion.origin).line

    def error(line):
        nearest = np.argmin(np.hypot(line.x[:, None] - true.x, line.y[:, None] - true.y), axis=1)
        return float(np.std(line.grade - np.asarray(true.grade)[nearest]))

    # what the accelerometer alone, which keeps the scale of the hill, would have cost: 3 % of up to 1 g
    assert error(right.line) < 0.4 * error(prepare(session_without(session, "altitude")).line)


def session_without(session, *gone):
    """The session without some of its channels."""
    return replace(session, channels={name: row for name, row in session.channels.items() if name not in gone})


def sampled_lap():
    """A reading of `hill` and the motion of three laps over it: braking to and pulling out of turns of 10 m/s²."""
    slope, _, ds = hill(noise=0.0)
    s = 2.0 * np.arange(slope.size)
    speed = 40.0 + 25.0 * np.cos(2.0 * np.pi * s / 500.0)
    a_lon = speed * np.gradient(speed, 2.0)
    a_lat = 10.0 * np.exp(-(((s % 500.0 - 250.0) / 60.0) ** 2)) * (-1.0) ** (s // 500.0)
    return slope, ds[0], *(np.tile(values, (3, 1)) for values in (a_lat, a_lon, speed))


# What a calibration has wrong, as shares of a_lon, a_lat², a_lat and the squared yaw rate; and how heights go wrong.
@pytest.mark.parametrize(("untold", "wind", "unit", "told"), [
    ((0.0, 0.0, 0.0, 0.0), 0.0, 1.0, False),
    ((0.03, 0.0, 0.0, 0.0), 0.0, 1.0, False),
    ((-0.03, 0.003, 0.03, 0.7), 0.0, 1.0, False),
    ((0.0, 0.0, 0.0, -4.0), 0.0, 1.0, True),  # no sensor is 4 m off its place
    ((0.0, 0.0, 0.0, 0.0), 0.12, 1.0, True),  # a barometer that feels 12 % of the dynamic pressure
    ((0.0, 0.0, 0.0, 0.0), 0.06, 1.0, True),
    ((0.03, 0.003, 0.03, 0.7), 0.12, 1.0, True),
    ((0.0, 0.0, 0.0, 0.0), 0.0, 3.28084, True),  # feet under a header of metres
    ((0.03, 0.003, 0.03, 0.7), 0.0, 3.28084, True),
])  # fmt: skip
def test_heights_are_contradicted_beyond_what_the_calibration_cannot_tell(untold, wind, unit, told):
    slope, ds, a_lat, a_lon, v = sampled_lap()
    wrong = np.array(untold) @ np.stack([a_lon[0], a_lat[0] ** 2, a_lat[0], (a_lat[0] / v[0]) ** 2]) / G
    felt = low_pass(slope - wrong, 2.0, 120.0)
    read = Grade(felt - felt.mean(), 0.001)
    stated = unit * slope + wind * a_lon[0] / G  # v²/2g of height, its slope a_lon/g
    assert grade_contradicted(stated, read, ds, a_lat, a_lon, v) == told
    assert not grade_contradicted(stated, None, ds, a_lat, a_lon, v)


def test_slopes_that_nothing_tells_are_told_to_be_unknown(banked_session):
    track, made = banked_session

    def told(track, *gone):
        channels = {name: values for name, values in made.session.channels.items() if name not in gone}
        ready = prepare(replace(made.session, channels=channels), track)
        return "slopes unknown" in [caution.key for caution in data_cautions(ready)]

    assert told(None, "altitude", "a_lon")
    assert not told(None, "altitude")
    assert not told(None, "a_lon")
    assert not told(track, "altitude", "a_lon")  # its file states heights


def test_grade_is_gravity_along_the_road():
    # 9.81 m/s² on a slope of 1.26 % is 0.123 m/s²; the bias of the sensor is what is left after a closed lap
    slope, along, ds = hill(noise=0.0)
    assert np.max(G * np.sin(slope)) == pytest.approx(0.1232, abs=1e-4)
    assert read_grade(along, ds).grade == pytest.approx(slope, abs=1e-4)
    # 0.3 m/s² over 5 laps and 60 stations: 0.0018 rad, of which the expected size of grades takes 5 %
    slope, along, ds = hill(noise=0.3)
    assert np.sqrt(np.mean((read_grade(along, ds).grade - slope) ** 2)) < 0.003


def test_a_poor_reading_of_the_grade_says_nothing():
    _, along, ds = hill(noise=5.0, laps=2)
    assert read_grade(along, ds) is None
    assert read_grade(along[:1], ds[:1]) is None
    along[1] = np.nan
    assert read_grade(along, ds) is None


@pytest.mark.parametrize("positions", [True, False])
def test_without_altitude_and_without_positions_the_slopes_are_read_too(banked_session, positions):
    track, made = banked_session
    gone = ("altitude",) if positions else ("altitude", "latitude", "longitude", "course")
    session = replace(made.session, channels={k: v for k, v in made.session.channels.items() if k not in gone})
    ready = prepare(session)
    line = ready.line
    assert line.bank_stated
    truth = track.line
    # without positions nothing places the two lines on each other but their curvature
    spacing = truth.length / line.station.size
    bend = np.interp(spacing * np.arange(line.station.size), truth.station, truth.kappa, period=truth.length)
    shift = int(np.argmax(np.fft.irfft(np.fft.rfft(line.kappa) * np.conj(np.fft.rfft(bend)), line.station.size)))
    for name in ("grade", "bank"):
        read = np.roll(getattr(line, name), -shift)
        true = np.interp(spacing * np.arange(read.size), truth.station, getattr(truth, name), period=truth.length)
        # the circuit's slopes are 0.9 degrees rms along and 0.7 across; 0.3 leaves a third of them
        assert np.degrees(np.sqrt(np.mean((read - true) ** 2))) < 0.3, name
        assert np.corrcoef(read, true)[0, 1] > 0.85, name
    analysis = judge(ready, Options())
    stated = judge(prepare(made.session, track), Options())
    assert analysis.limit_lap.value == pytest.approx(stated.limit_lap.value, rel=0.005)  # bar "limit lap"
    told = [sum("slope along the road was read" in note for note in one.notes) for one in (analysis, stated)]
    assert told == [1, 0]


@pytest.mark.parametrize("doubt", [0.002, 0.006])
def test_a_grade_is_believed_as_far_as_its_laps_agree(doubt):
    # Four laps over hills of 0.01 rad err by a wave of 750 m each, a quarter of it apart: the waves cancel in the mean
    # and scatter by sqrt(2 / 3) of their height. Of a reading with error e the best linear estimate keeps
    # E² / (E² + e²), E what is expected of grades.
    station = np.arange(0.0, 3000.0, 2.0)
    true = 0.01 * np.sin(2.0 * np.pi * station / 1500.0)
    height = doubt * 2.0 * G / np.sqrt(2.0 / 3.0)  # the mean of four laps errs by half of what one does
    errors = [height * np.sin(2.0 * np.pi * (station / 750.0 + quarter / 4.0)) for quarter in range(4)]
    read = read_grade(G * np.sin(true) + np.array(errors), np.full((4, station.size), 2.0))
    assert read.doubt == pytest.approx(doubt, rel=0.01)  # what 120 m of smoothing leave of a wave of 750 m
    kept = GRADE_EXPECTED**2 / (GRADE_EXPECTED**2 + doubt**2)
    assert read.grade == pytest.approx(kept * true, abs=0.01 * 0.01)


def test_the_rate_of_a_closed_lap_goes_on_over_the_start_line():
    # A wave of one lap of 80 s at steps that grow from 0.05 to 0.15 s: its slope in closed form, at the ends as well.
    duration = np.linspace(0.05, 0.15, 800)
    t, lap = np.cumsum(duration) - duration, duration.sum()
    found = _rate(np.sin(2.0 * np.pi * t / lap + 1.0), duration)
    # second differences err by w³ step² / 6 at the most: 2e-6 of a slope of 0.08
    assert found == pytest.approx(2.0 * np.pi / lap * np.cos(2.0 * np.pi * t / lap + 1.0), abs=1e-5)


@pytest.mark.parametrize("laps", [2, 5])
def test_what_all_laps_share_is_as_far_from_the_truth_as_is_said(laps):
    # A banking drawn from the process that is expected (smoothness 3/2, correlated over `LASTS`), laps with white noise
    # of its own size: over 80 draws the squared errors are those that were said. Were the noise divided by the laps
    # instead of one less, two laps would claim half of it.
    step, count, size = 0.1, 800, 0.02
    rng = np.random.default_rng(11)
    wave = 2.0 * np.pi * np.fft.rfftfreq(count, step)
    shape = 1.0 / (3.0 / LASTS**2 + wave**2) ** 2  # Matern 3/2: density over (3 / l² + w²)²
    said, missed = [], []
    for _ in range(80):
        drawn = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * np.sqrt(shape), count)
        true = size * drawn / drawn.std()
        found, deviation = _common(true + size * rng.standard_normal((laps, count)), step)
        said.append(deviation**2)
        missed.append(np.mean((found - true) ** 2))
    # 80 laps of some twenty independent corners each tell a variance to 4 %; the size is guessed anew on each lap
    assert np.mean(missed) == pytest.approx(np.mean(said), rel=0.2)


def test_what_is_not_known_of_the_size_of_a_banking_is_part_of_its_doubt():
    # Law of total variance: the spread of a mixture is the mean of the spreads within and the spread between. A size
    # drawn from those tried, each as likely, on a short lap of twenty readings that hardly tell it: the spread between
    # the sizes is an eighth of all.
    step, count, laps = 0.5, 16, 20
    rng = np.random.default_rng(1)
    wave = 2.0 * np.pi * np.fft.rfftfreq(count, step)
    power = 1.0 / (3.0 / LASTS**2 + wave**2) ** 2  # Matern 3/2, as above
    power *= count / (2.0 * power.sum() - power[0] - power[-1])  # of variance 1: all waves but the ends stand twice
    said, missed = [], []
    for _ in range(3000):
        true = rng.choice(SIZES) * np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * np.sqrt(power), count)
        found, deviation = _common(true + 0.1 * rng.standard_normal((laps, count)), step)
        said.append(deviation**2)
        missed.append(np.mean((found - true) ** 2))
    assert np.mean(missed) == pytest.approx(np.mean(said), rel=0.06)  # four standard errors of 3000 draws


def test_laps_that_are_all_alike_tell_the_banking_no_better_than_their_common_error():
    read = read_banking(*lap_of(banked(*TILTED), noise=0.0))
    assert FLOOR <= read.doubt < 1.1 * FLOOR


@pytest.mark.parametrize(("factor", "turned"), [(-1.0, True), (1.0, False), (0.0, False)])
def test_a_banking_is_turned_round_where_it_falls_the_other_way_in_every_corner(factor, turned):
    true = banked(*TILTED)
    assert turned_round(factor * true, Banking(true, 0.001)) == turned
    assert not turned_round(factor * true, None)


def test_a_banking_that_has_nothing_to_do_with_the_stated_one_is_not_turned_round():
    # Corners at random against corners at random: of ten, the correlation is 0.33 at most times, either sign.
    one, other = banked(0, 3, 0, -3, -2, 0, 2, 0, 0, 0), banked(3, 0, -3, 0, 0, -2, 0, 2, 0, 0)
    assert abs(np.corrcoef(one, other)[0, 1]) < 0.05
    assert not turned_round(one, Banking(other, 0.001))


@pytest.mark.parametrize(
    ("rms", "doubt", "told"), [(0.014, 0.001, True), (0.014, 0.006, False), (0.004, 0.0002, False)]
)
def test_a_grade_is_contradicted_by_a_reading_that_is_far_off_and_sure(rms, doubt, told):
    # Level and even driving, so that the calibration hides nothing; a wave of 1500 m passes the smoothing over 120 m.
    # Beyond 0.007 rad and four standard errors: 0.014 is two of 0.006, 0.004 is twenty of 0.0002.
    station = np.arange(0.0, 3000.0, 2.0)
    wave = rms * np.sqrt(2.0) * np.sin(2.0 * np.pi * station / 1500.0)
    still = np.zeros((2, station.size))
    read = Grade(np.zeros(station.size), doubt)
    assert grade_contradicted(wave, read, np.full(station.size, 2.0), still, still, still + 30.0) == told
