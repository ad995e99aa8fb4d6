"""Track files and centre lines of any content: read, or refused in one line; never a traceback."""

import copy
import json
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simlap.centreline import track_from_centre_line
from simlap.errors import TrackFormatError
from simlap.line import Line
from simlap.track import Corner, SurfaceNote, Track, start_line_across
from simlap.trackfile import track_to_geojson
from simlap.trackfile_read import load_json, track_from_geojson

FEW = settings(
    max_examples=80,
    deadline=None,
    derandomize=True,  # the seed: the same examples on every run
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


def small_circuit():
    """An ellipse of about 150 m with a corner, a note, widths: the shortest file that has every kind of feature."""
    angle = np.linspace(0.0, 2.0 * math.pi, 40, endpoint=False)
    line = Line.from_points(30.0 * np.cos(angle), 18.0 * np.sin(angle))
    width = np.full(line.x.size, 4.0)
    corner = Corner("1", "left", 20.0, 35.0, 50.0)
    notes = (SurfaceNote("bump", 10.0, 10.0), SurfaceNote("new", 60.0, 70.0))
    return Track("small", line, start_line_across(line, 4.0), (corner,), (-40.0, -120.0), True, width, width, notes)


GOOD = json.loads(track_to_geojson(small_circuit()))
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)


def assert_read_or_refused(read, source):
    """Either a track with finite curvature, or one line that begins with the file's name."""
    try:
        track, words = read(), ""
    except TrackFormatError as error:
        track, words = None, str(error)
    assert words.startswith(source) or not words
    assert "\n" not in words
    assert track is None or np.isfinite(track.line.kappa).all()


def test_the_file_that_is_broken_below_is_a_good_one():
    track = track_from_geojson(copy.deepcopy(GOOD), "good.geojson")
    assert (track.name, len(track.corners), len(track.notes)) == ("small", 1, 2)


@FEW
@given(data=st.data())
def test_any_value_anywhere_in_a_track_file_is_read_or_refused_in_one_line(data):
    broken = copy.deepcopy(GOOD)
    for _ in range(data.draw(st.integers(1, 2))):
        node = broken
        while True:
            keys = sorted(node) if isinstance(node, dict) else range(len(node))
            key = data.draw(st.sampled_from(list(keys)))
            child = node[key]
            if isinstance(child, dict | list) and child and data.draw(st.integers(0, 5)) > 0:
                node = child
                continue
            if data.draw(st.booleans()) and isinstance(node, dict):
                del node[key]
            else:
                node[key] = data.draw(JSON)
            break
        if not broken:
            break
    assert_read_or_refused(lambda: track_from_geojson(broken, "x.geojson"), "x.geojson")


@FEW
@given(content=st.binary(max_size=200) | st.text(max_size=200).map(str.encode) | JSON.map(json.dumps).map(str.encode))
def test_any_bytes_are_no_track_file(tmp_path, content):
    path = tmp_path / "x.geojson"
    path.write_bytes(content)
    with pytest.raises(TrackFormatError, match=r"x\.geojson"):
        track_from_geojson(load_json(str(path)), str(path))


CELLS = st.sampled_from(["1", "-2.5", "1e9", "", "nan", "a", "1,5", '"', "9" * 400, "0x1"]) | st.text(max_size=4)


@FEW
@given(
    header=st.sampled_from(["x_m,y_m", "lat,lon", "x_m;y_m;z_m", "latitude\tlongitude", "x_m,y_m,w_tr_left_m"]),
    rows=st.lists(st.lists(CELLS | st.floats(-80.0, 80.0).map(str), max_size=4), max_size=14),
)
def test_any_rows_of_a_centre_line_are_read_or_refused_in_one_line(tmp_path, header, rows):
    delimiter = next(d for d in ";\t," if d in header)
    path = tmp_path / "c.csv"
    path.write_text("\n".join([header, *(delimiter.join(row) for row in rows)]), encoding="utf-8", errors="replace")
    assert_read_or_refused(lambda: track_from_centre_line(path), str(path))
