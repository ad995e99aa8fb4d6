"""Accelerometers whose range ends below what the car does, or which the logger smooths."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from simlap.analysis import judge, prepare
from simlap.circuits import invented_circuit
from simlap.clipping import without_clipped
from simlap.options import Options
from simlap.report.data_cautions import data_cautions
from simlap.session import Session
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session

G = 9.80665  # [m/s²] CGPM 1901


def with_channels(session: Session, **changed: np.ndarray) -> Session:
    return replace(session, channels={**session.channels, **changed})


@pytest.mark.parametrize("range_g", [1.0, 1.1])
def test_a_sensor_that_ends_below_the_grip_does_not_lower_it(club, range_g):
    # Truth: the generator's limit lap; bar "limit lap". Read as it stood, 1.0 g made the limit lap 1.3 % slow.
    ends = np.clip(club.session.channel("a_lat"), -range_g * G, range_g * G)
    ready = prepare(with_channels(club.session, a_lat=ends), club.track)
    told = {caution.key: caution.text for caution in data_cautions(ready)}
    assert f"The lateral acceleration stops at {range_g:.2f} g on " in told["accelerometer range"]
    limit = judge(ready, Options(draws=10)).limit_lap.value
    assert limit == pytest.approx(club.truth.limit_lap_s, rel=0.005)


def test_a_few_error_values_do_not_hide_where_the_range_ends(club):
    ends = np.clip(club.session.channel("a_lat"), -G, G)
    ends[[5000, 7000]] = 3.0 * G, -3.0 * G
    kept, (note,) = without_clipped(with_channels(club.session, a_lat=ends))
    assert note.startswith("The lateral acceleration stops at 1.00 g on ")
    assert np.nanmax(np.abs(kept.channel("a_lat"))) < G


def test_readings_within_the_range_stay(club):
    same, notes = without_clipped(club.session)
    assert same is club.session
    assert notes == ()
    coarse = with_channels(club.session, a_lat=0.05 * G * np.round(club.session.channel("a_lat") / (0.05 * G)))
    assert without_clipped(coarse)[1] == ()  # steps of 0.05 g: the largest is rare, not an end
    t = np.arange(0.0, 60.0, 0.04)
    circle = Session.from_arrays(t, speed=np.full(t.size, 20.0), a_lat=np.where(t < 5.0, t, 8.0))
    assert without_clipped(circle)[1] == ()  # on a circle one value is read all the time


def test_readings_beside_the_end_of_the_range_go_too():
    t = np.arange(0.0, 100.0, 0.04)
    a = 12.0 * np.sin(2.0 * np.pi * t / 20.0)  # above 9.8 m/s² for 20 s (pi - 2 asin(9.8 / 12)) / (2 pi) = 3.92 s
    session, (note,) = without_clipped(Session.from_arrays(t, speed=20.0 + 0.0 * t, a_lat=np.clip(a, -100.0, 9.8)))
    left = np.isnan(session.channel("a_lat"))
    one = left & (t < 10.0)
    assert 0.04 * one.sum() == pytest.approx(3.92 + 2 * 0.5, abs=0.1)
    assert not left[(t > 10.0) & (t < 20.0)].any()  # the other end is not reached
    assert "stops at 1.00 g" in note


def test_accelerations_that_the_logger_smooths_are_left_out():
    # A first-order low-pass of 0.3 s comes 0.3 s late at low frequencies (closed form) and takes the peaks off: read so
    # the receiver seemed 0.13 s ahead of time, and the limit lap came out 1 % fast.
    track = invented_circuit("club")
    driver = Driver.with_deficits(track.corners, seed=5)
    made = synthetic_session(track, club_car(), driver, Sensors.good(fix_lag_s=0.12), laps=6, seed=5, losses=False)
    keep = np.exp(-float(np.median(np.diff(made.session.t))) / 0.3)
    smoothed = {n: lfilter([1.0 - keep], [1.0, -keep], made.session.channel(n)) for n in ("a_lat", "a_lon")}
    ready = prepare(with_channels(made.session, **smoothed), track)
    assert len([note for note in ready.motion.channels_out if "behind the other sensors" in note]) == 2
    assert ready.motion.quality.lag_s == pytest.approx(0.12, abs=0.02)  # bar "lag"
    limit = judge(ready, Options(draws=10)).limit_lap.value
    assert limit == pytest.approx(made.truth.limit_lap_s, rel=0.005)
