"""Logs that hold laps of more than one circuit, and logs that only look like it."""

import re
from dataclasses import replace

import numpy as np
import pytest
from motion_cases import ORIGIN, drive, logged, start_points

from simlap.analysis import find_session_laps
from simlap.circuits import invented_circuit
from simlap.errors import LogFormatError
from simlap.geodesy import to_geodetic, to_plane
from simlap.grounds import on_one_circuit
from simlap.line import Line
from simlap.noted import Kind, Note
from simlap.options import Options
from simlap.session import Session
from simlap.track import Track, start_line_across

AWAY = (5000.0, 1000.0)  # [m] of the kart circuit's start line from the club circuit's
BESIDE = (275.0, -775.0)  # ... so that the two come within 18 m of each other
RATE = 10.0  # [Hz]


@pytest.fixture(scope="module")
def club():
    return plain(logged(drive("club", 5), RATE, speed_ms=0.05))


@pytest.fixture(scope="module")
def kart():
    return plain(logged(drive("kart", 9, seed=2), RATE, speed_ms=0.05, seed=3))


def plain(session):
    """Time from 0 [s], east and north [m], speed [m/s], (4, n)."""
    x, y = to_plane(session.channel("latitude"), session.channel("longitude"), ORIGIN)
    return np.stack([session.t - session.t[0], x, y, session.channel("speed")])


def moved(drive, shift):
    return drive + np.array([0.0, *shift, 0.0])[:, None]


def road(start, stop, speed=15.0):
    """A winding road from one place to another, driven once."""
    way = np.hypot(*(np.array(stop) - start))
    share = np.linspace(0.0, 1.0, int(way / speed * RATE))
    east, north = (a + share * (b - a) for a, b in zip(start, stop, strict=True))
    return np.stack([np.arange(share.size) / RATE, east, north + 40.0 * np.sin(9.0 * share), 0.0 * share + speed])


def log(*drives, pause=1.0 / RATE, laid="degrees"):
    """One log of drives that follow one another after `pause` seconds."""
    parts, clock = [], 0.0
    for one in drives:
        parts.append(one + np.array([clock, 0.0, 0.0, 0.0])[:, None])
        clock = parts[-1][0, -1] + pause
    t, x, y, v = np.concatenate(parts, axis=1)
    if laid == "metres":
        return Session.from_arrays(t, source="day.csv", x=x, y=y, speed=v)
    latitude, longitude = to_geodetic(x, y, ORIGIN)
    return Session.from_arrays(t, source="day.csv", latitude=latitude, longitude=longitude, speed=v)


def circle(laps, radius=300.0, speed=30.0, middle=(0.0, 0.0), turn=1.0):
    """Rounds of a circle, with 2 m of noise on the way out of each."""
    t = np.arange(0.0, laps * 2.0 * np.pi * radius / speed, 1.0 / RATE)
    angle = turn * t * speed / radius
    r = radius + 2.0 * np.sin(0.37 * angle)
    return np.stack([t, middle[0] + r * np.cos(angle), middle[1] + r * np.sin(angle), 0.0 * t + speed])


@pytest.mark.parametrize("shift", [AWAY, BESIDE, (60_000.0, 80_000.0)], ids=["5 km", "beside", "100 km"])
@pytest.mark.parametrize("pause", [1.0 / RATE, 3600.0], ids=["no pause", "an hour"])
def test_a_log_of_two_circuits_is_refused_with_the_time_and_place_of_the_second(club, kart, shift, pause):
    other = moved(kart, shift)
    session = log(club, other, pause=pause)
    middle = np.median(other[1:3], axis=1)
    begins = club[0, -1] + pause
    with pytest.raises(LogFormatError) as caught:
        find_session_laps(session, None, Options())
    text = str(caught.value)
    assert text.startswith("day.csv: holds laps of two circuits. From ")
    assert text.endswith("or name the one wanted: --track FILE or --start-line LAT1,LON1,LAT2,LON2.")
    at = float(re.search(r"From ([0-9.]+) s on", text).group(1))
    assert at == pytest.approx(begins, abs=1.0)  # the way is looked at twice a second
    place = [float(z) for z in re.search(r" at ([0-9.]+),([0-9.]+)\.", text).groups()]
    x, y = to_plane(np.array(place[:1]), np.array(place[1:]), ORIGIN)
    # medians over places driven again and medians over time differ where the car is slow
    assert np.hypot(x[0] - middle[0], y[0] - middle[1]) < 100.0


