"""Pedal changes: ramps of known length are found, and what they cost."""

import numpy as np
import pytest
from scipy.stats import norm
from truth_table import analysis_of, truth_table

from simlap.circuits import invented_circuit
from simlap.envelope import Envelope
from simlap.line import Line
from simlap.solver import limit_profile
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session
from simlap.target import target_of
from simlap.transitions import BLUR_POWER, Transitions, _ramp, shows_transitions, with_transitions


def oval(ds=2.0):
    kappa = np.concatenate([np.full(round(160 / ds), 1 / 50), np.zeros(round(400 / ds))] * 2)
    return Line.from_curvature(kappa=kappa, ds=ds, closed=True)


CAR = Envelope.constant(lateral=10.0, braking=8.0, drive=4.0)


@pytest.mark.parametrize("full", [0.2, 0.5, 1.1])
def test_a_straight_ramp_is_timed_by_its_own_length(full):
    # Source: definition of a ramp; any 0.3 of it take 0.3 of its time. Sampling at 50 Hz: half a sample each end.
    t = np.arange(0.0, 3.0, 0.02)
    used = np.clip((t - 0.7) / full, 0.0, 1.0)
    assert _ramp(t, used) == pytest.approx([full], abs=0.025)
    assert _ramp(t, np.minimum(used, 0.25)) == pytest.approx([full], abs=0.025)  # who stops at a quarter is as quick


def test_a_ramp_that_waits_for_the_tyres_is_timed_where_the_foot_moves():
    # 0.4 of the limit in 0.2 s, then on over 2 s, as trail braking lets go seen backwards: a foot of 0.5 s.
    t = np.arange(0.0, 3.0, 0.02)
    used = np.interp(t, [0.3, 0.5, 2.5], [0.0, 0.4, 1.0])
    assert _ramp(t, used) == pytest.approx([0.5], abs=0.025)


@pytest.mark.parametrize("ratio", [0.5, 0.8, 1.2, 2.5])
def test_the_fourth_power_takes_a_blur_out_of_a_ramp(ratio):
    # Source: the convolution of a ramp of length L with a normal density is (F(t) - F(t - L)) / L, F(t) = t P(t / sd) +
    # sd p(t / sd). Its rise, 10 to 90 %, is 2.563 sd for a step. 8 %: what `BLUR_POWER` states.
    blur = 0.2
    full, sd = ratio * blur, blur / (norm.ppf(0.9) - norm.ppf(0.1))
    t = np.arange(-1.5, 2.5, 0.002)

    def smooth(t):
        return t * norm.cdf(t / sd) + sd * norm.pdf(t / sd)

    (seen,) = _ramp(t, (smooth(t) - smooth(t - full)) / full)
    assert seen == pytest.approx((full**BLUR_POWER + blur**BLUR_POWER) ** (1.0 / BLUR_POWER), rel=0.085)


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


@pytest.mark.parametrize("circuit", ["club", "kart"])
def test_trail_braking_is_not_the_time_that_a_foot_needs(circuit):
    # Truth: a driver at the limit in all but the pedals, whose times were put in. A motion of 2 Hz makes 0.18 s of a
    # step, and where the tyres let go more slowly than the foot, the foot is not seen at its quickest.
    track = invented_circuit(circuit)
    driver = Driver.at_limit(shift_s=0.0, line_sd_m=0.1, build_s=0.2, release_s=0.35, pickup_s=0.3)
    made = synthetic_session(track, club_car(), driver, Sensors.good(), laps=5, seed=1, losses=False)
    line = track.line.resample(2.0)
    target = target_of(analysis_of(truth_table(made, line, seed=1), track, line))
    assert target.transitions.onset_s == pytest.approx(driver.build_s, abs=0.2)
    assert target.transitions.release_s == pytest.approx(driver.release_s, abs=0.25)
    assert target.transitions.pickup_s == pytest.approx(driver.pickup_s, abs=0.2)
    # a bound, whatever the ramps: no slower than what this very driver drove, nor than what is asked of him
    assert target.limit_s <= target.limit_with_transitions_s <= made.truth.lap_times_s.min() + 1e-6
    assert target.limit_with_transitions_s <= target.next_step.value + 1e-9


def test_a_slow_release_costs_what_a_slow_pick_up_does_driven_backwards():
    # Time reversed, braking is driving: a lap with 8 m/s² of brakes let go in 0.6 s and 4 m/s² of drive is, backwards,
    # one with 4 m/s² of brakes and 8 m/s² of drive picked up in 0.6 s. The oval is its own mirror image. A release
    # ends a step and a half too late, so that it costs too little: a twentieth on steps of 0.5 m.
    line, quick, slow = oval(0.5), 0.02, 0.6
    cost = []
    for car, times in (
        (CAR, Transitions(quick, slow, quick, (1, 1, 1))),
        (Envelope.constant(lateral=10.0, braking=4.0, drive=8.0), Transitions(quick, quick, slow, (1, 1, 1))),
    ):
        instant = Transitions(quick, quick, quick, (1, 1, 1))
        cost.append(with_transitions(line, car, times).lap_time - with_transitions(line, car, instant).lap_time)
    assert cost[0] == pytest.approx(cost[1], rel=0.12)
    assert cost[1] > 0.2


def test_a_low_ramp_is_timed_over_the_middle_of_its_rise():
    # Half a period of a cosine up to 0.25 in 0.4 s. Rise time, 10 to 90 %: 0.4 s · 2 asin(0.8) / pi = 0.236 s for 0.2,
    # the steepest such part; the whole limit would take five times that.
    t = np.arange(0.0, 1.0, 0.002)
    used = 0.125 * (1.0 - np.cos(np.pi * np.clip((t - 0.2) / 0.4, 0.0, 1.0)))
    assert _ramp(t, used) == pytest.approx([5.0 * 0.4 * 2.0 * np.arcsin(0.8) / np.pi], rel=0.02)


def test_a_zone_over_which_the_clock_starts_anew_has_no_ramp_to_time():
    # Lap times run from 0 at the start line: 59.8 s is followed by 0 s in the middle of a rise.
    t, used = np.append(np.arange(59.6, 60.0, 0.02), np.arange(0.0, 0.4, 0.02)), np.linspace(0.0, 1.0, 40)
    assert _ramp(t, used) == []
    assert _ramp(-t[::-1], used) == []


@pytest.mark.parametrize(("bandwidth", "sharp"), [(0.9, False), (1.1, True), (5.0, True)])
def test_a_motion_that_rises_in_more_than_a_third_of_a_second_times_no_pedal(bandwidth, sharp):
    # Rise time 0.35 / B (common practice): 0.39, 0.32 and 0.07 s; a driver changes pedals in 0.35 s.
    assert shows_transitions(bandwidth) == sharp
