"""Chances of lap times against what simulated drivers then drive."""

import numpy as np
import pytest

from simlap.chance import outlook, without_slip
from simlap.errors import NotEnoughData

# Lap-to-lap scatter of 0.3 s on a 95 s lap, and drifts per lap: faster, level, tiring.
SCATTER, LAP = 0.3, 95.0


def drive(rng, laps, drift):
    """Lap times of a driver whose drift wears off lap by lap [s]."""
    return LAP + drift * np.cumsum(0.9 ** np.arange(laps)) + rng.normal(0.0, SCATTER, laps)


def test_best_lap_of_drivers_falls_below_the_stated_quantile_as_often_as_stated():
    # Truth: 400 seeded drivers. The chance of 50 % must come true in 50 % of them within 10 points, the bar "chances";
    # the binomial error of 400 is 2.5 points.
    rng = np.random.default_rng(7)
    met = []
    for number in range(400):
        laps = drive(rng, 16, rng.normal(-0.05, 0.08))
        ahead = outlook(laps[:8], 8, seed=number)
        best = np.sort(ahead.laps.min(axis=1))
        met.append([laps[8:].min() <= best[int(share * best.size)] for share in (0.2, 0.5, 0.8)])
    assert np.mean(met, axis=0) == pytest.approx([0.2, 0.5, 0.8], abs=0.10)


def test_more_laps_ahead_never_make_a_fast_lap_less_likely():
    laps = drive(np.random.default_rng(1), 8, 0.0)
    chances = [outlook(laps, n, seed=2).chance_of(LAP - 0.5) for n in (1, 4, 16)]
    assert chances[0] < chances[1] < chances[2]


def test_a_slower_target_is_never_less_likely():
    ahead = outlook(drive(np.random.default_rng(1), 8, 0.0), 6, seed=2)
    chances = [ahead.chance_of(time) for time in (93.0, 94.0, 95.0, 96.0)]
    assert chances == sorted(chances)
    assert chances[-1] > 0.95  # a second above the level with 0.3 s of scatter: common sense, no source


def test_one_lap_carries_no_chance():
    with pytest.raises(NotEnoughData, match="at least two counted laps; this session has 1"):
        outlook(np.array([95.0]), 5)


def test_laps_with_a_slip_say_little_of_the_best_lap_to_come():
    # Nine laps of a driver who stands still; three of them lose 2 to 4 s to traffic and a mistake. The best lap of the
    # next outing is about as fast as without those losses.
    rng = np.random.default_rng(3)
    clean = 96.8 + 0.15 * rng.standard_normal(9)
    spoiled = clean + np.array([0.0, 0.0, 1.8, 0.0, 0.0, 0.0, 2.4, 0.0, 3.7])
    best = [np.median(outlook(laps, 9).laps.min(axis=1)) for laps in (clean, spoiled)]
    # a lap's scatter is expected to be 0.25 % of 97 s; less than that. With the slips in the best came out 0.9 s off
    assert best[1] == pytest.approx(best[0], abs=0.2)


def test_a_slip_is_a_lap_far_above_the_median_by_what_is_usual_or_by_what_the_laps_scatter():
    # 2.5 deviations of 0.4 s: 1 s, where the laps scatter less than is usual. A fast lap is no slip.
    alike = np.array([90.0] * 6 + [90.9, 91.1, 88.0])
    assert list(without_slip(alike, 0.4)) == [True] * 7 + [False, True]
    # Five laps that lie 0, 1 and 2 s beside the median, evenly: a deviation of 1.48 s (the median of those ways).
    wide = np.array([88.0, 89.0, 90.0, 91.0, 92.0])
    assert without_slip(wide, 0.4).all()


def test_laps_behind_a_slip_keep_their_place_in_the_drift():
    # Who gets faster lap by lap, without scatter: with the first two laps left out for slips the same laps are to come
    # as without them. Moved forward by two laps, the eight others would tell of a drift that wears off more slowly.
    laps = LAP - 0.3 * np.cumsum(0.9 ** np.arange(10))
    spoiled = laps + np.array([6.0, 6.0] + [0.0] * 8)
    whole, left = (np.median(outlook(each, 8, seed=4).laps, axis=0) for each in (laps, spoiled))
    assert left == pytest.approx(whole, abs=0.12)


def test_without_evidence_drivers_are_taken_to_get_a_little_faster():
    # Two equal laps tell nothing of a drift. The first lap of the next outing is then faster than they were by the
    # stated 0.03 % of 95 s, grown by 0.92² on the third lap; 4000 draws leave 0.2 % / sqrt(4000) and the level's error.
    assert np.median(outlook(np.array([LAP, LAP]), 1, seed=3).laps) < LAP


def test_who_gets_faster_lap_by_lap_is_expected_to_go_on_and_more_slowly():
    # A driver without scatter whose drift of -0.3 s wears off by a tenth from lap to lap: the truth of the laps to come
    # follows. What is assumed of drivers beforehand and a scatter of 0.25 % pull it back by less than a third.
    grown = np.cumsum(0.9 ** np.arange(20))
    laps = LAP - 0.3 * grown
    ahead = np.median(outlook(laps[:12], 8, seed=4).laps, axis=0)
    assert np.all(np.diff(ahead) < 0.05)
    assert ahead == pytest.approx(laps[12:], abs=0.25)


def test_many_laps_outweigh_what_is_assumed_of_a_drivers_scatter():
    # 24 laps scatter by 0.8 s, twice what is assumed: the next lap does as well, but for the 3 laps' worth of evidence
    # that the assumption counts (5 %) and what the level is uncertain by (sqrt(1 + 1/24 + the drift's part)).
    laps = LAP + 0.8 * np.random.default_rng(5).permutation(np.repeat([-1.0, 1.0], 12))
    assert np.std(outlook(laps, 1, seed=6).laps) == pytest.approx(0.8, rel=0.12)


def test_laps_ahead_spread_as_a_regression_predicts():
    # Textbook (weighted least squares with the prior as one more row): a lap at x is predicted to within
    # s² (1 + x' C x), C the inverse of the normal matrix, times nu / (nu - 2) as s is drawn too; 4000 draws know a
    # standard deviation to 2 %. The prior: 0.25 % of scatter (3 laps' worth), a drift of -0.03 +- 0.2 % a lap that
    # wears off by 8 %.
    laps = LAP + np.array([1.5, -1.5, 0.6, -0.9])  # far more than assumed, so that the weights of both show
    grown = np.cumsum(0.92 ** np.arange(10))
    rows = np.vstack([np.column_stack([np.ones(4), grown[:4]]), [0.0, 0.25 / 0.2]])
    level = np.median(laps)
    seen = np.append(laps, 0.25 / 0.2 * -0.0003 * level)
    found, *_ = np.linalg.lstsq(rows, seen, rcond=None)
    freedom = 3.0 + 4.0 - 1.0
    s2 = (3.0 * (0.0025 * level) ** 2 + np.sum((laps - rows[:4] @ found) ** 2)) / freedom
    last = np.array([1.0, grown[-1]])
    spread = np.sqrt(s2 * (1.0 + last @ np.linalg.inv(rows.T @ rows) @ last) * freedom / (freedom - 2.0))
    assert np.std(outlook(laps, 6, seed=1).laps[:, -1]) == pytest.approx(spread, rel=0.06)