def test_a_road_from_the_one_to_the_other_belongs_to_neither(club, kart):
    other = moved(kart, AWAY)
    between = road(club[1:3, -1], other[1:3, 0])
    with pytest.raises(LogFormatError, match=r"holds laps of two circuits") as caught:
        on_one_circuit(log(club, between, other))
    at = float(re.search(r"From ([0-9.]+) s on", str(caught.value)).group(1))
    assert at == pytest.approx(club[0, -1] + between[0, -1], abs=3.0)  # within 20 m of it, at 15 m/s


def test_behind_a_pause_the_way_out_of_the_paddock_goes_with_the_second():
    paddock = road((3000.0, 500.0), (3300.0, 0.0))
    second = circle(5, middle=(3000.0, 0.0))
    second = np.concatenate([paddock, second + np.array([paddock[0, -1] + 1.0 / RATE, 0.0, 0.0, 0.0])[:, None]], axis=1)
    first = circle(5)
    with pytest.raises(LogFormatError, match=rf"From {first[0, -1] + 900.0:.2f} s on"):
        on_one_circuit(log(first, second, pause=900.0))


def late(one, pause):
    """The drive, begun `pause` seconds later."""
    return one + np.array([pause, 0.0, 0.0, 0.0])[:, None]


def test_of_several_pauses_on_the_way_the_longest_parts_two_circuits():
    # Ten seconds without positions on the road are no break; a quarter of an hour is, wherever it lies.
    first, second = circle(5), circle(5, middle=(3000.0, 0.0))
    between = road((350.0, 0.0), (3250.0, 0.0))
    with pytest.raises(LogFormatError, match=f"From {first[0, -1] + 10.0 + between[0, -1] + 900.2:.2f} s on"):
        on_one_circuit(log(first, late(between, 10.0), late(second, 900.0)))
    session = log(first, late(between, 900.0), late(second, 10.0))
    latitude, longitude = to_geodetic(np.array([280.0, 320.0]), np.zeros(2), ORIGIN)
    cut, _ = on_one_circuit(session, None, (latitude[0], longitude[0], latitude[1], longitude[1]))
    assert cut.t[-1] == pytest.approx(first[0, -1], abs=1.0)  # the way is looked at twice a second

    # the other way round the road is driven before the pause, and goes with the first
    session = log(first, late(between, 10.0), late(second, 900.0))
    cut, _ = on_one_circuit(session, None, (latitude[0], longitude[0], latitude[1], longitude[1]))
    assert cut.t[-1] == pytest.approx(first[0, -1] + 10.0 + between[0, -1], abs=1.0)


@pytest.mark.parametrize(("here", "there"), [(5, 2.8), (5, 2.2), (8, 2.5)])
def test_two_laps_elsewhere_are_not_left_out_unasked(here, there):
    # 2.8 laps beside five are 56 %, 2.5 beside eight 31 %: somebody may have come for either.
    with pytest.raises(LogFormatError, match="holds laps of two circuits"):
        on_one_circuit(log(circle(here, speed=32.0), circle(there, speed=32.0, middle=(3000.0, 0.0)), pause=900.0))


def line_at(*east):
    """A start line due east of the origin, from the first to the last of some places. [m]"""
    latitude, longitude = to_geodetic(np.array([east[0], east[-1]]), np.zeros(2), ORIGIN)
    return latitude[0], longitude[0], latitude[1], longitude[1]


def test_a_start_line_tells_the_circuit_that_it_lies_on_and_none_that_is_far_off():
    # Circles of 300 m about x = 0 and x = 3000 m: 325 m is 25 m beside the first, 550 m is 250 m off.
    session = log(circle(5), circle(5, middle=(3000.0, 0.0)), pause=900.0)
    cut, _ = on_one_circuit(session, None, line_at(315.0, 335.0))
    assert cut.t[-1] == pytest.approx(circle(5)[0, -1], abs=1.0)
    with pytest.raises(LogFormatError, match="The start line lies on none of them"):
        on_one_circuit(session, None, line_at(540.0, 560.0))


def ring(radius, east=0.0):
    """A track about `east` [m] east of the origin, its radius [m] at angles 0 to 2 pi."""
    angle = np.arange(0.0, 2.0 * np.pi, 0.02)
    r = radius(angle)
    line = Line.from_points(east + r * np.cos(angle), r * np.sin(angle))
    return Track("Ring", line, start_line_across(line, 8.0), (), origin=ORIGIN)


