"""Lap counters that start anew, are reset away from the line, or flicker."""

import json
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from motion_cases import Drive, drive, logged
from report_case import circle_case

from simlap.lap_types import LapSet
from simlap.lapcounter import Changes, a_lap_apart, counter_changes, numbered_on, numbering_notes
from simlap.laps import find_laps
from simlap.motion import Motion, motion_of
from simlap.noted import Kind, Note
from simlap.report.data_cautions import data_cautions
from simlap.report.lists import laps_to_dict, print_laps
from simlap.session import Session


@lru_cache(maxsize=1)
def driven() -> tuple[Drive, Session, Motion]:
    """Seven circuits; the log misses the first half-second, so that six lines are crossed."""
    d = drive("kart", laps=7, seed=3)
    session = logged(d, 10, speed_ms=0.05, seed=4)
    return d, session, motion_of(session)


def rising() -> np.ndarray:
    """The counter of a logger that never starts anew: 1 up to the first crossing, then 2 and so on."""
    d, session, _ = driven()
    return np.searchsorted(d.crossings, session.t, side="right").astype(float)


def laps_of(counter: np.ndarray, *, closes: bool = True, **kw) -> LapSet:
    _, session, motion = driven()
    session = Session.from_arrays(session.t, **session.channels, lap=counter)
    return find_laps(replace(motion, closes=closes), session, **kw)


def assert_all_laps_found(laps: LapSet, numbers: list[int], bar: float = 0.03) -> None:
    assert laps.found_by == "lap channel"
    assert [lap.number for lap in laps.flying] == numbers
    # 0.03 s as for every logged lap (tests/test_laps.py)
    assert [lap.time_s for lap in laps.flying] == pytest.approx(np.diff(driven()[0].crossings[1:7]), abs=bar)
    assert len(laps.counted) == 5


@pytest.mark.parametrize("anew", [0, 1, 2])
@pytest.mark.parametrize(("closes", "bar"), [(True, 0.03), (False, 0.21)])  # a drifting path keeps marks 0.1 s late
def test_a_counter_that_starts_anew_on_the_line_ends_a_lap_and_is_numbered_on(anew, closes, bar):
    counter = rising()
    counter = np.where(counter >= 4, counter - 4 + anew, counter)  # 1 2 3, then anew
    laps = laps_of(counter, closes=closes)
    assert_all_laps_found(laps, [2, 3, 4, 5, 6], bar)
    (note,) = laps.notes
    assert "The lap counter of the log starts anew: laps are numbered on" in note
    restart = laps.flying[2].start_s
    assert f"from {restart:.1f} s on its lap {anew} is lap 4 here" in note


def test_laps_are_chosen_and_dropped_by_the_unique_numbers():
    counter = rising()
    counter = np.where(counter >= 4, counter - 2, counter)  # 1 2 3 2 3 4 5: laps 2 and 3 are there twice
    assert [lap.number for lap in laps_of(counter, drop=[2]).counted] == [3, 4, 5, 6]
    (chosen,) = laps_of(counter, choose=[5]).counted
    assert chosen.start_s == pytest.approx(driven()[0].crossings[4], abs=0.15)  # rows are 0.1 s apart


def test_a_counter_that_counts_down_or_to_and_fro_marks_laps():
    # laps to go; and a flag that is turned over on the line
    assert_all_laps_found(laps_of(20.0 - rising()), [18, 19, 20, 21, 22])
    assert_all_laps_found(laps_of(rising() % 2.0), [1, 2, 3, 4, 5])


@pytest.mark.parametrize("closes", [True, False])
def test_a_counter_reset_away_from_the_line_ends_no_lap(closes):
    # Reset 40 % of the way round the third full lap, without a stop: that lap is one lap from line to line.
    d, session, _ = driven()
    reset = d.crossings[3] + 0.4 * (d.crossings[4] - d.crossings[3])
    counter = np.where(session.t < reset, rising(), rising() - 4.0)  # 2 3 4, then 0 1 2
    assert_all_laps_found(laps_of(counter, closes=closes), [2, 3, 4, 5, 6], 0.03 if closes else 0.21)


@pytest.mark.parametrize("step", [1.0, -1.0, -3.0])
@pytest.mark.parametrize("lap", [2, 4])
def test_a_counter_that_flickers_for_a_row_makes_no_lap(step, lap):
    d, session, _ = driven()
    counter = rising()
    counter[np.searchsorted(session.t, 0.5 * (d.crossings[lap] + d.crossings[lap + 1]))] += step
    laps = laps_of(counter)
    assert_all_laps_found(laps, [2, 3, 4, 5, 6])
    assert laps.notes == ()


