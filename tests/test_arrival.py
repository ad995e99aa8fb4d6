"""A better exit carries speed into the fast corner behind it, and the advice says so."""

from dataclasses import replace

import numpy as np
import pytest
from report_case import DS, SLOW, N, circle_case

from simlap.advice import WORTH_UNSURE
from simlap.arrival import arrivals, behind, warned
from simlap.cues import _note
from simlap.driven import Driven
from simlap.envelope import Envelope
from simlap.phases import EXIT, MID_CORNER
from simlap.results import Advice, Finding, Interval, Priority
from simlap.target_blend import Bench
from simlap.target_worth import _worth
from simlap.thresholds import default_thresholds
from simlap.units import MS_TO_KMH

GRIP = 9.0  # [m/s²] sideways: on the circle of 191 m radius, sqrt(9 * 191) = 41 m/s
PUSH = 4.0  # [m/s²] engine and tyres, at every speed
EASY = 1.0  # [m/s²] how the driver leaves the corners


@pytest.fixture(scope="module")
def case():
    """The circle; each exit is driven at 1 m/s² from 25 m/s, held for 80 m and braked back at 7 m/s² within 20 m."""
    made = circle_case()
    envelope = Envelope.constant(lateral=GRIP, braking=8.0, drive=PUSH, exponent=2.0)
    a = np.zeros(N)
    for first in made.phases.stretches[::3]:  # of each zone: 50 stations braking, 30 mid-corner, 70 exit
        a[(first[0] + np.arange(40, 50)) % N] = -14 * EASY / 2
        a[(first[0] + np.arange(80, 150)) % N] = EASY
    start = made.phases.stretches[1][0]
    v = np.sqrt(SLOW**2 + np.roll(np.append(0.0, np.cumsum(2 * np.roll(a, -start) * DS)[:-1]), start))
    lap = Driven(2 * DS / (v + np.roll(v, -1)), v, a)
    return replace(made, typical=lap, fit=replace(made.fit, envelope=envelope))


def with_fast(case, *fast):
    return replace(case, corners=tuple(replace(c, build_up=i in fast) for i, c in enumerate(case.corners)))


def test_fast_corners_behind_are_those_with_no_other_corner_between(case):
    assert behind(with_fast(case, 1, 2).corners, 0) == (1, 2)
    assert behind(with_fast(case, 2).corners, 0) == ()
    assert behind(with_fast(case, 0).corners, 3) == (0,)  # across the start line
    assert behind(with_fast(case, 0, 1, 2, 3).corners, 1) == (2, 3, 0)  # never the corner itself


def test_an_exit_at_full_push_arrives_as_fast_as_constant_acceleration_says(case):
    (found,) = arrivals(with_fast(case, 1), 0, EXIT)
    # v² = v0² + 2 a s over 140 m of exit; the push is what the friction circle of exponent 2 leaves beside v²/R
    v, radius = SLOW, N * DS / (2 * np.pi)
    for _ in range(1400):
        v = np.sqrt(v**2 + 2 * PUSH * np.sqrt(1 - (v**2 / radius / GRIP) ** 2) * 0.1)
    assert found.corner.corner.name == "East"
    driven = np.sqrt(SLOW**2 + 2 * EASY * 140.0)
    assert found.faster_kmh == pytest.approx((v - driven) * MS_TO_KMH, abs=1.0)  # 2 m stations


def test_a_phase_whose_gain_ends_before_the_fast_corner_is_no_matter(case):
    # corners between are braked for: what the first exit wins is gone there
    assert arrivals(with_fast(case, 2), 0, EXIT) == ()
    # a faster mid-corner is carried through its exit at 1 m/s²
    assert arrivals(with_fast(case, 1), 0, MID_CORNER)[0].faster_kmh > 2.0


def test_a_gain_below_the_step_of_the_fast_corner_is_not_named(case):
    fast = with_fast(case, 1)
    (found,) = arrivals(fast, 0, EXIT)
    slow_to_build = replace(fast.corners[1], step_kmh=found.faster_kmh + 0.1)
    assert arrivals(replace(fast, corners=(fast.corners[0], slow_to_build, *fast.corners[2:])), 0, EXIT) == ()


KIND = "part throttle on the exit"
WHOLE = "Open the throttle all the way once the steering unwinds"


def told(analysis, phase="exit", kind=KIND, step=WHOLE):
    """The priority on the first corner as it is told before the corners of `analysis`."""
    worth = Interval(1.0, 0.9, 1.1)
    done = Priority("North", phase, f"North, exit: part open (9 of 9 laps). {step}.", worth, False, kind, step=step)
    return warned(analysis, (done,))[0]


def test_before_a_fast_corner_the_step_itself_holds_the_cap_and_asks_for_no_more(case):
    fast = told(with_fast(case, 1))
    assert "all the way" not in fast.sentence + fast.step
    assert fast.step == (
        "Open the throttle a little wider than now once the steering unwinds, but arrive at most 2 km/h faster at East"
    )
    assert fast.sentence.startswith(f"North, exit: part open (9 of 9 laps). {fast.step}. All that is to be had there")
    assert fast.sentence.endswith(
        "km/h faster at East, a fast corner: build up over several outings, and only with your coach's agreement."
    )


