"""Track files: round trip, the rules of RFC 7946, editing by hand, and every way to break one."""

import copy
import json
import math
import subprocess
import sys
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyproj
import pytest

from simlap.circuits import PLANS, invented_circuit, write_invented
from simlap.errors import OptionError, TrackFormatError
from simlap.geodesy import to_geodetic, to_plane
from simlap.layout import Bend, Straight, closed_layout
from simlap.line import Line
from simlap.track import Corner, SurfaceNote, Track, start_line_across
from simlap.trackfile import read_track, track_to_geojson, write_track
from simlap.trackfile_read import Place, _check_apart, _check_heights

TRACKS = Path(__file__).parents[1] / "tracks"


@pytest.fixture(scope="module")
def club():
    return invented_circuit("club")


@pytest.fixture(scope="module")
def kart_json():
    return json.loads(track_to_geojson(invented_circuit("kart")))


def written(tmp_path, data):
    path = tmp_path / "edited.geojson"
    path.write_text(json.dumps(data), encoding="utf-8")
    return path


def with_role(data, role):
    return [f for f in data["features"] if f["properties"].get("role") == role]


# -- round trip


@pytest.mark.parametrize("name", list(PLANS))
def test_a_written_track_reads_back_to_a_tenth_of_a_millimetre(tmp_path, name):
    # Tolerance: 10 decimals of a degree are 0.01 mm; the curvature between vertices 2 m apart then moves by up to
    # sqrt(6) * 0.01 mm / (2 m)² = 6e-6 1/m, twice that for the worst of 2000 vertices.
    track = invented_circuit(name)
    track = replace(track, corners=(replace(track.corners[0], grip=0.925), *track.corners[1:]))
    back = read_track(write_track(track, tmp_path / "t.geojson"))
    lat, lon = to_geodetic(track.line.x, track.line.y, track.origin)
    x, y = to_plane(lat, lon, back.origin)
    np.testing.assert_allclose(back.line.x, x, atol=1e-4)
    np.testing.assert_allclose(back.line.y, y, atol=1e-4)
    np.testing.assert_allclose(back.line.z, track.line.z, atol=1e-4)
    np.testing.assert_allclose(back.line.kappa, track.line.kappa, atol=3e-5)
    np.testing.assert_allclose(back.line.bank, track.line.bank, atol=1e-5)
    np.testing.assert_allclose(back.width_left, track.width_left, atol=1e-3)
    assert back.length == pytest.approx(track.length, abs=1e-3)
    assert (back.name, back.has_elevation, back.line.bank_stated) == (track.name, True, True)
    for a, b in zip(track.corners, back.corners, strict=True):
        assert (a.name, a.direction, a.grip) == (b.name, b.direction, b.grip)
        assert (a.entry_m, a.apex_m, a.exit_m) == pytest.approx((b.entry_m, b.apex_m, b.exit_m), abs=1e-3)
    for a, b in zip(track.notes, back.notes, strict=True):
        assert a.text == b.text
        assert (a.start_m, a.stop_m) == pytest.approx((b.start_m, b.stop_m), abs=1e-3)


def test_the_shipped_track_files_are_what_the_command_writes(tmp_path):
    # Source: a second run of the generator; the files in tracks/ are its output and nothing else.
    for path in write_invented(tmp_path):
        assert (TRACKS / path.name).read_text(encoding="utf-8") == path.read_text(encoding="utf-8")


