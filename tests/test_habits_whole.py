"""Findings from whole logs: a driver near the limit with one habit a corner, through sensors, motion and limit.

Which habit lies where is written into the session; what else may be told follows from the physics of the same habit.
"""

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from habit_sessions import Place, on, session

from simlap.advice import advise
from simlap.analysis import analyse, prepare
from simlap.circuits import invented_circuit
from simlap.demo import csv_text
from simlap.files import write_text
from simlap.readers import read_session
from simlap.synthetic import club_car
from simlap.synthetic_kernels import COAST, HOLD
from simlap.synthetic_sensors import PRESSURE_PER_DECELERATION, Sensors

DRAWS = 20  # intervals play no part in the findings, and the fewest draws are the fastest
CLUB = invented_circuit("club")
LAPS = 6
# The engine of this car is so weak that full throttle leaves grip to turn with: 110 W/kg.
WEAK = club_car(power=110.0)


def braking_end(p):
    return p.metres(p.zone.braking_stop)


def closes_early(metres):
    """Off the throttle so far before the brake point, and rolling."""
    return lambda p: p.set("foot", p.onset - metres, p.onset + 4.0, COAST)


def part_open(metres, roll):
    """A quarter of the drive for so far, then off the throttle, then the brake."""

    def habit(p: Place):
        p.set("drive_share", p.onset - roll - metres, p.onset - roll, 0.25)
        p.set("foot", p.onset - roll, p.onset + 4.0, COAST)

    return habit


def brakes_early(metres):
    """The limit's braking so far ahead of its place, and the speed held up to the corner."""

    def habit(p: Place):
        p.cap_as(p.onset - metres, p.slowest - metres, metres)
        p.set("foot", p.slowest - metres - 1.0, p.slowest, HOLD)

    return habit


def brakes_with(share):
    return lambda p: p.set("brake_share", p.onset - 60.0, p.slowest + 5.0, share)


def peak_late(share, part):
    """Soft brakes for the first part of the way, all of them for the rest."""
    return lambda p: p.set("brake_share", p.onset - 40.0, p.onset + part * (braking_end(p) - p.onset), share)


def eases(share):
    """The brake eased for 12 m in the middle."""

    def habit(p: Place):
        middle = 0.5 * (p.onset + braking_end(p))
        p.set("brake_share", middle - 6.0, middle + 6.0, share)

    return habit


def holds_brake(metres, speed):
    """On the brake beyond the slowest point, down to a share of the limit's speed there."""

    def habit(p: Place):
        p.set("cap", p.slowest + metres, p.slowest + metres + 3.0, speed * p.limit(p.slowest))
        p.set("brake_share", p.slowest - 15.0, p.slowest + metres, 0.5)

    return habit


def brakes_anywhere(step):
    return lambda p: brakes_early(step * (p.lap % 5))(p) if p.lap % 5 else None


def slow_through(share):
    return lambda p: p.set("mid_share", braking_end(p), p.mid_stop, share)


def slow_entry(metres, share):
    """Down to a share of the speed so far before the middle of the corner, then all the drive there is."""

    def habit(p: Place):
        at = 0.5 * (braking_end(p) + p.mid_stop) - metres
        p.set("cap", at - 3.0, at, share * p.limit(at + metres))

    return habit


def rolls_out(metres):
    return lambda p: p.set("foot", p.slowest, p.mid_stop + metres, COAST)


def opens_twice(share):
    return lambda p: (
        p.set("foot", p.mid_stop + 25.0, p.mid_stop + 40.0, COAST)
        if share == 0.0
        else p.set("drive_share", p.mid_stop + 25.0, p.mid_stop + 40.0, share)
    )


def drives_with(share):
    return lambda p: p.set("drive_share", p.mid_stop, p.mid_stop + 220.0, share)


def opens_late(metres):
    return lambda p: p.set("foot", p.mid_stop, p.mid_stop + metres, HOLD)


def lifts(metres):
    """Off the throttle in a corner taken flat, where the road turns."""
    return lambda p: p.set("foot", p.metres(p.zone.start) + 120.0, p.metres(p.zone.start) + 120.0 + metres, COAST)


def dabs(share):
    """Braked down to a share of the speed in a corner taken flat."""

    def habit(p: Place):
        at = p.metres(p.zone.start) + 120.0
        p.set("cap", at, at + 2.0, share * p.limit(at))

    return habit


