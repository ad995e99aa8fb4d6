"""A circuit that crosses itself, against curves of which geometry books tell it."""

import numpy as np
import pytest

from simlap.circuits import invented_circuit
from simlap.crossing import crosses_itself
from simlap.line import Line

TURN = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)


def test_a_lemniscate_crosses_itself_and_an_ellipse_does_not():
    # Source: the lemniscate of Gerono, x = cos t, y = sin t cos t, has one double point at the origin; an ellipse none.
    eight = Line.from_points(300.0 * np.cos(TURN), 300.0 * np.sin(TURN) * np.cos(TURN))
    ellipse = Line.from_points(300.0 * np.cos(TURN), 150.0 * np.sin(TURN))
    assert crosses_itself(eight)
    assert not crosses_itself(ellipse)


@pytest.mark.parametrize("name", ["club", "fast", "kart"])
def test_the_invented_circuits_do_not_cross_themselves(name):
    assert not crosses_itself(invented_circuit(name).line)