@pytest.mark.parametrize("arguments", [("--help",), ("a", "b")])
def test_the_command_that_writes_them_takes_one_folder_and_no_option(tmp_path, arguments):
    done = subprocess.run(
        [sys.executable, "-m", "simlap.circuits", *arguments], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stderr.startswith("usage: python -m simlap.circuits [FOLDER]")
    assert done.stdout == ""
    assert list(tmp_path.iterdir()) == []


def test_lengths_in_the_file_are_those_of_the_ellipsoid(club):
    # Source: pyproj's geodesics on WGS 84 between the written positions. Tolerance: the plane stretches by 1e-8 within
    # 500 m of its origin, chords of 2 m are shorter than arcs of 20 m radius by 4e-4 in the hairpin alone.
    rows = np.array(with_role(json.loads(track_to_geojson(club)), "reference line")[0]["geometry"]["coordinates"])
    flat = pyproj.Geod(ellps="WGS84").inv(rows[:-1, 0], rows[:-1, 1], rows[1:, 0], rows[1:, 1])[2]
    slope = float(np.hypot(flat, np.diff(rows[:, 2])).sum())
    assert slope == pytest.approx(club.length, rel=3e-5)
    assert slope < club.length


# -- RFC 7946


def test_written_files_obey_rfc_7946(club):
    # Source: RFC 7946: 3.3 FeatureCollection has "features"; 3.2 a Feature has "geometry" and "properties"; 3.1.1
    # longitude before latitude, elevation third; 3.1.4 LineString of two or more positions; 4 no "crs" member.
    data = json.loads(track_to_geojson(club))
    assert data["type"] == "FeatureCollection"
    assert "crs" not in data
    for feature in data["features"]:
        assert feature["type"] == "Feature"
        assert set(feature) == {"type", "properties", "geometry"}
    line = with_role(data, "reference line")[0]["geometry"]
    assert line["type"] == "LineString"
    assert line["coordinates"][0] == line["coordinates"][-1]
    longitude, latitude, elevation = line["coordinates"][0]
    assert (longitude, latitude) == pytest.approx((club.origin[1], club.origin[0]), abs=1e-6)
    assert elevation == pytest.approx(12.0, abs=1e-3)  # the height that the plan gives to the start line


def test_a_byte_order_mark_and_the_old_name_of_wgs_84_are_read(tmp_path, kart_json):
    # Source: RFC 7946 section 4 (WGS 84, formerly named OGC CRS84), RFC 8259 section 8.1 (parsers may ignore a BOM).
    data = {**kart_json, "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}}
    path = tmp_path / "bom.geojson"
    path.write_bytes(b"\xef\xbb\xbf" + json.dumps(data).encode())
    assert read_track(path).name == "Pipwick"


def test_features_of_others_are_left_alone(tmp_path, kart_json):
    data = copy.deepcopy(kart_json)
    data["features"].insert(0, {"type": "Feature", "properties": None, "geometry": None})
    data["features"].append(
        {"type": "Feature", "properties": {"building": "yes"}, "geometry": {"type": "Point", "coordinates": [0, 0]}}
    )
    assert len(read_track(written(tmp_path, data)).corners) == 9


# -- edited by hand


def test_lines_that_a_program_saves_as_multi_lines_of_one_part_are_the_same_track(tmp_path, kart_json):
    # RFC 7946, section 3.1.5: the coordinates of a MultiLineString are an array of those of LineStrings.
    data = copy.deepcopy(kart_json)
    for feature in data["features"]:
        if feature["geometry"]["type"] == "LineString":
            feature["geometry"] = {
                "type": "MultiLineString",
                "coordinates": [feature["geometry"]["coordinates"]],
            }
    multi, plain = read_track(written(tmp_path, data)), read_track(written(tmp_path, kart_json))
    np.testing.assert_array_equal(multi.line.x, plain.line.x)
    assert (multi.corners, multi.start_line) == (plain.corners, plain.start_line)


def test_a_start_line_moved_on_the_map_moves_station_0_and_nothing_else(tmp_path, club):
    # Source: the same track, its start line drawn across the line at station 200 m (between two vertices).
    data = json.loads(track_to_geojson(club))
    moved = 200.7
    index = int(moved / club.line.station[1])
    dx, dy = club.line.x[index + 1] - club.line.x[index], club.line.y[index + 1] - club.line.y[index]
    share = moved / club.line.station[1] - index
    at = (club.line.x[index] + share * dx, club.line.y[index] + share * dy)
    size = math.hypot(dx, dy)
    ends = np.array([[at[0] + k * dy / size, at[1] - k * dx / size] for k in (7.0, -7.0)])
    lat, lon = to_geodetic(*ends.T, club.origin)
    with_role(data, "start line")[0]["geometry"]["coordinates"] = np.stack((lon, lat), axis=1).tolist()
    back = read_track(written(tmp_path, data))
    assert back.length == pytest.approx(club.length, abs=2e-3)
    for a in club.corners:
        (b,) = [c for c in back.corners if c.name == a.name]
        for end in ("entry_m", "apex_m", "exit_m"):
            assert (getattr(a, end) - moved) % club.length == pytest.approx(getattr(b, end), abs=5e-3)
    there = np.interp((back.line.station + moved) % club.length, club.line.station, club.line.kappa)
    away = (back.line.station > 10.0) & (back.line.station < back.length - 10.0)
    np.testing.assert_allclose(back.line.kappa[away], there[away], atol=6e-4)  # linear between kinks 2 m apart


def test_a_corner_dragged_along_the_line_gets_its_stations_from_there(tmp_path, club):
    data = json.loads(track_to_geojson(club))
    corner = with_role(data, "corner")[3]
    line = np.array(with_role(data, "reference line")[0]["geometry"]["coordinates"])
    corner["geometry"]["coordinates"] = line[[600, 650, 700], :2].tolist()
    back = read_track(written(tmp_path, data))
    (seen,) = [c for c in back.corners if c.name == "4"]
    assert (seen.entry_m, seen.apex_m, seen.exit_m) == pytest.approx(club.line.station[[600, 650, 700]], abs=1e-3)


def test_grip_widths_banking_and_notes_written_by_hand_are_read(tmp_path, kart_json):
    data = copy.deepcopy(kart_json)
    with_role(data, "corner")[2]["properties"].update(grip=0.9, name=33)
    line = with_role(data, "reference line")[0]
    count = len(line["geometry"]["coordinates"])
    line["properties"]["width_left_m"] = np.linspace(2.0, 4.0, count).tolist()
    line["properties"]["banking_deg"] = [3.0] * count
    middle = line["geometry"]["coordinates"][100]
    note = {"role": "surface", "note": "<b>bump</b> $x_1$"}
    data["features"].append(
        {"type": "Feature", "properties": note, "geometry": {"type": "Point", "coordinates": middle}}
    )
    back = read_track(written(tmp_path, data))
    assert [(c.name, c.grip) for c in back.corners if c.grip != 1.0] == [("33", 0.9)]
    assert back.width_left[[0, 296]] == pytest.approx([2.0, 3.0], abs=0.01)
    np.testing.assert_allclose(back.line.bank, math.radians(3.0), rtol=1e-6)
    assert back.notes[-1].text == "<b>bump</b> $x_1$"
    assert back.notes[-1].start_m == back.notes[-1].stop_m == pytest.approx(back.line.station[100], abs=1e-3)


def test_seven_decimals_as_many_editors_write_do_not_shake_the_curvature(tmp_path, club):
    # 1e-7 deg is 11 mm; unsmoothed, vertices 2 m apart would move the curvature by sqrt(6) * 3 mm / 4 m² = 2e-3 1/m.
    data = json.loads(track_to_geojson(club))
    line = with_role(data, "reference line")[0]["geometry"]
    line["coordinates"] = [[round(p[0], 7), round(p[1], 7), p[2]] for p in line["coordinates"]]
    back = read_track(written(tmp_path, data))
    off = back.line.kappa - np.interp(back.line.station, club.line.station, club.line.kappa)
    assert np.sqrt(np.mean(off**2)) < 3e-4


def test_a_line_drawn_by_hand_with_a_vertex_every_20_m_keeps_its_corners(tmp_path, club):
    data = json.loads(track_to_geojson(club))
    line = with_role(data, "reference line")[0]
    rows = line["geometry"]["coordinates"]
    line["geometry"]["coordinates"] = [*rows[:-5:10], rows[0]]
    for key in ("width_left_m", "width_right_m", "banking_deg"):
        del line["properties"][key]
    middle = np.searchsorted(club.line.station, club.corners[0].apex_m)
    across = rows[middle][0], rows[middle][1]
    with_role(data, "start line")[0]["geometry"]["coordinates"] = [
        [across[0] - 1.1e-4, across[1] - 0.5e-4],
        [across[0] + 1.0e-4, across[1] + 0.6e-4],
    ]
    back = read_track(written(tmp_path, data))
    assert back.length == pytest.approx(club.length, rel=2e-3)
    (x1, y1), (x2, y2) = back.start_line  # oblique, in a corner, and station 0 lies on it
    beside = ((x2 - x1) * (back.line.y[0] - y1) - (y2 - y1) * (back.line.x[0] - x1)) / math.hypot(x2 - x1, y2 - y1)
    assert abs(beside) < 1e-3
    assert back.line.x.size > 1600  # filled up to stations of 2 m
    moved = sorted(club.corners, key=lambda c: (c.apex_m - club.corners[0].apex_m + 30.0) % club.length)
    assert {c.name: c.direction for c in back.corners} == {c.name: c.direction for c in moved}


def test_a_corner_on_a_crossing_lies_on_the_leg_its_apex_names(tmp_path):
    # A figure of eight crosses itself at two stations half a lap apart; the written apex_m tells them apart.
    plan = closed_layout([Straight(60), Bend(270, 40), Straight(120), Bend(-270, 40), Straight(60)])
    line = Line.from_points(*plan.positions(np.linspace(0.0, plan.length, 310, endpoint=False)))
    line = line.rolled(-20)
    gap = np.hypot(line.x[:, None] - line.x, line.y[:, None] - line.y)
    gap[np.abs(line.station[:, None] - line.station) < 100.0] = np.inf
    legs = np.unravel_index(np.argmin(gap), gap.shape)
    for leg in legs:
        at = float(line.station[leg])
        for entry, apex, leave in ((at - 9.0, at, at + 9.0), (at, at + 9.0, at + 18.0), (at - 18.0, at - 9.0, at)):
            corner = Corner("x", "left", entry, apex, leave)
            note = SurfaceNote("wet", entry, leave if leave > at else entry + 9.0)  # its end tells the leg
            track = Track("eight", line, start_line_across(line, 5.0), (corner,), (0.0, 0.0), notes=(note,))
            back = read_track(write_track(track, tmp_path / "eight.geojson"))
            (seen,), (told,) = back.corners, back.notes
            assert (seen.entry_m, seen.apex_m, seen.exit_m) == pytest.approx((entry, apex, leave), abs=0.01)
            assert (told.start_m, told.stop_m) == pytest.approx((note.start_m, note.stop_m), abs=0.01)


def test_corners_come_in_the_order_of_the_lap_however_a_program_saves_them(tmp_path, kart_json):
    data = copy.deepcopy(kart_json)
    names = [corner.name for corner in read_track(written(tmp_path, data)).corners]
    data["features"].reverse()
    back = read_track(written(tmp_path, data)).corners
    assert [corner.name for corner in back] == names
    assert (np.diff([corner.apex_m for corner in back]) > 0.0).all()


def test_a_track_on_another_plane_is_the_same_track(club):
    # Source: geodetic coordinates do not depend on the plane. Tolerance: transverse Mercator stretches by
    # (x / R)² / 2 = 1e-6 within 9 km.
    other = club.in_plane((-40.02, -120.05))
    assert club.in_plane(club.origin) is club
    lat, lon = to_geodetic(other.line.x, other.line.y, other.origin)
    x, y = to_plane(lat, lon, club.origin)
    np.testing.assert_allclose(x, club.line.x, atol=5e-3)
    np.testing.assert_allclose(y, club.line.y, atol=5e-3)
    assert other.length == pytest.approx(club.length, rel=2e-6)
    with pytest.raises(OptionError, match="has no latitude and longitude"):
        replace(club, origin=None).in_plane((0.0, 0.0))


# -- broken files: exact words


def edit(change):
    def apply(data):
        change(data)
        return data

    return apply


def line_of(data):
    return with_role(data, "reference line")[0]


def corner_of(data, number=0):
    return with_role(data, "corner")[number]


def beside(data, degrees):
    """A place so far south of the southernmost vertex of the reference line."""
    longitude, latitude, *_ = min(line_of(data)["geometry"]["coordinates"], key=lambda row: row[1])
    return [longitude, latitude - degrees]


BROKEN = {
    "not a collection": (lambda d: d["features"][0], r"edited.geojson: the outermost object is no GeoJSON Feature"),
    "a list": (lambda d: [d], r"no GeoJSON FeatureCollection \(RFC 7946, section 3.3\)"),
    "features missing": (lambda d: {"type": "FeatureCollection"}, r'"features" is no array'),
    "another crs": (
        edit(lambda d: d.update(crs={"type": "name", "properties": {"name": "EPSG:3857"}})),
        r"\"crs\" is 'EPSG:3857'; GeoJSON is in WGS 84",
    ),
    "crs without properties": (
        edit(lambda d: d.update(crs={"type": "name", "properties": None})),
        r"\"crs\" is None; GeoJSON is in WGS 84",
    ),
    "crs with a list of properties": (
        edit(lambda d: d.update(crs={"type": "name", "properties": ["a"]})),
        r"\"crs\" is None; GeoJSON is in WGS 84",
    ),
    "crs as a list": (edit(lambda d: d.update(crs=["a"])), r"\"crs\" is \['a'\]; GeoJSON is in WGS 84"),
    "not a feature": (edit(lambda d: d["features"].insert(1, 7)), r"features\[1\]: its \"type\" is not \"Feature\""),
    "type in small letters": (
        edit(lambda d: d["features"][4].update(type="feature")),
        r"features\[4\]: its \"type\" is not \"Feature\"",
    ),
    "role mistyped": (
        edit(lambda d: corner_of(d)["properties"].update(role="Corner")),
        r"features\[2\], property 'role': 'Corner' is none of reference line, start line, corner, surface",
    ),
    "role a list": (
        edit(lambda d: corner_of(d)["properties"].update(role=[])),
        r"features\[2\], property 'role': \[\]",
    ),
    "no reference line": (
        edit(lambda d: d["features"].pop(0)),
        r'0 features have the property "role": "reference line"',
    ),
    "two start lines": (
        edit(lambda d: d["features"].append(d["features"][1])),
        r'2 features have the property "role": "start line"; a track file has exactly one',
    ),
    "line is a polygon": (
        edit(lambda d: line_of(d)["geometry"].update(type="Polygon")),
        r"features\[0\] \(reference line\): its geometry is 'Polygon'; it must be LineString",
    ),
    "line in two parts": (
        edit(
            lambda d: line_of(d).update(
                geometry={"type": "MultiLineString", "coordinates": [[[0, 0], [0, 1]], [[0, 1], [0, 0]]]}
            )
        ),
        r"features\[0\] \(reference line\): its geometry is a MultiLineString of 2 parts\. Merge them",
    ),
    "line of no parts": (
        edit(lambda d: line_of(d).update(geometry={"type": "MultiLineString", "coordinates": None})),
        r"features\[0\] \(reference line\): its geometry is a MultiLineString of no parts",
    ),
    "no geometry": (edit(lambda d: line_of(d).update(geometry=None)), r"features\[0\].*its geometry is None"),
    "no positions": (
        edit(lambda d: line_of(d)["geometry"].update(coordinates=[])),
        r"\"coordinates\" hold no positions",
    ),
    "text in a position": (
        edit(lambda d: line_of(d)["geometry"]["coordinates"].__setitem__(5, [1.0, "2"])),
        r"features\[0\] \(reference line\), coordinates\[5\]: \[1.0, '2'\] is no position",
    ),
    "true in a position": (
        edit(lambda d: line_of(d)["geometry"]["coordinates"].__setitem__(5, [True, 2])),
        r"coordinates\[5\]: \[True, 2\] is no position",
    ),
    "metres for degrees": (
        edit(lambda d: line_of(d)["geometry"]["coordinates"].__setitem__(3, [500000.0, 4000000.0, 2.0])),
        r"coordinates\[3\]: longitude 500000, latitude 4e\+06 is no place on the globe",
    ),
    "elevation once": (
        edit(lambda d: line_of(d)["geometry"]["coordinates"][7].pop()),
        r"features\[0\].*some positions have an elevation and some have none",
    ),
    "over the 180th meridian": (
        edit(lambda d: line_of(d)["geometry"]["coordinates"][7].__setitem__(0, 179.0)),
        r"features\[0\].*crosses the 180th meridian",
    ),
    "open": (
        edit(lambda d: line_of(d)["geometry"]["coordinates"].pop()),
        r"features\[0\] \(reference line\): its last position lies 2 m from its first. Close the line",
    ),
    "a pin's head": (
        edit(
            lambda d: line_of(d).update(
                properties={"role": "reference line"},
                geometry={
                    "type": "LineString",
                    "coordinates": [[k * 1e-6, k % 3 * 1e-6] for k in range(10)] + [[0, 0]],
                },
            )
        ),
        r"features\[0\].*the line is \d.\d m long; a circuit has at least 50 m",
    ),
    "three vertices": (
        edit(
            lambda d: line_of(d).update(
                properties={"role": "reference line"},
                geometry={
                    "type": "LineString",
                    "coordinates": [[-115, -35], [-115, -34.99], [-114.99, -34.99], [-115, -35]],
                },
            )
        ),
        r"the line has 3 vertices that lie 1 m apart; a circuit needs at least 8",
    ),
    "round a country": (
        edit(
            lambda d: line_of(d).update(
                properties={"role": "reference line"},
                geometry={
                    "type": "LineString",
                    "coordinates": [[10 * math.cos(k / 4), 10 * math.sin(k / 4)] for k in range(25)] + [[10.0, 0.0]],
                },
            )
        ),
        r"the line is \d{4} km long; a circuit has at most 100 km",
    ),
    "widths too few": (
        edit(lambda d: line_of(d)["properties"]["width_left_m"].pop()),
        r"features\[0\] \(reference line\), property 'width_left_m': 592 values, but the line has 593 positions",
    ),
    "width negative": (
        edit(lambda d: line_of(d)["properties"]["width_right_m"].__setitem__(4, -1)),
        r"property 'width_right_m\[4\]': -1 is no number from 0 to 200",
    ),
    "banking a text": (
        edit(lambda d: line_of(d)["properties"].update(banking_deg="steep")),
        r"property 'banking_deg': 'steep', but the line has 593 positions",
    ),
    "an elevation of nought": (  # what a position added by hand in an editor comes with
        edit(
            lambda d: (
                [row.__setitem__(2, row[2] + 300.0) for row in line_of(d)["geometry"]["coordinates"]]
                and line_of(d)["geometry"]["coordinates"][7].__setitem__(2, 0)
            )
        ),
        r"features\[0\] \(reference line\), coordinates\[6\] and \[7\]: elevations [\d.]+ and 0 m, [\d.]+ m apart\. No "
        r"road is so steep",
    ),
    "start line of three": (
        edit(lambda d: d["features"][1]["geometry"]["coordinates"].append([-115, -35])),
        r"features\[1\] \(start line\): it has 3 positions; a start line has two",
    ),
    "start line elsewhere": (
        edit(lambda d: d["features"][1]["geometry"].update(coordinates=[[-115.01, -35.0], [-115.01, -35.0001]])),
        r"the start line \(11.1 m long\) crosses the reference line 0 times",
    ),
    "start line without length": (
        edit(lambda d: d["features"][1]["geometry"].update(coordinates=[[-115.0, -35.0], [-115.0, -35.0]])),
        r"the two points of the start line are the same",
    ),
    "start line across both sides": (
        edit(lambda d: d["features"][1]["geometry"].update(coordinates=[[-115.01, -35.0], [-114.99, -34.998]])),
        r"crosses the reference line 2 times; it must cross it once",
    ),
    "corner far off": (
        edit(lambda d: corner_of(d)["geometry"]["coordinates"].__setitem__(1, [-115.0, -35.01])),
        r"features\[2\] \(corner\): the position -115.000000, -35.010000 lies \d+ m from the reference line",
    ),
    "corner 40 m off": (  # 0.00036 degrees of latitude, 111 km each
        edit(lambda d: corner_of(d)["geometry"]["coordinates"].__setitem__(1, beside(d, 40.0 / 111_000.0))),
        r"features\[2\] \(corner\): the position .* lies [34]\d m from the reference line\. Put .* 25 m off\)",
    ),
    "a number of 400 digits": (
        edit(lambda d: line_of(d)["geometry"]["coordinates"].__setitem__(5, [10**400, 2, 3])),
        r"coordinates\[5\]: \[10+\.\.\. is no position",
    ),
    "corner of two": (
        edit(lambda d: corner_of(d)["geometry"]["coordinates"].pop()),
        r"features\[2\] \(corner\): it has 2 positions; a corner has three: entry, apex, exit",
    ),
    "corner backwards": (
        edit(lambda d: corner_of(d)["geometry"]["coordinates"].reverse()),
        r"features\[2\] \(corner\): entry at 113.2 m, apex at 92.\d m and exit at 74.1 m are not in driving order",
    ),
    "corner dragged over the next": (
        edit(
            lambda d: corner_of(d)["geometry"]["coordinates"].__setitem__(
                2, corner_of(d, 1)["geometry"]["coordinates"][1]
            )
        ),
        r"features\[2\] \(corner\), corner '1': its exit at [\d.]+ m lies behind the entry of corner '2' at [\d.]+ m",
    ),
    "corner without a name": (
        edit(lambda d: corner_of(d)["properties"].pop("name")),
        r"features\[2\] \(corner\), property 'name': None is no text of 1 to 1000 characters",
    ),
    "corner named twice": (
        edit(lambda d: corner_of(d, 1)["properties"].update(name="1")),
        r"features\[3\] \(corner\), property 'name': '1' is the name of another corner too",
    ),
    "grip in per cent": (
        edit(lambda d: corner_of(d)["properties"].update(grip=95)),
        r"features\[2\] \(corner\), property 'grip': 95 is no factor from 0.1 to 3",
    ),
    "grip a text": (edit(lambda d: corner_of(d)["properties"].update(grip="1")), r"property 'grip': '1' is no factor"),
}


@pytest.mark.parametrize("fault", list(BROKEN))
def test_a_broken_track_file_is_named_with_feature_and_property(tmp_path, kart_json, fault):
    change, words = BROKEN[fault]
    with pytest.raises(TrackFormatError, match=words) as caught:
        read_track(written(tmp_path, change(copy.deepcopy(kart_json))))
    assert str(caught.value).startswith(str(tmp_path / "edited.geojson"))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", r"row 1, column 1: Expecting value. This is no JSON"),
        (b"speed,time\n1,2\n", r"row 1, column 1: Expecting value"),
        (b'{"type": "FeatureCollection",\n "features": [}', r"row 2, column 15: Expecting value"),
        (b"\x89PNG\r\n\x1a\n", r"byte 0 is not UTF-8"),
        (b'{"type": "FeatureCollection", "features": [NaN]}', r"NaN is no number in JSON"),
        (b'{"type": "a", "type": "b"}', r"'type' stands twice in one object"),
        (b'{"%s": 1, "%s": 2}' % (b"k" * 500, b"k" * 500), r"bad\.geojson: 'k{56}\.\.\. stands twice in one object"),
        (b"[" * 100_000, r"cannot be read as JSON"),
        (b'{"features": ' + b"9" * 5000 + b"}", r"cannot be read as JSON"),
    ],
    ids=["empty", "csv", "cut", "binary", "nan", "twice", "twice at length", "nested", "digits"],
)
def test_what_is_no_json_is_named_with_row_and_column(tmp_path, content, words):
    path = tmp_path / "bad.geojson"
    path.write_bytes(content)
    with pytest.raises(TrackFormatError, match=words):
        read_track(path)