def test_a_track_file_tells_the_circuit_whose_ground_it_mostly_shares():
    session = log(circle(5), circle(5, middle=(3000.0, 0.0)), pause=900.0)
    # a layout with an own way through a quarter of the lap, smoothly left and joined
    cut, _ = on_one_circuit(session, ring(lambda a: 300.0 - 120.0 * np.exp(-(((a - np.pi) / 0.45) ** 2))))
    assert cut.t[-1] == pytest.approx(circle(5)[0, -1], abs=1.0)
    # one beside it all the way, and one that crosses it twice, are other roads
    for other in (ring(lambda a: 450.0 + 0.0 * a), ring(lambda a: 300.0 + 0.0 * a, east=250.0)):
        with pytest.raises(LogFormatError, match="Track 'Ring' lies on none of them"):
            on_one_circuit(session, other)


def test_what_was_joined_from_files_of_another_circuit_is_no_part_any_more():
    # Three files behind one another: the second and third were driven elsewhere.
    first, second = circle(5), circle(5, middle=(3000.0, 0.0))
    end = first[0, -1]
    session = replace(log(first, second, pause=900.0), parts=(0.0, end + 900.0, end + 950.0))
    cut, _ = on_one_circuit(session, None, line_at(280.0, 320.0))
    assert cut.parts == (0.0,)


def test_metres_have_no_start_line_in_degrees_to_name(club, kart):
    with pytest.raises(LogFormatError, match=r"4\.\d km away\. Split .* name the one wanted: --track FILE\.$"):
        on_one_circuit(log(club, moved(kart, AWAY), laid="metres"))


def test_three_circuits_are_counted():
    three = [circle(4, middle=(4000.0 * k, 0.0)) for k in range(3)]
    with pytest.raises(LogFormatError, match="holds laps of three circuits"):
        on_one_circuit(log(*three, pause=600.0))


@pytest.mark.parametrize("order", [0, 1])
def test_the_track_file_tells_which_circuit_is_wanted(club, kart, order):
    parts = [club, moved(kart, AWAY)]
    session = log(*(parts if order == 0 else parts[::-1]), pause=1800.0)
    track = replace(invented_circuit("club"), origin=ORIGIN)
    alone = log(club)
    motion, laps, _ = find_session_laps(session, track, Options())
    _, expected, _ = find_session_laps(alone, track, Options())
    # the laps are those of the club circuit alone, to what a plane with another origin changes
    assert len(expected.counted) == 3
    np.testing.assert_allclose(
        [lap.time_s for lap in laps.counted], [lap.time_s for lap in expected.counted], atol=1e-3
    )
    first = 0.0 if order == 0 else kart[0, -1] + 1800.0
    told = re.search(r"another circuit as well, left out: only ([0-9.]+) to ([0-9.]+) s is taken", motion.notes[0])
    assert [float(z) for z in told.groups()] == pytest.approx([first, first + club[0, -1]], abs=1.0)
    assert motion.notes[0].endswith("on the circuit of track 'Larkfen'.")


def test_the_start_line_tells_it_too(club, kart):
    session = log(club, moved(kart, AWAY), pause=1800.0)
    cut, notes = on_one_circuit(session, None, start_points(drive("club", 2)))
    assert cut.t[-1] == pytest.approx(club[0, -1], abs=1.0)
    assert notes[0].endswith("on the circuit of the start line.")


def test_a_track_or_line_elsewhere_tells_nothing(club, kart):
    session = log(club, moved(kart, AWAY), pause=1800.0)
    with pytest.raises(LogFormatError, match="Track 'Larkfen' lies on none of them"):
        on_one_circuit(session, replace(invented_circuit("club"), origin=(47.0, 11.0)))
    with pytest.raises(LogFormatError, match="The start line lies on none of them"):
        on_one_circuit(session, None, (47.0, 11.0, 47.0001, 11.0))


@pytest.mark.parametrize("off_m", [0.0, 18.0])  # the other side of the road, and a receiver that begins anew
def test_a_circuit_driven_again_after_another_is_taken_in_both_pieces(off_m):
    here, there = circle(5), circle(5, middle=(3000.0, 0.0))
    session = log(here, there, moved(here, (off_m, 0.0)), pause=900.0)
    end = here[0, -1]
    again = 2.0 * (end + 900.0)
    latitude, longitude = to_geodetic(np.array([280.0, 320.0]), np.zeros(2), ORIGIN)
    cut, notes = on_one_circuit(session, None, (latitude[0], longitude[0], latitude[1], longitude[1]))
    gap = int(np.argmax(np.diff(cut.t)))
    assert [cut.t[0], cut.t[gap], cut.t[gap + 1], cut.t[-1]] == pytest.approx([0.0, end, again, again + end], abs=1.0)
    assert "only 0.00 to" in notes[0]
    assert " and " in notes[0]


