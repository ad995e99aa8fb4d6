"""The posterior of a limit over level and growth: against lines that are known, with corners that hide them."""

import numpy as np
import pytest

from simlap.circuits import invented_circuit
from simlap.envelope_belief import GROWTH_SCALE, NO_GROWTH, REST_APART, SPEED2_UNIT, Growth, fit_pair
from simlap.envelope_bootstrap import BANKING_CHANCE, BRAKING_EVENTS, FLAT_EVENTS, LATERAL_EVENTS, UNBANKED_EVENTS
from simlap.line import Line

SPEEDS2 = np.linspace(12.0, 40.0, 12) ** 2
C0, C1 = 10.8, 0.0012


def fitted(level, growth=None, deviation=0.03, mixture=LATERAL_EVENTS):
    one = np.atleast_2d(level)
    pair, belief = fit_pair(
        one, np.full_like(one, deviation), SPEEDS2[None], None, growth or Growth(), np.ones_like(one), mixture
    )
    return pair[0], belief


@pytest.mark.parametrize("c1", [0.0, C1, 2.8e-3])
def test_a_line_that_every_corner_shows_is_found(c1):
    # Tolerance: one floor of 0.5 % of a level, which twelve corners halve and more.
    (c0, growth), _ = fitted(C0 + c1 * SPEEDS2)
    limit = c0 + growth * SPEEDS2
    assert limit == pytest.approx(C0 + c1 * SPEEDS2, rel=0.005)


@pytest.mark.parametrize("c1", [0.0, C1])
def test_draws_of_a_limit_lie_about_its_value_where_corners_of_one_speed_leave_its_growth_open(c1):
    # Twelve windows at 25 to 26 m/s tell nothing of the growth: 90 % of the draws have to hold the value at any speed.
    z = np.linspace(25.0, 26.0, 12)[None] ** 2
    level, weight = C0 + c1 * z, np.ones_like(z)
    told = level, np.full_like(z, 0.1), z
    pair, belief = fit_pair(*told, None, Growth(), weight, LATERAL_EVENTS)
    many = [np.repeat(each, 200, axis=0) for each in told]
    rng = np.random.default_rng(1)
    weights = rng.standard_exponential(many[0].shape)
    draws, _ = fit_pair(*many, belief, Growth(), weights, LATERAL_EVENTS, rng)
    for v in (10.0, 25.0, 40.0, 60.0):
        value, drawn = (each[:, 0] + each[:, 1] * v**2 for each in (pair, draws))
        low, high = np.quantile(drawn, (0.05, 0.95))
        assert low < value[0] < high
    assert draws[:, 1].min() >= 0.0


def test_corners_short_of_the_limit_do_not_lower_it():
    # Five of twelve corners 5 to 10 % short; 1 % is a third of the bar "limits" for c0.
    level = C0 + C1 * SPEEDS2
    level[[1, 4, 6, 9, 10]] *= [0.95, 0.9, 0.93, 0.91, 0.94]
    (c0, c1), _ = fitted(level)
    at = np.array([15.0, 25.0, 35.0]) ** 2
    assert c0 + c1 * at == pytest.approx(C0 + C1 * at, rel=0.01)


def test_what_braking_tells_of_growth_moves_a_limit_that_could_lie_on_two_lines():
    # One corner at the limit, the others on a line that grows twice as fast. What the braking limit tells (12 %
    # of its level per 1000 m²/s², the truth) brings the growth nearer to the truth than looking alone.
    level = 0.86 * C0 + 2.4e-3 * SPEEDS2
    level[5] = C0 + C1 * SPEEDS2[5]
    _, braking = fitted(10.0 + 1.11e-3 * SPEEDS2)
    (_, alone), _ = fitted(level)
    (_, together), _ = fitted(level, Growth.like(braking, float(np.median(level))))
    assert abs(together - C1) < abs(alone - C1)


def test_growth_of_another_limit_is_carried_in_proportion():
    # c1 / c0 is what downforce does to both limits: half the limit, half the growth (the level is at the mean v²).
    _, belief = fitted(10.0 + 1.0e-3 * SPEEDS2)
    middle = float(belief.mean()[0])
    whole, half = Growth.like(belief, middle), Growth.like(belief, 0.5 * middle)
    assert half.beside[0] == pytest.approx(0.5 * whole.beside[0], rel=1e-9)
    assert whole.beside[0] == pytest.approx(1.0e-3, rel=0.1)


