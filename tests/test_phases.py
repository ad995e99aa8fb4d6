"""Phases of the corners: which stations they hold, in which order, and which corners are flat."""

import numpy as np
import pytest

from simlap.errors import NotEnoughData
from simlap.phases import map_phases
from simlap.track import Corner
from simlap.zones import Zone

LENGTH = 100.0
STATION = np.arange(0.0, LENGTH, 10.0)
HERE, THERE = Corner("1", "left", 95.0, 5.0, 15.0), Corner("2", "left", 55.0, 60.0, 65.0)


def laid(first, second):
    """Phases of two corners, each with the start of its braking, mid-corner and exit and the end of it. [m]"""
    return map_phases((Zone(HERE, *first), Zone(THERE, *second)), STATION, LENGTH)


def test_stations_of_a_phase_across_the_start_line_stand_in_driving_order():
    # The first corner brakes from 70 m over the line to 20 m; its stretch of braking and mid-corner goes on to 30 m.
    phases = laid((70.0, 20.0, 30.0, 50.0), (50.0, 60.0, 65.0, 70.0))
    assert STATION[phases.stretch(0)].tolist() == [70.0, 80.0, 90.0, 0.0, 10.0]
    assert STATION[phases.stretch(0, 1)].tolist() == [70.0, 80.0, 90.0, 0.0, 10.0, 20.0]
    assert STATION[phases.stretch(2)].tolist() == [30.0, 40.0]
    assert [stretch.tolist() for stretch in phases.stretches] == [phases.stretch(k).tolist() for k in range(6)]


def test_phases_are_freed_in_track_order_and_an_empty_one_before_the_next():
    # Their starts from the start line: 20 and 30 (first corner), 50, 60 and, empty, 70; then the first one's braking.
    phases = laid((70.0, 20.0, 30.0, 50.0), (50.0, 60.0, 70.0, 70.0))
    assert phases.order.tolist() == [1, 2, 3, 4, 0, 5]
    assert phases.stretch(5).size == 0


def test_a_corner_is_flat_where_it_has_neither_braking_nor_an_exit():
    mid_alone, without_braking = (50.0, 50.0, 70.0, 70.0), (50.0, 50.0, 60.0, 70.0)
    around = (70.0, 20.0, 30.0, 50.0)
    assert laid(around, mid_alone).flat.tolist() == [False, True]
    assert laid(around, without_braking).flat.tolist() == [False, False]
    assert laid(around, (50.0, 60.0, 70.0, 70.0)).flat.tolist() == [False, False]  # it brakes, and has no exit


def test_times_are_summed_over_each_phase_and_all_of_them_are_the_lap():
    phases = laid((70.0, 20.0, 30.0, 50.0), (50.0, 60.0, 65.0, 70.0))
    dt = np.arange(1.0, 11.0)
    # stations 70, 80, 90, 0 and 10 hold 8 + 9 + 10 + 1 + 2
    assert phases.sums(dt).tolist() == [30.0, 3.0, 9.0, 6.0, 7.0, 0.0]
    assert phases.sums(np.stack([dt, 2.0 * dt])).sum(axis=1).tolist() == [55.0, 110.0]


def test_a_circuit_without_a_corner_is_refused_in_words():
    with pytest.raises(NotEnoughData, match="No corner was found on this circuit"):
        map_phases((), STATION, LENGTH)
