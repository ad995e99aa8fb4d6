"""Judging a change to the car on pairs of sessions with known truth."""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.figure import Figure
from scipy import stats
from truth_table import Named, Standing, laps_of, truth_table

from simlap.analysis import judge, prepare
from simlap.circuits import invented_circuit
from simlap.compare import _all_placed, _common_ground, _side, _warnings, compare, noted_conditions, parse_note
from simlap.comparison import COST_TIME, NO_CLEAR_CHANGE, PAID_OFF, CornerChange, PhaseChange
from simlap.envelope import Envelope
from simlap.envelope_fit import fit_envelope
from simlap.errors import NotEnoughData, OptionError
from simlap.figures_compare import draw_changes, draw_envelopes
from simlap.kept import grip_limits
from simlap.meanpath import mean_path
from simlap.merge import merge_tables
from simlap.options import Options
from simlap.phases import PHASE_NAMES, map_phases
from simlap.report.compare import comparison_to_dict, print_comparison, verdict_sentence
from simlap.results import Interval
from simlap.solver import limit_profile, solve_batch
from simlap.synthetic import Driver, Sensors, club_car, synthetic_pair, synthetic_session
from simlap.track import grip_scale
from simlap.verdict import PARTS, judge_sides, settle
from simlap.zones import brake_onsets, cut_zones

TRACK = invented_circuit("club")
LINE = TRACK.line.resample(2.0)
LAPS = 10
MORE_GRIP = 1.03


def judged(sessions, seed):
    """The comparison of two or three synthetic sessions, from their truth with the motion's error."""
    tables = [truth_table(made, LINE, seed=seed + 100 * i) for i, made in enumerate(sessions)]
    everything = merge_tables(tables)
    line = mean_path(everything, LINE)
    fit = fit_envelope(everything, line, draws=1)
    zones = cut_zones(line, TRACK.corners, limit_profile(line, fit.envelope), brake_onsets(everything, TRACK.corners))
    phases = map_phases(zones, np.asarray(line.station), float(line.length))
    sides = [
        _side(label, (Standing(table),), line, phases, TRACK.corners, Options(), number)
        for number, (label, table) in enumerate(zip(("A", "B", "A2"), tables, strict=False))
    ]
    return judge_sides(sides, line, phases, [corner.name for corner in TRACK.corners], limits=None)


def test_outings_in_planes_of_their_own_share_their_stations():
    # Each outing's plane has its origin at its own median position: the same track file is longer by parts in 1e8.
    made = pair(3, "nothing")[0]
    table = truth_table(made, LINE, seed=3)
    other = replace(table, station=table.station * (1.0 + 3e-8))
    assert merge_tables([table, other]).t.shape[0] == 2 * table.t.shape[0]
    with pytest.raises(NotEnoughData, match="same circuit"):
        merge_tables([table, replace(table, station=table.station * 1.001)])


def test_what_only_one_outing_s_accelerometer_told_stays_unknown_for_the_other():
    table = truth_table(pair(3, "nothing")[0], LINE, seed=3)
    told = np.full(table.v.shape, 0.5)
    both = merge_tables([replace(table, across=told, along=None), replace(table, across=None, along=None)])
    assert both.across == pytest.approx(np.vstack([told, np.full(told.shape, np.nan)]), nan_ok=True)
    assert both.along is None


def pair(seed, what):
    """Sessions before and after: nothing, 3 % more lateral grip, or a driver who cured 40 % of the deficits."""
    car = club_car()
    return synthetic_pair(
        TRACK,
        car,
        Driver.with_deficits(TRACK.corners, seed=seed),
        Sensors.good(),
        changed=car.scaled(lateral=MORE_GRIP) if what == "grip" else car,
        better=0.4 if what == "better" else 0.0,
        laps=LAPS,
        seed=seed,
        losses=False,
    )


@pytest.fixture(scope="module")
def more_grip():
    sessions = pair(2, "grip")
    return judged(sessions, 2), sessions


def test_three_per_cent_more_lateral_grip_is_found_and_credited_to_the_car(more_grip):
    comparison, (before, after) = more_grip
    assert comparison.verdict == PAID_OFF
    true = after.truth.limit_lap_s - before.truth.limit_lap_s
    # the smallest change that the laps could have shown is 0.3 s or so; the truth must lie within it
    assert abs(comparison.limit_change.value - true) < comparison.detectable_s
    assert comparison.by_limit["lateral"].value == min(change.value for change in comparison.by_limit.values())


