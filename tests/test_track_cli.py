"""`track build`, `track show`, `track invent` and the map, as a user meets them."""

import json
import os
import re
import subprocess
import sys
import warnings
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.patches import Polygon
from matplotlib.text import Text
from typer.testing import CliRunner

from simlap.circuits import invented_circuit
from simlap.cli_track import track_app
from simlap.errors import OptionError, TrackFormatError
from simlap.figures_track import plot_elevation, plot_map, track_figure, write_track_figure
from simlap.geodesy import to_geodetic
from simlap.line import Line
from simlap.projection import Curve
from simlap.track import SurfaceNote, grip_scale
from simlap.trackfile import read_track, write_track


def run(*words):
    """Run a command; errors come out as they are."""
    result = CliRunner().invoke(track_app, [str(word) for word in words], catch_exceptions=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result


def logged_laps(path, track, laps=3, rate=20.0):
    """A log of a car that drives the track's line at 25 m/s, from 100 m before the line to 100 m behind it."""
    curve = Curve(track.line)
    t = np.arange(0.0, (laps * track.length + 200.0) / 25.0, 1.0 / rate)
    x, y = curve.at(25.0 * t - 100.0).T
    lat, lon = to_geodetic(x, y, track.origin)
    rows = "\n".join(f"{a:.3f},{b:.9f},{c:.9f},90.0" for a, b, c in zip(t, lat, lon, strict=True))
    path.write_text("time (s),latitude (deg),longitude (deg),speed (km/h)\n" + rows + "\n", encoding="utf-8")
    return path


def test_a_track_built_without_a_start_line_says_that_its_own_was_chosen(tmp_path):
    log = logged_laps(tmp_path / "laps.csv", invented_circuit("kart"))
    result = run("build", log, "--out", tmp_path / "kart.geojson")
    assert "!  The start line was chosen on a long straight, and corners are numbered from there." in result.stderr


def test_track_built_from_a_session_is_the_circuit_that_was_driven(tmp_path):
    # Source: the invented circuit along whose line the log runs. Positions come within 2 cm, so does the line.
    track = invented_circuit("club")
    log = logged_laps(tmp_path / "laps.csv", track)
    (x1, y1), (x2, y2) = track.start_line
    lat, lon = to_geodetic(np.array([x1, x2]), np.array([y1, y2]), track.origin)
    line = f"{lat[0]:.9f},{lon[0]:.9f},{lat[1]:.9f},{lon[1]:.9f}"
    result = run("build", log, "--start-line", line, "--name", "ours", "--out", tmp_path / "ours.geojson")
    assert "mean of 3 laps, which lie" in result.stderr
    assert "start line was chosen" not in result.stderr
    one = logged_laps(tmp_path / "one.csv", track, laps=1)
    result = run("build", one, "--start-line", line, "--out", tmp_path / "one.geojson")
    assert "the path of the one lap that counts: its own wander is in the line" in result.stderr
    assert "rms beside" not in result.stderr  # one lap lies beside nothing
    seen = read_track(tmp_path / "ours.geojson")
    assert (seen.name, seen.has_elevation) == ("ours", False)
    assert seen.origin == pytest.approx(track.origin, abs=0.01)  # a circuit of 1 km
    flat = np.hypot(np.diff(track.line.x, append=track.line.x[0]), np.diff(track.line.y, append=track.line.y[0])).sum()
    assert seen.length == pytest.approx(flat, rel=5e-4)
    assert [c.direction for c in seen.corners] == [c.direction for c in track.corners]
    for a, b in zip(seen.corners, track.corners, strict=True):
        assert a.apex_m == pytest.approx(b.apex_m, abs=4.0)


def test_a_place_for_a_log_that_has_its_own_is_refused_before_the_circuit_is_drawn(tmp_path):
    log = logged_laps(tmp_path / "laps.csv", invented_circuit("club"), laps=1, rate=2.0)
    words = ["build", str(log), "--origin", "47,8", "--out", str(tmp_path / "t.geojson")]
    done = CliRunner().invoke(track_app, words)
    assert isinstance(done.exception, OptionError)
    assert "laps.csv has positions of its own. Leave --origin out." in str(done.exception)
    assert "drawing" not in done.output


def test_centre_line_in_metres_needs_and_gets_its_place(tmp_path):
    track = invented_circuit("kart")
    path = tmp_path / "kart.csv"
    rows = "\n".join(f"{x:.6f},{y:.6f}" for x, y in zip(track.line.x, track.line.y, strict=True))
    path.write_text("x_m,y_m\n" + rows + "\n", encoding="utf-8")
    with pytest.raises(OptionError, match=r"'kart' has no latitude and longitude.*\(--origin LAT,LON\)"):
        run("build", "--centre-line", path, "--out", tmp_path / "out" / "kart.geojson")
    assert not (tmp_path / "out").exists()
    run("build", "--centre-line", path, "--origin", "-35,-115", "--out", tmp_path / "kart.geojson")
    assert read_track(tmp_path / "kart.geojson").length == pytest.approx(track.length, rel=1e-4)


def test_a_centre_line_with_points_far_apart_is_written_with_a_warning(tmp_path):
    path = tmp_path / "kart.csv"
    line = invented_circuit("kart").line
    rows = "\n".join(f"{x:.3f},{y:.3f}" for x, y in list(zip(line.x, line.y, strict=True))[::8])
    path.write_text("x_m,y_m\n" + rows + "\n", encoding="utf-8")
    done = run("build", "--centre-line", path, "--origin", "-35,-115", "--out", tmp_path / "kart.geojson")
    told = [row for row in done.stderr.splitlines() if row.startswith("!  The points lie")]
    assert len(told) == 1
    assert "curvature may be more than 5 % wrong" in told[0]
    assert read_track(tmp_path / "kart.geojson").name == "kart"


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "give either the log files of a session or --centre-line, not both or neither"),
        (("a.csv", "--centre-line", "b.csv"), "not both or neither"),
        (("a.csv", "--reverse"), "--reverse belongs to --centre-line"),
        (("--centre-line", "b.csv", "--laps", "2"), "belong to a session"),
        (("--centre-line", "b.csv", "--origin", "47;8"), "--origin '47;8': write LAT,LON in degrees"),
        (("--centre-line", "b.csv", "--origin", "147,8"), "--origin '147,8': write LAT,LON"),
    ],
)
def test_options_that_do_not_fit_are_named_and_nothing_is_written(tmp_path, words, message):
    with pytest.raises(OptionError, match=message):
        run("build", *words, "--out", tmp_path / "out" / "t.geojson")
    assert list(tmp_path.iterdir()) == []


