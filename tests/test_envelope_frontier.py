"""The frontier's statistics against closed forms and other implementations."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import isotonic_regression

from simlap.envelope_frontier import Mixture, climb, falling, log_density, upper_levels

KIND = Mixture(spike=0.6, shortfall=0.6, idle=0.3)


@pytest.mark.parametrize("deviation", [0.05, 0.3, 1.0])
def test_density_of_the_mixture_integrates_to_one_over_its_reach(deviation):
    # The "idle" part is uniform over 16 shortfalls and its tail below has no end: integrated down to there, its share
    # is 1; a constant outlier floor is added on top.
    low, high = -16.0 * KIND.shortfall, 12.0
    total, _ = quad(
        lambda r: float(np.exp(log_density(np.array([r]), np.array([deviation]), KIND))[0]), low, high,
        points=[0.0, -deviation, deviation], limit=400,
    )  # fmt: skip
    floor = KIND.outlier / KIND.shortfall * (high - low)
    # the noise blurs the upper edge of the uniform part symmetrically, so its mass stays
    assert total - floor == pytest.approx(1.0, abs=2e-3)


def test_falling_fit_agrees_with_scipy():
    rng = np.random.default_rng(5)
    rows = np.cumsum(rng.normal(-0.3, 1.0, (20, 12)), axis=1)
    for row, mine in zip(rows, falling(rows), strict=True):
        np.testing.assert_allclose(mine, isotonic_regression(row, increasing=False).x, atol=1e-12)


def _frontier(level, deviation):
    """Frontier of events without growth, per row."""
    shape = level.shape
    return climb(
        level, np.full(shape, deviation), np.ones((*shape, 1)), np.full((shape[0], 1), np.median(level)), KIND,
        np.zeros((1, 1)), np.zeros(1),
    )[:, 0]  # fmt: skip


@pytest.mark.parametrize("deviation", [0.05, 0.2])
def test_frontier_of_drivers_at_the_limit_is_unbiased_whatever_the_noise(deviation):
    # All events at 10, normal noise: 400 sets of 25. A maximum would come out 2 deviations high.
    rng = np.random.default_rng(2)
    found = _frontier(10.0 + deviation * rng.standard_normal((400, 25)), deviation)
    # The 40 % that the mixture expects below the limit, and who are not there, lift it by up to 0.3 deviations.
    assert found.mean() == pytest.approx(10.0, abs=0.3 * deviation)


def test_underdriven_corners_do_not_drag_the_frontier_down():
    # A third of 24 events 5 to 30 % short.
    rng = np.random.default_rng(3)
    level = 10.0 + 0.1 * rng.standard_normal((300, 24))
    level[:, :8] -= rng.uniform(0.5, 3.0, (300, 8))
    found = _frontier(level, 0.1)
    assert level.mean() < 9.5  # a mean would be 6 % low
    assert found.mean() == pytest.approx(10.0, abs=0.05)


def test_one_event_far_above_the_rest_moves_the_frontier_by_less_than_a_deviation():
    rng = np.random.default_rng(4)
    level = 10.0 + 0.1 * rng.standard_normal((50, 25))
    clean = _frontier(level, 0.1)
    level[:, 0] = 13.0
    assert np.abs(_frontier(level, 0.1) - clean).max() < 0.1


def test_noise_alone_gives_no_spread_and_true_spread_is_found():
    rng = np.random.default_rng(6)
    noise = np.full(20, 0.2)
    quantile = np.full(200, 0.95)
    still = 10.0 + 0.2 * rng.standard_normal((200, 8, 20))
    level, _, spread = upper_levels(still, noise, quantile)
    # 160 values tell 0.2 to 6 %; a spread below half the noise lifts the level by less than 1 %
    assert level.mean() == pytest.approx(10.0, abs=0.1)
    assert np.median(spread) < 0.1
    varied = still + 0.3 * rng.standard_normal((200, 8, 20))
    level, _, spread = upper_levels(varied, noise, quantile)
    # Source: the 0.95 quantile of N(10, 0.3) is 10 + 1.645 * 0.3 = 10.49; 8 laps tell it to 1 %.
    assert level.mean() == pytest.approx(10.49, abs=0.1)


def test_what_two_laps_have_shown_counts_whatever_the_others_did():
    # Four laps brake at 8.3, 8.2, 6.1 and 6.4 m/s²: shown on two laps is 8.2 (the definition in the envelope's design).
    # The median alone said 7.3. One lap at 8.3 has not been repeated.
    laps = np.array([[8.3, 8.2, 6.1, 6.4], [8.3, 6.3, 6.1, 6.4]]).T
    level, _, _ = upper_levels(laps[None], np.array([0.01, 0.01]), np.array([0.5]))
    assert level[0, 0] == pytest.approx(8.2, abs=0.05)
    assert level[0, 1] == pytest.approx(6.4, abs=0.1)
    # A lap drawn twice is still one lap.
    twice = laps[[0, 0, 2, 3]]
    level, _, _ = upper_levels(twice[None], np.array([0.01, 0.01]), np.array([0.5]))
    assert (level < 7.5).all()
    # The second of many noisy laps says nothing: 400 sets of 12 laps at 10, noise 0.3 (its mean is 0.4 to 0.5 above).
    noisy = 10.0 + 0.3 * np.random.default_rng(8).standard_normal((400, 12, 1))
    level, _, _ = upper_levels(noisy, np.array([0.3]), np.full(400, 0.5))
    assert level.mean() == pytest.approx(10.0, abs=0.03)