def test_on_a_track_of_uneven_grip_a_change_of_the_lateral_limit_alone_is_all_lateral(more_grip):
    # balance: where nothing but the lateral limit changed, its part is the change of the limit
    comparison, _ = more_grip
    before, line, phases = comparison.sides[0], comparison.line, comparison.phase_map
    corners = [replace(corner, grip=0.6) for corner in TRACK.corners]
    limits = grip_limits(grip_scale(corners, np.asarray(line.station), float(line.length)))
    stated = replace(
        before, limit_phase_times=phases.sums(limit_profile(line, before.fit.envelope, limits=limits).segment_time)
    )
    better = np.vstack([before.fit.envelope.pack(), before.fit.draws])
    better[:, list(PARTS["lateral"])] *= MORE_GRIP
    times = phases.sums(np.asarray(solve_batch(line, better, limits).segment_time))
    fit = replace(before.fit, envelope=Envelope.unpack(better[0]), draws=better[1:])
    after = replace(stated, fit=fit, limit_phase_times=times[0], draw_limit_phase_times=times[1:])
    names = [corner.name for corner in TRACK.corners]
    found = judge_sides([stated, after], line, phases, names, limits=limits)
    assert found.limit_change.value < -0.1
    assert found.by_limit["lateral"].value == pytest.approx(found.limit_change.value, abs=1e-9)


def test_phases_of_a_comparison_begin_where_those_of_the_analysis_do_on_a_track_of_uneven_grip():
    made = pair(3, "nothing")[0]
    track = replace(TRACK, corners=tuple(replace(corner, grip=0.6) for corner in TRACK.corners))
    options = Options(draws=2)
    prepared = prepare(made.session, track, options)
    line, phases = _common_ground([("A", (prepared,))], track, track.corners, options)
    fit = fit_envelope(prepared.table, line, draws=1, corners=track.corners)
    assert np.array_equal(phases.phase, judge(prepared, options, fit).phases.phase)


def test_what_lap_times_moved_within_an_outing_is_taken_off_the_change_before_it_is_judged(more_grip):
    # Student's t of what is left over its error, which the detectable change holds: (t_0.975 + t_0.80) errors. Of a
    # change that is all taken off, and of one smaller than that, nothing is left: an even chance.
    before = more_grip[0]
    freedom = sum(side.laps for side in before.sides) - 2
    error = before.detectable_s / (stats.t.ppf(0.975, freedom) + stats.t.ppf(0.80, freedom))
    change = before.limit_change.value
    assert change < -error
    for share, left in ((0.0, 1.0), (0.4, 0.6), (1.0, 0.0), (1.5, 0.0)):
        names = [corner.name for corner in before.corners]
        moved = [0.0, share * abs(change)]
        found = judge_sides(before.sides, before.line, before.phase_map, names, limits=None, moved=moved)
        assert found.chance == pytest.approx(stats.t.cdf(-left * change / error, freedom), abs=1e-9)
        assert found.moved_s == pytest.approx(moved[1])
        assert found.limit_change.value == change  # what is shown is what was found


def test_conditions_that_differ_or_are_noted_for_some_sides_alone_are_warned_of_and_equal_ones_are_not():
    def side(label, speed_source="receiver"):
        one = SimpleNamespace(motion=SimpleNamespace(quality=SimpleNamespace(speed_source=speed_source)))
        return SimpleNamespace(label=label, prepared=(one,))

    def told(sides, *notes):
        labels = [side.label for side in sides]
        return [w.split(" differs")[0] for w in _warnings(sides, noted_conditions(notes, labels), [()] * len(sides))]

    two, three = [side("A"), side("B")], [side("A"), side("B"), side("A2")]
    assert told(two, "A:tyres=new", "B:tyres=new") == []
    assert told(two, "A:tyres=new", "B:tyres=worn", "A:fuel=full", "B:fuel=full") == ["tyres"]
    assert told(two, "B:tyres=worn") == ["tyres"]  # nobody knows what A had
    assert told(three, "A:tyres=new", "B:tyres=new") == ["tyres"]
    assert told(three, "A:tyres=new", "B:tyres=new", "A2:tyres=new") == []
    (warning,) = told([side("A"), side("B", "wheels")])
    assert warning == "Speed comes from different sensors (receiver, wheels)."


