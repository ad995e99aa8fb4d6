"""The limits over speed and the interval of their draws."""

import numpy as np
import pytest

from simlap.envelope import Envelope
from simlap.limits import NAMES, limits_over_speed, limits_with_interval

V = np.array([10.0, 20.0, 40.0])


def car(scale=1.0):
    return Envelope.constant(lateral=9.0 * scale, braking=8.0 * scale, drive=4.0 * scale, exponent=2.0)


def test_each_limit_stands_in_the_row_of_its_name():
    rows = dict(zip(NAMES, limits_over_speed(car(), V), strict=True))
    assert rows["lateral left"] == pytest.approx(np.full(3, 9.0))
    assert rows["lateral right"] == pytest.approx(np.full(3, 9.0))
    assert rows["braking"] == pytest.approx(np.full(3, 8.0))
    assert rows["engine"] == pytest.approx(np.full(3, 4.0))


def test_the_interval_holds_nine_tenths_of_evenly_spread_draws():
    # 101 draws from 0.5 to 1.5 of the limit: 5 and 95 % of them lie below 0.55 and 1.45
    draws = [car(scale).pack() for scale in np.linspace(0.5, 1.5, 101)]
    value, low, high = limits_with_interval(car(), draws, V)
    assert value[2] == pytest.approx(np.full(3, 8.0))
    assert low[2] == pytest.approx(np.full(3, 0.55 * 8.0))
    assert high[2] == pytest.approx(np.full(3, 1.45 * 8.0))


def test_without_draws_the_interval_is_the_value():
    value, low, high = limits_with_interval(car(), [], V)
    assert (low == value).all()
    assert (high == value).all()
