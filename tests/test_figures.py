"""What the figures draw, against the hand-made analysis; files of all formats."""

import re
import warnings
from dataclasses import replace

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text
from report_case import FAST, HOSTILE, LENGTH, LIMIT_S, LOST_S, NAMES, SLOW, N, circle_case

from simlap import figures, palette
from simlap.circuits import invented_circuit
from simlap.errors import OptionError
from simlap.figures import FIGURES, make_figure, save_figures
from simlap.figures_corners import plot_corner, plot_corner_losses
from simlap.figures_grip import UNTESTED_LABEL, plot_envelope, plot_gg
from simlap.figures_lap import plot_loss_building, plot_loss_map, plot_speed, printable, unwrapped
from simlap.figures_save import save_figure
from simlap.figures_track import write_track_figure
from simlap.report.maps import loss_map
from simlap.traces import LOSS_WINDOW, beyond_scale, gg_boundary, gg_samples, traces
from simlap.units import G

MAGIC = {"png": b"\x89PNG\r\n\x1a\n", "svg": b"<?xml", "pdf": b"%PDF-"}  # first bytes, from the formats' standards


@pytest.fixture(scope="module")
def case():
    return circle_case()


@pytest.fixture
def ax():
    return Figure().subplots()


def test_speed_figure_draws_kilometres_per_hour_over_metres(case, ax):
    typical, _, limit = plot_speed(case, ax)
    assert limit.get_ydata() == pytest.approx(np.full(N, FAST * 3.6))
    slow = typical.get_ydata() < 100.0
    assert typical.get_ydata()[slow] == pytest.approx(SLOW * 3.6)
    assert np.count_nonzero(slow) * LENGTH / N == pytest.approx(300.0)  # 140 + 100 + 60 m, see report_case.py
    assert "[km/h]" in ax.get_ylabel()
    assert "[m]" in ax.get_xlabel()


def test_loss_builds_up_to_typical_minus_limit_lap(case, ax):
    line = plot_loss_building(case, ax)
    y = line.get_ydata()
    assert y[0] == 0.0
    assert y[-1] == pytest.approx(42.0 - LIMIT_S, abs=1e-9)  # the last metres lose nothing
    # The first slow stretch starts at station 110: nothing is lost on the way there, 2 m of it lose 2/150 s.
    assert y[55] == pytest.approx(0.0, abs=1e-12)
    assert y[56] == pytest.approx(2 / 150)
    slope = np.diff(y) / (LENGTH / N)
    # Source: at 25 instead of 30 m/s each metre loses 1/25 - 1/30 s.
    assert np.unique(np.round(slope, 9)) == pytest.approx([0.0, 1 / 25 - 1 / 30], abs=1e-9)


def test_loss_per_100_m_is_the_difference_of_slowness_inside_a_slow_stretch(case):
    rate = traces(case).loss_per_100m
    middle = int(180 / LENGTH * N)  # station 180 m lies 70 m inside the slow exit
    assert rate[middle] == pytest.approx(100 * (1 / 25 - 1 / 30))
    assert rate.sum() * (LENGTH / N) / 100 == pytest.approx(42.0 - LIMIT_S)  # a mean moves loss about and loses none
    assert rate[int((110 - LOSS_WINDOW) / LENGTH * N)] == pytest.approx(0.0, abs=1e-12)


def test_map_is_widest_where_most_time_is_lost(case, ax):
    path = plot_loss_map(case, ax)
    widths = np.asarray(path.get_linewidths())
    lost = path.get_array()
    order = np.argsort(lost)
    assert (np.diff(widths[order]) >= -1e-9).all()
    assert widths.max() > 3 * widths.min()
    texts = [text.get_text() for text in ax.texts]
    assert any(NAMES[0] in text and "1: 0.93 s" in text for text in texts)
    assert "under each name: rank, and worth: time gained" in ax.get_title(loc="left")


