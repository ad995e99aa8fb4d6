"""Several files of one outing."""

import numpy as np
import pytest

from simlap.errors import LogFormatError
from simlap.readers import read_session


@pytest.fixture
def write(tmp_path):
    def write_file(name, start, count=30, first_speed=0, header="time_s,speed_kmh"):
        path = tmp_path / name
        rows = "".join(f"{start + i / 10:.1f},{first_speed + i}\n" for i in range(count))
        path.write_text(f"{header}\n{rows}")
        return path

    return write_file


def test_clocks_that_follow_one_another_are_kept(write):
    session = read_session([write("a.csv", 0), write("b.csv", 100)])
    np.testing.assert_allclose(session.t, np.concatenate([np.arange(30), 1000 + np.arange(30)]) / 10, atol=1e-9)
    assert session.source == "a.csv + b.csv"
    assert session.notes == ()


def test_files_given_in_the_wrong_order_are_put_in_the_order_of_their_clocks(write):
    session = read_session([write("b.csv", 100, first_speed=50), write("a.csv", 0)])
    assert session.t[0] == 0.0
    assert session.channel("speed")[-1] * 3.6 == pytest.approx(79)
    assert session.notes == ("files put in the order of their clocks: a.csv, b.csv",)


def test_clocks_that_start_anew_are_offset_behind_one_another(write):
    session = read_session([write("a.csv", 0), write("b.csv", 0, first_speed=50)])
    # a ends at 2.9 s; the pause is taken as 60 s
    assert session.t[30] == pytest.approx(62.9)
    assert session.channel("speed")[30] * 3.6 == pytest.approx(50)
    assert session.notes == ("b.csv: its clock starts anew, 62.90 s added; the pause of 60 s before it is assumed",)


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1), (1, 2, 0)])
def test_clocks_of_the_day_that_pass_midnight_between_two_files_run_on(tmp_path, order):
    # 23:59:50 to 23:59:53, 00:00:10 to 00:00:13, 00:05:00 to 00:05:03: a day has 86400 s.
    paths = []
    for number, start in enumerate(("23:59:5", "00:00:1", "00:05:0")):
        path = tmp_path / f"{number}.csv"
        rows = "".join(f"{start}{i // 10}.{i % 10},{50 * number + i}\n" for i in range(30))
        path.write_text(f"time,speed_kmh\n{rows}")
        paths.append(path)
    session = read_session([paths[number] for number in order])
    starts = np.repeat([86390.0, 86410.0, 86700.0], 30)
    np.testing.assert_allclose(session.t, starts + np.tile(np.arange(30) / 10, 3), atol=1e-6)
    assert session.time_of_day
    assert session.notes[0] == "1.csv and 2.csv: begin after midnight, a day added"


def test_a_morning_and_an_afternoon_by_the_clock_of_one_day_stay_on_it(tmp_path):
    for name, hour in (("a.csv", 8), ("b.csv", 19)):
        rows = "".join(f"{hour:02d}:00:0{i // 10}.{i % 10},{hour + i}\n" for i in range(30))
        (tmp_path / name).write_text(f"time,speed_kmh\n{rows}")
    session = read_session([tmp_path / "a.csv", tmp_path / "b.csv"])
    assert (session.t[0], session.t[30], session.notes) == (8 * 3600.0, 19 * 3600.0, ())


def drive(path, start_m, speed, clock=0.0, turn=0.0, held=1):
    """A second and a half at `speed` [m/s] to the north from `start_m`, at 10 Hz, each fix written `held` times."""
    rows = []
    for i in range(15):
        way = start_m + speed * i / 10
        x, y = way * np.sin(turn), way * np.cos(turn)
        rows += [f"{clock + i / 10 + j / 10 / held:.3f},{x:.3f},{y:.3f}\n" for j in range(held)]
    path.write_text("time_s,x_m,y_m\n" + "".join(rows))
    return path


@pytest.mark.parametrize("held", [1, 5])
@pytest.mark.parametrize("step", [3.0, 30.0])
def test_a_file_begun_while_driving_follows_by_the_way_between_the_two(tmp_path, step, held):
    # 30 m/s: the last fix of the first file lies at 42 m, 1.4 s after its start; 3 m further on takes 0.1 s, 30 m 1 s.
    one = drive(tmp_path / "a.csv", 0.0, 30.0, held=held)
    two = drive(tmp_path / "b.csv", 42.0 + step, 30.0, held=held)
    session = read_session([one, two])
    assert session.t[15 * held] == pytest.approx(1.4 + step / 30.0, abs=1e-6)
    assert session.notes[0].endswith("before it, for the car drove on from where the file before ends")


@pytest.mark.parametrize(
    ("start_m", "speed", "turn"),
    [
        (42.0 + 90.0, 30.0, 0.0),  # 3 s away
        (42.0 - 9.0, 30.0, 0.0),  # behind the place where the first file ends
        (42.5, 3.0, 0.0),  # it walks away from there
        (42.0 + 3.0, 30.0, np.pi / 2),  # on another road
    ],
)
def test_a_file_that_begins_elsewhere_is_a_minute_behind_the_one_before(tmp_path, start_m, speed, turn):
    session = read_session([drive(tmp_path / "a.csv", 0.0, 30.0), drive(tmp_path / "b.csv", start_m, speed, turn=turn)])
    assert session.t[15] == pytest.approx(1.4 + 60.0)


