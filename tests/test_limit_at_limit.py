"""A driver who is at the limit everywhere and changes pedals in no time drives the limit lap: envelope and curvature
have to match for the limit lap to come out as the lap driven. From raw log to limit lap, at several rates."""

import pytest

from simlap.analysis import analyse
from simlap.circuits import invented_circuit
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session

INERTIAL = ("a_lon", "a_lat", "yaw_rate")


@pytest.mark.parametrize(
    ("circuit", "rate", "wander", "missing"),
    [
        ("kart", 5.0, 0.3, INERTIAL),
        ("club", 10.0, 1.5, INERTIAL),
        ("kart", 20.0, 1.5, ()),
        ("club", 25.0, 0.3, ()),
        ("club", 5.0, 0.3, (*INERTIAL, "speed", "course")),  # positions alone
    ],
)
def test_limit_lap_of_a_driver_at_the_limit_is_the_lap_driven(circuit, rate, wander, missing):
    track = invented_circuit(circuit)
    driver = Driver.at_limit(build_s=0.0, release_s=0.0, pickup_s=0.0, shift_s=0.0)
    sensors = Sensors.good(fix_hz=rate, position_m=wander).without(*missing)
    made = synthetic_session(track, club_car(), driver, sensors, laps=8, seed=5, losses=False)
    found = analyse(made.session, track, draws=20)
    # bar "limit lap"; the lap is told by the clock, to 1 ms
    assert found.limit_lap.value == pytest.approx(found.typical_lap_s, rel=0.005)
    assert found.typical_lap_s == pytest.approx(made.truth.limit_lap_s, rel=0.002)
