"""A driver who is at the limit everywhere and changes pedals in no time drives the limit lap: envelope and curvature
have to match for the limit lap to come out as the lap driven. From raw log to limit lap, at several rates."""

import pytest

from simlap.analysis import analyse
from simlap.circuits import invented_circuit
from simlap.located import LOG_SPEED, POSITIONS_ALONE, POSITIONS_AND_SPEED
from simlap.motion import motion_of
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session

INERTIAL = ("a_lon", "a_lat", "yaw_rate")
ALL_BUT_POSITIONS = (*INERTIAL, "speed", "course")


def at_limit(circuit, rate, wander, missing):
    """The analysis of a driver who is at the limit everywhere, and the lap that the envelope allows [s]."""
    track = invented_circuit(circuit)
    driver = Driver.at_limit(build_s=0.0, release_s=0.0, pickup_s=0.0, shift_s=0.0)
    rows = 90.0 if rate == 18.0 else 100.0  # fixes come with every so many rows
    sensors = Sensors.good(rate_hz=rows, fix_hz=rate, position_m=wander).without(*missing)
    made = synthetic_session(track, club_car(), driver, sensors, laps=8, seed=5, losses=False)
    return analyse(made.session, track, draws=20), made.truth.limit_lap_s


@pytest.mark.parametrize(
    ("circuit", "rate", "wander", "missing"),
    [
        ("kart", 5.0, 0.3, INERTIAL),
        ("club", 10.0, 1.5, INERTIAL),
        ("kart", 20.0, 1.5, ()),
        ("club", 25.0, 0.3, ()),
        ("kart", 5.0, 1.5, INERTIAL),
        ("club", 18.0, 0.3, INERTIAL),
        ("kart", 18.0, 1.5, INERTIAL),
        ("club", 18.0, 1.5, ()),
        ("club", 25.0, 1.5, INERTIAL),
        ("club", 5.0, 0.3, ALL_BUT_POSITIONS),
        ("club", 18.0, 0.3, ALL_BUT_POSITIONS),
    ],
)
def test_limit_lap_of_a_driver_at_the_limit_is_the_lap_driven(circuit, rate, wander, missing):
    found, limit_lap_s = at_limit(circuit, rate, wander, missing)
    # bar "limit lap"; the lap is told by the clock, to 1 ms
    assert found.limit_lap.value == pytest.approx(found.typical_lap_s, rel=0.005)
    assert found.typical_lap_s == pytest.approx(limit_lap_s, rel=0.002)


@pytest.mark.parametrize(("circuit", "rate"), [("club", 10.0), ("kart", 5.0)])
def test_positions_alone_that_wander_miss_the_bar_by_what_their_note_says(circuit, rate):
    # Out of reach: positions that wander by 1.5 m within 30 s hold white noise of 2 (1.5 m)² / 30 s = 0.15 m²/s in
    # their velocity at any rate, so that the accelerations are good to 0.5 Hz only (DEVELOPERS.md, Motion). That is
    # less than a corner, and the limit comes out too high.
    found, _ = at_limit(circuit, rate, 1.5, ALL_BUT_POSITIONS)
    assert -0.02 < found.limit_lap.value / found.typical_lap_s - 1.0 < 0.005
    assert POSITIONS_ALONE + LOG_SPEED in found.motion.notes
    assert "may be 2 % too fast where positions wander by more than a metre" in POSITIONS_ALONE
    assert found.motion.quality.verdict != "good"


@pytest.mark.parametrize(("circuit", "rate", "wander"), [("club", 10.0, 0.3), ("kart", 5.0, 0.3), ("club", 5.0, 1.5)])
def test_positions_and_speed_miss_the_bar_by_what_their_note_says(circuit, rate, wander):
    # Without course and inertial sensors nothing but positions tells of the curvature, to 0.4 to 1 Hz.
    found, _ = at_limit(circuit, rate, wander, (*INERTIAL, "course"))
    assert found.limit_lap.value == pytest.approx(found.typical_lap_s, rel=0.01)
    assert POSITIONS_AND_SPEED in found.motion.notes
    assert "the limit lap is good to about 1 %" in POSITIONS_AND_SPEED


def test_nothing_is_said_of_positions_where_another_channel_tells_of_the_corners():
    # A course that errs by 0.5 m/s across, 5 times a second, tells of them to less than 1 Hz as well.
    sensors = Sensors.good(fix_hz=5.0, course_ms=0.5, position_m=1.5).without(*INERTIAL)
    log = synthetic_session(
        invented_circuit("club"), club_car(), Driver(), sensors, laps=3, seed=5, losses=False
    ).session
    motion = motion_of(log)
    assert motion.bandwidth_hz < 1.0
    assert POSITIONS_AND_SPEED not in motion.notes