def test_a_channel_that_one_file_lacks_is_not_recorded_there(write):
    session = read_session([write("a.csv", 0), write("b.csv", 100, header="time_s,wheel_speed_kmh")])
    assert np.all(np.isnan(session.channel("speed")[30:]))
    assert np.all(np.isnan(session.channel("wheel_speed")[:30]))


def test_the_same_file_twice_is_refused(write):
    path = write("a.csv", 0)
    with pytest.raises(LogFormatError, match=r"a\.csv: holds the same rows as a\.csv\. Name each part once"):
        read_session([path, path])


def test_a_file_that_repeats_the_end_of_another_is_refused(write):
    with pytest.raises(LogFormatError, match=r"b\.csv: holds the same rows as a\.csv"):
        read_session([write("a.csv", 0, 60), write("b.csv", 3, 60, first_speed=30)])


def around(path, latitude, longitude, radius_m=150.0):
    """A log of one round on a circle, at 10 m/s."""
    angle = np.linspace(0.0, 2.0 * np.pi, 95)
    north, east = radius_m * np.sin(angle), radius_m * np.cos(angle)
    lat = latitude + north / 111195.0
    lon = (longitude + east / (111195.0 * np.cos(np.radians(latitude))) + 180.0) % 360.0 - 180.0
    rows = [f"{i},{a:.7f},{b:.7f}" for i, (a, b) in enumerate(zip(lat, lon, strict=True))]
    path.write_text("\n".join(["time_s,latitude,longitude", *rows]) + "\n")
    return path


@pytest.mark.parametrize(
    ("latitude", "longitude", "away"),
    [(-36.0, 179.99, "445 km"), (-40.0, -179.98, "3 km"), (-40.0, 179.998, "682 m")],
)
def test_a_part_on_another_circuit_is_refused(tmp_path, latitude, longitude, away):
    # 4 degrees of latitude are 444.8 km, 0.03 and 0.008 degrees of longitude at 40 degrees 2.56 and 0.68 km
    first = around(tmp_path / "a.csv", -40.0, 179.99)
    other = around(tmp_path / "b.csv", latitude, longitude)
    refused = rf"^b\.csv: not on the circuit of a\.csv and c\.csv, its .* about {away} away"
    with pytest.raises(LogFormatError, match=refused):
        read_session([first, around(tmp_path / "c.csv", -40.0, 179.99, 145.0), other])


def test_files_of_two_circuits_are_told_apart_in_any_order(tmp_path):
    # The odd one comes first: named alone, the second file would be taken for the wrong one.
    odd = around(tmp_path / "odd.csv", -40.0, 179.0)
    parts = [around(tmp_path / f"{name}.csv", -40.0, 179.99, radius) for name, radius in (("a", 150.0), ("b", 145.0))]
    with pytest.raises(LogFormatError, match=r"^a\.csv and b\.csv: not on the circuit of odd\.csv, their middle lies"):
        read_session([odd, *parts])


def test_a_file_over_the_ground_of_two_others_joins_them(tmp_path):
    # Two circles 270 m apart touch at no square; an oval that spans both holds a tenth of either at least.
    halves = [
        around(tmp_path / f"{name}.csv", -40.0 + north / 111195.0, 179.0, 60.0)
        for name, north in (("a", 0), ("b", 400))
    ]
    whole = around(tmp_path / "c.csv", -40.0 + 200.0 / 111195.0, 179.0, 230.0)
    with pytest.raises(LogFormatError, match="not on the circuit of"):
        read_session(halves)
    assert read_session([*halves, whole]).t.size == 3 * 95


def test_parts_on_one_circuit_and_in_its_paddock_are_joined(tmp_path):
    # The receiver of the second lies 10 m off, as receivers do; the third part is the paddock, 400 m away.
    parts = [
        around(tmp_path / "a.csv", -40.0, 179.999),
        around(tmp_path / "b.csv", -40.0 + 10.0 / 111195.0, 179.999, 140.0),
        around(tmp_path / "c.csv", -40.0 + 400.0 / 111195.0, 179.999, 20.0),
    ]
    assert read_session(parts).t.size == 3 * 95


def test_a_part_without_the_positions_of_the_others_is_refused(tmp_path):
    # Nothing places its laps on the circuit of the others: joined, all of it was left out without a word.
    first = around(tmp_path / "a.csv", -40.0, 179.99)
    (tmp_path / "b.csv").write_text("time_s,speed_kmh,yaw_rate_deg_s\n0,36,4\n1,36,4\n2,36,4\n")
    (tmp_path / "c.csv").write_text("time_s,latitude,longitude,speed_kmh\n0,,,50\n1,,,50\n2,,,50\n")
    for others, named in ((["b.csv"], r"b\.csv"), (["b.csv", "c.csv"], r"b\.csv and c\.csv")):
        parts = [tmp_path / name for name in others]
        for order in ([first, *parts], [*parts, first]):
            with pytest.raises(LogFormatError, match=rf"^{named}: no latitude and longitude, by which a\.csv places"):
                read_session(order)