def test_change_is_limit_change_plus_execution_change_everywhere(more_grip):
    comparison, _ = more_grip
    for part in (comparison, *comparison.corners, *(phase for corner in comparison.corners for phase in corner.phases)):
        assert part.change.value == pytest.approx(part.limit_change.value + part.execution_change.value, abs=1e-9)
    assert sum(corner.change.value for corner in comparison.corners) == pytest.approx(comparison.change.value, abs=1e-9)


@pytest.mark.parametrize("flat", [0, 3])
def test_every_phase_drawn_is_in_the_legend_once_whichever_corner_is_flat(flat):
    same, moved = Interval(0.0, 0.0, 0.0), Interval(-0.1, -0.2, 0.0)

    def corner(index):
        changes = (same, moved, same) if index == flat else (moved, moved, moved)
        phases = tuple(PhaseChange(*one) for one in zip(PHASE_NAMES, (moved,) * 3, changes, (moved,) * 3, strict=True))
        return CornerChange(f"T{index}", moved, moved, moved, phases)

    ax = Figure().subplots()
    markers = draw_changes(SimpleNamespace(corners=[corner(index) for index in range(4)]), ax)
    assert len(markers) == 10  # twelve phases, less braking and exit of the flat corner
    keys = {
        text.get_text(): handle.get_marker()
        for text, handle in zip(ax.get_legend().get_texts(), ax.get_legend().get_lines(), strict=True)
    }
    assert keys == {"braking": "v", "mid-corner": "o", "exit": "^"}


def test_limits_of_a_side_at_speeds_that_it_has_not_tested_are_thin():
    def side(label, span):
        limits = Envelope.from_limits(
            lateral=(9.0, 0.0), braking=(8.0, 0.0), traction=(4.0, 0.0),
            tested=dict.fromkeys(("lateral", "braking", "traction", "engine"), span),
        )  # fmt: skip
        fit = SimpleNamespace(envelope=limits, draws=[limits.pack()] * 2)
        return SimpleNamespace(label=label, fit=fit, prepared=[SimpleNamespace(table=SimpleNamespace(v=[10.0, 50.0]))])

    axes = Figure().subplots(1, 3)
    lines = draw_envelopes(SimpleNamespace(sides=[side("A", (20.0, 30.0)), side("B", (10.0, 50.0))]), axes)
    assert len(lines) == 6
    for line in lines:
        kmh, shown = np.asarray(line.get_xdata()), np.isfinite(line.get_ydata())
        span = (72.0, 108.0) if line.get_label() == "A" else (36.0, 180.0)  # 20 to 30, 10 to 50 m/s
        np.testing.assert_array_equal(shown, (kmh >= span[0] - 1e-9) & (kmh <= span[1] + 1e-9))
    thin = [line for line in axes[0].get_lines() if line.get_linewidth() < 1.0 and len(line.get_xdata())]
    assert all(np.isfinite(line.get_ydata()).all() for line in thin)  # the whole limit is still to be seen
    assert len(thin) == 2
    assert axes[0].get_legend_handles_labels()[1] == ["A", "B", "thin: not shown at the limit at that speed"]


def test_a_better_driver_in_the_same_car_is_not_credited_to_the_car():
    comparison = judged(pair(1, "better"), 1)
    assert comparison.verdict == NO_CLEAR_CHANGE
    assert comparison.execution_change.high < 0.0


def test_swapping_the_sides_turns_the_verdict_round():
    before, after = pair(2, "grip")
    assert judged((after, before), 2).verdict == COST_TIME


def test_linear_drift_of_the_track_makes_no_verdict_between_three_outings():
    # the track gives 1 % less lateral grip and braking each outing; A-B-A takes a linear drift out
    sessions = [
        synthetic_session(
            TRACK,
            club_car(),
            Driver.with_deficits(TRACK.corners, seed=4),
            Sensors.good(),
            laps=LAPS,
            seed=40 + number,
            grip=1.0 - 0.01 * number,
            losses=False,
        )
        for number in range(3)
    ]
    comparison = judged(sessions, 4)
    assert comparison.verdict == NO_CLEAR_CHANGE
    assert comparison.drift.value > 0.0