def test_a_few_rounds_of_a_skid_pad_are_left_out_with_a_note():
    pad = circle(4, radius=40.0, speed=15.0, middle=(900.0, 0.0))
    session = log(pad, road((940.0, 0.0), (300.0, 0.0)), circle(8))
    cut, notes = on_one_circuit(session)
    assert notes[0].endswith("s is taken, on the circuit driven most.")
    assert np.all(cut.t > pad[0, -1])
    assert cut.t[-1] == session.t[-1]


def test_a_fifth_of_the_way_on_a_small_circuit_is_left_out_as_well():
    # 4.5 laps of 628 m beside eight of 1885 m: 19 %, less than a quarter.
    session = log(circle(8), circle(4.5, radius=100.0, speed=20.0, middle=(3000.0, 0.0)), pause=900.0)
    cut, notes = on_one_circuit(session)
    assert notes[0].endswith("s is taken, on the circuit driven most.")
    assert cut.t[-1] == pytest.approx(circle(8)[0, -1], abs=1.0)


def up_and_down(runs):
    east = np.arange(0.0, 4000.0, 2.0)
    up = np.stack([np.arange(east.size) / RATE, east, 300.0 * np.sin(east / 200.0), 0.0 * east + 20.0])
    down = np.stack([up[0], up[1, ::-1], up[2, ::-1] + 3.0, up[3]])
    return [up, down] * runs


@pytest.mark.parametrize(
    "drives",
    [
        [circle(6)],
        [circle(4), circle(4, turn=-1.0)],  # the other way round after lunch
        up_and_down(4),  # a hill climb
        up_and_down(1),
        [road((-20_000.0, 0.0), (300.0, 0.0)), circle(5), road((300.0, 0.0), (-20_000.0, 0.0))],
        [circle(5), road((300.0, 0.0), (-9000.0, 0.0)), road((-9000.0, 0.0), (300.0, 0.0)), circle(5)],
        [circle(3), circle(1, radius=30.0, speed=8.0, middle=(380.0, 0.0)), circle(3)],  # an excursion
        [circle(5), circle(1.6, middle=(3000.0, 0.0))],  # a lap and a half elsewhere is none that could be judged
        [*up_and_down(1), circle(5, middle=(20_000.0, 0.0))],  # there and back on one road is no lap
    ],
    ids=[
        "rounds",
        "other way",
        "hill climb",
        "one hill",
        "road there and back",
        "lunch",
        "excursion",
        "a lap",
        "hill and rounds",
    ],
)
@pytest.mark.parametrize("pause", [1.0 / RATE, 1200.0], ids=["no pause", "pauses"])
def test_one_circuit_is_left_as_it_is(drives, pause):
    session = log(*drives, pause=pause)
    assert on_one_circuit(session, None, None) == (session, ())


def test_a_figure_of_eight_and_a_long_stand_are_one_circuit():
    angle = np.arange(0.0, 12.0 * np.pi, 0.006)
    eight = np.stack([np.arange(angle.size) / RATE, 400.0 * np.sin(angle), 200.0 * np.sin(2.0 * angle), 0.0 * angle])
    rng = np.random.default_rng(4)
    hours = np.arange(0.0, 7200.0, 1.0 / RATE)
    stands = np.stack([hours, *rng.normal(0.0, 1.0, (2, hours.size)), 0.0 * hours])
    session = log(eight, stands, eight)
    assert on_one_circuit(session) == (session, ())


@pytest.mark.parametrize("circuit", ["club", "fast", "kart"])
@pytest.mark.parametrize("rate", [1.0, 5.0, 25.0])
@pytest.mark.parametrize("slow_m", [0.3, 5.0])
def test_wander_and_slow_receivers_make_no_second_circuit(circuit, rate, slow_m):
    session = logged(drive(circuit, 4), rate, speed_ms=0.05, slow_m=slow_m)
    assert on_one_circuit(session) == (session, ())


def test_behind_a_restart_of_the_clock_the_row_is_told_and_no_time(club, kart):
    # The pause of a restart is assumed: what lies behind it has no time of its own.
    session = log(club, moved(kart, AWAY), pause=60.0)
    restarted = replace(session, notes=(Note("the clock restarts", Kind.CLOCK_RESTARTS),))
    with pytest.raises(LogFormatError, match=r"From row \d+ below the header on") as caught:
        on_one_circuit(restarted)
    row = int(re.search(r"row (\d+) below", str(caught.value)).group(1))
    assert row == pytest.approx(club.shape[1] + 1, abs=RATE)  # the way is looked at twice a second
    track = replace(invented_circuit("club"), origin=ORIGIN)
    _, notes = on_one_circuit(restarted, track)
    first, last = map(int, re.search(r"only rows (\d+) to (\d+) below the header is", notes[0]).groups())
    assert first == 1
    assert last == pytest.approx(club.shape[1], abs=RATE)
