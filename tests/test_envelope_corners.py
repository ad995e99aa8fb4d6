"""What corners count for in the lateral limit: sessions of three laps at 30 m/s whose corners have made-up levels."""

import numpy as np
import pytest

from simlap.envelope_fit import fit_events
from simlap.envelope_samples import RoadSamples
from simlap.units import G

SPEED = 30.0  # [m/s]


def limit_of(levels, seconds, **more):
    """Lateral limit at 30 m/s of laps with a straight, a braking zone and a corner for each level [m/s²]."""
    across, along = [], []
    for level, long in zip(levels, seconds, strict=True):
        straight, braking, corner = (round(part * SPEED) for part in (1.5, 1.5, long))
        across.append(np.concatenate([np.zeros(straight + braking), np.full(corner, level)]))
        along.append(np.concatenate([np.full(straight, 3.0), np.full(braking, -9.5), np.full(corner, -1.6)]))
    usage = 1.0 - 0.001 * np.random.default_rng(1).random((3, 1))
    lateral, pull = (usage * np.concatenate(parts) for parts in (across, along))
    v, none = np.full(lateral.shape, SPEED), np.zeros((2, *lateral.shape))
    samples = RoadSamples(
        numbers=np.arange(3), station=np.arange(float(v.shape[1])), duration=1.0 / v, speed2=v**2, lateral=lateral,
        along=pull, pull=pull, normal=np.ones_like(v), throttle=None, noise_lateral=none, noise_along=none, repaired=0,
        banking_known=True, **more,
    )  # fmt: skip
    _, solution, _ = fit_events(samples, 0.98)
    return float(solution.lateral[0, 0] @ [1.0, SPEED**2])


def test_a_long_corner_short_of_the_limit_counts_no_more_than_a_short_one():
    # Four corners of 0.7 s at 15 m/s², and one of 30 s 4 % below them: the driver leaves it there, however many windows
    # it has. Each counting alone, its fifty would make 14.4 m/s² the limit.
    assert limit_of([15.0] * 4 + [14.4], [0.7] * 4 + [30.0]) == pytest.approx(15.0, rel=0.01)


def test_levels_that_banking_may_have_made_are_no_higher_limit():
    # Twenty corners at the limit of 15 m/s², their banking read to 0.02 rad. Banked by b it takes a lateral
    # acceleration of (a + g tan b) / (1 - a tan b / g), which grows by g + a² / g for each radian: 0.65 m/s².
    doubt = 0.02
    a = np.array([15.0 - 1e-3, 15.0 + 1e-3])  # the derivative, by the formula itself
    banked = (15.0 + G * np.tan(1e-4)) / (1.0 - 15.0 / G * np.tan(1e-4))
    assert (banked - 15.0) / 1e-4 == pytest.approx(G + a.mean() ** 2 / G, rel=1e-3)
    rng = np.random.default_rng(2)
    levels = 15.0 + (G + 15.0**2 / G) * doubt * rng.permutation(np.linspace(-1.6, 1.6, 20))
    # two standard errors of their mean, 0.65 / sqrt(20); the highest of them is 1.05 above it
    assert limit_of(levels, [1.2] * 20, banking_doubt=doubt) == pytest.approx(15.0, abs=0.29)
