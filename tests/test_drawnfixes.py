"""Fixes between which a logger drew straight lines are found again; rows that are fixes are left alone."""

from functools import lru_cache

import numpy as np
import pytest
from motion_cases import drive, logged

from simlap.drawnfixes import drawn_corners
from simlap.motion import motion_of
from simlap.sensors import fixes_of, observe
from simlap.session import Session

RECEIVER = ("latitude", "longitude", "speed", "course")


@lru_cache(maxsize=1)
def driven():
    return drive("kart", laps=4, seed=3)


def drawn(rate, rows, decimals=9, late=0.0):
    """A log with `rows` rows a second, the first `late` of a row behind the first fix, straight lines between `rate`
    fixes a second; and the fixes."""
    fixes = logged(driven(), rate, speed_ms=0.05, seed=4)
    t = np.arange(fixes.t[0] + late / rows, fixes.t[-1], 1.0 / rows)
    columns = {name: np.interp(t, fixes.t, fixes.channel(name)) for name in RECEIVER}
    columns["course"] = np.interp(t, fixes.t, np.unwrap(fixes.channel("course"))) % (2.0 * np.pi)
    columns |= {name: np.round(columns[name], decimals) for name in ("latitude", "longitude")}
    return Session.from_arrays(t, **columns), fixes


@pytest.mark.parametrize(("rate", "rows"), [(1.0, 10.0), (1.0, 18.0), (2.0, 25.0), (5.0, 50.0), (10.0, 100.0)])
def test_the_fixes_are_found_whether_rows_meet_them_or_not(rate, rows):
    log, fixes = drawn(rate, rows)
    found = fixes_of(log)
    assert found.drawn
    assert found.rate == pytest.approx(rate, rel=0.02)
    assert found.t.size == pytest.approx(fixes.t.size, abs=2)
    off = np.abs(found.t - fixes.t[np.argmin(np.abs(found.t[:, None] - fixes.t), axis=1)])
    assert np.quantile(off, 0.95) <= 0.51 / rows + 1e-9  # the nearest row
    assert observe(log, "speed", found).t.size == found.t.size  # its speed was drawn with it
    assert any("draws straight lines between" in note for note in found.notes)


@pytest.mark.parametrize("late", [0.3, 0.7])
def test_of_two_rows_that_a_fix_lies_between_the_nearer_is_taken(late):
    # It bends the line at both, the more the nearer.
    log, fixes = drawn(1.0, 10.0, late=late)
    found = fixes_of(log)
    off = np.abs(found.t - fixes.t[np.argmin(np.abs(found.t[:, None] - fixes.t), axis=1)])
    assert np.quantile(off, 0.95) <= 0.31 / 10.0


@pytest.mark.parametrize(("rate", "rows"), [(5.0, 50.0), (10.0, 50.0), (9.0, 50.0), (10.0, 100.0)])
def test_the_fixes_are_found_by_their_clock_where_rounding_hides_the_lines(rate, rows):
    # Seven decimals of a degree, as most logs have, are 1.1 cm: 0.4 m/s between rows 0.02 s apart.
    log, fixes = drawn(rate, rows, decimals=7)
    found = fixes_of(log)
    assert found.drawn
    assert found.rate == pytest.approx(rate, rel=0.02)
    off = np.abs(found.t - fixes.t[np.argmin(np.abs(found.t[:, None] - fixes.t), axis=1)])
    assert np.quantile(off, 0.95) <= 1.0 / rows + 1e-9  # the nearest row, or the one beside it


def test_lines_between_eighteen_fixes_in_twenty_rows_are_no_slower_fixes():
    log, _ = drawn(18.0, 20.0, decimals=7)  # jumps come and go with the beat of the two clocks, twice a second
    assert not fixes_of(log).drawn


def test_the_motion_is_that_of_the_fixes():
    log, fixes = drawn(5.0, 50.0)
    plain, again = motion_of(fixes), motion_of(log)
    common = np.arange(max(plain.t[0], again.t[0]) + 2.0, min(plain.t[-1], again.t[-1]) - 2.0, 0.1)
    wide = np.std(plain.at("a_lat", common))
    assert np.std(again.at("a_lat", common) - plain.at("a_lat", common)) < 0.02 * wide


@pytest.mark.parametrize("rate", [1.0, 5.0, 10.0, 25.0])
@pytest.mark.parametrize("decimals", [6, 7, 9])
def test_rows_that_are_fixes_are_left_alone(rate, decimals):
    log = logged(driven(), rate, speed_ms=0.05, seed=4)
    rounded = {name: np.round(log.channel(name), decimals) for name in ("latitude", "longitude")}
    assert not fixes_of(Session.from_arrays(log.t, **{**log.channels, **rounded})).drawn


def test_an_even_drive_without_noise_is_no_polygon():
    t = np.arange(0.0, 60.0, 0.05)
    assert drawn_corners(t, 80.0 * np.cos(0.3 * t), 80.0 * np.sin(0.3 * t)) is None
    assert drawn_corners(t, 30.0 * t, 0.0 * t) is None
    assert drawn_corners(t[:100], t[:100], t[:100]) is None