def test_the_growth_of_the_air_is_the_brakings_alone():
    # Air slows by r1 v² beside what the tyres brake: it grows the braking limit, and no tyre's.
    _, belief = fitted(10.0 + 1.0e-3 * SPEEDS2)
    middle, air = float(belief.mean()[0]), 0.35e-3
    plain, braking, lateral = (Growth.like(belief, 0.5 * middle, a).beside[0] for a in (0.0, air, -air))
    assert braking == pytest.approx(plain + air, rel=1e-9)
    assert lateral == pytest.approx(plain - 0.5 * air, rel=1e-9)


def test_a_limit_that_hardly_grows_does_not_forbid_another_to():
    # Drag adds to the braking alone, 0.0003 1/m or so, whatever the lateral limit shows.
    _, belief = fitted(np.full(SPEEDS2.shape, 12.0))
    mean, deviation = Growth.like(belief, 10.0).beside
    assert mean < 1e-4
    assert deviation > 0.0003


@pytest.mark.parametrize(("scatter", "flat"), [(0.0, True), (0.035, False)])
def test_the_levels_tell_whether_corners_are_banked(scatter, flat):
    # Banking of 2 degrees is 3.5 % of the level of a corner at 1 g (tan 2°).
    level = (C0 + C1 * SPEEDS2) * (1.0 + scatter * np.random.default_rng(3).standard_normal(SPEEDS2.size))
    _, without = fitted(level)
    _, banked = fitted(level, deviation=0.03 * float(np.median(level)), mixture=UNBANKED_EVENTS)
    assert (without.evidence > banked.evidence) == flat


def share_of_banking(level):
    """The share of a corner's level that banking makes which these levels, and what was expected, speak for."""
    told = {0.0: fitted(level)[1].evidence}
    for share in filter(None, BANKING_CHANCE):
        deviation = share * float(np.median(level))
        told[share] = fitted(level, deviation=deviation, mixture=UNBANKED_EVENTS)[1].evidence
    return max(told, key=lambda share: told[share] + np.log(BANKING_CHANCE[share]))


def test_corners_short_of_the_limit_on_a_flat_circuit_are_not_taken_for_banked():
    # Half of the corners 0 to 16 % short, beside 1 % of scatter that a path of half a Hertz leaves: taken for banked,
    # the lateral limit reads 2 to 8 % low. Of 24 circuits each, three of four flat ones have to be told (with 40 % for
    # flat before looking it was half of them) and, lest all count as flat, more than half of the banked ones.
    flat, banked = [], []
    for seed in range(24):
        rng = np.random.default_rng(seed)
        short = np.where(rng.random(SPEEDS2.size) < 0.5, np.abs(rng.normal(0.0, 0.08, SPEEDS2.size)), 0.0)
        scatter = rng.standard_normal((2, SPEEDS2.size))
        flat.append(share_of_banking((C0 + C1 * SPEEDS2) * (1.0 + 0.01 * scatter[0] - short)))
        banked.append(share_of_banking((C0 + C1 * SPEEDS2) * (1.0 + 0.035 * scatter[1])))  # 2 degrees, as above
    assert sum(share == 0.0 for share in flat) >= 18
    assert sum(share > 0.0 for share in banked) > 12


def test_stated_banking_stays_stated_in_changed_lines():
    line = invented_circuit("kart").line
    assert (line.bank == 0.0).all()
    for changed in (line, line.resample(3.0), line.rolled(7), line.mirrored(), line.reversed(), line.opened()):
        assert changed.bank_stated
    assert Line.from_curvature(line.kappa, line.ds, like=line).bank_stated
    assert not Line.from_points(line.x, line.y, line.z).bank_stated
    assert Line.from_curvature(line.kappa, line.ds, bank=0.05).bank_stated  # nothing but a statement makes it so