def test_a_missing_file_and_a_folder_are_named(tmp_path):
    with pytest.raises(TrackFormatError, match=r"none.geojson: cannot be read \(No such file or directory\)"):
        read_track(tmp_path / "none.geojson")
    with pytest.raises(TrackFormatError, match=r"cannot be read \(Is a directory\)"):
        read_track(tmp_path)


def test_a_track_without_a_place_on_the_globe_is_not_written(tmp_path, club):
    with pytest.raises(OptionError, match=r"has no latitude and longitude.*--origin"):
        write_track(replace(club, origin=None), tmp_path / "no.geojson")
    with pytest.raises(OptionError, match="crosses the 180th meridian"):
        write_track(replace(club, origin=(0.0, 180.0)), tmp_path / "no.geojson")
    assert list(tmp_path.iterdir()) == []


def test_text_of_the_user_is_data(tmp_path, club):
    strange = 'say "hi"</script>\n{%}  \u2028 \N{GRINNING FACE}'
    track = replace(club, name=strange, notes=(SurfaceNote(strange, 10.0, 20.0),))
    back = read_track(write_track(track, tmp_path / "t.geojson"))
    assert (back.name, back.notes[0].text) == (strange, strange)


@pytest.mark.parametrize("part", ["track", "corner", "note"])
def test_a_name_that_reading_refuses_is_not_written(tmp_path, club, part):
    def named(text):
        return {
            "track": replace(club, name=text),
            "corner": replace(club, corners=(replace(club.corners[0], name=text), *club.corners[1:])),
            "note": replace(club, notes=(SurfaceNote(text, 10.0, 20.0),)),
        }[part]

    path = tmp_path / "t.geojson"
    for text in ("x" * 1001, "  "):  # the bound of reading: 1 to 1000 characters, not all blank
        with pytest.raises(OptionError, match=r"1 to 1000"):
            write_track(named(text), path)
        assert not path.exists()
    write_track(named("x" * 1000), path)
    read_track(path)


@pytest.mark.parametrize(("rise", "told"), [(3.5, False), (4.5, True)])
def test_heights_may_step_by_three_metres_and_the_way_between_them(rise, told):
    x, place = np.array([0.0, 1.0]), Place("steps.geojson", 0, "reference line")
    with pytest.raises(TrackFormatError, match=r"elevations 0 and 4\.5 m, 1\.0 m apart") if told else nullcontext():
        _check_heights(place, x, np.zeros(2), np.array([0.0, rise]))


@pytest.mark.parametrize(("over", "told"), [(1.0, False), (3.0, True)])
def test_corners_may_overlap_by_what_rounded_marks_are_off(over, told):
    one, two = Corner("1", "left", 100.0, 150.0, 200.0 + over), Corner("2", "right", 200.0, 250.0, 300.0)
    places = {name: Place("two.geojson", 2, "corner") for name in ("1", "2")}
    with pytest.raises(TrackFormatError, match="Corners may touch, not overlap") if told else nullcontext():
        _check_apart([one, two], 1000.0, places)