def test_the_end_of_the_scale_says_what_lies_beyond_it(case):
    # The case loses 0.67 s per 100 m over a quarter of the lap, so its scale reaches the top; a slip of 1.2 s in one
    # place loses far more there, and the scale ends where 98 % of the lap do.
    assert beyond_scale(traces(case).loss_per_100m) == ""
    (bar,) = [ax for ax in make_figure(case, "loss_map").axes if ax.get_xlabel()]
    assert "or more" not in bar.get_xlabel()
    dt = np.array(case.typical.dt)
    dt[300:306] += 0.2
    spot = replace(case, typical=replace(case.typical, dt=dt))
    rate = traces(spot).loss_per_100m
    (bar,) = [ax for ax in make_figure(spot, "loss_map").axes if ax.get_xlabel()]
    words = bar.get_xlabel().rpartition("pointed end: ")[2]
    top, peak = (float(word) for word in words.removesuffix(" at most").split(" or more, "))
    assert peak == pytest.approx(rate.max(), abs=0.005)  # printed to hundredths
    assert 1 < np.count_nonzero(rate > top + 0.005) <= 0.02 * N <= np.count_nonzero(rate > top - 0.3)
    assert loss_map(spot, traces(spot)).steps[-1][2] == words


def test_the_thick_path_is_not_cut_at_the_edge_of_the_map(case):
    figure = Figure(figsize=FIGURES["loss_map"][1])
    ax = figure.subplots()
    path = plot_loss_map(case, ax)
    figure.draw_without_rendering()
    ends = ax.transData.transform(np.concatenate(path.get_segments()))
    half = 0.5 * np.max(path.get_linewidths()) * figure.dpi / 72.0  # a point is 1/72 inch
    box = ax.get_window_extent()
    assert (ends - half >= box.min).all()
    assert (ends + half <= box.max).all()


@pytest.mark.parametrize("name", ["loss_map", "gg"])
@pytest.mark.parametrize("stretch", [1.0, 3.0], ids=["round", "wide"])
def test_figures_with_one_scale_for_both_axes_have_no_blank_bands(case, name, stretch):
    wide = replace(case, line=replace(case.line, x=stretch * np.asarray(case.line.x)))
    figure = make_figure(wide, name)
    figure.draw_without_rendering()
    # what is drawn, frame and writing, against the figure's height [inch]
    assert figure.get_tightbbox().height > 0.93 * figure.get_size_inches()[1]


def test_the_curves_of_the_speed_figure_are_dark_enough_to_see(case, ax):
    # Source: WCAG 2.1, 1.4.11: 3 to 1 against what lies beside a graphic, here white; luminance as defined there.
    for line in plot_speed(case, ax):
        channels = np.array(matplotlib.colors.to_rgb(line.get_color()))
        linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
        assert 1.05 / (float(linear @ [0.2126, 0.7152, 0.0722]) + 0.05) >= 3.0
        assert line.get_linewidth() >= 1.4


def test_labels_of_the_map_keep_clear_of_the_start_line(case, ax):
    # The line crosses the path at station 0; a corner's apex there has its name beside the bar, not across it.
    first = case.corners[0]
    near = replace(first, corner=replace(first.corner, apex_m=2.0, name="A name of sixteen"))
    plot_loss_map(replace(case, corners=(near, *case.corners[1:])), ax)
    ax.figure.draw_without_rendering()
    (bar,) = [line for line in ax.get_lines() if len(line.get_xdata()) == 2]
    ends = ax.transData.transform(bar.get_xydata())
    points = ends[0] + np.linspace(0.0, 1.0, 50)[:, None] * (ends[1] - ends[0])
    for text in ax.texts:
        box = Text.get_window_extent(text)
        assert not ((points > (box.x0, box.y0)) & (points < (box.x1, box.y1))).all(axis=1).any()


def test_the_map_has_an_arrow_in_the_driving_direction(case, ax):
    # The circle of the case is driven against the clock from its easternmost point: to the north there.
    plot_loss_map(case, ax)
    (arrow,) = [text for text in ax.texts if not text.get_text()]
    (x1, y1), (x2, y2) = arrow.get_position(), arrow.xy
    assert x1 == pytest.approx(x2, abs=0.02 * (y2 - y1))  # the first chord of the circle leans by half a step of 0.01
    assert y2 > y1
    assert x1 > LENGTH / (2 * np.pi)  # beside the path


