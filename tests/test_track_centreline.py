"""Centre lines as CSV: metres and degrees, widths, direction, and every way to break one."""

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest

from simlap.centreline import _placed, read_centre_line, track_from_centre_line
from simlap.circuits import invented_circuit
from simlap.errors import OptionError, TrackFormatError
from simlap.geodesy import to_geodetic
from simlap.layout import Bend, Straight, closed_layout
from simlap.trackfile import track_to_geojson
from simlap.trackfile_read import track_from_geojson

CIRCUITS = Path(__file__).parents[2] / "shared" / "data" / "circuits"


@pytest.fixture(scope="module")
def club():
    return invented_circuit("club")


def csv_of(path, header, columns, delimiter=",", comma=False):
    rows = [delimiter.join(f"{value:.7f}" for value in row) for row in np.column_stack(columns)]
    text = "\n".join(rows)
    path.write_text(header + "\n" + (text.replace(".", ",") if comma else text) + "\n", encoding="utf-8")
    return path


def same_as(track, club, rel=1e-4):
    assert track.length == pytest.approx(club.length, rel=rel)
    assert [c.direction for c in track.corners] == [c.direction for c in club.corners]


@pytest.mark.parametrize(
    ("header", "delimiter", "comma"),
    [
        ("# x_m,y_m,z_m,w_tr_right_m,w_tr_left_m", ",", False),
        ("X [m];Y [m];Altitude [m];Width Right (m);Width Left (m)", ";", True),
        ("east_m\tnorth_m\televation_m\twidth_right_m\twidth_left_m", "\t", False),
    ],
)
def test_metres_with_heights_and_widths_give_the_circuit(tmp_path, club, header, delimiter, comma):
    line = club.line
    columns = (line.x, line.y, line.z, np.full(line.x.size, 4.0), np.full(line.x.size, 6.0))
    track = track_from_centre_line(csv_of(tmp_path / "c.csv", header, columns, delimiter, comma), origin=(1.0, 2.0))
    same_as(track, club)
    assert (track.origin, track.has_elevation, track.name) == ((1.0, 2.0), True, "c")
    np.testing.assert_allclose(track.width_right, 4.0)
    np.testing.assert_allclose(track.width_left, 6.0)
    np.testing.assert_allclose(track.line.z, line.z, atol=1e-3)


def test_degrees_give_the_same_circuit_as_metres(tmp_path, club):
    # 7 decimals are 11 mm; lengths then agree to 1e-4.
    lat, lon = to_geodetic(club.line.x, club.line.y, club.origin)
    track = track_from_centre_line(csv_of(tmp_path / "c.csv", "latitude,longitude", (lat, lon)))
    assert track.length == pytest.approx(club.length, rel=3e-4)
    assert track.origin == pytest.approx(club.origin, abs=0.02)
    assert not track.has_elevation


def test_reversed_line_has_its_corners_mirrored_and_its_widths_swapped(tmp_path, club):
    line = club.line
    columns = (line.x, line.y, np.full(line.x.size, 4.0), np.full(line.x.size, 6.0), np.full(line.x.size, 2.0))
    path = csv_of(tmp_path / "c.csv", "x_m,y_m,w_tr_right_m,w_tr_left_m,banking_deg", columns)
    track = track_from_centre_line(path, reverse=True, name="other way")
    swap = {"left": "right", "right": "left"}
    assert [swap[c.direction] for c in reversed(track.corners)] == [c.direction for c in club.corners]
    assert (track.width_right[0], track.width_left[0], track.name) == (6.0, 4.0, "other way")
    np.testing.assert_allclose(track.line.bank, -math.radians(2.0))