def outing(grip, seed):
    driver = Driver.with_deficits(TRACK.corners, seed=4)
    return synthetic_session(TRACK, club_car(), driver, Sensors.good(), laps=LAPS, seed=seed, grip=grip, losses=False)


def test_a_track_that_changed_unevenly_is_warned_of_and_a_change_at_b_alone_is_not():
    # nothing changed at B, the track gained 3 % of grip before A2: half of that passes for a loss at B
    uneven = judged([outing(grip, 50 + i) for i, grip in enumerate((1.0, 1.0, 1.03))], 5)
    assert uneven.verdict == COST_TIME
    (warning,) = uneven.warnings
    assert "from A to A2" in warning
    assert "only if the track changed evenly" in warning
    changed = judged([outing(grip, 50 + i) for i, grip in enumerate((1.0, 1.03, 1.0))], 5)
    assert changed.verdict == PAID_OFF
    assert changed.warnings == ()
    same = judged([outing(1.0, 50 + i) for i in range(3)], 5)
    assert same.verdict == NO_CLEAR_CHANGE
    assert same.warnings == ()  # noise from A to A2 is no drift


def test_a_track_that_grips_up_within_a_session_is_no_gain_of_the_car(capsys):
    # nothing changed but the track, which gains 0.4 % of grip from lap to lap at B
    rising = {"laps": LAPS, "losses": False}
    driver = Driver.with_deficits(TRACK.corners, seed=4)
    before, after = (
        synthetic_session(TRACK, club_car(), driver, Sensors.good(), seed=60 + i, grip_drift=step, **rising).session
        for i, step in enumerate((0.0, 0.004))
    )
    comparison = compare([before], [after], track=TRACK, options=Options(draws=40))
    assert comparison.limit_change.value < -comparison.detectable_s  # it would pass for a clear gain
    assert comparison.verdict == NO_CLEAR_CHANGE
    assert any("Side B" in warning and "fall from lap to lap" in warning for warning in comparison.warnings)
    assert any("beyond chance" in warning for warning in comparison.warnings)
    print_comparison(comparison)
    assert "More laps do not settle" in " ".join(capsys.readouterr().out.split())


def test_no_clear_change_says_what_would_be_clear():
    # Source: two-sided error of 0.05, 0.025 on either side
    sentence = verdict_sentence(SimpleNamespace(verdict=NO_CLEAR_CHANGE, chance=0.972, drift=None))
    assert "faster is 97 %; 97.5 % would be a clear gain, 2.5 % a clear loss" in sentence


@pytest.mark.parametrize(
    ("verdict", "chance", "words"), [(PAID_OFF, 0.9999, "above 99 %"), (COST_TIME, 0.0001, "below 1 %")]
)
def test_a_verdict_from_two_outings_alone_credits_neither_car_nor_conditions_nor_driver(verdict, chance, words):
    alone = verdict_sentence(SimpleNamespace(verdict=verdict, chance=chance, drift=None))
    assert f"{'faster' if verdict == PAID_OFF else 'slower'} by the car, the conditions or a driver" in alone
    assert "A-B alone cannot tell them apart" in alone
    assert words in alone
    back = verdict_sentence(SimpleNamespace(verdict=verdict, chance=chance, drift=Interval(0.0, -0.1, 0.1)))
    assert "the car became" in back
    assert "A-B" not in back


def test_two_outings_alone_warn_and_three_do_not(more_grip, capsys):
    comparison = more_grip[0]
    assert len(comparison.sides) == 2
    (warning,) = comparison_to_dict(comparison)["warnings"]
    assert "a track or weather that changed between them cannot be told from the car" in warning
    print_comparison(comparison)
    assert warning in " ".join(capsys.readouterr().out.split())


def test_each_comparison_says_that_a_driver_who_uses_more_grip_everywhere_passes_for_the_car(more_grip, capsys):
    data = comparison_to_dict(more_grip[0])
    assert data["clear_chance"] == {"gain": 0.975, "loss": 0.025}
    assert data["cautions"][0]["key"] == "car or driver"
    assert "A-B-A" in data["cautions"][0]["text"]
    assert {"limit is a bound", "conditions"} <= {caution["key"] for caution in data["cautions"]}
    print_comparison(more_grip[0])
    printed = " ".join(capsys.readouterr().out.split())
    assert data["cautions"][0]["text"] in printed


