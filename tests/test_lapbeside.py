"""Laps beside a line, made by hand: how far off, how slow and where a lap has to be to be set aside.

The bounds are common practice, no source: 15 m beside a line of unknown width, 3 m beyond a known edge, 15 % slower at
the line without a run-up, 10 % slower on a straight.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from simlap.corners import Corner
from simlap.lap_types import Aside
from simlap.lapbeside import _Beside, _median_lap, compare_laps
from simlap.lappath import SPACING
from simlap.line import Line

LENGTH = 1000.0
STATION = np.arange(0.0, LENGTH, SPACING)


@pytest.fixture
def places():
    """Station of each reason that names one, by lap [m]; filled by `aside`."""
    return {}


@pytest.fixture
def aside(monkeypatch, places):
    """What compares laps of 50 m/s beside a line: kind of reason per lap, None where it counts."""

    def compare(*, offset=0.0, v=50.0, a_lon=0.0, kappa=0.0, widths=(None, None), rest=None, corner=(990.0, 999.0)):
        rest = list(range(4)) if rest is None else rest
        shape = (4, STATION.size)
        rows = [np.broadcast_to(np.asarray(each, dtype=float), shape)[-len(rest) :] for each in (v, a_lon, offset)]
        monkeypatch.setattr("simlap.lapbeside._beside", lambda *given: _Beside(*rows, [None] * len(rest)))
        line = Line.from_curvature(np.full(1000, kappa), 1.0)
        width = [None if each is None else np.full(1000, each) for each in widths]
        track = SimpleNamespace(
            line=line,
            width_left=width[0],
            width_right=width[1],
            corners=(Corner("1", "left", corner[0], corner[0] + 1.0, corner[1]),),
        )
        laps = [SimpleNamespace(time_s=20.0)] * (max(rest) + 1)
        reasons, found = compare_laps(SimpleNamespace(closes=True), laps, rest, track)
        places.update(found)
        return [reasons[i].kind if i in reasons else None for i in rest]

    return compare


def one(value, usual, where=slice(None)):
    """Four laps at the `usual` value, the last one at `value` at some stations."""
    rows = np.full((4, STATION.size), usual)
    rows[3, where] = value
    return rows


@pytest.mark.parametrize(
    ("offset", "widths", "off"),
    [
        (14.0, (None, None), False),
        (16.0, (None, None), True),
        (-14.0, (None, None), False),
        (-16.0, (None, None), True),
        (6.5, (4.0, 6.0), False),  # left positive
        (7.5, (4.0, 6.0), True),
        (-8.5, (4.0, 6.0), False),
        (-9.5, (4.0, 6.0), True),
        (7.5, (None, 6.0), False),
        (-9.5, (4.0, None), False),
    ],
)
def test_a_lap_is_off_beyond_the_edge_of_its_side(aside, offset, widths, off):
    assert aside(offset=one(offset, 0.0, slice(50, 52)), widths=widths) == [None] * 3 + [Aside.OFF if off else None]


@pytest.mark.parametrize(("share", "slow"), [(0.86, False), (0.84, True)])
def test_a_lap_without_a_run_up_is_known_by_its_speed_at_the_line(aside, share, slow):
    v = one(50.0 * share, 50.0, slice(0, 3))
    expected = [None] * 3 + [Aside.NO_RUN_UP if slow else None]
    assert aside(v=v, rest=[1, 2, 3, 5]) == expected
    assert aside(v=v) == [None] * 4  # behind a lap that counts its run-up is that lap


def test_of_two_laps_neither_tells_what_the_other_should_have_done(aside):
    # Half as fast at the line, and half as fast on a straight.
    assert aside(v=one(25.0, 50.0, slice(0, 1)), rest=[1, 3]) == [None, None]
    assert aside(v=one(25.0, 50.0, slice(80, 100)), rest=[1, 3]) == [None, None]


def test_laps_behind_cool_down_laps_do_not_set_the_speed_at_the_line(aside):
    # All laps stand behind one that does not count; two of four reached the line at half of the others' speed.
    v = np.full((4, STATION.size), 50.0)
    v[:2, 0] = 25.0
    assert aside(v=v, rest=[1, 3, 5, 7]) == [Aside.NO_RUN_UP, Aside.NO_RUN_UP, None, None]


@pytest.mark.parametrize(
    ("change", "held_up"),
    [
        ({}, True),
        ({"share": 0.91}, False),
        ({"metres": 30.0}, False),
        ({"kappa": 1.0 / 310.0}, True),
        ({"kappa": 1.0 / 290.0}, False),
        ({"a_lon": -0.9}, True),
        ({"a_lon": -1.1}, False),
        ({"corner": (400.0, 600.0)}, False),
    ],
)
def test_a_lap_is_held_up_where_the_others_neither_turn_nor_brake(aside, change, held_up):
    given = {"share": 0.89, "metres": 50.0} | change
    first = round(450.0 / SPACING)
    v = one(50.0 * given.pop("share"), 50.0, slice(first, first + round(given.pop("metres") / SPACING)))
    assert aside(v=v, **given) == [None] * 3 + [Aside.TRAFFIC if held_up else None]


def test_a_held_up_lap_is_placed_where_it_was_slowest_of_what_it_lost_there(aside, places):
    # It comes slowly onto the straight, as from the corner before it, and is held up behind: by 12 %, once by 13 %.
    v = one(50.0, 50.0)
    v[3, :10] = 0.86 * 50.0
    v[3, 90:105] = 0.88 * 50.0
    v[3, 95] = 0.87 * 50.0
    assert aside(v=v) == [None] * 3 + [Aside.TRAFFIC]
    assert places[3] == STATION[95]


def test_the_median_lap_is_the_faster_of_two_in_the_middle(monkeypatch):
    monkeypatch.setattr("simlap.lapbeside.line_of_lap", lambda motion, lap: lap.time_s)
    for times, middle in (([94.0, 91.0, 93.0, 92.0], 92.0), ([93.0, 91.0, 92.0], 92.0), ([91.0], 91.0)):
        assert _median_lap(None, [SimpleNamespace(time_s=time) for time in times]) == middle