@pytest.mark.parametrize("repeated", [False, True], ids=["once", "first point repeated"])
def test_a_reversed_line_starts_at_its_first_row_with_what_stands_there(tmp_path, repeated):
    # A circle of 628 m driven clockwise: widths and banking rise with the row, by 0.01 m and 0.01 degrees each.
    row = np.append(np.arange(314), 0) if repeated else np.arange(314)
    angle = 2.0 * np.pi * row / 314
    x, y = 100.0 * np.cos(angle), 100.0 * np.sin(angle)
    columns = (x, y, 4.0 + 0.01 * row, 6.0 + 0.01 * row, 0.01 * row)
    path = csv_of(tmp_path / "c.csv", "x_m,y_m,w_tr_right_m,w_tr_left_m,banking_deg", columns)
    track = track_from_centre_line(path, reverse=True)
    line = track.line
    assert (line.x[0], line.y[0]) == pytest.approx((100.0, 0.0), abs=1e-6)
    assert np.median(line.kappa) == pytest.approx(-1.0 / 100.0, rel=1e-3)
    assert (track.width_right[0], track.width_left[0], line.bank[0]) == pytest.approx((6.0, 4.0, 0.0), abs=1e-6)
    # 157 steps of 2 m on, half-way round, row 157 stands
    half = int(np.argmin(np.hypot(line.x + 100.0, line.y)))
    found = (track.width_right[half], track.width_left[half], math.degrees(line.bank[half]))
    assert found == pytest.approx((7.57, 5.57, -1.57), abs=0.01)
    (x1, y1), (x2, y2) = track.start_line
    assert (0.5 * (x1 + x2), 0.5 * (y1 + y2)) == pytest.approx((100.0, 0.0), abs=1e-6)


def test_a_closed_line_may_repeat_its_first_point(tmp_path, club):
    line = club.line
    once = track_from_centre_line(csv_of(tmp_path / "a.csv", "x_m,y_m", (line.x, line.y)))
    twice = (np.append(line.x, line.x[0]), np.append(line.y, line.y[0]))
    again = track_from_centre_line(csv_of(tmp_path / "b.csv", "x_m,y_m", twice))
    assert again.length == pytest.approx(once.length, abs=1e-6)
    np.testing.assert_allclose(again.line.kappa, once.line.kappa, atol=1e-9)


@pytest.mark.parametrize(("name", "length"), [("Norisring", 2300), ("Oschersleben", 3696), ("Spielberg", 4318)])
def test_centre_lines_of_real_circuits_have_their_published_length(name, length):
    # Source: lengths published by the operators: 2.300 km, 3.696 km, 4.318 km. Those are measured along the slope and
    # along the operator's own line; 0.5 % covers both.
    path = CIRCUITS / f"{name}_track.csv"
    if not path.exists():
        pytest.skip(f"{path} is not there")
    track = track_from_centre_line(path)
    assert track.length == pytest.approx(length, rel=0.005)
    assert 4.0 < track.width_left.min() < track.width_left.max() < 15.0
    # its curvature adds up to one turn round, whatever the spacing (Hopf's theorem of turning tangents)
    assert abs(track.line.kappa.sum() * track.length / track.line.x.size) == pytest.approx(2.0 * math.pi, rel=1e-3)


def test_a_last_step_longer_than_the_others_may_close_a_long_line(tmp_path):
    # A circle of 400 m radius, 2513 m round, whose last 75 m are one step: 3 % of the lap. The chord is 0.1 m shorter.
    angle = np.arange(0.0, 2.0 * math.pi - 75.0 / 400.0, 0.02)
    track = track_from_centre_line(csv_of(tmp_path / "c.csv", "x_m,y_m", (400 * np.cos(angle), 400 * np.sin(angle))))
    assert track.length == pytest.approx(2.0 * math.pi * 400.0, rel=1e-3)


def test_a_circuit_with_a_loop_inside_it_goes_round_twice_and_is_none_the_worse(tmp_path):
    # Limacon r = b + a cos(t) with a > b: its inner loop passes once through the pole, and the whole turns by 720
    # degrees (a bridge would carry it). Its length by quadrature of sqrt(r² + r'²).
    a, b = 200.0, 120.0
    t = np.linspace(0.0, 2.0 * math.pi, 600, endpoint=False)
    r = b + a * np.cos(t)
    track = track_from_centre_line(csv_of(tmp_path / "c.csv", "x_m,y_m", (r * np.cos(t), r * np.sin(t))))
    assert track.length == pytest.approx(2.0 * math.pi * np.mean(np.hypot(r, a * np.sin(t))), rel=1e-4)


