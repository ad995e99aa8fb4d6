"""Laps of unlike conditions: seen, told, and no target claimed from them."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.figure import Figure
from report_case import LIMIT_S, circle_case
from truth_table import analysis_of, truth_table

from simlap.analysis import advised
from simlap.circuits import invented_circuit
from simlap.compare import _warnings
from simlap.conditions import beats_limit, lap_trend
from simlap.figures_target import draw_ladder
from simlap.report.cautions import cautions
from simlap.report.sentences import answer
from simlap.results import Advice, Interval
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
        90.0 + 0.5 * np.arange(5),  # five laps are no trend
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
    assert "41.9" in told or "42." in told  # both lap times are named
    same = replace(case, limit_lap=Interval(case.best_lap_s + 0.005, LIMIT_S, case.best_lap_s + 0.3))
    assert not beats_limit(same)


def test_a_chance_or_an_interval_that_says_nothing_claims_no_step():
    case = circle_case()
    step = Interval(41.0, 40.8, 41.3)
    assert why_no_step(case, step, 0.5) == ""
    assert "not be met again" in why_no_step(case, step, 0.004)
    assert "for certain" in why_no_step(case, step, 0.996)
    assert "already driven" in why_no_step(case, Interval(41.0, 41.0, 41.004), 0.5)
    trend = replace(case, limit_lap=Interval(50.0, 50.0, 50.0))
    assert "nothing bounds" in why_no_step(trend, step, 0.5)


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
        return SimpleNamespace(label=label, prepared=(one,))

    steady = 68.4 + 0.1 * np.sin(np.arange(9.0))
    (warning,) = _warnings([side("A", steady), side("B", DRYING)], ())
    assert warning.startswith("Side B (B.csv): Lap times fall")
    assert _warnings([side("A", steady), side("B", steady)], ()) == ()
