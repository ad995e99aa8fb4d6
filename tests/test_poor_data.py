"""Data rated 'not enough' carry no advice and no target, and the reason comes first wherever advice would stand."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure
from report_case import LIMIT_S, circle_case

from simlap.advice import advise
from simlap.figures_target import draw_ladder
from simlap.notes import notes_lines, notes_to_dict
from simlap.report.cautions import raised_cautions
from simlap.report.page import render_page
from simlap.report.sentences import answer
from simlap.report.table import print_analysis
from simlap.report.target import print_target
from simlap.results import Interval
from simlap.target import Target
from simlap.target_claim import why_no_step
from simlap.transitions import Transitions

REASON = "1.0 fixes/s, accelerations to 0.23 m/s² at 0.3 Hz"


def rated(verdict):
    """The case of `report_case`, its data rated so, with the advice that follows."""
    made = circle_case()
    quality = replace(made.motion.quality, verdict=verdict, reason=REASON)
    return replace(made, motion=replace(made.motion, quality=quality))


@pytest.fixture(scope="module")
def poor():
    made = rated("not enough")
    return replace(made, advice=advise(made))


def test_nothing_is_advised_and_the_reason_told(poor):
    assert poor.advice.priorities == poor.advice.findings == ()
    assert poor.advice.keep == ""
    assert REASON in poor.advice.refused


@pytest.mark.parametrize("verdict", ["good", "usable"])
def test_better_data_are_not_refused(verdict):
    assert why_no_step(rated(verdict), Interval(41.0, 40.8, 41.3), 0.5) == ""


def test_no_target_is_claimed(poor):
    assert why_no_step(poor, Interval(41.0, 40.8, 41.3), 0.5) == poor.advice.refused


def test_the_ladder_tells_no_phases_of_data_too_poor_to_tell_them(poor, capsys):
    times = Transitions(0.2, 0.4, 0.3, (4, 4, 4))
    step = Interval(41.0, 40.8, 41.3)
    made = Target(41.2, step, 0.5, LIMIT_S, LIMIT_S, times, 41.1, (), 0.0, 1, no_step=poor.advice.refused)
    for case, telling in ((poor, False), (rated("usable"), True)):
        print_target(case, made)
        printed = capsys.readouterr().out
        assert ("best phases simply added up" in printed) == telling
        assert ("each phase as well as" in printed) == telling


def test_the_reason_heads_the_answer_the_notes_and_the_terminal_table(poor, capsys):
    assert answer(poor)[0] == poor.advice.refused
    lines = notes_lines(poor, poor.advice)
    assert poor.advice.refused in lines
    assert not any(line.startswith(("Keep:", "1.")) for line in lines)
    assert not any("No phase loses time" in line for line in lines)
    assert notes_to_dict(poor, poor.advice)["no_advice"] == poor.advice.refused
    print_analysis(poor)
    printed = " ".join(capsys.readouterr().out.split())
    assert f"Next outing ! {poor.advice.refused}" in printed


def test_the_page_tells_it_where_the_priorities_would_stand(poor):
    section = render_page(poor).split('id="next"')[1].split("Before you act on it")[0]
    assert "too little to tell a driver what to change" in section
    assert "No priority stands out" not in section


def test_the_cautions_tell_it_once(poor):
    told = replace(poor, no_target=poor.advice.refused)
    assert [one.key for one in raised_cautions(told)].count("no target") == 0
    assert any(one.key == "no target" for one in raised_cautions(replace(told, no_target="another reason")))


def keys(analysis):
    return [one.key for one in raised_cautions(analysis)]


def test_a_limit_slower_than_driven_at_a_slowest_point_is_told_with_both_speeds():
    case = circle_case()  # the limit runs at 30 m/s everywhere
    north, *others = case.corners
    assert "limit below driven" not in keys(case)
    faster = replace(case.table, v=np.full(case.table.v.shape, 30.2))
    beaten = replace(case, corners=(replace(north, min_speed_typical=30.2), *others), table=faster)
    (text,) = [one.text for one in raised_cautions(beaten) if one.key == "limit below driven"]
    assert "North (108.0 against 108.7 km/h)" in text  # 30 and 30.2 m/s
    # 0.05 m/s is less than the noise of the speed
    assert "limit below driven" not in keys(replace(beaten, corners=(replace(north, min_speed_typical=30.05), *others)))
    # a typical lap that is faster there than the laps themselves, as where three of eight lift: its shape, no limit
    assert "limit below driven" not in keys(replace(beaten, table=case.table))


def test_a_best_lap_within_the_error_of_the_limit_lap_is_told():
    case = circle_case()
    best = case.best_lap_s
    assert "limit near driven" not in keys(replace(case, limit_lap=Interval(best - 0.5, best - 0.9, best - 0.1)))
    assert "limit near driven" in keys(replace(case, limit_lap=Interval(best - 0.5, best - 0.9, best + 0.1)))
    # faster than the limit lap itself: another caution says that
    assert "limit near driven" not in keys(replace(case, limit_lap=Interval(best + 0.5, best - 0.9, best + 0.9)))


def test_the_ladder_figure_draws_no_phases_of_data_too_poor_to_tell_them(poor):
    times = Transitions(0.2, 0.4, 0.3, (4, 4, 4))
    step = Interval(41.0, 40.8, 41.3)
    made = Target(41.2, step, 0.5, LIMIT_S, LIMIT_S, times, 41.1, (), 0.0, 1, no_step=poor.advice.refused)

    def rungs(analysis):
        ax = Figure().subplots()
        draw_ladder(analysis, made, ax)
        return {text.get_text().partition(":")[0] for text in ax.texts}

    assert "typical" in rungs(poor)
    assert rungs(rated("usable")) - rungs(poor) == {"shown"}