@pytest.mark.parametrize(("left", "right", "half"), [(12.0, 4.0, 12.0), (4.0, 11.0, 11.0), (4.0, 4.0, 7.5)])
def test_the_start_line_reaches_over_the_wider_side(tmp_path, left, right, half):
    angle = 2.0 * math.pi * np.arange(300) / 300
    columns = (100.0 * np.cos(angle), 100.0 * np.sin(angle), np.full(300, right), np.full(300, left))
    track = track_from_centre_line(csv_of(tmp_path / "c.csv", "x_m,y_m,w_tr_right_m,w_tr_left_m", columns))
    (x1, y1), (x2, y2) = track.start_line
    assert math.hypot(x2 - x1, y2 - y1) == pytest.approx(2.0 * half, abs=0.01)


GOOD = [f"{50 * math.cos(k / 5):.3f},{50 * math.sin(k / 5):.3f}" for k in range(31)]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ([], r"c.csv: the file is empty"),
        (["", "  ", "#"], r"c.csv: the file is empty"),
        (["x,y", *GOOD], r"row 1: the columns are 'x, y'. A centre line has x_m and y_m, or latitude and longitude"),
        (["x_m,lat", *GOOD], r"row 1: the columns are 'x_m, lat'. A centre line has"),
        (["x_m,y_m,east_m", *[g + ",1" for g in GOOD]], r"row 1: two columns hold 'east_m'"),
        (["x_m,y_m,lat,lon", *[g + ",1,1" for g in GOOD]], r"row 1: both metres and degrees"),
        (["x_m,y_m", *GOOD[:5], "1.0,left", *GOOD[5:]], r"row 7, column 'y_m': 'left' is not a finite number"),
        (["x_m,y_m", *GOOD[:5], "1.0," + "9" * 4000], r"row 7, column 'y_m': '9+\.\.\.' is not a finite number"),
        (["x_m,y_m", *GOOD[:5], "1.0,1_5", *GOOD[5:]], r"row 7, column 'y_m': '1_5' is not a finite number"),
        (["x_m,y_m", *GOOD[:5], "1.0", *GOOD[5:]], r"row 7, column 'y_m': '' is not a finite number"),
        (["x_m,y_m", *GOOD, "1," + "9" * 200_000], r"field larger than field limit \(131072\), so this is no CSV"),
        (["x_m,y_m", "nan,1", *GOOD], r"row 2, column 'x_m': 'nan' is not a finite number"),
        (["x_m,y_m", *GOOD[:6]], r"c.csv: 6 points; a circuit needs at least 8"),
        (
            ["x_m,y_m", *[f"{10 * k},0" for k in range(40)]],
            r"the last row lies 390 m from the first.*this line is open",
        ),
        (["lat,lon", *[f"{90 + k},{k}" for k in range(1, 20)]], r"row 2, column 'lat': 91 is outside -90 to 90\. Mend"),
        (["lat,lon", "", *[f"{80 + k},{k}" for k in range(1, 20)]], r"row 13, column 'lat': 91 is outside -90 to 90"),
        (["x_m,y_m,w_tr_left_m", *[g + ",-2" for g in GOOD]], r"row 2, column 'w_tr_left_m': -2 is outside 0 to 200"),
        (["x_m,y_m," + "q" * 200_000, *[g + ",1" for g in GOOD]], r"field larger than field limit \(131072\), so this"),
        (["x_m,y_m", *["5,5"] * 20], r"c.csv: the line has 1 vertices that lie 1 m apart; a circuit needs"),
    ],
)
def test_a_broken_centre_line_is_named_with_row_and_column(tmp_path, lines, words):
    path = tmp_path / "c.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    with pytest.raises(TrackFormatError, match=words):
        track_from_centre_line(path)


def test_an_origin_for_a_line_in_degrees_is_refused(tmp_path, club):
    lat, lon = to_geodetic(club.line.x, club.line.y, club.origin)
    path = csv_of(tmp_path / "c.csv", "lat,lon", (lat, lon))
    with pytest.raises(OptionError, match="is in degrees and has its place already"):
        track_from_centre_line(path, origin=(0.0, 0.0))


@pytest.mark.parametrize("laps", [1, 3, 11])
def test_the_log_of_several_laps_is_no_centre_line(tmp_path, club, laps):
    # A closed line without a loop turns by 360 degrees a round (Hopf's theorem on turning tangents, 1935).
    x, y = (np.tile(values[::4], laps) for values in (club.line.x, club.line.y))
    path = csv_of(tmp_path / "laps.csv", "x_m,y_m", [x, y])
    if laps == 1:
        assert track_from_centre_line(path, origin=(-35.0, -115.0)).length == pytest.approx(club.length, rel=1e-3)
        return
    with pytest.raises(TrackFormatError, match=rf"laps\.csv: the line goes round {laps} times, as the log of so many"):
        track_from_centre_line(path, origin=(-35.0, -115.0))


