"""Spikes, error values and dead sensors of the pedals are left out and told; what a foot can do stays.

Laps of 40 s at 25 rows a second, by hand: 30 s at full throttle, speeding up by 2 m/s², then 10 s under the brake,
slowing by 6 m/s². The pedals follow from that: throttle 1 or 0, brake 60 bar or 0.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from motion_cases import drive, logged, start_points

from simlap.analysis import prepare
from simlap.lap_types import Lap, LapSet
from simlap.options import Options
from simlap.pedalfaults import without_dead_pedals, without_wild_pedals
from simlap.report.data_cautions import data_cautions
from simlap.session import Session

RATE, LAP, LAPS, BAR = 25, 40.0, 6, 1e5
T = np.arange(0.0, LAPS * LAP, 1.0 / RATE)
DRIVES = T % LAP < 30.0
FULL, PRESSED = np.where(DRIVES, 1.0, 0.0), np.where(DRIVES, 0.0, 60.0 * BAR)
LAPSET = LapSet(
    tuple(Lap(number + 1, LAP * number, LAP * (number + 1), True, "", True) for number in range(LAPS)),
    None,
    "path alone",
)


def session(t=T, **channels):
    return Session.from_arrays(t, **channels)


def checked(*, a_lon=None, throttle=FULL, brake_pressure=PRESSED, lapset=LAPSET):
    a_lon = np.where(DRIVES, 2.0, -6.0) if a_lon is None else a_lon
    motion = SimpleNamespace(t=T, a_lon=a_lon)
    return without_dead_pedals(session(throttle=throttle, brake_pressure=brake_pressure), motion, lapset)


def test_spikes_of_a_logger_are_left_out_and_counted():
    # One row in a hundred, single ones and a pair: 255 % and 655.35 bar, as a full byte and a full word read.
    rows = np.sort(np.random.default_rng(5).choice(np.arange(5, T.size - 5, 7), T.size // 100, replace=False))
    rows = np.append(rows, [rows[-1] + 1])
    throttle, pressure = np.array(FULL), np.array(PRESSED)
    throttle[rows], pressure[rows] = 2.55, 655.35 * BAR
    clean = without_wild_pedals(session(throttle=throttle, brake_pressure=pressure))
    for name, truth in (("throttle", FULL), ("brake_pressure", PRESSED)):
        got = clean.channel(name)
        assert np.array_equal(np.flatnonzero(np.isnan(got)), np.sort(rows))
        assert np.array_equal(got[np.isfinite(got)], truth[np.isfinite(got)])
    singles, pairs = rows.size - 2, 2
    assert clean.notes == tuple(
        f"{words}: {count} values {what}; left out."
        for words in ("Throttle", "Brake pressure")
        for count, what in ((singles, "jump away and back faster than a foot"), (pairs, "lie beyond what it can read"))
    )


def test_spikes_within_the_range_of_the_pedal_are_left_out_where_no_foot_can_be_so_quick():
    # The throttle jumps open where it is closed, the brake loses its pressure, for one row of 25 a second.
    throttle, pressure = np.array(FULL), np.array(PRESSED)
    throttle[800], pressure[900] = 0.9, 0.0
    clean = without_wild_pedals(session(throttle=throttle, brake_pressure=pressure))
    assert np.flatnonzero(np.isnan(clean.channel("throttle"))).tolist() == [800]
    assert np.flatnonzero(np.isnan(clean.channel("brake_pressure"))).tolist() == [900]


def test_a_spike_that_is_written_again_by_a_faster_logger_counts_as_one():
    # 25 values a second in 100 rows: the wild one stands in four rows, and three right ones before it are alike.
    t, throttle = np.arange(0.0, 20.0, 0.01), np.repeat(FULL[740:1240], 4)
    throttle[400:404] = 2.55
    clean = without_wild_pedals(session(t, throttle=throttle))
    assert np.flatnonzero(np.isnan(clean.channel("throttle"))).tolist() == [400, 401, 402, 403]


@pytest.mark.parametrize(
    ("rate", "throttle"),
    [
        (25, np.where((T * 25).round() % 250 == 100, 0.0, 1.0)),  # closed for one row: an engine cut at a gear change
        (10, np.where((T * 25).round() % 250 == 100, 1.0, 0.0)),  # open for one row of 10 a second: a blip
        (25, np.where((T * 25).round() % 250 < 3, 1.0, 0.0)),  # open for 0.12 s
    ],
)
def test_what_a_foot_or_a_gear_change_can_do_stays(rate, throttle):
    given = session(T * 25.0 / rate, throttle=throttle)
    assert without_wild_pedals(given) is given


def test_a_channel_in_another_unit_is_not_thinned_out():
    # A byte named a share: full throttle reads 2.55 for three quarters of the time. Psi named bar: 870 at the brake.
    given = session(throttle=2.55 * FULL, brake_pressure=14.5 * PRESSED)
    assert without_wild_pedals(given) is given


@pytest.mark.parametrize(("reads", "since"), [(0.37, 100.0), (0.0, 100.0), (1.0, 80.0)])
def test_a_throttle_sensor_that_dies_counts_as_unknown_from_there(reads, since):
    # From 80 s on it reads 1; where it dies at that, nothing tells when.
    dead = T >= 100.0
    clean = checked(throttle=np.where(dead, reads, FULL))
    silent = np.isnan(clean.channel("throttle"))
    assert T[silent].min() == pytest.approx(since, abs=0.5 / RATE)
    assert silent[dead].all()
    assert np.array_equal(clean.channel("brake_pressure"), PRESSED)
    (note,) = clean.notes
    assert f"The throttle stands at {100 * reads:.0f} %" in note
    assert "(laps 3 to 6)" in note


def test_a_brake_sensor_that_dies_and_comes_back_counts_as_unknown_in_between():
    # Dead from 65 s to 195 s, with noise of a hundredth; the foot is off the brake from 40 to 70 s, 160 to 190 s.
    noise = 0.3 * BAR * np.random.default_rng(1).standard_normal(T.size).clip(-2.0, 2.0)
    dead = (T >= 65.0) & (T < 195.0)
    clean = checked(brake_pressure=np.where(dead, 0.0, PRESSED) + noise)
    silent = np.isnan(clean.channel("brake_pressure"))
    assert silent[dead].all()
    assert not silent[(T < 40.0) | (T >= 195.0)].any()
    assert "The brake pressure stands at" in clean.notes[0]
    assert "(laps 2 to 5)" in clean.notes[0]


def test_a_pedal_that_really_stands_still_for_a_lap_stays():
    # Lap 3 is driven flat out, without the brake: the car gains 2 m/s² and loses 1 m/s² by the bends alone.
    flat = (T >= 80.0) & (T < 120.0)
    a_lon = np.where(flat, np.where(DRIVES, 2.0, -1.0), np.where(DRIVES, 2.0, -6.0))
    given = {"throttle": np.where(flat, 1.0, FULL), "brake_pressure": np.where(flat, 0.0, PRESSED)}
    assert checked(a_lon=a_lon, **given).notes == ()
    assert len(checked(**given).notes) == 2  # the same pedals, and the car brakes all the same


def test_a_pedal_that_stands_still_in_the_pits_stays():
    # Laps 3 to 6 are none: the car stands.
    stands = T >= 80.0
    lapset = LapSet(LAPSET.laps[:2], None, "path alone")
    given = {"throttle": np.where(stands, 0.0, FULL), "brake_pressure": np.where(stands, 0.0, PRESSED)}
    assert checked(a_lon=np.where(stands, 0.0, np.where(DRIVES, 2.0, -6.0)), lapset=lapset, **given).notes == ()


def test_a_channel_that_is_silent_for_a_lap_is_not_told_as_dead():
    silent = (T > 82.0) & (T < 158.0)
    clean = checked(throttle=np.where(silent, np.nan, FULL))
    assert clean.notes == ()


def test_a_dead_sensor_reaches_the_lap_table_as_unknown_and_raises_a_caution():
    d = drive("kart", laps=6, seed=3)
    dies = 0.5 * (d.t[0] + d.t[-1])

    def controls(t):
        a = d.at("a_lon", t)
        return {"throttle": np.where(t > dies, 0.37, np.clip(a / 4.0, 0.0, 1.0)), "brake_pressure": BAR * 60 * (a < -3)}

    made = logged(d, 10, speed_ms=0.05, seed=4, extra=controls)
    ready = prepare(made, options=Options(start_line=start_points(d)))
    at = np.asarray(ready.table.session_start)[:, None] + np.asarray(ready.table.t)[:, :-1]
    assert np.isnan(ready.table.channels["throttle"][at > dies + 0.2]).all()  # a row before, a row behind
    assert np.isfinite(ready.table.channels["brake_pressure"]).all()
    (caution,) = [caution for caution in data_cautions(ready) if caution.key == "pedal sensor"]
    assert "The throttle stands at 37 %" in caution.text
    assert caution.text in ready.session.notes
