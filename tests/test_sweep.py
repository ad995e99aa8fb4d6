"""What-if sweeps against closed forms, their CSV, and the solver's figures."""

import csv
import json
import math
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from solver_cases import CIRCLE, FULL, circuit, random_line

from simlap.envelope import Envelope
from simlap.envelope_packed import ENGINE_POINTS, Packed
from simlap.errors import OptionError
from simlap.figures_limit import LIMIT_STYLES, plot_profile, plot_sweep
from simlap.kept import grip_limits
from simlap.line import Line
from simlap.report.sweep import print_sweep
from simlap.solver import StationLimits, limit_profile
from simlap.sweep import PARAMETERS, Sweep, corner_worth, drag_of, scaled, sweep
from simlap.track import Corner, grip_scale
from simlap.units import MS_TO_KMH

POWER, DRAG = 130.0, 9e-4  # [m²/s³], [1/m]


def ring(radius):
    return Line.from_curvature(np.full(300, 1.0 / radius), 2.0 * math.pi * radius / 300)


def drag_limited():
    speeds = np.linspace(0.0, 62.0, ENGINE_POINTS)
    return Envelope.from_limits(
        (12.0, 0.0),
        (12.0, 0.0),
        (9.0, 0.0),
        (speeds, np.minimum(8.0, POWER / np.maximum(speeds, 1.0)) - DRAG * speeds**2),
    )


def test_more_grip_all_round_shortens_the_lap_by_its_square_root():
    # Source: with a friction circle and no drag, time goes with 1 / sqrt(acceleration).
    result = sweep(random_line(1), CIRCLE, ["grip"], (0.9, 1.0, 1.1, 1.21))
    # "grip" leaves the engine alone, and CIRCLE's engine stands at its traction limit: below 1 the tyres limit.
    assert result.lap_time[0, 0] == pytest.approx(result.base_s / math.sqrt(0.9), rel=1e-9)
    assert result.lap_time[0, 1] == result.base_s
    assert (np.diff(result.lap_time[0]) < 0.0).all()


def test_power_and_drag_trade_against_each_other_at_terminal_speed():
    # Source: P / v = c v², v = (P / c)^(1/3): 1 % more power or 1 % less drag is a third of a per cent of lap time.
    result = sweep(ring(5000.0), drag_limited(), ["power", "drag"], (1.0,))
    v = 2.0 * math.pi * 5000.0 / result.base_s
    assert v == pytest.approx((POWER / DRAG) ** (1.0 / 3.0), rel=2e-3)  # linear between speeds 2 m/s apart
    third = result.base_s / 300.0
    assert result.per_percent_s == pytest.approx([-third, third], rel=0.02)  # the same


def test_downforce_speeds_up_the_circle_as_the_closed_form_says():
    # Source: v² = c0 R / (1 - c1 R), so T goes with sqrt(1 - f c1 R).
    c1, radius = 0.003, 100.0
    env = Envelope.from_limits((11.0, c1), (10.0, 0.0), (10.0, 0.0))
    result = sweep(ring(radius), env, ["downforce"], (0.5, 1.0, 1.5))
    expected = result.base_s * np.sqrt((1.0 - result.factors * c1 * radius) / (1.0 - c1 * radius))
    assert result.lap_time[0] == pytest.approx(expected, rel=1e-9)


def test_drag_is_read_from_the_fall_of_the_engine_curve():
    assert drag_of(drag_limited()) == pytest.approx(DRAG, rel=0.02)  # points of the curve are joined by straight lines
    assert drag_of(CIRCLE) == 0.0


@pytest.mark.parametrize("name", ["lateral", "braking", "traction"])
def test_scaling_a_packed_envelope_is_scaling_the_envelope(name):
    assert scaled(FULL.pack(), name, 1.07) == pytest.approx(FULL.scaled(**{name: 1.07}).pack(), rel=1e-12)


