"""Pedal changes: ramps of known length are found, and what they cost."""

import numpy as np
import pytest

from simlap.envelope import Envelope
from simlap.line import Line
from simlap.solver import limit_profile
from simlap.transitions import Transitions, _ramp, with_transitions


def oval():
    kappa = np.concatenate([np.full(80, 1 / 50), np.zeros(200)] * 2)
    return Line.from_curvature(kappa=kappa, ds=2.0, closed=True)


CAR = Envelope.constant(lateral=10.0, braking=8.0, drive=4.0)


@pytest.mark.parametrize("full", [0.2, 0.5, 1.1])
def test_a_straight_ramp_is_timed_by_its_own_length(full):
    # Source: definition of a ramp; 10 % to 90 % of it take 0.8 of its time. Sampling at 50 Hz: half a sample each end.
    t = np.arange(0.0, 3.0, 0.02)
    a = 6.0 * np.clip((t - 0.7) / full, 0.0, 1.0)
    assert _ramp(t, a) == pytest.approx([full], abs=0.025)


def test_a_trace_without_a_rise_has_no_ramp():
    t = np.arange(0.0, 1.0, 0.02)
    assert _ramp(t, np.full(t.size, 3.0)) == []


def test_slower_feet_never_make_the_lap_faster():
    line = oval()
    limit = limit_profile(line, CAR).lap_time
    times = [
        with_transitions(line, CAR, Transitions(ramp, ramp, ramp, (1, 1, 1))).lap_time for ramp in (0.05, 0.3, 0.6, 1.2)
    ]
    assert limit < times[0] < times[1] < times[2] < times[3]


def test_a_slow_pick_up_costs_what_the_lost_push_costs_down_the_straight():
    # Closed form: drive that ramps up over T lags an instant one by T/2, so the speed along the straight is that of a
    # push begun T/2 later: the car covers v0 T/2 (to first order in T) at v0 before it. Two straights of 400 m, v0 =
    # sqrt(10 m/s² 50 m) = 22.36 m/s; time of a straight of length D: (vp - v0)(1/a + 1/b), vp² = v0² + 2 a b D/(a + b).
    ramp, v0 = 0.6, np.sqrt(500.0)

    def straight(length):
        top = np.sqrt(v0**2 + 2 * 4.0 * 8.0 * length / 12.0)
        return (top - v0) * (1 / 4.0 + 1 / 8.0)

    waited = v0 * ramp / 2.0
    expected = 2 * (waited / v0 + straight(400.0 - waited) - straight(400.0))
    instant = Transitions(0.02, 0.02, 0.02, (1, 1, 1))
    slow = Transitions(0.02, 0.02, ramp, (1, 1, 1))
    line = oval()
    cost = with_transitions(line, CAR, slow).lap_time - with_transitions(line, CAR, instant).lap_time
    # second order in the ramp and the 2 m stations, of which the ramp holds seven: a sixth of the cost
    assert cost == pytest.approx(expected, rel=0.17)