def test_a_doubt_behind_the_step_does_not_leave_the_uncapped_step_in_the_sentence(case):
    # A corner where the limit is no bound gets its doubt first: on positions at 10 Hz both steps stood side by side.
    worth = Interval(1.0, 0.9, 1.1)
    sentence = f"North, exit: part open (9 of 9 laps). {WHOLE}. {WORTH_UNSURE}"
    (fast,) = warned(with_fast(case, 1), (Priority("North", "exit", sentence, worth, False, KIND, step=WHOLE),))
    assert WHOLE not in fast.sentence
    assert fast.sentence.startswith(f"North, exit: part open (9 of 9 laps). {fast.step}. All that is to be had there")
    assert fast.sentence.endswith(f"and only with your coach's agreement. {WORTH_UNSURE}")


def test_what_the_next_step_rests_on_stays_beside_the_step_that_gets_the_cap(case):
    # The whole sentence stood behind the cap where the target asks for less than the note: the step came first, and
    # again behind the observation, uncapped.
    worth, step = Interval(1.0, 0.9, 1.1), "Carry about 2 km/h more through the slowest point"
    aside = "(the next step rests on 1 km/h of that)"
    sentence = f"North, mid-corner: minimum speed 65 km/h (5 of 5 laps). {step} {aside}. {WORTH_UNSURE}"
    done = Priority("North", "mid_corner", sentence, worth, False, "low minimum speed", step=step)
    (fast,) = warned(with_fast(case, 1), (done,))
    assert fast.sentence.startswith(
        f"North, mid-corner: minimum speed 65 km/h (5 of 5 laps). {step} {aside}, but arrive at most 2 km/h faster at "
        "East. All that is to be had there"
    )
    assert fast.sentence.endswith(f"and only with your coach's agreement. {WORTH_UNSURE}")
    assert fast.sentence.count(step) == 1
    assert fast.step == f"{step}, but arrive at most 2 km/h faster at East"


def test_a_step_is_worth_no_more_than_the_cap_at_the_fast_corner_behind_it_lets_it_bring(case):
    # Late throttle of the first exit; the goal leaves it at full push. Arriving 2 km/h faster at the end of 140 m of
    # exit, along which v² grows evenly with the distance, saves at most what 2 km/h more over all of it would:
    # ds dv / v², and that again once more along the 20 m of brake behind it.
    goal = Driven(case.typical.dt, np.asarray(case.limit.v), np.full(N, PUSH))
    free, capped = (
        _worth(Bench(each, each.typical, goal), 0, each.corners[0], EXIT, "late throttle", default_thresholds())
        for each in (with_fast(case), with_fast(case, 1))
    )
    assert 0.0 < capped < 160.0 * (2.0 / MS_TO_KMH) / SLOW**2
    assert free > 1.3 * capped
    wide = replace(case.corners[1], step_kmh=99.0, build_up=True)  # a step that no exit reaches
    open_to = replace(case, corners=(case.corners[0], wide, *case.corners[2:]))
    bench = Bench(open_to, case.typical, goal)
    assert _worth(bench, 0, case.corners[0], EXIT, "late throttle", default_thresholds()) == pytest.approx(free)


def test_in_a_fast_corner_before_a_fast_one_the_coach_is_named_once(case):
    worth, step = Interval(1.0, 0.9, 1.1), "Fast corner: change it only with your coach's agreement"
    done = Priority("North", "exit", f"North, exit: part open. {step}.", worth, True, KIND, step=step)
    (fast,) = warned(with_fast(case, 1), (done,))
    assert fast.sentence.count("coach") == 1
    assert fast.sentence.endswith("km/h faster at East, a fast corner: build up over several outings.")


def test_a_step_with_a_measure_keeps_it_and_gets_the_cap(case):
    step = "Open the throttle about 10 m earlier, smoothly as the steering unwinds"
    assert told(with_fast(case, 1), kind="late throttle", step=step).step == (
        f"{step}, but arrive at most 2 km/h faster at East"
    )


def test_a_step_that_only_says_where_to_look_needs_no_cap(case):
    look = told(with_fast(case, 1), kind="time lost", step="Log the throttle before changing anything")
    assert look.step == "Log the throttle before changing anything"
    assert "a fast corner: build up" in look.sentence
    more = "Carry about 3 km/h more through the slowest point"
    assert told(with_fast(case, 1), "mid_corner", "time lost", more).step.startswith(f"{more}, but arrive at most")


def test_without_a_fast_corner_behind_nothing_is_changed(case):
    assert told(with_fast(case)).step == WHOLE
    assert told(with_fast(case)).sentence == f"North, exit: part open (9 of 9 laps). {WHOLE}."


def test_the_cap_is_read_over_the_video_however_short_the_time(case):
    chosen = told(with_fast(case, 1))
    found = Finding(KIND, "North", "exit", "North: part open.", 1.0, (1,), 1, 1, (0.0,), (0.0,), {}, ("part open",))
    note = _note(Advice(findings=(found,), priorities=(chosen,)), found, 0)
    assert len(note.texts) == 3
    assert all("at most 2 km/h faster at East" in text for text in note.texts)
    assert note.shown_s < 9.0  # all of it can be read at 180 words a minute before the longest time is over


def test_no_finding_of_a_fast_corner_is_read_over_the_video_without_its_caution():
    found = Finding(KIND, "North", "exit", "North: part open.", 1.0, (1,), 1, 1, (0.0,), (0.0,), {}, ("part open",))
    assert _note(Advice(findings=(found,)), found, 0).texts == ("North: part open",)
    fast = _note(Advice(findings=(found,)), found, 0, fast=True).texts
    assert all(text.endswith("\nFast corner: small steps only") for text in fast)