def test_power_leaves_drag_alone_and_drag_leaves_power_alone():
    # Source: e = P/v - c v²; 10 % more power adds 0.1 (e + c v²), 10 % more drag takes 0.1 c v².
    packed = drag_limited().pack()
    speeds = packed[11] * np.arange(ENGINE_POINTS)
    more = scaled(packed, "power", 1.1, DRAG)[Packed.ENGINE] - packed[Packed.ENGINE]
    assert more == pytest.approx(0.1 * np.minimum(8.0, POWER / np.maximum(speeds, 1.0)), rel=1e-9)
    assert scaled(packed, "drag", 1.1, DRAG)[Packed.ENGINE] - packed[Packed.ENGINE] == pytest.approx(
        -0.1 * DRAG * speeds**2, abs=1e-12
    )


def test_worth_of_the_corners_adds_up_to_the_worth_of_the_lap():
    # First order: 1 % in each of three stretches that tile the lap is 1 % on the lap. All limits scale, the engine too:
    # T goes with 1 / sqrt(f), half a per cent.
    line = random_line(2, n=400)
    corners = [Corner(str(k), "left", *(np.array([0.0, 100.0, 266.0]) + 267.0 * k)) for k in range(3)]
    corners[2] = Corner("3", "left", 534.0, 600.0, 799.0)
    worth = corner_worth(line, CIRCLE, corners)
    assert (worth < 0.0).all()
    assert worth.sum() == pytest.approx(-0.005 * limit_profile(line, CIRCLE).lap_time, rel=0.01)
    assert corner_worth(line, CIRCLE, []).shape == (0,)


def test_interval_holds_the_value_and_widens_with_the_draws():
    rng = np.random.default_rng(3)
    draws = np.array([FULL.scaled(*rng.normal(1.0, 0.02, 3)).pack() for _ in range(30)])
    line = random_line(3)
    wide, narrow = (sweep(line, FULL, ["lateral"], (1.0,), draws=d) for d in (draws, FULL.pack()[None, :]))
    assert wide.interval_s[0, 0] < wide.per_percent_s[0] < wide.interval_s[0, 1]
    assert narrow.interval_s[0] == pytest.approx([narrow.per_percent_s[0]] * 2, rel=1e-9)


def test_grip_of_the_track_holds_for_every_lap_of_the_sweep():
    # Source: half the grip all round doubles every curvature's v² demand: T goes with 1 / sqrt(grip) on a circle.
    half = StationLimits(lateral_scale=np.full(300, 0.5), brake_scale=np.full(300, 0.5))
    result = sweep(ring(80.0), CIRCLE, ["lateral"], (0.9, 1.1), limits=half, draws=CIRCLE.pack()[None, :])
    whole = limit_profile(ring(80.0), CIRCLE).lap_time
    assert result.base_s == pytest.approx(whole * math.sqrt(2.0), rel=1e-9)
    assert result.lap_time[0] == pytest.approx(whole * math.sqrt(2.0) / np.sqrt([0.9, 1.1]), rel=1e-9)
    assert result.interval_s[0] == pytest.approx([result.per_percent_s[0]] * 2, rel=1e-9)
    everywhere = [Corner("1", "left", 0.0, 1.0, ring(80.0).length * (1.0 - 1e-9))]
    worth = corner_worth(ring(80.0), CIRCLE, everywhere, np.full(300, 0.5))
    assert worth[0] == pytest.approx(-0.005 * result.base_s, rel=1e-3)  # half a per cent, to first order