def test_a_comparison_that_drove_a_again_does_not_ask_for_it_once_more(more_grip, capsys):
    again = replace(more_grip[0], drift=Interval(0.0, -0.1, 0.1))
    (caution, *_) = comparison_to_dict(again)["cautions"]
    assert caution["key"] == "car or driver"
    assert "drive A-B-A" not in caution["text"]
    assert "A driven again takes out what drifts evenly" in caution["text"]
    print_comparison(again)
    assert caution["text"] in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("sides", [2, 3])
def test_changes_of_two_outings_are_those_of_the_lap_times_printed_above_them(more_grip, capsys, sides):
    # Typical laps of 96.8652 and 96.1542 s are printed 0.72 s apart and lie 0.7110 s apart, limits 0.68 and 0.6890 s.
    comparison = more_grip[0]
    times = ((96.8652, 93.6142), (96.1542, 92.9252), (96.8652, 93.6142))[:sides]
    printed_laps = [
        replace(side, phase_times=np.full((3, 1), typical), limit_phase_times=np.array([limit]))
        for side, (typical, limit) in zip((*comparison.sides, comparison.sides[0]), times, strict=False)
    ]
    held = replace(
        comparison,
        sides=tuple(printed_laps),
        change=Interval(96.1542 - 96.8652, -0.9, -0.5),
        limit_change=Interval(92.9252 - 93.6142, -0.9, -0.5),
        execution_change=Interval(-0.0220, -0.3, 0.3),
        drift=None if sides == 2 else Interval(0.0, -0.1, 0.1),
    )
    print_comparison(held)
    printed = capsys.readouterr().out
    assert "typical 1:36.87, limit 1:33.61" in printed
    assert "typical 1:36.15, limit 1:32.93" in printed
    rows = {name: re.search(rf"^ {name} +(\S+)", printed, re.M).group(1) for name in ("lap time", "limit", "execution")}
    exact = {"lap time": "-0.71", "limit": "-0.69", "execution": "-0.02"}
    read = {"lap time": "-0.72", "limit": "-0.68", "execution": "-0.04"}
    assert rows == (read if sides == 2 else exact)


def test_json_holds_the_named_keys(more_grip):
    data = comparison_to_dict(more_grip[0])
    assert data["schema"] == "simlap.comparison/1"
    named = {"change_s", "limit_change_s", "execution_change_s", "drift_s", "verdict", "chance", "detectable_s"}
    assert named | {"laps_needed", "corners"} <= set(data)
    assert set(data["corners"][0]["phases"]) == {"braking", "mid_corner", "exit"}


def test_written_changes_add_up_digit_for_digit(more_grip):
    # Thirds and sixths of a millisecond, which each part would lose when rounded by itself.
    found = more_grip[0]
    own = {"limit_change": -0.0103333, "execution_change": 0.0048333}
    own["change"] = sum(own.values())

    def spread(times):
        return {name: Interval(times * value, times * value, times * value) for name, value in own.items()}

    corners = tuple(
        replace(corner, phases=tuple(replace(phase, **spread(1)) for phase in corner.phases), **spread(3))
        for corner in found.corners
    )
    count = 3 * len(corners)
    by_limit = dict.fromkeys(("lateral", "braking", "drive"), spread(count / 3)["limit_change"])
    data = comparison_to_dict(replace(found, corners=corners, by_limit=by_limit, **spread(count)))
    parts = [phase for corner in data["corners"] for phase in corner["phases"].values()]
    for whole, inner in ((data, data["corners"]), *((c, c["phases"].values()) for c in data["corners"]), (data, parts)):
        for name in own:
            total = sum(part[f"{name}_s"]["value"] for part in inner)
            assert whole[f"{name}_s"]["value"] == pytest.approx(total, abs=1e-9)
    for one in (data, *data["corners"], *parts):
        value = {name: one[f"{name}_s"]["value"] for name in own}
        assert value["change"] == pytest.approx(value["limit_change"] + value["execution_change"], abs=1e-9)
    assert all(abs(part[f"{name}_s"]["value"] - own[name]) < 0.0021 for part in parts for name in own)
    split = sum(change["value"] for change in data["limit_change_by_limit_s"].values())
    assert split == pytest.approx(data["limit_change_s"]["value"], abs=1e-9)
    assert data["change_s"]["value"] == round(own["change"] * count, 3)
    assert data["limit_change_s"]["value"] == round(own["limit_change"] * count, 3)