@pytest.mark.parametrize("grows", [None, (0.0025, 0.001)])
def test_a_limit_seen_on_fast_corners_alone_stays_above_zero_at_rest(grows):
    # Four zones braked from 51 to 59 m/s, the faster the harder: carried on to rest, the line through them would hold
    # the car with less than nothing. No tyre does: at rest its grip is its friction.
    rng = np.random.default_rng(1)
    z = np.linspace(51.0, 59.0, 4)[None] ** 2
    level, error = 8.0 * (1.0 + 0.02 * rng.standard_normal(z.shape)) * (z / z.mean()) ** 0.9, np.full(z.shape, 0.1)
    pair, belief = fit_pair(level, error, z, None, Growth(grows), np.ones(z.shape), BRAKING_EVENTS)
    draws = 200
    drawn, weight = level + 0.1 * rng.standard_normal((draws, 4)), rng.standard_exponential((draws, 4))
    errors, speeds = np.tile(error, (draws, 1)), np.tile(z, (draws, 1))
    pairs, _ = fit_pair(drawn, errors, speeds, belief, Growth(grows), weight, BRAKING_EVENTS, rng)
    assert pair[0, 0] > 0.0
    assert pairs[:, 0].min() > 0.0
    level_at_middle = np.median(pairs @ [1.0, belief.middle])
    assert level_at_middle == pytest.approx(8.0, rel=0.02)  # what was shown stays: levels vary by 2 %


def test_corners_taken_flat_and_grip_beyond_any_tyres_do_not_hide_downforce():
    # Four corners on 14.7 + 0.003 v², three faster ones taken flat at levels below it, all exact. A line through the
    # highest and a flat one, nearly level at 2.4 g, would have the slowest corners driven 13 % below the limit.
    v = np.array([[41.5, 48.0, 50.3, 54.6, 66.5, 72.0, 73.5]])
    level = 14.7 + 0.003 * v**2
    level[0, 4:] = 22.3, 24.9, 25.4
    flat = np.array([False] * 4 + [True] * 3)
    kind = LATERAL_EVENTS.where(~flat, FLAT_EVENTS)
    pair, _ = fit_pair(level, np.full(v.shape, 0.01), v**2, None, Growth(), np.ones(v.shape), kind)
    for speed in (41.5, 54.6, 73.5):  # bar "limits": lateral within 3 %
        assert pair[0, 0] + pair[0, 1] * speed**2 == pytest.approx(14.7 + 0.003 * speed**2, rel=0.03)
    # karts may hold 2 g at rest: slow corners tell of no downforce, whatever is expected of tyres
    slow = np.array([[10.0, 13.0, 15.0, 17.0, 19.0]])
    pair, _ = fit_pair(
        np.full(slow.shape, 20.0),
        np.full(slow.shape, 0.1),
        slow**2,
        None,
        Growth(),
        np.ones(slow.shape),
        LATERAL_EVENTS,
    )
    assert pair[0, 0] + pair[0, 1] * 15.0**2 == pytest.approx(20.0, rel=0.01)
    assert pair[0, 1] * 19.0**2 < 1.0


@pytest.mark.parametrize("held", [25.0, 30.0])
def test_fast_corners_alone_tell_of_downforce_rather_than_of_tyres_that_nobody_makes(held):
    # 2.5 and 3 g at 60 m/s, and no slow corner: racing tyres hold 1.4 to 1.8 g at rest (common practice, no source).
    v = np.array([[55.0, 60.0, 65.0]])
    level = held * (v / 60.0) ** 0.5
    pair, _ = fit_pair(level, np.full(v.shape, 0.5), v**2, None, Growth(), np.ones(v.shape), LATERAL_EVENTS)
    assert pair[0, 0] < 1.8 * 9.80665 + REST_APART  # a deviation of that expectation above it
    assert pair[0, 0] + pair[0, 1] * 60.0**2 == pytest.approx(held, rel=0.03)


def test_corners_of_one_speed_leave_the_growth_as_it_was_expected():
    # At one speed no level tells of growth: what is believed is what was before looking, three in ten for none and an
    # exponential of mean GROWTH_SCALE, cut off at 4.6 times that: 5 % of its mean lies beyond.
    z = np.full((1, 8), 25.0**2)
    _, belief = fit_pair(
        np.full(z.shape, 12.0), np.full(z.shape, 0.1), z, None, Growth(), np.ones(z.shape), LATERAL_EVENTS
    )
    none = belief.points[:, 1] == 0.0
    step = np.unique(belief.points[:, 1])[1]  # half of a cell of the exponential counts as none
    expected = NO_GROWTH + 0.5 * (1.0 - NO_GROWTH) * step / (GROWTH_SCALE * SPEED2_UNIT)
    assert belief.chance[none].sum() == pytest.approx(expected, rel=0.02)
    assert belief.growth()[0] == pytest.approx((1.0 - NO_GROWTH) * GROWTH_SCALE, rel=0.07)
