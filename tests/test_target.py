"""The target ladder on a session with known truth."""

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from matplotlib.figure import Figure
from truth_table import analysis_of, laps_of, truth_table

from simlap.circuits import invented_circuit
from simlap.figures_target import draw_ladder
from simlap.palette import BEST, DRIVEN, LIMIT, TARGET
from simlap.phases import PHASES
from simlap.report.plain import lap_time
from simlap.report.target import print_target
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session
from simlap.target import Steps, composite, target_of


@pytest.fixture(scope="module")
def target(club):
    return target_of(club.analysis)


def test_the_ladder_descends_from_typical_to_limit(club, target):
    assert target.limit_s < target.limit_with_transitions_s < target.next_step.value
    assert target.next_step.value <= target.shown_s <= club.analysis.typical_lap_s + 0.02
    assert target.next_step.low <= target.next_step.value <= target.next_step.high


def test_the_ladder_is_drawn_in_the_lap_times_of_all_other_outputs(club, target):
    ax = Figure().subplots()
    draw_ladder(club.analysis, target, ax)
    assert f"shown: {lap_time(target.shown_s)}" in [text.get_text() for text in ax.texts]
    assert ax.get_xlabel() == "lap time [min:s]"
    assert ax.xaxis.get_major_formatter()(61.5, 0) == "1:01.50"


def test_each_lap_time_has_the_same_sign_on_the_ladder_and_on_the_page(club, target):
    # The page: bar, triangle, ring, diamond and disc; see .pin in its style sheet.
    markers = draw_ladder(club.analysis, target, Figure().subplots())
    signs = [(one.get_marker(), one.get_markerfacecolor()) for one in markers]
    assert signs == [("|", LIMIT), ("|", LIMIT), ("^", TARGET), ("o", "white"), ("D", BEST), ("o", DRIVEN)]
    times = [float(one.get_xdata()[0]) for one in markers]
    assert times[4] == club.analysis.best_lap_s
    assert times[5] == club.analysis.typical_lap_s


def test_shown_is_slower_than_the_best_phases_added_up(target):
    # a sum of best phases is a lower bound of any lap that joins phases which were driven
    assert target.best_phases_sum_s < target.shown_s
    assert target.phases_gap_s == pytest.approx(target.shown_s - target.best_phases_sum_s)


def test_two_laps_repeat_nothing_better_than_the_best_phases(club, capsys):
    # Truth: of two laps the best phases added up are the most that anybody can claim to repeat.
    line = club.track.line.resample(2.0)
    made = synthetic_session(club.track, club_car(), club.truth.driver, Sensors.good(), laps=8, seed=5, losses=False)
    table = truth_table(made, line, seed=5)
    for rows in ((0, 1), (2, 3), (4, 5), (6, 7)):
        two = analysis_of(laps_of(table, rows), club.track, line)
        found = target_of(two)
        assert found.shown_s >= found.best_phases_sum_s - 1e-9
        counted = np.isin(np.arange(8), rows)
        print_target(replace(club.analysis, table=replace(club.analysis.table, counted=counted)), found)
        printed = " ".join(capsys.readouterr().out.split())
        assert not re.search(r"-\d\.\d\d s less", printed)
        assert found.no_step.startswith("2 laps do not show what a driver repeats")
        assert "nothing of it was repeated" in printed
        assert "as well as you repeat it" not in printed


def test_a_step_beyond_all_best_phases_is_told(club, target, capsys):
    def printed(best_phases, chance):
        print_target(club.analysis, replace(target, best_phases_sum_s=best_phases, chance=chance, no_step=""))
        return " ".join(capsys.readouterr().out.split())

    asked = target.next_step.value
    assert "more than any of your laps has shown" in printed(asked + 0.02, 0.3)
    assert "more than any of your laps has shown" not in printed(asked, 0.3)
    assert "chance 30 %, ambitious" in printed(asked, 0.3)
    assert "ambitious" not in printed(asked, 0.6)


def test_pedal_changes_are_those_of_the_synthetic_driver(club, target):
    # Truth: the generator's driver builds braking in build_s and picks up drive in pickup_s. Through a motion of 2 Hz,
    # whose own rise of 0.35 / 2 Hz / 0.8 = 0.22 s is taken out, 0.25 s is what can be told.
    driver = club.truth.driver
    assert target.transitions.onset_s == pytest.approx(driver.build_s, abs=0.25)


def test_no_step_asks_for_more_than_the_steps_allow(club, target):
    steps = Steps()
    for corner in target.corners:
        share = steps.fast_share if corner.build_up else 1.0
        assert corner.min_speed_kmh.next - corner.min_speed_kmh.now <= steps.min_speed_kmh * share + 1e-9
        if corner.brake_point_m is not None:
            assert corner.brake_point_m.next - corner.brake_point_m.now <= steps.brake_point_m * share + 1e-9
        assert corner.worth_s > 0.0