def test_a_number_that_stands_shorter_than_the_shortest_lap_makes_no_lap():
    # Six seconds of another number, 40 % of the way round the third full lap: nobody drives a lap in that.
    d, session, _ = driven()
    first = d.crossings[3] + 0.4 * (d.crossings[4] - d.crossings[3])
    counter = rising() + ((session.t >= first) & (session.t < first + 6.0))
    assert_all_laps_found(laps_of(counter), [2, 3, 4, 5, 6])


def test_the_first_and_the_last_number_may_stand_as_briefly_as_they_like():
    # The log begins 3 s before a line and ends 3 s behind another.
    t = np.arange(0.0, 100.0, 0.1)
    changes = counter_changes(Session.from_arrays(t, lap=4.0 + np.searchsorted([3.0, 50.0, 97.0], t, side="right")))
    assert changes.t == pytest.approx([3.0, 50.0, 97.0])
    assert (changes.was.tolist(), changes.to.tolist()) == ([4, 5, 6], [5, 6, 7])


def test_marks_are_a_lap_apart_where_the_way_between_them_is_that_between_two_rises():
    # Laps of 1000 m, a reset 400 m into the second: it lies a lap from neither neighbour, and is no lap's measure.
    s = np.array([0.0, 1000.0, 1400.0, 2000.0, 3000.0])
    rises = np.array([True, True, False, True, True])
    assert a_lap_apart(s, rises).tolist() == [True, True, False, True, True]
    # from line to line a car drives the same way to 2 %: 1.5 % more is a lap, 4 % is none
    for last, apart in ((3015.0, True), (3040.0, False)):
        assert a_lap_apart(np.array([0.0, 1000.0, 2000.0, last]), np.full(4, True))[-1] == apart


@pytest.mark.parametrize(("restarts", "rest"), [(3, ""), (5, ", and so on 2 times more")])
def test_no_more_than_three_restarts_are_told_one_by_one(restarts, rest):
    times, logged_numbers = 100.0 * np.arange(2.0 * restarts + 2.0), np.tile([1, 2], restarts + 1)
    (note,) = numbering_notes(times, logged_numbers, numbered_on(logged_numbers))
    assert note.endswith(f"from 600.0 s on its lap 1 is lap 7 here{rest}.")


@pytest.mark.parametrize("lost", [0.0, 255.0])
def test_rows_that_a_counter_lost_make_no_lap_wherever_they_lie(lost):
    # One row in twenty at random, and the rows on and just behind each line.
    d, session, _ = driven()
    counter = rising()
    counter[np.random.default_rng(1).random(counter.size) < 0.05] = lost
    for late in (0, 2, 4):
        counter[np.searchsorted(session.t, d.crossings[1:7]) + late] = lost
    laps = laps_of(counter)
    assert_all_laps_found(laps, [2, 3, 4, 5, 6])
    assert laps.notes == ()


def test_a_counter_of_parts_of_laps_changes_on_the_line():
    d, session, _ = driven()
    parts = np.interp(session.t, d.crossings, np.arange(d.crossings.size))
    assert_all_laps_found(laps_of(parts), [1, 2, 3, 4, 5])


@pytest.mark.parametrize(
    ("written", "laps"),
    [
        # logged once shortly behind the line and once shortly before it: 1.05 and 1.95 are both in the lap behind 1
        ([1.05, 1.95, 2.05, 2.95, 3.05], [1, 1, 2, 2, 3]),
        # whole numbers through a channel that is good to a hundredth: 0.99 and 1.01 are 1
        ([0.99, 1.01, 1.99, 2.01, 2.99], [1, 1, 2, 2, 3]),
        # whole numbers, laid on the rows of a faster channel: one row in five lies half-way up
        ([0.99, 0.99, 0.99, 0.99, 1.4, 1.99, 1.99, 1.99, 1.99, 2.4], [1, 1, 1, 1, 1, 2, 2, 2, 2, 2]),
    ],
    ids=["parts", "hundredths", "between"],
)
def test_a_counter_of_parts_is_cut_to_whole_laps_and_one_of_whole_laps_is_rounded(written, laps):
    # Every value stands for 60 s, longer than a number that is passed over: what changes is the whole lap alone.
    t = np.arange(60.0 * len(written))
    changes = counter_changes(Session.from_arrays(t, lap=np.repeat(written, 60)))
    at = [60.0 * i for i in range(1, len(laps)) if laps[i] != laps[i - 1]]
    assert changes.t.tolist() == at
    assert changes.was[0] == laps[0]
    assert changes.to.tolist() == sorted(set(laps))[1:]