@pytest.mark.parametrize("plot", [plot_speed, plot_loss_building], ids=["speed", "loss building"])
def test_the_bands_behind_the_curves_have_a_key(case, ax, plot):
    plot(case, ax)
    key = ax.get_legend()
    names = [text.get_text() for text in key.get_texts()]
    assert names.count("braking") == names.count("mid-corner (exits are white)") == 1
    hatches = {patch.get_hatch() for patch in key.get_patches()} - {None}
    assert hatches == {palette.PHASE_HATCHES["braking"], palette.PHASE_HATCHES["mid_corner"]}


def test_bars_of_a_corner_add_up_to_its_loss_and_carry_different_hatches(case, ax):
    bars = plot_corner_losses(case, ax, ledger="lost")
    assert sum(bar[0].get_width() for bar in bars) == pytest.approx(LOST_S[2])
    assert len({bar[0].get_hatch() for bar in bars}) == 3
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert labels == ["North", "East\n(build up)", "South", "West\n(no clear loss)"]


def test_corner_figure_starts_at_its_zone_and_ends_300_m_on(case, ax):
    typical, limit = plot_corner(case, case.corners[0], ax)
    x = typical.get_xdata()
    assert x[0] == 0.0
    assert x[-1] == pytest.approx(300.0)
    assert (np.diff(x) > 0).all()  # also across the start line
    slow = typical.get_ydata() < 100.0
    assert x[slow].min() == pytest.approx(160.0)
    assert limit.get_ydata() == pytest.approx(np.full(x.size, 108.0))


def test_the_zone_of_an_only_corner_is_drawn_over_the_whole_lap(case, ax):
    braking, middle, leaving = case.corners[0].phases
    only = replace(case.corners[0], phases=(braking, middle, replace(leaving, stop_m=braking.start_m)))
    typical, _ = plot_corner(case, only, ax)
    x = typical.get_xdata()
    assert x == pytest.approx(np.arange(N) * LENGTH / N)
    slow = np.count_nonzero(typical.get_ydata() < 100.0) * LENGTH / N
    assert slow == pytest.approx(300.0)  # 140 + 100 + 60 m of the lap, see report_case.py


def test_gg_figure_shows_left_turns_on_the_left(case, ax):
    points, lines = plot_gg(case, ax)
    # The circle is driven anticlockwise: all lateral acceleration is to the left, v² / R.
    radius = LENGTH / (2 * np.pi)
    x = np.asarray(points.get_offsets())[:, 0]
    assert x.max() < 0.0
    assert x.min() == pytest.approx(-(FAST**2) / radius / G)
    assert len(lines) == 2
    assert lines[0].get_linestyle() != lines[1].get_linestyle()


def test_gg_boundary_is_an_ellipse_of_the_limits(case):
    # Source: report_case.py: lateral 9, braking 8 m/s², exponent 2: (a/8)² + (b/9)² = 1 below the axis.
    a_lat, a_lon = gg_boundary(case, 20.0)
    below = a_lon < -1e-6
    assert (a_lat[below] / 9.0) ** 2 + (a_lon[below] / 8.0) ** 2 == pytest.approx(np.ones(below.sum()))
    # Engine: 4 m/s² at standstill to 1 at 50 m/s, so 2.8 at 20 m/s.
    assert a_lon.max() == pytest.approx(2.8)


def test_gg_samples_come_from_counted_laps_only(case):
    lateral, _ = gg_samples(case, count=10**6)
    assert lateral.size == 3 * N


def test_envelope_figure_draws_limits_in_g(case, ax):
    lines = plot_envelope(_tested(case, (0.0, 100.0)), ax)
    by_name = {line.get_label(): line.get_ydata() for line in lines}
    assert by_name["braking"] == pytest.approx(np.full(80, 8.0 / 9.80665))
    assert len({line.get_linestyle() for line in lines}) >= 4