def test_next_step_asks_for_no_more_lap_time_than_one_outing_allows(club, target):
    assert target.shown_s - target.next_step.value <= Steps().lap_share * target.shown_s + 1e-9
    eager = target_of(club.analysis, steps=Steps(lap_share=0.05, least_chance=0.0))
    assert eager.next_step.value <= target.next_step.value


def test_an_unlikely_next_step_is_made_smaller_until_it_is_realistic(club):
    wishes = target_of(club.analysis, steps=Steps(least_chance=0.0))
    sure = target_of(club.analysis, steps=Steps(least_chance=0.6))
    assert sure.next_step.value >= wishes.next_step.value
    assert sure.chance >= wishes.chance


def test_only_so_many_corners_are_worked_on_at_once(club):
    assert len(target_of(club.analysis).corners) > 1  # by itself
    assert len(target_of(club.analysis, steps=Steps(corners=1)).corners) == 1


def test_two_outings_ahead_may_ask_for_more_and_is_never_slower(club, target):
    later = target_of(club.analysis, outing=2)
    assert later.next_step.value <= target.next_step.value + 1e-9
    assert later.chance >= Steps().least_chance  # over both outings, as likely as a step to the next one has to be


def test_fast_corners_never_lead(target):
    marks = [corner.build_up for corner in target.corners]
    assert marks == sorted(marks)


def test_composite_takes_each_phase_from_a_lap_that_was_driven(club):
    analysis = club.analysis
    laps = [analysis.lap_driven[row] for row in analysis.counted]
    joined = composite(laps, analysis.phases)
    for phase in range(PHASES * len(analysis.corners)):
        here = analysis.phases.phase == phase
        if here.any():
            assert any(np.array_equal(joined.v[here], lap.v[here]) for lap in laps)


# -- replay: the first half of a session sets the target, the second half says whether it was met


@pytest.mark.calibration
def test_chance_of_the_next_step_comes_true_over_200_drivers():
    track = invented_circuit("club")
    line = track.line.resample(2.0)
    rng = np.random.default_rng(11)
    stated, met = [], []
    for seed in range(200):
        driver = replace(
            Driver.with_deficits(track.corners, seed=seed),
            improvement=float(rng.uniform(0.0, 0.12)),  # share of the deficits cured from lap to lap
            form=float(rng.uniform(0.002, 0.010)),
        )
        made = synthetic_session(track, club_car(), driver, Sensors.good(), laps=16, seed=2000 + seed, losses=False)
        table = truth_table(made, line, seed=seed)
        target = target_of(analysis_of(laps_of(table, range(8)), track, line))
        stated.append(target.chance)
        met.append(made.truth.lap_times_s[8:].min() <= target.next_step.value)
    stated, met = np.array(stated), np.array(met, dtype=float)
    edges = [0.0, 0.2, 0.4, 0.6, 0.8, 1.0001]
    print("\nstated   came true   sessions")
    for low, high in pairwise(edges):
        here = (stated >= low) & (stated < high)
        if here.any():
            print(f"{stated[here].mean():6.2f} {met[here].mean():9.2f} {here.sum():10d}")
    assert stated.mean() == pytest.approx(met.mean(), abs=0.10)  # bar "chances"


@pytest.mark.parametrize(("smoothed", "told"), [(2.0, True), (1.0, True), (0.9, False), (0.36, False)])
def test_pedal_changes_are_told_only_where_the_motion_is_sharp_enough_to_show_them(
    club, target, capsys, smoothed, told
):
    # A low-pass of bandwidth B blurs a step over 0.35 s Hz / B: 0.35 s at 1 Hz, as long as a brake takes to let go.
    motion = replace(club.analysis.motion, speed_bandwidth_hz=smoothed)
    print_target(replace(club.analysis, motion=motion), target)
    printed = " ".join(capsys.readouterr().out.split())
    assert ("Your pedal changes: " in printed) == told
    assert ("limit, pedals" in printed) == told
    assert (f"does not show in this log: its speed is smoothed to {smoothed:.1f} Hz" in printed) != told
    ax = Figure().subplots()
    markers = draw_ladder(replace(club.analysis, motion=motion), target, ax)
    assert any("pedal changes" in text.get_text() for text in ax.texts) == told
    # The next step's interval lies at the height of its own marker, whatever rungs are below it.
    (step,) = (marker for marker in markers if marker.get_marker() == "^")
    (interval,) = (line for line in ax.lines if line.get_color() == TARGET and line.get_linestyle() == "-")
    assert set(interval.get_ydata()) == set(step.get_ydata())
