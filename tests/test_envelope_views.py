"""The command `envelope` and its figures."""

import json
from dataclasses import replace

import numpy as np
import pytest
import typer
from envelope_cases import drive
from matplotlib.figure import Figure
from typer.testing import CliRunner

from simlap.cli_envelope import envelope, limits_at, print_envelope, report_dict, table_speeds, unshown
from simlap.envelope import Envelope
from simlap.envelope_fit import fit_envelope
from simlap.envelope_grip import corner_grip
from simlap.envelope_samples import road_samples
from simlap.figures_envelope import EDGE_POINTS, SEEN, UNSEEN, edge_of, ggv_figure, plot_gg, plot_ggv
from simlap.units import G

CIRCLE = Envelope.from_limits(
    lateral=(G, 0.0), braking=(G, 0.0), traction=(G, 0.0),
    tested=dict.fromkeys(("lateral", "braking", "traction", "engine"), (10.0, 20.0)),
)  # fmt: skip


@pytest.fixture(scope="module")
def fitted():
    case = drive("a little below", seed=1)
    return case, fit_envelope(case.table, case.line, draws=60, corners=case.corners)


def test_edge_of_a_friction_circle_is_a_circle():
    lateral, along = edge_of(CIRCLE, 15.0)
    np.testing.assert_allclose(np.hypot(lateral, along), G, rtol=1e-9)
    assert along.min() == pytest.approx(-G)
    assert along.max() == pytest.approx(G)


def test_untested_speeds_are_dashed():
    for band, style in (((12.0, 18.0), "-"), ((30.0, 40.0), "--")):
        ax = Figure().subplots()
        drawn = plot_gg(CIRCLE, ax, band=band)
        assert {line.get_linestyle() for line in drawn} == {style}


def test_the_title_says_for_which_speed_in_the_band_the_edge_is_drawn():
    # The engine gives far less at the end of a band than at its start: dots beyond its middle's edge beat no limit.
    car = Envelope.from_limits(
        lateral=(G, 0.0), braking=(G, 0.0), traction=(G, 0.0), engine=(np.array([0.0, 50.0]), np.array([5.0, 0.0])),
        exponent_braking=2.0, exponent_drive=2.0, cornering_drag=0.0,
    )  # fmt: skip
    ax = Figure().subplots()
    drawn = plot_gg(car, ax, band=(20.0, 40.0))
    assert ax.get_title() == "72 to 144 km/h, limit at 108 km/h"
    # 30 m/s = 108 km/h: 5 m/s² less 30 parts of 50
    assert max(np.nanmax(line.get_ydata()) for line in drawn) == pytest.approx(2.0 / G, rel=1e-3)


def test_samples_lie_at_their_accelerations_in_g_and_in_their_band(fitted):
    case, fit = fitted
    samples = road_samples(case.table, case.line)
    ax = Figure().subplots()
    dots = plot_gg(fit.envelope, ax, band=(20.0, 30.0), samples=samples)[0]
    inside = (samples.speed2 >= 400.0) & (samples.speed2 < 900.0)
    assert set(np.round(dots.get_ydata(), 9)) <= set(np.round(samples.along[inside] / G, 9))
    # a left turn (positive) is drawn to the left
    assert np.sign(dots.get_xdata()).sum() == -np.sign(samples.lateral[inside]).sum()


def test_surface_rings_rise_from_the_slowest_to_the_fastest_speed():
    ax = Figure().add_subplot(projection="3d")
    rings = plot_ggv(CIRCLE, ax, speeds=(10.0, 50.0))
    heights = [ring.get_data_3d()[2][0] for ring in rings]
    assert heights[0] == pytest.approx(36.0)
    assert heights[-1] == pytest.approx(180.0)
    assert np.all(np.diff(heights) > 0)


def test_solid_and_dashed_rings_are_told_apart_in_the_figure_of_the_surface(fitted):
    case, fit = fitted
    figure = ggv_figure(fit.envelope, road_samples(case.table, case.line))
    (legend,) = figure.legends
    assert {
        text.get_text(): line.get_linestyle() for text, line in zip(legend.texts, legend.get_lines(), strict=True)
    } == {
        SEEN: "-",
        UNSEEN: "--",
    }


