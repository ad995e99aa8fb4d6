"""Chances of lap times against what simulated drivers then drive."""

import numpy as np
import pytest

from simlap.chance import outlook
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
    # a lap's scatter is expected to be 0.4 % of 97 s; half of it. With the slips in the best came out 0.9 s off
    assert best[1] == pytest.approx(best[0], abs=0.2)
