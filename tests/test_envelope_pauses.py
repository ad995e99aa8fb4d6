"""Pauses of the drive where no throttle is logged: on steady pulls in closed form, and in sessions of known truth.

Source of the sessions: the generator (simlap/synthetic_*.py, which shares no code with the estimator).
"""

from dataclasses import replace

import numpy as np
import pytest
from random_sessions import random_session
from test_envelope_events import DRIVE_EXPONENT, GUESS, LATERAL, TRACTION, held, left_over
from test_random_sessions import judged

from simlap.envelope import slowed_by
from simlap.envelope_events import EventFinder
from simlap.envelope_pauses import pauses
from simlap.envelope_samples import DRAG

STATIONS, SPEED, PULL = 600, 30.0, 4.0  # a station to the metre, [m/s], [m/s²]: 20 s


def pulled(*spans, everywhere=PULL):
    """Pull (n,) with the value of each span (from, to [s], value) instead of `everywhere`."""
    t = np.arange(STATIONS) / SPEED
    along = np.full(STATIONS, everywhere)
    for begin, end, value in spans:
        along[(t >= begin) & (t < end)] = value
    return along


def found(along, noise=0.0):
    samples = held(0.0, along, v=SPEED, stations=STATIONS)
    shape = samples.noise_along.shape
    # two replicates of which the deviation at each station is `noise`
    return pauses(replace(samples, noise_along=np.broadcast_to(np.array([noise, -noise])[:, None, None], shape)))


@pytest.mark.parametrize("left", [0.0, 2.0, 0.84 * PULL], ids=["no drive", "half", "five sixths"])
def test_a_pause_is_where_the_car_pulls_less_than_on_both_sides(left):
    along = pulled((5.0, 5.3, left), (19.9, 20.0, left), (0.0, 0.1, left))  # one lies on the start line
    assert (found(along) == (along < PULL)).all()


@pytest.mark.parametrize(
    "along",
    [
        pulled((5.0, 5.3, 0.86 * PULL)),  # a change between close gears, a ripple
        pulled((5.0, 20.0, 0.7 * PULL), (0.0, 1.5, 0.7 * PULL)),  # the next gear pulls less, and goes on so
        pulled((5.0, 6.5, 0.0)),  # a lift: longer than any change of gear
        pulled((5.0, 5.3, -3.0), everywhere=-1.0),  # nothing pulls
    ],
    ids=["close gears", "longer gear", "lift", "slowing"],
)
def test_what_is_no_pause(along):
    assert not found(along).any()


def test_what_the_motions_error_may_do_is_no_pause():
    along = pulled((5.0, 5.3, 3.0))
    assert found(along, noise=0.32).any()  # 1.0 less, three deviations
    assert not found(along, noise=0.35).any()


def test_no_window_under_power_holds_a_pause():
    along = pulled(*((begin, begin + 0.3, 0.5) for begin in np.arange(1.0, 19.0, 1.5)))
    told = EventFinder(held(0.0, along, v=SPEED, stations=STATIONS)).drive_events(GUESS)
    assert told.count >= 5
    assert told.value == pytest.approx(PULL, rel=1e-12)


def test_a_corner_at_the_tyres_limit_tells_nothing_of_the_engine():
    # Half a lap straight on, half of it in a corner whose drive is what the tyres leave: less than the engine's.
    share = 0.75
    corner = np.arange(STATIONS) >= STATIONS // 2
    lateral = np.where(corner, share * LATERAL, 0.0)
    left = TRACTION * left_over(share, DRIVE_EXPONENT) - slowed_by(DRAG, SPEED**2, (share * LATERAL) ** 2)
    along = np.where(corner, 0.999 * left, PULL)
    told = EventFinder(held(lateral, along, v=SPEED, stations=STATIONS)).drive_events(GUESS)
    assert told.value == pytest.approx(PULL, rel=1e-12)
    # well inside the tyres' limit the corner tells of the engine too
    less = np.where(corner, 0.5 * left, PULL)
    told = EventFinder(held(0.8 * lateral, less, v=SPEED, stations=STATIONS)).drive_events(GUESS)
    assert told.value.min() == pytest.approx(0.5 * left, rel=1e-12)


def test_gear_changes_of_a_log_without_a_throttle_do_not_move_the_limit_lap():
    # The same car, driver and circuit with changes of 0.25 s and with none, positions and speed logged: the limit lap
    # is the same. Of twelve such pairs it moves by 0.36 % rms, which is what two such logs differ by; without pauses
    # told by 0.48, in this pair by 1.2.
    slow, quick = (
        judged(random_session(7309, "positions and speed", shift), with_file=True, corners=False)
        for shift in (0.25, 0.0)
    )
    assert slow.limit - quick.limit == pytest.approx(0.0, abs=0.6)