def test_show_lists_the_corners_with_radius_and_turn(tmp_path):
    # Source: the plan; corner 4 turns right by 150 degrees at 20 m, corner 1 by 95 degrees at 42 m.
    write_track(invented_circuit("club"), tmp_path / "club.geojson")
    text = run("show", tmp_path / "club.geojson").output
    row = next(line.split() for line in text.splitlines() if line.startswith("4 "))
    assert row[1] == "right"
    assert float(row[5]) == pytest.approx(20.0, abs=0.2)
    assert float(row[6]) == pytest.approx(150.0, abs=0.5)
    data = json.loads(run("show", tmp_path / "club.geojson", "--json").output)
    assert data["schema"] == "simlap.track/1"
    assert data["corners"][0]["radius_m"] == pytest.approx(42.0, abs=0.3)
    assert data["corners"][0]["turn_deg"] == pytest.approx(95.0, abs=0.5)
    assert data["length_m"] == pytest.approx(invented_circuit("club").length, abs=0.01)


def test_show_of_a_broken_file_writes_no_picture(tmp_path):
    (tmp_path / "bad.geojson").write_text("{}", encoding="utf-8")
    with pytest.raises(TrackFormatError, match=r"bad.geojson: the outermost object is no GeoJSON"):
        run("show", tmp_path / "bad.geojson", "--out", tmp_path / "maps" / "bad.png")
    assert not (tmp_path / "maps").exists()


def test_names_cannot_steer_the_terminal_or_break_the_map(tmp_path):
    # An escape sequence (ECMA-48 CSI) in the name of the circuit, of a corner and in a note.
    track = invented_circuit("kart")
    evil = "\x1b[2J\N{GRINNING FACE}\u202e"
    named = replace(track, name=evil, corners=(replace(track.corners[0], name=evil),), notes=(SurfaceNote(evil, 1, 2),))
    write_track(named, tmp_path / "t.geojson")
    with warnings.catch_warnings():
        warnings.simplefilter("error", UserWarning)  # a character that the font lacks is one of matplotlib
        text = run("show", tmp_path / "t.geojson", "--out", tmp_path / "t.png").output
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert json.loads(run("show", tmp_path / "t.geojson", "--json").output)["name"] == evil


def test_invent_writes_a_file_that_reads_back(tmp_path):
    run("invent", "fast", "--out", tmp_path / "fast.geojson")
    assert read_track(tmp_path / "fast.geojson").name == "Tarnvale"


# -- the map


def test_map_draws_line_start_line_and_numbers_on_the_outside_of_each_corner():
    track = invented_circuit("club")
    ax = Figure().subplots()
    plot_map(track, ax)
    road = next(line for line in ax.get_lines() if len(line.get_xdata()) > 1000)
    np.testing.assert_allclose(road.get_xdata()[:-1], track.line.x, atol=1e-9)
    start = ax.get_lines()[-1]
    np.testing.assert_allclose(np.transpose([start.get_xdata(), start.get_ydata()]), track.start_line)
    curve = Curve(track.line)
    labels = {text.get_text(): np.array(text.get_position()) for text in ax.texts}
    for corner in track.corners:
        at = np.array([corner.apex_m])
        aside = float(labels[corner.name] @ curve.normal(at)[0])  # the label's place is counted from the apex
        assert (aside > 0.0) == (corner.direction == "right")  # left of a right-hander is its outside
    assert ax.get_aspect() == 1.0  # a metre east is as long as a metre north


NAMES_OF_PLACES = (
    "Long hairpin", "The next one", "Lower bend", "Old oak tree", "Station bend", "Kink", "Bus stop two", "Bridge end",
    "The last corner", "🏁🏁🏁🏁🏁🏁🏁",
)  # fmt: skip


