"""Session: strictly rising clock, canonical names, read-only arrays."""

import pickle
from dataclasses import fields, replace

import numpy as np
import pytest

from simlap.errors import NotEnoughData
from simlap.session import Session


def session(**channels):
    return Session.from_arrays(np.array([5.0, 5.1, 5.2]), **channels)


def test_duration_is_last_time_minus_first():
    # Source: definition; 0.2 is exact to rounding.
    assert session(speed=np.array([1.0, 2.0, 3.0])).duration == pytest.approx(0.2, rel=1e-12)


def test_the_callers_array_stays_writable_and_the_sessions_copy_does_not():
    speed = np.array([1.0, 2.0, 3.0])
    made = session(speed=speed)
    speed[0] = 99.0
    assert made.channel("speed")[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        made.channel("speed")[0] = 5.0
    with pytest.raises(TypeError):
        made.channels["speed"] = speed


def test_asking_for_an_absent_channel_names_the_ones_there_are():
    with pytest.raises(NotEnoughData, match=r"no channel 'yaw_rate' \(there are: speed\).*--column yaw_rate="):
        session(speed=np.ones(3)).channel("yaw_rate")


@pytest.mark.parametrize("t", [[0.0, 0.0, 1.0], [0.0, 2.0, 1.0], [0.0, np.nan, 1.0], [0.0, 1.0, np.inf]])
def test_a_clock_that_does_not_rise_is_refused(t):
    with pytest.raises(ValueError, match="strictly rising"):
        Session.from_arrays(np.array(t), speed=np.ones(3))


def test_a_name_outside_the_table_is_refused():
    with pytest.raises(ValueError, match="'velocity' is no canonical channel"):
        session(velocity=np.ones(3))


def test_a_channel_of_another_length_is_refused():
    with pytest.raises(ValueError, match=r"speed is \(2,\), t is \(3,\)"):
        session(speed=np.ones(2))


def test_an_infinite_value_is_refused():
    with pytest.raises(ValueError, match="speed holds an infinite value"):
        session(speed=np.array([1.0, np.inf, 1.0]))


def test_a_session_reaches_a_worker_process_whole():
    made = replace(session(speed=np.array([1.0, np.nan, 3.0])), source="two.csv", notes=("joined",), parts=(5.0, 5.1))
    copy = pickle.loads(pickle.dumps(made))
    np.testing.assert_array_equal(copy.channel("speed"), made.channel("speed"))
    np.testing.assert_array_equal(copy.t, made.t)
    # Every field but the arrays, which do not compare: one that is added later is held to it too.
    told = [field.name for field in fields(Session) if field.name not in ("t", "channels")]
    assert {name: getattr(copy, name) for name in told} == {name: getattr(made, name) for name in told}
    assert copy.parts == (5.0, 5.1)
    assert copy.notes == ("joined",)