def test_files_that_are_no_text_or_not_there_are_named(tmp_path):
    with pytest.raises(TrackFormatError, match=r"none.csv: cannot be read \(No such file"):
        track_from_centre_line(tmp_path / "none.csv")
    (tmp_path / "b.csv").write_bytes(b"x_m,y_m\n\xff\xfe")
    with pytest.raises(TrackFormatError, match="byte 8 is not UTF-8"):
        track_from_centre_line(tmp_path / "b.csv")


@pytest.mark.parametrize(
    ("decimals", "unit", "rel"), [(7, "deg", 0.02), (6, "deg", 0.06), (3, "m", 0.02)], ids=["1 cm", "11 cm", "1 mm"]
)
def test_rounded_points_of_a_centre_line_do_not_make_its_corners_tighter(tmp_path, decimals, unit, rel):
    # An ellipse with half axes a, b has the radius b² / a at its ends. Rounding to 1 cm every 2 m errs by 0.0018 1/m
    # (sqrt(6) · 1 cm / sqrt(12) / (2 m)²), up to 0.005 in a lap: 15 % of this corner's curvature if nothing is done.
    a, b = 150.0, 75.0
    angle = np.linspace(0.0, 2.0 * np.pi, 360, endpoint=False)  # 2 m apart on average
    x, y = a * np.cos(angle), b * np.sin(angle)
    header, columns = "x_m,y_m", (x, y)
    if unit == "deg":
        header, columns = "latitude,longitude", to_geodetic(x, y, (47.0, 8.0))
    path = csv_of(tmp_path / "ellipse.csv", header, [np.round(column, decimals) for column in columns])
    track = track_from_centre_line(path)
    assert 1.0 / np.abs(track.line.kappa).max() == pytest.approx(b**2 / a, rel=rel)


def test_a_start_line_beside_the_crossing_of_a_figure_of_eight_is_cut_back_and_can_be_read(tmp_path):
    half = 40.0 * math.sqrt(3.0)  # r |tan(240° / 2)|: the crossing lies at station 0, at 60 degrees
    plan = closed_layout([Straight(half), Bend(240, 40), Straight(2 * half), Bend(-240, 40), Straight(half)])
    first = 2.0  # [m] a line of 7.5 m each way meets the other road after 2 m · tan(60°) = 3.5 m
    station = first + np.arange(0.0, plan.length - 1.0, 2.0)
    path = csv_of(tmp_path / "eight.csv", "x_m,y_m", plan.positions(station % plan.length))
    track = track_from_centre_line(path, origin=(47.0, 8.0))
    (x1, y1), (x2, y2) = track.start_line
    assert math.hypot(x2 - x1, y2 - y1) < 15.0
    read = track_from_geojson(json.loads(track_to_geojson(track)), "eight.geojson")
    assert read.length == pytest.approx(track.length, rel=1e-4)