def test_detectable_change_matches_the_power_of_a_two_sample_t_test():
    # Source: Cohen (1988), table of sample sizes, from memory: 64 a side find d = 0.50 with power
    # 0.80 at 0.05 two-sided.
    # The error of a difference of two means of 64 with unit spread is sqrt(2/64).
    error = np.sqrt(2.0 / 64.0)
    _, detectable, _ = settle(0.1, error, 126, 64)
    assert detectable == pytest.approx(0.50, abs=0.005)
    # ... and the exact noncentral t gives that power at that change
    critical = stats.t.ppf(0.975, 126)
    power = 1.0 - stats.nct.cdf(critical, 126, detectable / error)
    assert power == pytest.approx(0.80, abs=0.01)


def test_laps_needed_grow_with_the_square_of_what_is_missing():
    # half the detectable change needs four times the laps: three times as many more
    _, detectable, _ = settle(-0.1, 0.1, 18, 10)
    assert settle(-detectable / 2.0, 0.1, 18, 10)[2] == 30
    assert settle(-detectable, 0.1, 18, 10)[2] == 0
    assert settle(0.0, 0.1, 18, 10)[2] is None
    # a third of it needs eight times as many more, 80; a quarter 15 times, 150: more than a day of testing holds
    assert settle(-detectable / 3.0, 0.1, 18, 10)[2] == pytest.approx(80, abs=1)  # rounded up
    assert settle(-detectable / 4.0, 0.1, 18, 10)[2] is None


@pytest.mark.parametrize("error", [0.0, np.nan])
def test_no_chance_is_stated_where_the_error_is_not_known(error):
    with pytest.raises(NotEnoughData, match="do not tell how much the limit scatters, so that no chance can be stated"):
        settle(-0.1, error, 18, 10)


def test_two_logs_of_one_outing_show_no_change_from_raw_log_to_verdict(club):
    # the very same session on both sides: the change is exactly nothing, whatever the noise
    comparison = compare(
        [club.session], [club.session], track=club.track, options=Options(draws=40), notes=["A:fuel=full"]
    )
    assert comparison.change.value == pytest.approx(0.0, abs=1e-9)
    assert comparison.limit_change.value == pytest.approx(0.0, abs=1e-9)
    assert comparison.verdict == NO_CLEAR_CHANGE
    assert any("fuel" in warning for warning in comparison.warnings)


@pytest.fixture(scope="module")
def kart():
    """A short outing, read fast: circuit and log."""
    track = invented_circuit("kart")
    sensors = Sensors.good(rate_hz=25.0)
    sensors = replace(sensors, channels=(*sensors.channels, "wheel_speed"))
    driver = Driver.with_deficits(track.corners, seed=3)
    return track, synthetic_session(track, club_car(), driver, sensors, laps=4, seed=3, losses=False).session


def lacking(session, *names):
    return replace(session, channels={name: values for name, values in session.channels.items() if name not in names})


def slow_throttle(session):
    """Opened to three tenths at most: a channel in another unit than the log says."""
    return replace(session, channels={**session.channels, "throttle": 0.3 * session.channel("throttle")})