def _tested(case, span):
    """The case with data at speeds within `span` [m/s] for every limit."""
    envelope = case.fit.envelope
    shown = replace(envelope, tested=dict.fromkeys(("lateral", "braking", "traction", "engine"), span))
    return replace(case, fit=replace(case.fit, envelope=shown))


def test_limits_at_speeds_without_data_are_thin_and_have_no_interval(case, ax):
    for line in plot_envelope(_tested(case, (20.0, 25.0)), ax):
        kmh, y = line.get_xdata(), line.get_ydata()
        inside = (kmh >= 72.0) & (kmh <= 90.0)  # 20 and 25 m/s
        assert np.isfinite(y[inside]).all()
        assert np.isnan(y[~inside]).all()
    thin = [line for line in ax.get_lines() if line.get_linewidth() < 1.0 and len(line.get_xdata())]
    assert len(thin) == 5
    assert all(np.isfinite(line.get_ydata()).all() for line in thin)
    for band in ax.collections:
        assert np.ptp(band.get_paths()[0].vertices[:, 0]) <= 18.0  # km/h
    assert UNTESTED_LABEL in ax.get_legend_handles_labels()[1]


def test_a_fully_tested_envelope_has_no_thin_line(case, ax):
    plot_envelope(_tested(case, (0.0, 100.0)), ax)
    assert UNTESTED_LABEL not in ax.get_legend_handles_labels()[1]


def test_no_legend_comes_nearer_to_an_edge_than_the_air_around_the_figure(case):
    # Source: matplotlib's `figure.constrained_layout.w_pad`, 0.04167 inch, is the least air that a layout leaves.
    tested = replace(case.fit.envelope, tested={"braking": (0.0, 100.0)})  # the thin curves have an entry of their own
    half = replace(case, fit=replace(case.fit, envelope=tested))
    for name in FIGURES:
        figure = make_figure(half, name)
        figure.draw_without_rendering()
        for ax in filter(lambda ax: ax.get_legend(), figure.axes):
            box = ax.get_legend().get_window_extent()
            air = min(box.x0, figure.bbox.width - box.x1) / figure.dpi  # [inch]
            assert air >= matplotlib.rcParams["figure.constrained_layout.w_pad"] - 1e-6, name  # rounding alone


def test_gg_edges_are_thin_on_the_side_that_has_no_data(case, ax):
    envelope = replace(case.fit.envelope, tested={"braking": (0.0, 100.0)})
    _, lines = plot_gg(replace(case, fit=replace(case.fit, envelope=envelope)), ax)
    for line in lines:
        x, y = line.get_data()
        assert np.nanmax(y) <= 0.0  # no data of drive
        assert np.nanmin(y) == pytest.approx(-8.0 / G)  # braking, report_case.py
        assert np.nanmax(np.abs(x[np.isfinite(y)])) <= 0.6 * 9.0 / G + 1e-9  # nor of the sides, SIDE_SHARE


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_every_figure_becomes_a_file_of_its_format(case, tmp_path, kind):
    paths = save_figures(case, tmp_path, (kind,))
    assert [path.name for path in paths] == [f"{name}.{kind}" for name in FIGURES]
    assert all(path.read_bytes().startswith(MAGIC[kind]) for path in paths)


def test_pdf_has_a_page_a_figure_and_a_file_is_the_same_twice(case, tmp_path):
    (first,) = save_figures(case, tmp_path / "a", ("pdf",))
    (second,) = save_figures(case, tmp_path / "b", ("pdf",))
    data = first.read_bytes()
    assert data.startswith(MAGIC["pdf"])
    assert f"/Count {len(FIGURES)}".encode() in data
    assert data == second.read_bytes()


def test_the_same_drawing_is_the_same_file_without_the_time_of_the_run(tmp_path):
    def drawn(name):
        figure = Figure()
        figure.subplots().plot([0.0, 1.0], [1.0, 0.0])  # the clip path of its axes has a name drawn by chance
        return save_figure(figure, tmp_path / name, "line", ("svg", "pdf"))

    track = invented_circuit("kart")
    first, second = ([*drawn(name), write_track_figure(track, tmp_path / name / "map.svg")] for name in "ab")
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes()
        assert not re.search(rb"dc:date|CreationDate", one.read_bytes())