@pytest.mark.parametrize("circuit", ["kart", "club", "fast"])
@pytest.mark.parametrize("flat", [True, False], ids=["flat", "with heights"])
def test_long_names_cover_neither_the_line_nor_one_another_and_stay_in_the_frame(circuit, flat):
    track = invented_circuit(circuit)
    named = tuple(replace(c, name=n) for c, n in zip(track.corners, NAMES_OF_PLACES * 2, strict=False))
    figure = track_figure(replace(track, corners=named, has_elevation=not flat))
    figure.draw_without_rendering()
    for ax in figure.axes:
        boxes = [text.get_window_extent() for text in ax.texts if text.get_text()]
        assert len(boxes) == len(track.corners)
        frame = ax.get_window_extent()
        assert all(frame.x0 < box.x0 and box.x1 < frame.x1 for box in boxes)
        assert all(frame.y0 < box.y0 and box.y1 < frame.y1 for box in boxes)
    ax = figure.axes[0]
    boxes = [Text.get_window_extent(text) for text in ax.texts if text.get_text()]  # without a line to the apex
    line = ax.transData.transform(np.column_stack([track.line.x, track.line.y]))
    for i, box in enumerate(boxes):
        assert not ((line > (box.x0, box.y0)) & (line < (box.x1, box.y1))).all(axis=1).any()
        assert not any(box.overlaps(other) for other in boxes[:i])


@pytest.mark.parametrize("stretch", [1.0, 3.0])
def test_a_wide_circuit_leaves_no_blank_bands(stretch):
    track = invented_circuit("club")
    wide = replace(track, line=Line.from_points(stretch * track.line.x, track.line.y), has_elevation=False)
    figure = track_figure(wide)
    figure.draw_without_rendering()
    # what is drawn, frame and writing, against the figure's height: a tenth may stay free [inch]
    assert figure.get_tightbbox().height > 0.9 * figure.get_size_inches()[1]


def test_no_piece_of_the_road_is_snapped_to_pixels_by_itself():
    # A straight due east has its edges along one row of pixels: snapped piece by piece it looked bitten.
    axes = track_figure(invented_circuit("kart")).axes[0]
    pieces = [patch for patch in axes.patches if isinstance(patch, Polygon)]
    assert len(pieces) > 100
    assert {piece.get_snap() for piece in pieces} == {False}


def test_the_strip_tells_how_much_larger_heights_are_drawn():
    figure = track_figure(invented_circuit("kart"))
    figure.draw_without_rendering()
    strip = figure.axes[1]
    (one, two) = strip.transData.transform([[0.0, 2.0], [1.0, 3.0]])
    stretch = (two[1] - one[1]) / (two[0] - one[0])
    words, number = re.fullmatch(
        r"(.*) from the .* point; heights are drawn (\d+) times .*", strip.get_title()
    ).groups()
    assert words == "1.0 m"
    assert float(number) == pytest.approx(stretch, rel=0.01)


def test_elevation_strip_shows_heights_over_distance():
    track = invented_circuit("club")
    ax = Figure().subplots()
    plot_elevation(track, ax)
    profile = ax.get_lines()[0]
    np.testing.assert_allclose(profile.get_ydata()[:-1], track.line.z)
    assert profile.get_xdata()[-1] == pytest.approx(track.length)


def test_names_with_dollars_are_drawn_as_text_and_flat_tracks_have_no_strip(tmp_path):
    track = invented_circuit("kart")
    odd = replace(track, name=r"$\frac{x$", corners=(replace(track.corners[0], name="$_$"),), has_elevation=False)
    assert len(track_figure(odd).axes) == 1
    assert len(track_figure(track).axes) == 2
    data = write_track_figure(odd, tmp_path / "odd.png").read_bytes()
    assert data.startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, section 5.2


def test_a_picture_of_unknown_kind_is_refused(tmp_path):
    with pytest.raises(OptionError, match=r"map.bmp: pictures end in .png, .svg, .pdf"):
        write_track_figure(invented_circuit("kart"), tmp_path / "map.bmp")


def test_grip_of_a_corner_counts_between_its_entry_and_exit_only():
    track = invented_circuit("kart")
    wet = replace(track.corners[2], grip=0.8)
    across = replace(track.corners[0], entry_m=1100.0, apex_m=10.0, exit_m=20.0, grip=1.1)
    station = np.array([0.0, 19.9, 20.0, wet.entry_m - 0.1, wet.entry_m, wet.exit_m - 0.1, wet.exit_m, 1100.0, 1180.0])
    scale = grip_scale((across, wet), station, track.length)
    assert scale.tolist() == [1.1, 1.1, 1.0, 1.0, 0.8, 0.8, 1.0, 1.1, 1.1]


def test_the_track_commands_load_no_plotting_before_they_run():
    code = "import sys, simlap.cli_track; sys.exit(any(m in sys.modules for m in ('matplotlib', 'scipy', 'pandas')))"
    assert subprocess.run([sys.executable, "-c", code], env=os.environ, check=False).returncode == 0