def bends_of(angle, radius, ease):
    """A circuit of equal bends, with straights of 150 m between them."""
    return closed_layout(
        [element for _ in range(360 // angle) for element in (Straight(150.0), Bend(angle, radius, ease, ease))]
    )


def apex_errors(plan, spacing, path):
    """The note on a plan's points, and the relative error of the curvature at each apex."""
    count = round(plan.length / spacing)
    first = 0.3 * spacing
    station = first + np.arange(count) * plan.length / count
    track, notes = read_centre_line(csv_of(path, "x_m,y_m", plan.positions(station)))
    apex = np.array([middle for _, middle, _ in plan.bends])
    at = (apex - first) % plan.length * track.length / plan.length
    found = np.interp(at, track.line.station, track.line.kappa, period=track.length)
    return notes, found / plan.curvature(apex) - 1.0


@pytest.mark.parametrize("ease", [0.5, 8.0], ids=["arcs", "clothoids"])
@pytest.mark.parametrize(
    ("angle", "radius", "spacing", "coarse"),
    # the largest turn from step to step is spacing / radius: more than a third of the bend, or less than a quarter
    [
        (90, 20.0, 5.0, False),
        (90, 20.0, 20.0, True),
        (180, 12.0, 5.0, False),
        (180, 12.0, 20.0, True),
        (60, 60.0, 10.0, False),
        (60, 60.0, 40.0, True),
        (90, 100.0, 30.0, False),
        (90, 30.0, 40.0, True),
        # a little more than three steps in the bend are too few as well
        (45, 12.0, 3.0, True),
        (45, 60.0, 14.5, True),
    ],
)
def test_points_too_far_apart_for_a_bend_are_told(tmp_path, angle, radius, spacing, coarse, ease):
    notes, errors = apex_errors(bends_of(angle, radius, ease), spacing, tmp_path / "c.csv")
    # the bar of the curvature at the apex is 5 %: the note comes where it is not held, and only there
    assert (np.abs(errors).max() > 0.05) == coarse
    assert bool(notes) == coarse
    if coarse:
        needed = int(re.search(r"Give points every (\d+) m there", notes[0]).group(1))
        assert apex_errors(bends_of(angle, radius, ease), float(needed), tmp_path / "d.csv")[0] == ()


@pytest.mark.parametrize(("angle", "radius"), [(90, 20.0), (180, 12.0), (60, 60.0)])
def test_four_steps_round_a_bend_are_asked_for(tmp_path, angle, radius):
    # An arc of angle · radius in four steps: 7.9 m for a right angle of 20 m radius. Whole metres, never more.
    notes, _ = apex_errors(bends_of(angle, radius, 0.5), 0.9 * radius * math.radians(angle) / 2.0, tmp_path / "c.csv")
    asked = int(re.search(r"Give points every (\d+) m there", notes[0]).group(1))
    assert asked == int(radius * math.radians(angle) / 4.0)


@pytest.mark.parametrize(("unit", "decimals"), [("m", 0), ("m", 1), ("m", 2), ("deg", 5), ("deg", 6)])
def test_what_rounding_does_to_points_is_the_deviation_that_it_has(unit, decimals):
    # The deviation of what rounding took away, measured; on 4000 points it is known to 2 %. At the equator a degree
    # is as long along it as across, to 1 %.
    exact = np.random.default_rng(3).uniform(-0.02, 0.02, (2, 4000)) * (1.0 if unit == "deg" else 50_000.0)
    rounded = np.round(exact, decimals)
    names, metres = (("lat", "lon"), 111_320.0) if unit == "deg" else (("x", "y"), 1.0)
    _, rounding, _ = _placed(dict(zip(names, rounded, strict=True)), None, "c.csv")
    assert rounding == pytest.approx(metres * np.std(rounded - exact), rel=0.03)


def test_only_the_corners_too_tight_for_their_points_are_named(tmp_path):
    plan = closed_layout(
        [Straight(200.0), Bend(90.0, 15.0, 3.0, 3.0), *[Straight(200.0), Bend(90.0, 80.0, 20.0, 20.0)] * 3]
    )
    notes, errors = apex_errors(plan, 15.0, tmp_path / "c.csv")
    assert [abs(error) > 0.05 for error in errors] == [True, False, False, False]
    assert notes[0].startswith("The points lie 14 to 15 m apart: too far for corner 1, whose curvature")
    entry, _, leave = plan.bends[0]
    parts = ((0.0, entry - 30.0, 15.0), (entry - 30.0, leave + 30.0, 4.0), (leave + 30.0, plan.length, 15.0))
    denser = np.concatenate([np.arange(*part) for part in parts])
    _, notes = read_centre_line(csv_of(tmp_path / "d.csv", "x_m,y_m", plan.positions(denser)))
    assert notes == ()


def test_no_more_than_five_corners_are_named(tmp_path):
    notes, _ = apex_errors(bends_of(45, 20.0, 0.5), 20.0, tmp_path / "c.csv")
    assert "too far for 8 of 8 corners (1, 2, 3, 4, 5 and 3 more), whose curvature" in notes[0]


def test_points_of_an_invented_circuit_are_close_enough(club, tmp_path):
    assert read_centre_line(csv_of(tmp_path / "c.csv", "x_m,y_m", (club.line.x, club.line.y)))[1] == ()