def test_grip_in_a_corner_that_is_the_whole_lap_is_grip_everywhere():
    # The engine gets nothing of it, and drag slows the car with any grip. The corner leaves out no station.
    line = random_line(7)
    with_drag = replace(FULL, drag=(0.2, 0.0003, 0.003))
    for car in (FULL, with_drag):
        everywhere = [Corner("1", "left", 0.0, 1.0, line.length * (1.0 - 1e-9))]
        all_round = sweep(line, car, ["grip"], (1.0,)).per_percent_s
        assert corner_worth(line, car, everywhere) == pytest.approx(all_round, rel=1e-6)
    slowed = scaled(with_drag.pack(), "braking", 0.1)
    assert Envelope.unpack(slowed).braking == pytest.approx(
        [0.1 * (b - d) + d for b, d in zip(FULL.braking, (0.2, 0.0003), strict=True)]
    )


def test_grip_in_a_corner_is_worth_the_stations_that_the_track_puts_in_it():
    # Entry and exit lie on stations: the corner holds its first station and not its last, as `grip_scale` counts.
    line = ring(80.0)
    corner = Corner("1", "left", float(line.station[20]), float(line.station[25]), float(line.station[30]))
    less, more = (
        limit_profile(
            line, CIRCLE, limits=grip_limits(grip_scale([replace(corner, grip=g)], line.station, line.length))
        )
        for g in (0.99, 1.01)
    )
    worth = corner_worth(line, CIRCLE, [corner])
    # The same solver on the same limits, batched or not: only rounding is left; a station more moves it by 10 %.
    assert worth[0] == pytest.approx((more.lap_time - less.lap_time) / 2.0, abs=1e-9)


def test_everything_answerable_is_swept_when_nothing_is_named():
    result = sweep(random_line(4), FULL)
    assert result.parameters == tuple(PARAMETERS)
    assert (result.per_percent_s[[i for i, n in enumerate(PARAMETERS) if n != "drag"]] <= 0.0).all()
    assert result.per_percent_s[list(PARAMETERS).index("drag")] > 0.0
    bare = sweep(random_line(4), CIRCLE)
    assert "drag" not in bare.parameters
    assert any(note.startswith("drag is left out.") for note in bare.notes)
    assert any(note.startswith("downforce is left out.") for note in bare.notes)


def test_drag_is_read_where_the_log_has_shown_the_engine():
    # The curve above 40 m/s is held level for want of data: read with it, the drag would come out as less than nothing.
    car = drag_limited()
    flat = np.where(car.engine_v > 40.0, np.interp(40.0, car.engine_v, car.engine_a), car.engine_a)
    shown = Envelope.from_limits(
        (12.0, 0.0), (12.0, 0.0), (9.0, 0.0), (car.engine_v, flat), tested={"engine": (10.0, 40.0)}
    )
    assert drag_of(shown) == pytest.approx(DRAG, rel=0.03)


def test_the_interval_holds_nine_of_ten_draws():
    # On a circle T goes with 1 / sqrt(grip), and so does what 1 % is worth: the draws' 5th and 95th of 100 parts.
    grip = np.linspace(0.8, 1.2, 101)
    draws = np.array([CIRCLE.scaled(lateral=each).pack() for each in grip])
    found = sweep(ring(80.0), CIRCLE, ["lateral"], (1.0,), draws=draws)
    assert found.interval_s[0] == pytest.approx(found.per_percent_s[0] / np.sqrt(grip[[5, 95]]), rel=1e-6)


def test_factors_and_parameters_are_swept_in_order_and_once():
    found = sweep(ring(80.0), FULL, ["braking", "lateral", "braking"], (1.02, 0.98, 1.02))
    assert found.parameters == ("braking", "lateral")
    assert list(found.factors) == [0.98, 1.02]
    assert found.lap_time.shape == (2, 2)


@pytest.mark.parametrize("term", ["lateral_right", "braking", "traction"])
def test_downforce_that_one_limit_alone_shows_is_swept(term):
    car = replace(CIRCLE, **{term: (10.0, 0.002)})
    assert "downforce" in sweep(random_line(4), car).parameters


