"""The frontier's statistics against closed forms and other implementations."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import isotonic_regression
from scipy.stats import exponnorm, norm

from simlap import _mixture
from simlap.envelope_frontier import (
    IDLE_REACH,
    SLAB_CURVATURE,
    Mixture,
    at_limit_chance,
    climb,
    falling,
    log_density,
    upper_levels,
)

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


def _by_scipy(residual, deviation, kind):
    """Weighted densities at the limit, a little short of it (exponentially modified normal), not trying."""
    at = kind.spike * norm.pdf(residual, scale=deviation)
    rest = 1.0 - kind.spike
    short = rest * (1.0 - kind.idle) * exponnorm.pdf(-residual, kind.shortfall / deviation, scale=deviation)
    return at, short, rest * kind.idle * norm.sf(residual, scale=deviation) / (IDLE_REACH * kind.shortfall)


# From deep below the limit to far above it, also where the normal, its tail or exp(x²) leave the range of a float.
APART = np.concatenate([-np.geomspace(60.0, 1e-3, 60), [0.0], np.geomspace(1e-3, 60.0, 60)])


@pytest.mark.parametrize("deviation", [0.002, 0.05, 0.3, 5.0, 20.0])
@pytest.mark.parametrize("kind", [KIND, Mixture(spike=0.1, shortfall=0.1), Mixture(spike=0.2, shortfall=2.0, idle=1.0)])
def test_compiled_densities_are_those_of_scipy(kind, deviation):
    at, short, wide = _by_scipy(APART, deviation, kind)
    total = at + short + wide + kind.outlier / kind.shortfall
    errors = np.full_like(APART, deviation)
    # 1e-6: scipy's own tail of this distribution carries no more digits
    np.testing.assert_allclose(log_density(APART, errors, kind), np.log(total), rtol=0.0, atol=1e-6)
    np.testing.assert_allclose(at_limit_chance(APART, errors, kind), at / total, atol=1e-6)


@pytest.mark.parametrize("deviation", [0.05, 0.3, 5.0])
def test_slope_of_the_density_is_its_difference_quotient(deviation):
    apart, step = APART[np.abs(APART) < 20.0 * deviation], 1e-4 * deviation
    errors = np.full_like(apart, deviation)
    slope, curvature = _mixture.slopes(apart, errors, *KIND.terms(), SLAB_CURVATURE)
    # over the limit, so against the residual
    below, above = (log_density(apart + shift, errors, KIND) for shift in (-step, step))
    np.testing.assert_allclose(slope, (below - above) / (2.0 * step), rtol=1e-5, atol=1e-6 / deviation)
    assert np.all(curvature >= 0.0)


def test_each_event_may_have_a_mixture_of_its_own():
    other, mask = Mixture(spike=0.1, shortfall=0.1), APART > 0.0
    errors = np.full_like(APART, 0.2)
    both = log_density(APART, errors, KIND.where(mask, other))
    np.testing.assert_array_equal(both[mask], log_density(APART, errors, KIND)[mask])
    np.testing.assert_array_equal(both[~mask], log_density(APART, errors, other)[~mask])


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


def test_the_error_of_a_level_is_that_of_a_median():
    # Of n normal values the median scatters by sqrt(pi / 2 / n) of their deviation (n large; 1 % less at 41).
    laps, noise = 41, np.full(3000, 0.1)
    values = 10.0 + 0.1 * np.random.default_rng(7).standard_normal((1, laps, noise.size))
    level, deviation, _ = upper_levels(values, noise, np.array([0.5]))
    # 3000 levels tell a deviation to 1.3 %; the driver, who varies by nothing, is given none of more than 1 % of it
    assert np.std(level) == pytest.approx(0.1 * np.sqrt(np.pi / 2.0 / laps), rel=0.05)
    assert np.median(deviation) == pytest.approx(0.1 * np.sqrt(np.pi / 2.0 / laps), rel=0.03)


@pytest.mark.parametrize(("laps", "events"), [(4, 6), (8, 20)])
def test_a_driver_who_does_not_vary_is_seldom_given_variation_by_chance(laps, events):
    # Noise alone: a mean lowered by its standard error is above nought in 16 % of all cases, 1 - Phi(1), where it is
    # normal; a few laps make it a little skew. Not lowered, in half of them.
    values = 10.0 + 0.1 * np.random.default_rng(3).standard_normal((2000, laps, events))
    _, _, spread = upper_levels(values, np.full(events, 0.1), np.full(2000, 0.98))
    assert np.mean(np.median(spread, axis=1) > 0.0) < 0.25


def test_corners_in_which_a_driver_varies_are_told_from_those_in_which_he_does_not():
    # Twenty laps; in half of forty corners he varies by 0.25 m/s², in the others by nothing.
    varies = np.repeat([0.25, 0.0], 20)
    values = 10.0 + np.hypot(varies, 0.1) * np.random.default_rng(6).standard_normal((1, 20, 40))
    _, _, spread = upper_levels(values, np.full(40, 0.1), np.array([0.98]))
    # One corner's upper half of twenty laps tells a variance to sqrt(5 / 19) = 51 %, so that a third of each corner's
    # difference from the mean of all is taken for chance, and the mean lowered by 12 %; all alike both would be 0.18.
    assert np.mean(spread[0, :20]) == pytest.approx(0.25, rel=0.2)
    assert np.mean(spread[0, 20:]) < 0.1


def test_a_parameter_held_at_its_bound_leaves_the_others_their_own_best():
    # Levels that fall with speed under a limit that may not: nought is the best growth, and then the best level of
    # events that are all at the limit is their mean.
    z = np.linspace(0.0, 4.0, 9)
    level = (12.0 - 0.1 * z)[None]
    design = np.stack([np.ones_like(z), z], axis=1)[None]
    sure = Mixture(spike=1.0 - 1e-9, shortfall=0.6)
    start = np.array([[11.5, 0.05]])
    lowest = np.array([-np.inf, 0.0])
    found = climb(level, np.full_like(level, 0.3), design, start, sure, np.zeros((2, 2)), lowest)
    assert found[0] == pytest.approx([level.mean(), 0.0], abs=1e-3)  # fourteen Newton steps