def test_only_what_was_tested_of_a_ring_is_solid():
    # Cornering was tested at 10 to 20 m/s and braking nowhere: the sides are solid, straight braking is dashed.
    sides = replace(CIRCLE, tested={"lateral": (10.0, 20.0)})
    ax = Figure().add_subplot(projection="3d")
    plot_ggv(sides, ax, speeds=(12.0, 18.0))
    solid = next(line for line in ax.get_lines() if line.get_linestyle() == "-")
    x = np.asarray(solid.get_data_3d()[0], dtype=float)
    assert np.nanmin(np.abs(x)) > 0.5
    assert np.nanmax(np.abs(x)) == pytest.approx(1.0)


def test_drive_that_the_tyres_bound_is_solid_only_where_traction_was_tested():
    # The engine pulls 9 m/s² at 15 m/s, the tyres carry 5: at low lateral load the edge is the traction limit, which
    # no lap has shown at that speed.
    strong = Envelope.from_limits(
        (11.0, 0.0), (10.0, 0.0), (5.0, 0.0), engine=([0.0, 80.0], [9.0, 9.0]),
        tested={**dict.fromkeys(("lateral", "braking", "engine"), (10.0, 20.0)), "traction": (30.0, 40.0)},
    )  # fmt: skip
    drawn = plot_gg(strong, Figure().subplots(), band=(12.0, 18.0))
    shown = {line.get_label(): np.asarray(line.get_xdata(), dtype=float) for line in drawn}
    assert np.nanmin(np.abs(shown["limit, drive, untested"])) == pytest.approx(0.0, abs=1e-9)
    assert np.nanmin(np.abs(shown["limit, drive"])) > 0.5 * 11.0 / G  # the sides alone, which the lateral limit sets


def test_an_edge_that_no_sample_comes_near_is_dashed(fitted):
    case, _ = fitted
    samples = road_samples(case.table, case.line)
    # Braking in a straight line alone, 0.9 g at 15 m/s: nothing tells of braking in a bend.
    n = samples.speed2.size
    straight = replace(samples, lateral=np.zeros(n), along=np.full(n, -0.9 * G), speed2=np.full(n, 225.0))
    ax = Figure().subplots()
    plot_gg(CIRCLE, ax, band=(12.0, 18.0), samples=straight)
    solid = [line for line in ax.get_lines() if line.get_linestyle() == "-" and line.get_label() == "limit, braking"]
    x = np.asarray(solid[0].get_xdata(), dtype=float)
    # (sin, -cos) lies 0.25 from (0, -0.9) where 1 + 0.9² - 2 0.9 cos = 0.25²
    reach = np.sin(np.arccos((1.0 + 0.9**2 - 0.25**2) / (2.0 * 0.9)))
    assert np.nanmax(np.abs(x)) == pytest.approx(reach, abs=np.pi / EDGE_POINTS)


def test_intervals_have_a_width_and_limits_are_the_envelopes(fitted):
    _, fit = fitted
    v = np.array([18.0, 30.0, 45.0])
    for name, rows in limits_at(fit, v).items():
        low, high = (np.array(rows[key]) for key in ("low", "high"))
        assert (low < high).all(), name
    lateral = limits_at(fit, v)["lateral left"]
    np.testing.assert_allclose(lateral["value"], fit.envelope.lateral_limit(v), rtol=1e-12)


def test_the_diagram_has_the_shape_that_the_book_describes(fitted):
    # Source: Milliken and Milliken (1995), Race Car Vehicle Dynamics, SAE, on the g-g diagram: the engine cuts the
    # diagram off far below the braking limit at speed; tyres brake about as hard as they corner; combined use runs
    # along an ellipse. The book names no bounds that we remember: these are from memory of cars without much downforce
    # (0.75 to 1.33), and lie half-way from an ellipse (1) to the diamond (0.5), and as far towards the square (2).
    _, fit = fitted
    for v in (25.0, 45.0):
        lateral, along = edge_of(fit.envelope, v)
        braking, cornering = -along.min(), lateral.max()
        assert 0.75 < braking / cornering < 1.33
        shares = np.column_stack([lateral / cornering, -along / braking])[along < 0.0]
        diagonal = shares[np.argmin(np.abs(shares[:, 0] - shares[:, 1]))]
        assert 0.75 < float(diagonal @ diagonal) < 1.35
    assert along.max() < 0.5 * braking  # at 45 m/s, 162 km/h