def test_changes_are_those_of_the_lap_times_beside_them_and_nought_has_no_sign(tmp_path):
    # 90.00004 and 91.00006 s are written 90.0000 and 91.0001 s: 1.0001 s apart, not 1.0000.
    found = Sweep(
        ("grip",), np.array([0.99, 1.0]), np.array([[91.00006, 90.00001]]), 90.00004, np.array([-2e-5]), None, 0
    )
    assert [row["change_s"] for row in found.rows()] == [1.0001, 0.0]
    assert "-0.0" not in json.dumps(found.to_dict())
    written = found.to_csv(tmp_path / "sweep.csv").read_text(encoding="utf-8").splitlines()
    assert written[1:] == ["grip,0.99,91.0001,+1.0001", "grip,1.0,90.0000,+0.0000"]


def test_draws_that_are_no_envelopes_are_refused():
    with pytest.raises(OptionError, match=r"draws have shape \(1, 3\); give packed envelopes"):
        sweep(ring(80.0), CIRCLE, ["lateral"], (1.0,), draws=np.ones((1, 3)))


def test_csv_holds_each_lap_time(tmp_path):
    result = sweep(random_line(5), FULL, ["lateral", "drag"], (0.98, 1.0, 1.02))
    with open(result.to_csv(tmp_path / "out" / "sweep.csv"), encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["parameter"], float(row["factor"])) for row in rows] == [
        (name, factor) for name in ("lateral", "drag") for factor in (0.98, 1.0, 1.02)
    ]
    assert [float(row["lap_time_s"]) for row in rows] == pytest.approx(result.lap_time.ravel(), abs=5e-5)
    assert float(rows[1]["change_s"]) == 0.0
    assert result.to_dict()["laps"] == result.rows()


@pytest.mark.parametrize(
    ("parameters", "factors", "message"),
    [
        (["mass"], (1.0,), "unknown parameter 'mass'; choose from grip"),
        (["drag"], (1.0,), "drag cannot be swept. The engine curve shows no air drag"),
        (["downforce"], (1.0,), "downforce cannot be swept. No limit of this envelope grows"),
        (["grip"], (105.0,), "factor 105 lies outside 0.1 to 10;"),
        (["grip"], (0.1, 10.0, 10.1), "factor 10.1 lies outside 0.1 to 10;"),
        (["grip"], (math.nan,), "factor nan lies outside"),
        (["grip"], (math.inf,), "factor inf lies outside"),
        (["grip"], (), "no factors given"),
    ],
)
def test_what_cannot_be_swept_is_named(parameters, factors, message):
    with pytest.raises(OptionError, match=message):
        sweep(random_line(6), CIRCLE, parameters, factors)


def test_worth_of_grip_and_power_is_read_from_a_log_as_the_true_car_has_it(club):
    # Source: the car and circuit that the log was made with.
    analysis = club.analysis
    names = ["grip", "lateral", "power"]
    limits = grip_limits(analysis.grip)
    read = sweep(analysis.line, analysis.fit.envelope, names, draws=analysis.fit.draws[:20], limits=limits)
    true = sweep(analysis.line, club.truth.envelope, names, limits=limits)
    assert read.base_s == pytest.approx(analysis.limit.lap_time, rel=1e-9)
    assert read.interval_s.shape == (3, 2)
    # A fifth of the worth; an envelope that is 2 % off moves it by 1 %, its division into engine and traction by more.
    assert read.per_percent_s == pytest.approx(true.per_percent_s, rel=0.2)