def runs_wide(metres):
    """Turns in late and has to turn the more: the path lies to the outside behind the slowest point."""
    return lambda p: p.bump(p.slowest + 16.0, metres, 11.0)


def behind_another(share):
    """Held to the speed of the corner on the way out of it, and down to a share of the limit's 45 m behind it."""

    def habit(p: Place):
        p.set("cap", p.mid_stop - 10.0, p.mid_stop + 20.0, p.limit(p.mid_stop - 10.0))
        p.set("cap", p.mid_stop + 45.0, p.mid_stop + 48.0, share * p.limit(p.mid_stop + 45.0))

    return habit


def opens_very_late(p: Place):
    """Runs wide behind the slowest point and waits with the throttle."""
    p.bump(p.slowest + 25.0, 2.5, 30.0)
    p.set("foot", p.slowest, p.mid_stop + 50.0, HOLD)


def cools_down(p: Place):
    """A share slower through the whole corner and on the straight behind it."""
    p.set("mid_share", braking_end(p), p.mid_stop, 0.96)
    p.set("drive_share", p.mid_stop, p.mid_stop + 400.0, 0.75)


def half_drive(p: Place):
    """Half of the drive on the straight: what a brake that drags leaves of it; see `dragging`."""
    p.set("drive_share", p.mid_stop + 60.0, p.mid_stop + 160.0, 0.5)


def dragging(log, course, rows):
    """The log of a car whose brake drags behind corner 7: throttle open, and the pressure that eats half the drive."""
    (zone,) = [zone for zone in course.zones if zone.name == "7"]
    n, h = course.base.x.size, course.base.spacing
    first = (zone.mid_stop + round(65.0 / h)) % n
    place = (first + np.arange(round(90.0 / h))) % n
    x, y = course.base.x[place[::8]], course.base.y[place[::8]]
    near = np.hypot(rows.x[:, None] - x, rows.y[:, None] - y).min(axis=1)
    here = near < 6.0  # [m]
    lost = np.maximum(course.car.envelope.engine_limit(rows.v, rows.a_lat) - rows.a_lon, 0.0)
    pressure = log.channel("brake_pressure") + np.where(here, PRESSURE_PER_DECELERATION * lost, 0.0)
    throttle = np.where(here, 1.0, log.channel("throttle"))
    return replace(log, channels={**log.channels, "throttle": throttle, "brake_pressure": pressure})