def test_the_table_has_a_tested_speed_of_each_limit():
    # laps from 60 to 160 km/h: 60, 80, 110, 140, 160; lateral has 80 km/h and braking was tested at 35 m/s alone, that
    # is 126 km/h, in place of 140
    speeds = table_speeds(60.0, 160.0, [(20.0, 30.0), (35.0, 35.0)])
    assert speeds == pytest.approx([60.0, 80.0, 110.0, 126.0, 160.0])
    # the nearest stays where it is another limit's only one: 32 m/s is 115.2 km/h, and 110 km/h that of the other
    assert table_speeds(60.0, 160.0, [(30.0, 31.0), (32.0, 32.0)]) == pytest.approx([60.0, 80.0, 110.0, 115.2, 160.0])


def test_a_limit_that_no_window_reached_is_told(fitted):
    _, fit = fitted
    assert unshown(fit) == []
    none = replace(fit.evidence["braking"], at_limit=0, events=1)
    (told,) = unshown(replace(fit, evidence={**fit.evidence, "braking": none}))
    assert told.startswith("braking: no lap was found at this limit (0 of 1 windows)")


def test_braking_names_the_corners_that_it_leads_to(fitted):
    case, fit = fitted
    found, length = fit.evidence["braking"], float(case.line.length)
    assert found.corners
    for name in found.corners:  # one of its windows lies between the exit of the corner before and the own exit
        number = [corner.name for corner in case.corners].index(name)
        before, own = case.corners[number - 1].exit_m, case.corners[number].exit_m
        assert any((station - before) % length <= (own - before) % length for station in found.stations_m)


def test_command_prints_limits_and_writes_figures_and_json(tmp_path, club):
    from simlap.cli_envelope import write_figures

    done = club.analysis
    grips = corner_grip(done.table, done.line, done.track.corners, done.fit.envelope)
    report = json.loads(json.dumps(report_dict(done.fit, grips, done.table)))
    assert [grip["name"] for grip in report["corners"]] == [corner.name for corner in done.track.corners]
    assert report["limits_ms2"]["braking"]["value"][0] == pytest.approx(
        float(done.fit.envelope.braking_limit(report["speeds_ms"][0])), rel=1e-12
    )
    paths = write_figures(done.fit, done.table, done.line, done.track.corners, tmp_path)
    assert {path.name for path in paths} == {"gg.png", "gg.svg", "ggv.png", "ggv.svg"}
    assert paths[0].read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"  # PNG signature, ISO/IEC 15948


def test_every_heading_of_the_tables_is_explained_below_them(club, capsys):
    done = club.analysis
    grips = corner_grip(done.table, done.line, done.track.corners, done.fit.envelope)
    print_envelope(report_dict(done.fit, grips, done.table))
    printed = capsys.readouterr().out
    assert max(map(len, printed.splitlines())) <= 80
    flowing = " ".join(printed.split())
    for word in (
        "lateral", "traction", "engine", "exponent", "quantile", "draws", "windows", "at the limit", "combined",
        "spread", "noise", "peak", "held", "used", "weight", "own grip",
    ):  # fmt: skip
        assert f"{word}: " in flowing, word


def test_missing_session_is_one_error_and_no_folder(tmp_path):
    app = typer.Typer()
    app.command()(envelope)
    result = CliRunner().invoke(app, [str(tmp_path / "none.csv"), "--out", str(tmp_path / "out")])
    assert type(result.exception).__name__ in ("LogFormatError", "OptionError")
    assert "none.csv" in str(result.exception)
    assert not (tmp_path / "out").exists()