@pytest.mark.parametrize(
    ("change", "missing", "told"),
    [
        (lambda log: lacking(log, "throttle"), "A", "no usable throttle. In the other logs it is left out as well"),
        (slow_throttle, "B", "no usable throttle. In the other logs it is left out as well"),
        (
            lambda log: lacking(log, "speed", "wheel_speed", "a_lat", "yaw_rate"),
            "B",
            "no usable speed, lateral acceleration, yaw rate. In the other logs they are left out as well",
        ),
        (lambda log: lacking(log, "brake_pressure", "gear", "engine_speed", "altitude", "wheel_speed"), "B", None),
    ],
    ids=["no throttle", "throttle unusable", "no speed and no turning", "what no limit is read from"],
)
def test_a_channel_that_one_log_of_an_outing_lacks_makes_no_change(kart, change, missing, told):
    # the very same drive on both sides: whatever is read from what both hold changes by exactly nothing
    track, log = kart
    other = change(replace(log, source="other.csv"))
    sides = [[other], [log]] if missing == "A" else [[log], [other]]
    found = compare(*sides, track=track, options=Options(draws=10))
    for change in (found.change, found.limit_change, *found.by_limit.values()):
        assert change.value == pytest.approx(0.0, abs=1e-9)
    said = [warning for warning in comparison_to_dict(found)["warnings"] if "usable" in warning]
    assert len(said) == (told is not None)
    if told is not None:
        assert said[0].startswith(f"other.csv: {told}")


def test_more_grip_is_found_where_one_side_has_no_throttle():
    before, after = (made.session for made in pair(2, "grip"))
    found = compare([before], [lacking(after, "throttle")], track=TRACK, options=Options(draws=100))
    assert found.verdict == PAID_OFF
    assert found.by_limit["lateral"].value == min(change.value for change in found.by_limit.values())


RECEIVER_ALONE = ("latitude", "longitude", "altitude", "speed", "course")


def test_fewer_fixes_of_the_same_drive_make_no_change(kart):
    # 25 and 5 fixes a second of one receiver: the slower log holds every fifth row of the faster one
    track, log = kart
    fast = replace(log, channels={name: log.channel(name) for name in RECEIVER_ALONE})
    every = slice(None, None, 5)
    slow = replace(
        fast, t=log.t[every], channels={name: fast.channel(name)[every] for name in RECEIVER_ALONE}, source="slow.csv"
    )
    found = compare([fast], [slow], track=track, options=Options(draws=10))
    # the planes have their origins at the median of 25 and of 5 fixes a second, half a metre apart
    assert found.limit_change.value == pytest.approx(0.0, abs=0.01)
    assert any("rate of the slowest, 5 a second" in warning for warning in found.warnings)
    # the loggers' own rates, though every fifth fix of one is read
    assert any("differ in fixes per second (5, 25)" in warning for warning in found.warnings)


def test_logs_that_share_too_little_for_a_path_are_not_compared(kart):
    track, log = kart
    log = lacking(log, "latitude", "longitude", "course")
    first, second = lacking(log, "a_lat"), replace(lacking(log, "yaw_rate"), source="other.csv")
    with pytest.raises(NotEnoughData, match=r"does not carry a comparison .* Log the same channels on all sides"):
        compare([first], [second], track=track, options=Options(draws=10))


def test_logs_without_positions_are_compared_with_and_without_a_track_file():
    track = invented_circuit("kart")
    sensors = Sensors.good().without("latitude", "longitude", "course")
    logs = [
        synthetic_session(track, club_car(), Driver(), sensors, laps=6, seed=seed, losses=False).session
        for seed in (1, 2)
    ]
    plain = compare(logs[:1], logs[1:], options=Options(draws=20))
    filed = compare(logs[:1], logs[1:], track=track, options=Options(draws=20))
    assert plain.verdict == filed.verdict == NO_CLEAR_CHANGE  # same car and driver, two seeds
    assert filed.change.value == pytest.approx(plain.change.value, abs=1e-9)  # the file has no part in it


def test_notes_that_differ_are_told_and_bad_ones_refused():
    assert parse_note("A:tyres=worn") == ("A", "tyres", "worn")
    assert parse_note(" B : track temperature = 31 °C, dry") == ("B", "track temperature", "31 °C, dry")
    for wrong in ("tyres worn", "A:tyres", "tyres=worn", ":tyres=worn", "A:=worn", "A:tyres=", "A: =worn", "A:tyres= "):
        with pytest.raises(OptionError, match="write SIDE:WHAT=VALUE"):
            parse_note(wrong)
    # before anything is computed: what is compared here is no session, and would be refused as such
    with pytest.raises(OptionError, match=r"'C:fuel=full': there is no side 'C'; sides are A, B\.$"):
        compare([None], [None], notes=["A:fuel=full", "C:fuel=full"])
    with pytest.raises(OptionError, match=r"there is no side 'A2'; sides are A, B\.$"):
        compare([None], [None], notes=["A2:fuel=full"])
    with pytest.raises(OptionError, match="is no Session"):
        compare([None], [None], [None], notes=["A2:fuel=full"])