SESSIONS = {
    "lifts": {
        "1": closes_early(30.0),
        "4": brakes_early(25.0),
        "7": drives_with(0.75),
        "8": lifts(50.0),
    },
    "brakes": {
        "1": part_open(60.0, 15.0),
        "3": opens_late(30.0),
        "4": brakes_with(0.6),
        "7": slow_through(0.93),
        "8": dabs(0.92),
        "9": peak_late(0.6, 0.65),
    },
    "corners": {
        "1": eases(0.4),
        "3": rolls_out(15.0),
        "4": holds_brake(16.0, 0.9),
        "7": opens_twice(0.0),
        "8": on((1, 4), lifts(60.0)),
        "9": brakes_anywhere(9.0),
    },
    "weak car": {
        "1": brakes_with(0.8),
        "3": slow_entry(25.0, 0.75),
        "4": on((0, 2, 4), runs_wide(3.5)),
        "7": half_drive,
    },
    # Shorter than what sets a whole lap aside.
    "held up": {"3": on((4,), behind_another(0.86))},
    "once": {"4": on((3,), opens_very_late)},
    # Lap 4 cools down, and still counts.
    "slow lap": {zone: on((3,), cools_down) for zone in ("1", "2", "3", "4", "5", "6", "7", "8", "9", "10")},
    "nearly": {
        "1": closes_early(8.0),
        "3": opens_late(4.0),
        "4": brakes_with(0.94),
        "7": drives_with(0.97),
        "9": peak_late(0.85, 0.2),
        "10": on((4,), brakes_early(4.0)),
    },
    "nearly too": {
        "1": eases(0.85),
        "5": slow_through(0.99),
        "4": holds_brake(3.0, 0.99),
        "7": opens_twice(0.8),
        "8": dabs(0.995),
        "9": brakes_anywhere(2.0),
    },
}
TOLD = [
    ("lifts", "1", "early lift"),
    ("held up", "3", "held up"),
    ("once", "4", "single loss"),
    ("lifts", "4", "early braking"),
    ("lifts", "7", "part throttle on the exit"),
    ("lifts", "8", "lift where none is needed"),
    ("brakes", "1", "part throttle, then lift"),
    ("brakes", "3", "late throttle"),
    ("brakes", "4", "long light braking"),
    ("brakes", "7", "low minimum speed"),
    ("brakes", "8", "brake where none is needed"),
    ("brakes", "9", "late brake peak"),
    ("corners", "1", "brake eased and re-applied"),
    ("corners", "3", "coasting"),
    ("corners", "4", "brake held past the release"),
    ("corners", "7", "throttle opened twice"),
    ("corners", "8", "lift where none is needed"),
    ("corners", "9", "brake point spread"),
    ("weak car", "1", "low brake peak"),
    ("weak car", "3", "full throttle before the apex"),
    ("weak car", "4", "fast in, slow out"),
    ("weak car", "7", "both pedals at once"),
]
# The same driving seen by another rule: a corner entered slowly is slow; who brakes softly or early, or with the peak
# late, is on the brake early; a throttle that rolls out of a corner opens late; brake points all over are early on some
# laps; and a throttle opened to three quarters is not fully open.
FOLLOWS = {
    ("lifts", "4", "low minimum speed"),
    ("lifts", "7", "late throttle"),
    ("brakes", "4", "low brake peak"),
    ("corners", "3", "late throttle"),
    ("corners", "3", "low minimum speed"),
    ("corners", "4", "low minimum speed"),
    ("corners", "9", "early braking"),
    ("corners", "9", "coasting"),
    ("corners", "9", "low minimum speed"),
    ("weak car", "3", "low minimum speed"),
    ("weak car", "3", "early braking"),
    ("weak car", "1", "early and light braking"),
}


@cache
def findings(name):
    """From the log as a file of text: what the command does but for its printing."""
    car, log = (WEAK, dragging) if name == "weak car" else (None, None)
    sensors = Sensors.good(rate_hz=50.0)
    made = session(CLUB, SESSIONS[name], seed=31, laps=LAPS, sensors=sensors, car=car, log=log)
    with TemporaryDirectory() as place:
        file = write_text(Path(place) / "log.csv", csv_text(made, style="plain"))
        return advise(analyse(read_session(file), CLUB, draws=DRAWS)).findings


@pytest.mark.parametrize(("name", "corner", "kind"), TOLD, ids=[f"{kind} in {corner}" for _, corner, kind in TOLD])
def test_a_habit_of_the_driver_is_told_from_the_log(name, corner, kind):
    assert kind in {each.kind for each in findings(name) if each.corner == corner}


@pytest.mark.parametrize("name", SESSIONS)
def test_nothing_is_told_that_is_not_in_the_driving(name):
    assert {(name, each.corner, each.kind) for each in findings(name)} <= {*TOLD, *FOLLOWS}


def test_a_lift_on_two_of_six_laps_is_told_with_these_laps():
    (lift,) = [each for each in findings("corners") if each.corner == "8"]
    assert lift.occasional
    assert lift.laps == (2, 5)


def test_a_loss_on_one_lap_is_told_with_its_lap_and_is_no_priority():
    (once,) = findings("once")
    assert (once.laps, once.occurrences, once.of_laps, once.worth_s) == ((4,), 1, LAPS, 0.0)
    assert once.sentence.startswith("Lap 4, corner 4: lost ")
    assert once.evidence["full_throttle_later_m"] > 30.0  # the throttle stays as it is up to 50 m into the exit
    assert once.evidence["exit_lost_s"] > 0.5 * once.evidence["lost_s"]


def test_a_slow_lap_that_counts_lost_nothing_once():
    # that it counts, and is slow enough: 2 s and more beyond the others
    made = session(CLUB, SESSIONS["slow lap"], seed=31, laps=LAPS, sensors=Sensors.good(rate_hz=50.0))
    found = prepare(made, CLUB)
    times = found.table.lap_times
    assert found.table.counted.all()
    assert times[3] - np.median(times) > 2.0
    assert findings("slow lap") == ()
