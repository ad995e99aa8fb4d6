"""A corner's own grip is told from a driver who holds back: laps whose level is made up."""

import numpy as np
import pytest

from simlap.envelope_grip import _plateau, _steady

V = np.array([30.0, 30.6, 31.2, 28.0, 26.0])


def test_laps_that_level_out_below_the_common_limit_show_the_corner_s_own_grip():
    # Three laps at 0.9 of the limit whatever their speed, two slower ones below: the tyres give no more than 0.9.
    level = np.array([0.9, 0.905, 0.9, 0.8, 0.7])
    assert _plateau(level, V, 0.0) == pytest.approx(0.9017, abs=1e-3)


@pytest.mark.parametrize(
    ("level", "v"),
    [
        (0.9 * (V / 30.0) ** 2, V),  # on one line the use rises with v²: the driver holds back
        (np.array([0.9, 0.905, 0.9, 0.8, 0.7]), 0.0 * V + 30.0),  # always as fast: nobody tried for more
        (np.array([0.98, 0.985, 0.98, 0.9, 0.8]), V),  # within 4 % of the common limit
        (np.array([0.9, 0.905]), V[:2]),  # two laps
    ],
)
def test_a_driver_who_holds_back_shows_no_grip_of_the_corner(level, v):
    assert _plateau(level, v, 0.0) is None


def test_all_laps_on_one_level_below_the_limit_are_steady_and_scattered_ones_are_not():
    # 0.4 to 0.7 % is what drivers at the grip scatter by, 2 % what others do.
    assert _steady(0.9 + np.array([0.0, 0.005, -0.005, 0.004]))
    assert not _steady(0.9 + np.array([0.0, 0.02, -0.02, 0.016]))
    assert not _steady(0.98 + np.array([0.0, 0.005, -0.005, 0.004]))
    assert not _steady(0.9 + np.array([0.0, 0.005]))