@pytest.mark.parametrize("sides", [([], [None]), ([None], [])])
def test_a_side_without_a_session_is_named(sides):
    with pytest.raises(OptionError, match=f"^side {'A' if not sides[0] else 'B'} has no session. Give each side one"):
        compare(*sides)


def test_too_few_laps_on_a_side_are_refused():
    table = laps_of(truth_table(pair(2, "none")[0], LINE, seed=2), [0, 1])
    line = mean_path(table, LINE)
    fit = fit_envelope(table, line, draws=1)
    zones = cut_zones(line, TRACK.corners, limit_profile(line, fit.envelope), brake_onsets(table, TRACK.corners))
    phases = map_phases(zones, np.asarray(line.station), float(line.length))

    with pytest.raises(NotEnoughData, match=r"short\.csv\) has 2 counted laps"):
        _side("A", (Standing(table, Named("short.csv")),), line, phases, TRACK.corners, Options(), 0)


@pytest.mark.parametrize("reckoned_first", [True, False])
def test_a_log_without_positions_is_named_on_either_side_of_one_with_them(reckoned_first):
    # Source: the log that lacks something is the one to mend, whichever was named first.
    made = [
        synthetic_session(
            invented_circuit("kart"), club_car(), Driver(), Sensors.good(rate_hz=25.0), laps=3, seed=seed, losses=False
        ).session
        for seed in (3, 4)
    ]
    channels = {name: values for name, values in made[0].channels.items() if name not in ("latitude", "longitude")}
    logs = [replace(made[0], source="reckoned.csv", channels=channels), replace(made[1], source="placed.csv")]
    one, other = logs if reckoned_first else logs[::-1]
    with pytest.raises(NotEnoughData, match=r"^reckoned\.csv: no (positions|latitude and longitude) in the log, so "):
        compare([one], [other], options=Options(draws=20))


# -- hundreds of seeded pairs: pytest -m calibration -s tests/test_compare.py


@pytest.mark.calibration
@pytest.mark.parametrize("what", ["none", "grip", "better"])
def test_verdicts_over_200_seeded_pairs(what):
    found = [judged(pair(1000 + seed, what), 1000 + seed) for seed in range(200)]
    verdicts = [comparison.verdict for comparison in found]
    share = np.mean([verdict == (PAID_OFF if what == "grip" else NO_CLEAR_CHANGE) for verdict in verdicts])
    changes = np.array([comparison.limit_change.value for comparison in found])
    print(
        f"\n{what}: {100 * share:.1f} % right of 200; limit changed by {changes.mean():+.3f} s, sd {changes.std():.3f}"
    )
    assert share >= (0.93 if what == "none" else 0.85)


def test_logs_of_two_circuits_are_told_by_their_places_and_not_by_a_line_that_nobody_gave():
    # The invented circuits lie hundreds of km apart; no track file was named, so none is to be mended.
    logs = []
    for name in ("kart", "club"):
        made = synthetic_session(
            invented_circuit(name), club_car(), Driver(), Sensors.good(rate_hz=25.0), laps=3, seed=3, losses=False
        )
        logs.append(replace(made.session, source=f"{name}.csv"))
    with pytest.raises(NotEnoughData) as refused:
        compare(logs[:1], logs[1:], options=Options(draws=20))
    assert re.match(
        r"club\.csv: not on the circuit of kart\.csv, its middle lies about \d+ km away\.", str(refused.value)
    )
    assert "start line" not in str(refused.value)


def test_a_log_without_positions_beside_one_with_them_is_named_and_not_another_circuit():
    def log(source, closes):
        return SimpleNamespace(
            session=SimpleNamespace(source=source),
            motion=SimpleNamespace(closes=closes),
            table=SimpleNamespace(shares_stations=lambda other: closes),
        )

    with pytest.raises(NotEnoughData, match=r"^reckoned\.csv: no positions in the log"):
        _all_placed([log("placed.csv", True), log("reckoned.csv", False)])
    _all_placed([log("reckoned.csv", False), log("other.csv", False)])  # another message has to tell why