def test_terminal_table_and_json_say_what_one_per_cent_is_worth(club, capsys):
    analysis = club.analysis
    result = sweep(analysis.line, analysis.fit.envelope, ["grip", "braking"], (0.98, 1.0, 1.02))
    worth = corner_worth(analysis.line, analysis.fit.envelope, analysis.track.corners)
    print_sweep(result, analysis.track.corners, worth, "outing.csv")
    text = capsys.readouterr().out
    assert f"{result.per_percent_s[0]:+.3f}" in text
    assert f"{result.lap_time[1, 2] - result.base_s:+.2f}" in text
    best = analysis.track.corners[int(np.argmin(worth))]
    assert f"corner {best.name} ({worth.min():+.3f} s)" in " ".join(text.split())
    plain = result.to_dict()
    assert plain["per_percent_s"]["grip"]["value"] == pytest.approx(result.per_percent_s[0], abs=5e-5)
    numbers = [plain["limit_lap_s"], *plain["per_percent_s"]["grip"].values(), plain["drag_per_m"]]
    numbers += [row[key] for row in plain["laps"] for key in ("lap_time_s", "change_s")]
    assert all(len(repr(number).partition(".")[2]) <= 6 for number in numbers if number is not None)  # no 93.60000012
    for row in plain["laps"]:
        assert row["change_s"] == pytest.approx(row["lap_time_s"] - plain["limit_lap_s"], abs=1e-9)


# -- figures


def test_speed_trace_is_drawn_in_the_style_of_what_limits_it():
    profile = limit_profile(circuit("fast"), FULL, spacing=4.0)
    ax = Figure().subplots()
    lines = plot_profile(profile, ax)
    names = [line.get_label() for line in lines]
    assert names == ["lateral", "braking", "engine", "traction"]
    drawn = np.zeros(profile.v.size + 1)
    for line, name in zip(lines, names, strict=True):
        assert to_hex(line.get_color()).upper() == LIMIT_STYLES[name]["color"]
        x, y = line.get_data()
        seen = np.isfinite(y)
        expected = np.append(profile.v, profile.v[0]) * MS_TO_KMH
        where = np.searchsorted(np.append(profile.s, profile.line.length), x[seen])
        assert y[seen] == pytest.approx(expected[where])
        drawn[where] += 1
    assert (drawn > 0).all()  # no station without its line
    assert len({(style["color"], str(style["linestyle"])) for style in LIMIT_STYLES.values()}) == len(LIMIT_STYLES)


def test_a_corner_at_a_steady_speed_is_drawn_as_lateral_and_the_way_out_of_it_as_traction():
    # Half a turn of 40 m radius between straights. Its speed is steady, held up against a drag of 1 m/s²: the lateral
    # limit is what a driver feels, whatever the solver's step met. Down to it on the brakes, out of it on the tyres.
    bend, straight = round(np.pi * 40.0), 300
    kappa = np.concatenate([np.zeros(straight), np.full(bend, 1.0 / 40.0), np.zeros(straight)])
    line = Line.from_curvature(kappa, 1.0)
    env = Envelope.from_limits((11.0, 0.0), (10.0, 0.0), (5.0, 0.0), drag=(1.0, 0.0, 0.0))
    profile = limit_profile(line, env)
    middle = slice(straight + 20, straight + bend - 20)
    assert set(profile.active_names[middle]) == {"traction"}  # what the solver's step meets
    lines = {line.get_label(): line for line in plot_profile(profile, Figure().subplots())}

    def drawn(name):
        x, y = lines[name].get_data()
        return set(x[np.isfinite(y)])

    inside = set(profile.s[middle])
    assert inside <= drawn("lateral")
    assert not inside & (drawn("traction") | drawn("braking"))
    assert set(profile.s[straight + bend + 5 : straight + bend + 60]) <= drawn("traction")
    assert set(profile.s[straight - 60 : straight - 5]) <= drawn("braking")


def test_sweep_is_drawn_in_per_cent_and_seconds():
    result = sweep(random_line(7), FULL, ["grip", "power"], (0.98, 1.0, 1.02))
    ax = Figure().subplots()
    lines = plot_sweep(result, ax)
    assert [line.get_label() for line in lines] == ["grip", "power"]
    assert lines[0].get_xdata() == pytest.approx([-2.0, 0.0, 2.0])
    assert lines[1].get_ydata() == pytest.approx(result.lap_time[1] - result.base_s)