def test_rows_lost_for_most_of_a_second_again_and_again_make_no_lap():
    # 0.8 s of every 5 are lost: what stands between them is shorter than any lap, and is no number of its own.
    counter = np.where(driven()[1].t % 5.0 < 0.8, 255.0, rising())
    assert_all_laps_found(laps_of(counter), [2, 3, 4, 5, 6], 0.45)  # a line may lie in a loss, and is seen behind it


def test_changes_on_the_first_and_the_last_moment_do_not_lie_between_them():
    changes = Changes(np.array([5.0, 10.0, 15.0, 20.0, 25.0]), np.arange(5), np.arange(1, 6))
    found = changes.between(10.0, 20.0)
    assert (found.t.tolist(), found.was.tolist(), found.to.tolist()) == ([15.0], [2], [3])


def test_a_counter_that_passes_through_nought_on_the_line_starts_anew_once():
    counter = rising()
    first = int(np.argmax(counter == 4))
    counter = np.where(counter >= 4, counter - 3, counter)  # 1 2 3, nought for two rows, 1 2 3
    counter[first : first + 2] = 0.0
    assert_all_laps_found(laps_of(counter), [2, 3, 4, 5, 6])


@pytest.mark.parametrize(
    ("logged_numbers", "numbers"),
    [
        ([1, 2, 3], [1, 2, 3]),
        ([4, 6, 7], [4, 6, 7]),  # a gap of the logger's own stays
        ([1, 2, 1, 2, 1], [1, 2, 3, 4, 5]),
        ([3, 4, 0, 1], [3, 4, 5, 6]),
        ([0, 1, 2], [1, 2, 3]),  # 0 is the piece before the first crossing
        ([5, 2, 7], [5, 6, 11]),
    ],
)
def test_lap_numbers_are_unique_and_keep_the_steps_of_the_counter(logged_numbers, numbers):
    assert numbered_on(logged_numbers) == numbers


def test_the_list_of_laps_tells_what_the_path_left_out_and_where_numbers_count_from(capsys):
    motion = replace(driven()[2], notes=("The channel is left out.",))
    laps = laps_of(rising())
    for found_by, told in (("path alone", True), ("start line", False)):
        some = replace(laps, found_by=found_by)
        print_laps(driven()[1], motion, some)
        printed = " ".join(capsys.readouterr().out.split())
        assert "The channel is left out." in printed
        assert ("count from a point that was chosen on a long straight" in printed) is told
        keys = [caution["key"] for caution in laps_to_dict(driven()[1], motion, some)["cautions"]]
        assert keys == (["numbering"] if told else [])


def test_a_mended_clock_is_told_wherever_laps_are_listed():
    note = Note("40 rows left out that repeat earlier ones with the same times and values", Kind.WRITTEN_TWICE)
    session = replace(driven()[1], notes=(note,))
    listed = laps_to_dict(session, driven()[2], replace(laps_of(rising()), found_by="start line"))["cautions"]
    assert listed == [{"key": "rows written twice", "text": f"{note}."}]
    case = circle_case()
    told = data_cautions(replace(case, session=replace(case.session, notes=(note,))))
    assert [caution.text for caution in told if caution.key == "rows written twice"] == [f"{note}."]


def test_numbering_on_is_told_wherever_laps_are_listed(capsys):
    counter = rising()
    laps = laps_of(np.where(counter >= 4, counter - 4, counter))
    (note,) = laps.notes
    assert laps_to_dict(driven()[1], driven()[2], laps)["notes"] == [note]
    print_laps(*driven()[1:3], laps)
    assert note in " ".join(capsys.readouterr().out.split())
    case = circle_case()
    told = data_cautions(replace(case, lapset=replace(case.lapset, notes=(note,))))
    assert [caution.text for caution in told if caution.key == "lap numbers"] == [note]
    assert "lap numbers" not in [caution.key for caution in data_cautions(case)]


def test_a_counter_without_a_single_number_is_no_counter():
    # As `Session.has` promises: carried means with at least one value.
    _, session, _ = driven()
    assert laps_of(np.full(session.t.size, np.nan)).found_by == "path alone"


def test_laps_of_a_logged_counter_are_written_as_json():
    _, session, motion = driven()
    found = laps_of(rising())
    written = json.loads(json.dumps(laps_to_dict(session, motion, found)))
    assert [lap["number"] for lap in written["laps"] if lap["counted"]] == [2, 3, 4, 5, 6]
