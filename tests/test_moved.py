"""What lap times that move within the outings take off a change of the limit: false verdicts by known conditions.

Lap times of ten laps an outing, a scatter of 0.35 s about conditions that are known, and the same car throughout: every
clear verdict is false. The limit of an outing is that of its best conditions, with an error of 0.1 s between two.
"""

import math

import numpy as np
import pytest

from simlap.compare import moved_within
from simlap.lapsteps import Trend, lap_trend, unlike_laps
from simlap.verdict import CLEAR, _moved_apart, settle

LAPS, LAP_S, SCATTER_S, ERROR_S = 10, 94.0, 0.35, 0.10  # errors: DEVELOPERS.md, "Comparisons"
WEIGHTS = {2: [-1.0, 1.0], 3: [-0.5, 1.0, -0.5]}
ALONG = np.linspace(0.0, 1.0, LAPS)
# Seconds beside the first lap, in outing i: s is what one outing moves by, most often a gain.
CONDITIONS = {
    "even": lambda i, s: 0.0 * ALONG,
    "tyres that warm up anew": lambda i, s: s * ALONG,
    "B begins where A ended": lambda i, s: s * (ALONG + i),
    "the track goes on in the break": lambda i, s: s * (ALONG + 2 * i),
    "the last outing alone": lambda i, s: s * ALONG * (i > 0),
    "the first outing alone": lambda i, s: s * ALONG * (i == 0),
    "rain in the break": lambda i, s: abs(s) * (0.5 * i - ALONG),
    "rain in the second outing": lambda i, s: abs(s) * ALONG * (1.0 if i == 1 else -1.0),
}
OPPOSITE = "rain in the second outing"


def test_outings_that_moved_alike_may_lie_apart_by_what_each_moved_and_three_may_not():
    # A log of A and B does not tell tyres that warm up anew (nothing apart) from a track that goes on (all of it);
    # of three, evenly spaced, either takes itself out: -m/2 + m - m/2 = 0, and so do 0, m and 2 m.
    assert _moved_apart(WEIGHTS[2], [0.5, 0.5]) == 0.5
    assert _moved_apart(WEIGHTS[3], [0.5, 0.5, 0.5]) == 0.0
    assert _moved_apart(WEIGHTS[3], [0.0, 0.5, 0.0]) == 0.5
    assert _moved_apart(WEIGHTS[2], []) == 0.0
    # what got faster by m, slower by m, faster by m: m/2 + m + m/2
    assert _moved_apart(WEIGHTS[3], [-0.5, 0.5, -0.5]) == 1.0
    assert _moved_apart(WEIGHTS[2], [-0.6, 0.5]) == 0.6


def test_laps_that_get_slower_move_the_other_way_than_laps_that_get_faster():
    # Ten laps that are 4 s slower from the sixth on, 4 s faster, 4 s slower for four in the middle, or rise by 0.4 s a
    # lap; the scatter of 0.1 s moves a mean of five by less than 0.2 s.
    scatter = 0.1 * np.array([1, -1, 0, 1, -1, 1, 0, -1, 1, -1])
    late = 4.0 * (ALONG > 0.5)
    for times, later in ((late, 4.0), (-late, -4.0), (4.0 * (np.abs(ALONG - 0.5) < 0.2), 4.0), (3.6 * ALONG, 3.6)):
        found = unlike_laps(np.arange(1, LAPS + 1), LAP_S + times + scatter)
        assert found.later_s == pytest.approx(later, abs=0.2)


def test_a_side_moves_as_its_session_that_moved_most():
    assert moved_within([("one.csv", Trend(2.0, 0.02)), ("two.csv", Trend(-3.0, -0.03))]) == -3.0
    assert moved_within([]) == 0.0


def moved(lap_times):
    """By how much the lap times moved, as `compare` asks; later laps slower: positive. [s]"""
    numbers = np.arange(1, LAPS + 1)
    found = unlike_laps(numbers, lap_times) or lap_trend(numbers, lap_times, least=(0.0, 0.0))
    return 0.0 if found is None else found.later_s


def is_clear(change, apart, outings):
    left = math.copysign(max(abs(change) - apart, 0.0), change)
    chance = settle(left, ERROR_S, outings * (LAPS - 1), LAPS)[0]
    return chance >= CLEAR or chance <= 1.0 - CLEAR


def false_verdicts(outings, where, rule, sessions=300):
    """Share of `sessions` with a clear verdict though the car stayed as it was."""
    rng, weights = np.random.default_rng(11), WEIGHTS[outings]
    count = 0
    for _ in range(sessions):
        size = rng.uniform(0.6, 2.0) * (-1.0 if rng.random() < 0.7 else 1.0)
        level = [CONDITIONS[where](i, size * rng.normal(1.0, 0.1)) for i in range(outings)]
        found = [moved(LAP_S + one + rng.normal(0.0, SCATTER_S, LAPS)) for one in level]
        change = float(np.dot(weights, [one.min() for one in level])) + rng.normal(0.0, ERROR_S)
        count += is_clear(change, rule(weights, found), outings)
    return count / sessions


@pytest.mark.calibration
@pytest.mark.parametrize("where", [where for where in CONDITIONS if where != OPPOSITE])
def test_two_outings_are_judged_falsely_no_more_often_than_by_the_difference_of_their_movements(where):
    taken = false_verdicts(2, where, _moved_apart)
    by_difference = false_verdicts(2, where, lambda weights, found: abs(float(np.dot(weights, found))))
    three = false_verdicts(3, where, _moved_apart)
    print(f"\n{where}: {taken:.0%}, by the difference {by_difference:.0%}; three outings {three:.0%}")
    # the same sessions are judged both ways; a movement that is told on one side alone is taken off by either rule
    assert taken <= by_difference


@pytest.mark.calibration
def test_three_outings_that_moved_opposite_ways_are_judged_falsely_less_often_by_the_ways_they_moved():
    by_size = false_verdicts(3, OPPOSITE, lambda weights, found: _moved_apart(weights, np.abs(found)))
    by_way = false_verdicts(3, OPPOSITE, _moved_apart)
    print(f"\n{OPPOSITE}, three outings: {by_way:.0%}, by the sizes alone {by_size:.0%}")
    assert by_way < 0.5 * by_size
