"""Laps of unlike conditions: seen, told, and no target claimed from them."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.figure import Figure
from report_case import LIMIT_S, circle_case
from scipy import stats
from truth_table import analysis_of, truth_table

from simlap.advice import of_slower_laps, questioned
from simlap.analysis import advised
from simlap.chance import outlook
from simlap.circuits import invented_circuit
from simlap.compare import _warnings, unlike_sessions
from simlap.conditions import beats_limit, corner_steps, slow_group, unlike_of
from simlap.figures_target import draw_ladder
from simlap.lap_types import Aside, Lap
from simlap.lapsteps import Step, lap_list, lap_step, lap_trend, unlike_laps
from simlap.outings import outing_of_lap, unlike_outings, within_outings
from simlap.readers.join import join
from simlap.report.cautions import cautions, raised_cautions
from simlap.report.sentences import answer
from simlap.results import Advice, Interval
from simlap.session import Session
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session
from simlap.target import target_of
from simlap.target_claim import why_no_step

# Lap times of an outing on a drying track and of one on tyres that go off (made by an independent simulator: grip
# from 0.80 to 1 over ten laps; to 0.93 over twelve). [s]
DRYING = (76.02, 75.09, 73.74, 72.75, 72.12, 70.99, 70.17, 69.43, 68.48)
GOING_OFF = (68.23, 68.82, 68.93, 68.83, 69.09, 69.72, 69.60, 70.02, 69.85, 70.21, 70.63, 70.30)


def numbers(lap_times):
    return range(1, len(lap_times) + 1)


def keys(analysis):
    return [caution.key for caution in cautions(analysis)]


@pytest.mark.parametrize(("lap_times", "verb"), [(DRYING, "fall"), (GOING_OFF, "rise")])
def test_a_track_that_dries_and_tyres_that_go_off_show_as_a_trend(lap_times, verb):
    trend = lap_trend(numbers(lap_times), lap_times)
    assert f"Lap times {verb} from lap to lap" in trend.sentence
    assert "--laps" in trend.sentence
    # first to last differs by 7.5 and 2.1 s; a straight line through all laps by a little more or less
    assert trend.change_s == pytest.approx(lap_times[-1] - lap_times[0], abs=0.4)


def test_the_size_of_a_trend_is_that_of_a_straight_line():
    # Theil and Sen's slope of points on a line is the line's, gaps in the numbering and one slow lap or not.
    laps = np.array([1, 2, 4, 5, 6, 7, 9, 10, 11, 12, 13])
    lap_times = 90.0 + 0.3 * (laps - 1)
    assert lap_trend(laps, lap_times).change_s == pytest.approx(0.3 * 12)
    spoiled = lap_times.copy()
    spoiled[3] += 4.0
    assert lap_trend(laps, spoiled).change_s == pytest.approx(0.3 * 12, abs=0.3)


@pytest.mark.parametrize(
    "lap_times",
    [
        69.23 - 0.1 * np.arange(8),  # a driver who gains 1 % over eight laps
        90.0 + 0.5 * np.arange(5),  # five laps: 2 % from end to end is near what scatters anyway
        [90.0, 91.7, 93.1, 92.9, 96.0],  # five laps in all but perfect order
        90.0 + 2.0 * np.arange(3),  # three laps are in order once in three
        90.0 + 0.05 * np.arange(12),  # in order, but 0.6 % in all
        [90.0, 92.0, 90.1, 92.1, 90.0, 91.9, 90.2, 92.0],  # large, but to and fro
    ],
)
def test_small_short_or_disordered_changes_are_no_trend(lap_times):
    assert lap_trend(numbers(lap_times), lap_times) is None


def test_drivers_who_stand_still_hardly_ever_pass_for_a_trend():
    # 2000 drivers without a trend who scatter by 1 %: Kendall's test at 0.01, of which half rise, half fall
    rng = np.random.default_rng(7)
    found = [lap_trend(range(10), 90.0 * (1.0 + 0.01 * rng.standard_normal(10))) for _ in range(2000)]
    assert sum(trend is not None for trend in found) <= 0.01 * 2000 * 1.3


def test_laps_set_aside_as_slow_are_asked_and_those_set_aside_otherwise_are_not():
    # Ten laps of the circle on a drying track; the first four do not count, the six that do are not in order.
    case = circle_case(factors={n: t / DRYING_FAST[-1] for n, t in enumerate(DRYING_FAST, start=1)})
    counted = np.arange(10) > 3
    for kind, told in ((Aside.SLOW, True), (Aside.OFF, False)):
        laps = [
            replace(lap, counted=bool(yes), kind=None if yes else kind)
            for lap, yes in zip(case.lapset.laps, counted, strict=True)
        ]
        dried = replace(case, table=replace(case.table, counted=counted), lapset=replace(case.lapset, laps=tuple(laps)))
        assert ("changing conditions" in keys(dried)) == told
        assert (why_no_step(dried, Interval(41.0, 40.8, 41.3), 0.5)[:18] == "Conditions changed") == told


# Ten laps on a track that dries by a fifth, the first four of them set aside for being slow; ten laps of two drivers,
# the second one 4.5 % slower from lap 6 on, less a lap in traffic. A slip in lap 8. (Both made from the laps of one
# driver by stretching their time.) [s]
DRYING_FAST = (114.12, 112.61, 110.68, 118.89, 106.52, 104.52, 102.48, 102.99, 99.03, 96.77)
TWO_DRIVERS = {1: 96.71, 2: 97.08, 3: 97.09, 5: 96.85, 6: 101.13, 7: 101.03, 8: 103.48, 9: 101.46, 10: 101.12}


def test_laps_set_aside_for_being_slow_tell_that_the_track_dried():
    counted = np.arange(10) > 3
    assert lap_trend(range(5, 11), DRYING_FAST[4:]) is None  # six laps, two of them in the wrong order
    trend = lap_trend(numbers(DRYING_FAST), DRYING_FAST, counted)
    assert trend.change_s == pytest.approx(96.77 - 106.52, abs=0.4)  # of the laps that count


def test_slow_laps_before_even_ones_are_no_trend_of_these():
    # five laps on cold tyres, set aside; the five that count are as fast as one another to 0.3 %
    lap_times = [110.0, 107.5, 106.0, 105.0, 104.0, 97.1, 96.9, 97.0, 97.1, 96.8]
    assert lap_trend(numbers(lap_times), lap_times) is not None
    assert lap_trend(numbers(lap_times), lap_times, np.arange(10) > 4) is None


def test_a_few_laps_in_perfect_order_along_a_line_are_a_trend():
    # 2 % a lap in five laps, 3 % in four, each 0.2 s off the line
    assert lap_trend(range(5), [100.2, 97.8, 96.2, 93.8, 92.2]).change_s == pytest.approx(-8.0, abs=0.4)
    assert lap_trend(range(4), [100.1, 102.9, 106.1, 108.9]).change_s == pytest.approx(9.0, abs=0.4)


@pytest.mark.parametrize("laps", [4, 5])
def test_few_laps_of_drivers_who_stand_still_hardly_ever_pass_for_a_trend(laps):
    # Student's t at 0.01 under normal scatter, whatever its size; 0.004 more are three deviations of 2000 trials
    rng = np.random.default_rng(laps)
    for scatter in (0.004, 0.01, 0.02):
        drawn = 90.0 * (1.0 + scatter * rng.standard_normal((2000, laps)))
        assert np.mean([lap_trend(range(laps), row) is not None for row in drawn]) <= 0.01 + 0.004


def test_two_drivers_in_one_log_show_as_a_step():
    step = lap_step(list(TWO_DRIVERS), list(TWO_DRIVERS.values()))
    assert step.run == (1, 2, 3, 5)
    assert set(step.others) <= {6, 7, 8, 9, 10}  # the lap with the slip may be left out
    assert -step.share == pytest.approx(0.045, abs=0.01)  # put in; the scatter of the laps is 0.4 %
    assert step.sentence.startswith("Laps 1 to 3 and 5 were 4.")
    assert "another driver" in step.sentence


def test_the_size_of_a_step_is_the_difference_of_the_means():
    lap_times = [90.0, 90.4, 90.2, 93.0, 93.2, 93.4, 93.2, 90.1, 90.3]  # rain on four laps in the middle
    step = lap_step(range(1, 10), lap_times)
    assert step.run == (4, 5, 6, 7)
    assert step.others == (1, 2, 3, 8, 9)
    assert step.change_s == pytest.approx(93.2 - 90.2)
    assert step.share == pytest.approx(3.0 / 90.2)


@pytest.mark.parametrize(
    "lap_times",
    [
        69.23 - 0.1 * np.arange(8),  # a driver who gains 1 % over eight laps
        [70.0, 70.1, 69.9, 68.3, 68.4, 68.2, 68.3],  # a driver who finds 2.4 % at once
        [94.5, 94.4, 90.0, 90.1, 90.2, 89.9, 90.0],  # two laps on cold tyres
        [90.0, 90.1, 89.9, 91.0, 91.1, 90.9],  # 1.1 %
        [90.0, 92.0, 90.1, 92.1, 90.0, 91.9, 90.2, 92.0],  # to and fro
        [90.0, 90.1, 95.0, 96.0, 97.0],  # five laps hold no two groups of three
    ],
)
def test_progress_cold_tyres_and_small_steps_are_no_step(lap_times):
    assert lap_step(numbers(lap_times), lap_times) is None


def test_a_trend_is_told_from_its_least_rise_and_its_least_fall_on():
    # 1.5 % of the median lap upwards and 3 % downwards, from the first counted lap to the last; common practice, no
    # source. Of laps that are set aside neither the size nor the median counts.
    ramp = np.linspace(-0.5, 0.5, 12)
    for share, told in ((0.0145, False), (0.0155, True), (-0.0295, False), (-0.0305, True)):
        lap_times = 90.0 * (1.0 + share * ramp)
        assert (lap_trend(range(12), lap_times) is not None) == told
        slow = np.append(lap_times, 130.0 if share > 0.0 else 60.0)
        assert (lap_trend(range(13), slow, np.arange(13) < 12) is not None) == told
    assert lap_trend(range(12), 90.0 * (1.0 + 0.05 * ramp), np.arange(12) == 3) is None  # one lap has no trend
    assert lap_trend(range(3), [90.0, 110.0, 130.0]) is None


def test_a_step_is_told_from_its_least_size_on_and_a_drivers_progress_from_a_larger_one():
    # 1.5 %, or 3 % where the later laps are the faster ones; of the mean of the faster group.
    late, middle = np.arange(20) > 9, np.abs(np.arange(20) - 9.5) < 5.0
    for where, sign, least in ((late, 1.0, 0.015), (late, -1.0, 0.03), (middle, -1.0, 0.015), (middle, 1.0, 0.015)):
        for share, told in ((0.98 * least, False), (1.02 * least, True)):
            fast = 90.0
            slow = fast * (1.0 + share)
            lap_times = np.where(where == (sign > 0.0), slow, fast)
            step = lap_step(range(20), lap_times)
            assert (step is not None) == told
            if step is not None:
                assert abs(step.share) == pytest.approx(share)
                assert step.is_progress == (least == 0.03)


def test_a_step_is_as_unlikely_as_students_t_of_the_two_groups_says():
    # Textbook: t = difference / (pooled deviation sqrt(1/n + 1/m)) with n + m - 2 degrees of freedom, two-sided, times
    # the splits tried. Six laps hold three runs of three; with one left out no two groups of three are left.
    lap_times = np.array([90.0, 91.0, 92.0, 100.0, 101.0, 102.5])
    step = lap_step(range(6), lap_times)
    chance = stats.ttest_ind(lap_times[:3], lap_times[3:]).pvalue
    assert step.chance == pytest.approx(3.0 * chance)


def test_drivers_who_stand_still_hardly_ever_pass_for_two():
    # Normal scatter, one lap in ten with a slip of 3 % on average: a level of 0.01 for all splits of a session
    rng = np.random.default_rng(11)
    found = 0
    for scatter in (0.003, 0.01, 0.02):
        for laps in (6, 8, 10, 14):
            slips = (rng.random((100, laps)) < 0.1) * rng.exponential(0.03, (100, laps))
            drawn = 90.0 * (1.0 + scatter * rng.standard_normal((100, laps)) + slips)
            found += sum(lap_step(range(laps), row) is not None for row in drawn)
    assert found <= 0.01 * 1200


def test_the_clearer_of_trend_and_step_is_told():
    steady = 0.1 * np.sin(2.5 * np.arange(12.0))
    assert isinstance(unlike_laps(range(12), 90.0 + 3.0 * (np.arange(12) > 5) + steady), Step)
    assert not isinstance(unlike_laps(range(12), 90.0 + 0.3 * np.arange(12) + steady), Step)
    assert unlike_laps(range(12), 90.0 + steady) is None


def test_lap_numbers_in_words():
    assert lap_list((4,)) == "lap 4"
    assert lap_list((4, 5)) == "laps 4 and 5"
    assert lap_list((1, 2, 3, 5)) == "laps 1 to 3 and 5"
    assert lap_list((1, 2, 3, 5, 8, 9, 10)) == "laps 1 to 3, 5 and 8 to 10"


def with_slow_corner(slow_laps, factor, phase=7):
    """Ten laps that scatter by 0.2 %; one phase of the circle takes `factor` times as long on some of them."""
    rng = np.random.default_rng(5)
    case = circle_case(factors={n: 1.0 + 0.002 * rng.standard_normal() for n in range(1, 11) if n != 3})
    inside = case.phases.phase == phase
    laps = [
        replace(lap, dt=np.where(inside & (number in slow_laps), lap.dt * factor, lap.dt))
        for number, lap in zip(case.table.numbers, case.lap_driven, strict=True)
    ]
    return replace(case, lap_driven=tuple(laps))


def test_a_flag_in_one_corner_is_asked_about_there_and_nowhere_else():
    case = with_slow_corner(range(5, 11), 1.4)
    (found,) = corner_steps(case)
    assert found.corner == "South"
    assert found.step.run == (1, 2, 4)
    # 60 m at 25 m/s take 2.4 s, four tenths more 0.96 s; the corner scatters by 0.2 % of 10 s
    assert found.step.change_s == pytest.approx(-0.96, abs=0.04)
    assert unlike_of(case) is None  # 2.3 % of the lap, all of it in one corner
    (told,) = [caution.text for caution in cautions(case) if caution.key == "one corner changed"]
    assert "In South, laps 1, 2 and 4 were 1.0 s faster than laps 5 to 10, while the rest of the lap stayed" in told
    (asked,) = questioned(case, [replace(case.advice.priorities[0], corner="South", sentence="Do it.")])
    assert asked.sentence == (
        "Do it. Laps 1, 2 and 4 were 1.0 s faster here than laps 5 to 10: was there a flag, rain, other tyres?"
    )
    (left,) = questioned(case, [replace(case.advice.priorities[0], corner="East", sentence="Do it.")])
    assert left.sentence == "Do it."


def test_a_corner_that_changes_with_another_is_not_said_to_change_alone():
    # A second driver from lap 5 on: 0.96 s slower in South, and 0.36 s faster in North.
    case = with_slow_corner(range(5, 11), 1.4)
    north = case.phases.phase == 1
    quicker = [
        replace(lap, dt=np.where(north & (number >= 5), lap.dt * 0.85, lap.dt))
        for number, lap in zip(case.table.numbers, case.lap_driven, strict=True)
    ]
    case = replace(case, lap_driven=tuple(quicker))
    (found,) = corner_steps(case)
    assert (found.corner, found.elsewhere) == ("South", ("North",))
    (told,) = [caution.text for caution in cautions(case) if caution.key == "one corner changed"]
    assert "and 1 other corner (North) changed with the same laps: another driver" in told
    assert "stayed as it was" not in told


def test_a_corner_learnt_and_one_that_scatters_are_not_asked_about():
    assert corner_steps(with_slow_corner((1, 2, 4, 5), 1.10)) == ()  # 10 % found from lap 6 on
    assert corner_steps(with_slow_corner((2, 5, 8, 10), 1.4)) == ()  # slow now and then
    assert corner_steps(with_slow_corner((8,), 1.8)) == ()  # one lap behind somebody
    assert corner_steps(with_slow_corner((), 1.0)) == ()


def test_a_whole_lap_that_steps_is_not_told_corner_by_corner():
    factors = {n: (1.0 if n < 6 else 1.06) + 0.001 * (n % 3) for n in range(1, 12) if n != 3}
    case = circle_case(factors=factors)
    assert unlike_of(case).run == (1, 2, 4, 5)
    assert corner_steps(case) == ()
    (told,) = (caution.text for caution in cautions(case) if caution.key == "changing conditions")
    assert told.endswith("Choose laps of like conditions with --laps 1,2,4,5 or 6,7,8,9,10,11.")  # as it is typed
    assert "one corner changed" not in keys(case)
    assert why_no_step(case, Interval(41.0, 40.8, 41.3), 0.5).startswith("Conditions changed")


@pytest.mark.parametrize(("laps", "said"), [((6, 7, 9, 10), True), ((5, 6, 7), False), ((), False)])
def test_a_habit_of_the_slower_group_alone_asks_what_was_other_then(laps, said):
    # Laps 6 to 11 are 6 % slower than the others: on a wet track everybody brakes earlier there.
    factors = {n: (1.0 if n < 6 else 1.06) + 0.001 * (n % 3) for n in range(1, 12) if n != 3}
    case = circle_case(factors=factors)
    first = replace(case.advice.priorities[0], sentence="Do it.")
    shown = replace(case.advice.findings[0], corner=first.corner, phase=first.phase, kind=first.kind, laps=laps)
    (told,) = of_slower_laps(case, [shown] if laps else [], [first])
    asked = " Only slower laps show it (laps 6, 7, 9 and 10): was the track wet then, or another driver at the wheel?"
    assert told.sentence == (f"Do it.{asked} If so, leave it." if said else "Do it.")
    (alike,) = of_slower_laps(circle_case(), [shown], [first])
    assert alike.sentence == "Do it."


def test_an_outing_with_a_trend_gets_a_caution_and_no_target():
    factors = {n: t / DRYING[0] for n, t in zip(numbers(DRYING), DRYING, strict=True) if n != 3}
    assert "changing conditions" in keys(circle_case(factors=factors))
    assert "changing conditions" not in keys(circle_case())


def test_a_best_lap_below_the_limit_is_cautioned_of():
    # the best lap of the hand-made case takes 0.998 of the typical one
    case = circle_case()
    assert not beats_limit(case)
    assert "best lap beats the limit" not in keys(case)
    beaten = replace(case, limit_lap=Interval(case.best_lap_s + 0.02, LIMIT_S, case.best_lap_s + 0.3))
    assert "best lap beats the limit" in keys(beaten)
    (told,) = [caution.text for caution in cautions(beaten) if caution.key == "best lap beats the limit"]
    assert f"({case.best_lap_s:.2f}) is faster than the computed limit lap ({case.best_lap_s + 0.02:.2f})" in told
    same = replace(case, limit_lap=Interval(case.best_lap_s + 0.005, LIMIT_S, case.best_lap_s + 0.3))
    assert not beats_limit(same)


def test_laps_that_repeat_nothing_or_that_nobody_drives_at_speed_claim_no_step():
    case, step = circle_case(), Interval(41.0, 40.8, 41.3)  # three laps count, within 0.4 % of each other
    assert "do not show what a driver repeats" in why_no_step(counting(case, 1, 2), step, 0.5)
    # Lap 3 takes 1.1 times as long, 4.2 s more than the best: chosen by the user it counts.
    slow = replace(counting(case, 1, 2, 3), options={**case.options, "laps": (1, 2, 3)})
    told = why_no_step(slow, step, 0.5)
    assert told.startswith("Lap 3, counted on request, is 4.")
    # Without it two laps are left, which claim no step either: who leaves it out has to know.
    assert told.endswith("Leave it out of --laps, and as the other 2 do not show what a driver repeats, drive more.")
    more = replace(counting(case, 1, 2, 3, 4), options={**case.options, "laps": (1, 2, 3, 4)})
    assert why_no_step(more, step, 0.5).endswith("Leave it out of --laps.")
    even = replace(counting(case, 1, 2, 4), options={**case.options, "laps": (1, 2, 4)})
    assert why_no_step(even, step, 0.5) == ""


def counting(case, *numbers):
    """The case with these laps counted."""
    return replace(case, table=replace(case.table, counted=np.isin(np.asarray(case.table.numbers), numbers)))


def test_a_chance_or_an_interval_that_says_nothing_claims_no_step():
    case = circle_case()
    step = Interval(41.0, 40.8, 41.3)
    assert why_no_step(case, step, 0.5) == ""
    assert "not be met again" in why_no_step(case, step, 0.004)
    assert "for certain" in why_no_step(case, step, 0.996)
    assert "less likely than 30 %" in why_no_step(case, step, 0.29, 0.3)
    assert why_no_step(case, step, 0.31, 0.3) == ""
    assert "already driven" in why_no_step(case, Interval(41.0, 41.0, 41.004), 0.5)
    trend = replace(case, limit_lap=Interval(50.0, 50.0, 50.0))
    assert "nothing bounds a next step" in why_no_step(trend, step, 0.5)


@pytest.mark.parametrize(("chance", "low", "limit"), [(0.996, 40.8, 40.0), (0.5, 41.3, 40.0), (0.5, 40.8, 50.0)])
def test_the_reason_against_a_step_to_a_later_outing_calls_it_by_that_outing(chance, low, limit):
    # Source: the ladder's own name of it, "step to outing 2": one step has one name on one page.
    case = replace(circle_case(), limit_lap=Interval(limit, limit, limit))
    first, later = (why_no_step(case, Interval(41.0, low, 41.3), chance, 0.0, outing) for outing in (1, 2))
    assert later == first.replace("next step", "step to outing 2") != first


def test_a_best_lap_that_later_outings_do_not_meet_is_not_told_of_next_time():
    told = why_no_step(circle_case(), Interval(41.0, 40.8, 41.3), 0.004, 0.0, 2)
    assert told == "By the lap times, the best lap of this session will not be met again by outing 2."


@pytest.fixture(scope="module")
def going_off():
    """Eight laps on a track that loses 1.2 % of its grip every lap, from their truth."""
    track = invented_circuit("club")
    line = track.line.resample(2.0)
    driver = Driver.with_deficits(track.corners, seed=3)
    made = synthetic_session(
        track, club_car(), driver, Sensors.good(), laps=8, seed=60, grip_drift=-0.012, losses=False
    )
    return analysis_of(truth_table(made, line, seed=60), track, line)


def test_no_output_claims_a_next_step_on_a_track_that_loses_grip(going_off, monkeypatch):
    target = target_of(going_off)
    assert target.no_step.startswith("Conditions changed")
    assert target.to_dict()["next_step_s"] is None
    assert target.to_dict()["no_step"] == target.no_step
    assert target.to_dict()["corners"] == []
    monkeypatch.setattr("simlap.analysis.advise", lambda analysis: Advice())  # needs no channels then
    whole = advised(going_off)
    assert whole.target is None
    assert f"No target: {target.no_step}" in whole.notes
    assert not any("next step" in sentence for sentence in answer(whole))
    case = replace(circle_case(), no_target=whole.no_target)
    assert "no target" in keys(case)
    ax = Figure().subplots()
    draw_ladder(going_off, target, ax)
    assert not any("next step" in text.get_text() for text in ax.texts)


def test_a_side_of_unlike_laps_is_warned_of_in_a_comparison():
    def side(label, lap_times):
        times = np.zeros((len(lap_times), 2))
        times[:, 1] = lap_times
        table = SimpleNamespace(counted=np.ones(len(lap_times), bool), numbers=np.array(numbers(lap_times)), t=times)
        quality = SimpleNamespace(fixes_per_second=25.0, speed_source="speed")
        session = SimpleNamespace(source=f"{label}.csv", channels={})
        one = SimpleNamespace(table=table, session=session, motion=SimpleNamespace(quality=quality))
        one.lapset = SimpleNamespace(laps=())
        return SimpleNamespace(label=label, prepared=(one,))

    def told(sides):
        return _warnings(sides, {}, [unlike_sessions(one) for one in sides])

    steady = 68.4 + 0.1 * np.sin(np.arange(9.0))
    (warning,) = told([side("A", steady), side("B", DRYING)])
    assert warning.startswith("Side B (B.csv): Lap times fall")
    (warning,) = told([side("A", steady + 3.0 * (np.arange(9) > 4)), side("B", steady)])
    assert warning.startswith("Side A (A.csv): Laps 1 to 5 were 3.0 s faster than laps 6 to 9")
    assert told([side("A", steady), side("B", steady)]) == ()


def test_joined_files_that_differ_are_told_and_their_gap_is_no_scatter():
    # two files of nine laps, 0.7 s apart, each lap within 0.2 s of its file's mean of 96.9 and 96.2 s
    spread = np.array([-0.2, 0.1, 0.0, 0.15, -0.1, 0.05, -0.05, 0.2, -0.15])  # middle and mean 0
    outings, times = np.repeat([0, 1], 9), np.concatenate([96.9 + spread, 96.2 + spread])
    found = unlike_outings(outings, times)
    assert (found.slower, found.faster) == (1, 2)
    assert found.gap_s == pytest.approx(0.7)
    assert "0.7 s faster than those of file 1" in found.sentence
    assert within_outings(outings, times) == pytest.approx(np.tile(96.2 + spread, 2))
    # so a lap of 95.6 s is as unlikely as after 18 such laps of the second file; taken for scatter, the gap hides that
    wide, within, alone = (
        outlook(laps, 18).chance_of(95.6) for laps in (times, within_outings(outings, times), np.tile(96.2 + spread, 2))
    )
    assert within == alone < wide - 0.1
    # files that are alike stay as they are, and so do single laps of a third one
    even = np.concatenate([96.3 + spread, 96.2 + spread])
    assert unlike_outings(outings, even) is None
    assert within_outings(outings, even) == pytest.approx(even)
    third = within_outings(np.append(outings, 2), np.append(times, 99.0))
    assert third[-1] == 99.0
    assert third[:18] == pytest.approx(np.tile(96.2 + spread, 2))


def test_each_lap_belongs_to_the_file_that_it_starts_in():
    assert list(outing_of_lap((0.0, 1000.0), np.array([5.0, 999.0, 1000.0, 1800.0]))) == [0, 0, 1, 1]
    assert list(outing_of_lap((), np.array([5.0, 999.0]))) == [0, 0]
    first = Session(np.arange(0.0, 50.0), {"speed": np.ones(50)}, source="a")
    second = Session(np.arange(0.0, 50.0), {"speed": np.full(50, 2.0)}, source="b")
    joined = join([first, second])
    assert joined.parts == (0.0, joined.t[50])


def test_the_caution_on_unlike_files_is_raised_with_the_others():
    case = circle_case(factors={number: 1.0 + 0.02 * (number < 5) for number in range(1, 9)})
    starts = np.asarray(case.table.session_start)
    apart = replace(case, session=replace(case.session, parts=(0.0, float(starts[4]))))
    assert "unlike outings" in [each.key for each in raised_cautions(apart)]
    assert "unlike outings" not in [each.key for each in raised_cautions(case)]


def laps_of(lap_times, slow):
    """Laps one behind the other, those `slow` set aside for it."""
    ends = np.cumsum([0.0, *lap_times])
    return tuple(
        Lap(
            n,
            ends[n - 1],
            ends[n],
            n not in slow,
            "slow: so much over" if n in slow else "",
            True,
            kind=Aside.SLOW if n in slow else None,
        )
        for n in numbers(lap_times)
    )


def test_slow_laps_that_are_alike_are_told_as_driven_in_other_conditions():
    # Rain from lap 4 on; lap 8 is the drive home.
    laps = laps_of((99.0, 98.8, 98.6, 110.2, 110.1, 110.4, 110.7, 121.0), slow=(4, 5, 6, 7, 8))
    found = slow_group(laps)
    assert found.laps == (4, 5, 6, 7)
    assert found.spread_s == pytest.approx(0.6)
    assert found.slower_s == pytest.approx(110.3 - 98.8)
    assert found.sentence.startswith("Laps 4 to 7 were set aside as slow, but are alike to 0.6 s, 11.5 s slower than")
    assert found.sentence.endswith("--laps 4,5,6,7.")


@pytest.mark.parametrize(
    ("lap_times", "slow"),
    [
        ((99.0, 98.8, 98.6, 110.2, 110.1), (4, 5)),  # two
        ((110.2, 110.1, 98.6, 110.3, 98.8), (1, 2, 4)),  # not one behind the other
        ((119.0, 112.0, 106.0, 98.6, 98.8), (1, 2, 3)),  # warming up
        ((110.0, 110.1, 110.2), (1, 2, 3)),  # beside nothing
    ],
)
def test_slow_laps_that_are_few_or_apart_or_unlike_are_not(lap_times, slow):
    assert slow_group(laps_of(lap_times, slow)) is None


def test_a_caution_tells_of_slow_laps_that_are_alike():
    case = circle_case()
    wet = replace(case, lapset=replace(case.lapset, laps=laps_of((42.0, 42.1, 46.0, 46.1, 46.2), slow=(3, 4, 5))))
    assert "slow laps alike" in keys(wet)
    assert "slow laps alike" not in keys(case)