def test_unknown_format_writes_nothing_and_says_which(case, tmp_path):
    with pytest.raises(OptionError, match="'gif' is unknown; choose from png, svg, pdf"):
        save_figures(case, tmp_path / "none", ("png", "gif"))
    assert not (tmp_path / "none").exists()


def test_hostile_names_are_drawn_as_text_without_a_warning():
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # a glyph that is missing, or mathematics in $x$, would warn or raise
        for name in FIGURES:
            make_figure(circle_case(HOSTILE), name).canvas.draw()


def test_dollar_signs_in_a_name_are_never_read_as_mathematics():
    for name in FIGURES:
        texts = make_figure(circle_case(("$x$", "$$", "$y", "$z$")), name).findobj(Text)
        with_dollar = [text for text in texts if "$" in text.get_text() and text.get_visible()]
        assert all(not text.get_parse_math() for text in with_dollar)
        assert with_dollar or name in ("gg", "envelope")  # these two name no corner


def test_characters_without_a_glyph_become_boxes():
    assert printable("🏁 hairpin") == "□ hairpin"
    assert printable("Höhe $x$") == "Höhe $x$"


def test_stretch_across_the_start_line_becomes_two():
    assert unwrapped(1150.0, 50.0, 1200.0) == [(1150.0, 1200.0), (0.0, 50.0)]
    assert unwrapped(10.0, 20.0, 1200.0) == [(10.0, 20.0)]
    assert unwrapped(1150.0, 1200.0, 1200.0) == [(1150.0, 1200.0)]
    assert unwrapped(5.0, 5.0, 1200.0) == []


def test_colours_of_curves_are_those_of_the_published_palette():
    # Source: Okabe and Ito (2008), https://jfly.uni-koeln.de/color/: the eight colours in RGB.
    okabe_ito = {
        (0, 0, 0), (230, 159, 0), (86, 180, 233), (0, 158, 115), (240, 228, 66), (0, 114, 178), (213, 94, 0),
        (204, 121, 167),
    }  # fmt: skip
    used = [palette.DRIVEN, palette.BEST, palette.LIMIT, palette.TARGET, *palette.PHASE_COLOURS.values()]
    for colour in used:
        assert tuple(int(colour[i : i + 2], 16) for i in (1, 3, 5)) in okabe_ito


def test_steps_of_loss_are_cividis_and_rise_in_lightness():
    # Source: matplotlib's copy of cividis (Nuñez, Anderton, Renslow 2018); lightness by the CIE 1931 weights.
    expected = matplotlib.colormaps["cividis"](np.linspace(0, 1, len(palette.CIVIDIS)))[:, :3]
    steps = np.array([matplotlib.colors.to_rgb(colour) for colour in palette.CIVIDIS])
    assert steps == pytest.approx(expected, abs=0.5 / 255 + 1e-9)  # eight bits a channel
    linear = np.where(steps <= 0.04045, steps / 12.92, ((steps + 0.055) / 1.055) ** 2.4)
    assert (np.diff(linear @ [0.2126, 0.7152, 0.0722]) > 0).all()


def test_figures_are_listed_for_import():
    assert all(hasattr(figures, name) for name in figures.__all__)


@pytest.mark.parametrize(
    ("names", "turned", "least"), [(("1", "2", "10"), 0.0, 9.0), (("Hairpin", "2", "3"), 30.0, 8.0)]
)
def test_numbers_of_corners_stand_upright_over_the_speed_and_long_names_aslant(case, ax, names, turned, least):
    corners = tuple(
        replace(each, corner=replace(each.corner, name=name)) for each, name in zip(case.corners, names, strict=False)
    )
    plot_speed(replace(case, corners=corners), ax)
    written = [text for text in ax.texts if text.get_text() in names]
    assert len(written) == len(corners)
    assert {text.get_rotation() for text in written} == {turned}
    assert all(text.get_fontsize() >= least for text in written)
