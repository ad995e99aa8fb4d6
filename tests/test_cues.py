"""Notes and chapters for the video, read back by an independent parser (webvtt-py)."""

import html
from dataclasses import replace

import numpy as np
import pytest
import webvtt as parser
from report_case import FAST, FIRST_START, HOSTILE, LENGTH, NAMES, SLOW, circle_case
from typer.testing import CliRunner

from simlap.cli import app
from simlap.cues import (
    CAUTION,
    SHOWN,
    Cue,
    Sync,
    _Group,
    _one_at_a_time,
    _stretches,
    chapter_cues,
    escaped,
    finding_cues,
    timestamp,
    webvtt,
    with_caution,
)
from simlap.cues import FAST as FAST_CORNER
from simlap.errors import NotEnoughData, OptionError
from simlap.habit_laps import TRAFFIC
from simlap.habits import PRECEDENCE
from simlap.session import Session

VIDEO_START = 90.0  # [s] clock of the log at the first frame
TICK = 1e-3  # [s] WebVTT counts milliseconds


def read(text: str):
    return parser.from_string(text)


def test_note_is_on_screen_at_the_moment_in_the_video():
    # Source: report_case.py: the finding of lap 1 lies 5 s into the lap, which starts 10 s into the video.
    cue = read(webvtt(finding_cues(circle_case(), Sync(VIDEO_START), 1)))[0]
    moment = FIRST_START + 5.0 - VIDEO_START
    assert cue.start_in_seconds <= moment <= cue.end_in_seconds
    assert "opens 1.2 s later than the limit's drive" in cue.text


def test_default_lap_is_the_best_one():
    case = circle_case()
    assert finding_cues(case, Sync(0.0)) == finding_cues(case, Sync(0.0), case.best_lap)


def test_a_crossing_seen_in_the_video_gives_the_same_sync_as_its_start():
    # Lap 1 starts at 100 s on the log's clock; seen at 10 s in the video, the video starts at 90 s.
    assert Sync.from_crossing(circle_case(), 1, 10.0).video_start_s == pytest.approx(VIDEO_START)


def test_shifting_the_video_shifts_every_cue_by_the_same_time():
    case = circle_case()
    early, late = (np.array([c.start_s for c in chapter_cues(case, Sync(s))]) for s in (80.0, 77.0))
    assert late - early == pytest.approx(3.0)


def test_chapters_of_a_lap_tile_it_and_lie_inside_it():
    case = circle_case()
    cues = chapter_cues(case, Sync(VIDEO_START))
    laps = [cue for cue in cues if "," in cue.text]
    assert [cue.text.split(",")[0] for cue in laps] == ["Lap 1", "Lap 2", "Lap 3", "Lap 4"]
    lap = laps[1]
    inner = [cue for cue in cues if cue.text.startswith("Lap 2: ")]
    assert inner[0].start_s == pytest.approx(lap.start_s)
    assert inner[-1].stop_s == pytest.approx(lap.stop_s)
    assert [cue.stop_s for cue in inner[:-1]] == pytest.approx([cue.start_s for cue in inner[1:]])


def test_chapter_of_the_second_corner_starts_at_its_braking_zone():
    # Source: report_case.py: lap 2 drives the first corner's zone from the start line to station 250, 140 m of it
    # (stations 110 to 250) at 25 m/s and 110 m at 30 m/s, and starts when lap 1 (42 s times 0.998) ends.
    case = circle_case()
    cue = next(c for c in chapter_cues(case, Sync(0.0)) if c.text == f"Lap 2: {NAMES[1]}")
    start = FIRST_START + 42.0 * 0.998 + 110.0 / FAST + 140.0 / SLOW
    assert cue.start_s == pytest.approx(start, abs=1e-9)


def test_zone_across_the_start_line_is_a_chapter_at_both_ends_of_the_lap():
    inner = [cue.text for cue in chapter_cues(circle_case(), Sync(0.0)) if cue.text.startswith("Lap 1: ")]
    assert inner == [f"Lap 1: {NAMES[i]}" for i in (0, 1, 2, 3, 0)]


@pytest.mark.parametrize("name", [*HOSTILE, "a --> b", "x\n\ny", "&amp;<c.red>"])
def test_any_corner_name_comes_back_as_text_from_the_parser(name):
    case = circle_case((name, "b", "c", "d"))
    for cues in (finding_cues(case, Sync(0.0), 1), chapter_cues(case, Sync(0.0))):
        text = webvtt(cues, f"of {name}")
        read_back = read(text)
        assert len(read_back) == len(cues)
        for mine, theirs in zip(cues, read_back, strict=True):
            assert html.unescape(theirs.text) == mine.text
            assert theirs.start_in_seconds == int(mine.start_s + TICK / 2)  # the parser cuts to whole seconds
        payload = [line for line in text.splitlines() if " --> " not in line]
        assert not any("-->" in line or "<" in line for line in payload)


def test_times_carry_into_minutes_and_hours():
    # Source: WebVTT 1, section 3.2: hours, two digits of minutes, two of seconds, three of thousandths.
    assert timestamp(3599.9996) == "01:00:00.000"
    assert timestamp(7261.5) == "02:01:01.500"
    assert timestamp(0.0) == "00:00:00.000"


def test_text_escapes_follow_the_standard():
    # Source: WebVTT 1, section 4.2.2: & and < must be escaped; > so that no arrow can stand in a cue.
    assert escaped("two\n\nlines") == "two lines"  # a blank line would end the cue
    assert escaped("a & b < c --> d") == "a &amp; b &lt; c --&gt; d"


def test_parser_sees_the_order_and_the_comment_is_no_cue():
    text = webvtt((Cue(1.0, 2.0, "one"), Cue(1.5, 3.0, "two\nlines")), "a comment")
    assert [(cue.text, cue.start) for cue in read(text)] == [("one", "00:00:01.000"), ("two\nlines", "00:00:01.500")]
    assert text.startswith("WEBVTT\n\nNOTE a comment. What was driven, against a bound")


def test_a_note_holds_no_more_words_than_can_be_read():
    # Source: 180 words a minute, the usual rate of subtitles: 15 words in 5 s.
    case = circle_case()
    sentence = "North: one two three four five six seven (8 of 8 laps; part of the 0.09 s in this phase)."
    finding = replace(case.advice.findings[0], sentence=sentence, worth_s=0.09)
    better = replace(finding, sentence=sentence.replace("North: one", "North: best"), worth_s=0.2)

    def shown(*findings):
        advised = replace(case, advice=replace(case.advice, findings=findings))
        return [cue.text for cue in finding_cues(advised, Sync(VIDEO_START), 1)]

    assert shown(finding) == ["North: one two three four five six seven"]
    assert shown(finding, better, finding) == ["North: best two three four five six seven (+2 more)"]


def test_what_is_advised_is_shown_before_what_is_worth_more():
    case = circle_case()
    advised = case.advice.findings[0]
    dearer = replace(advised, kind="low minimum speed", sentence="North: one two three four five six.", worth_s=9.0)
    priority = replace(
        case.advice.priorities[0], corner=advised.corner, phase=advised.phase, kind=advised.kind, step="do this"
    )
    advice = replace(case.advice, findings=(dearer, advised), priorities=(priority,))
    (cue,) = finding_cues(replace(case, advice=advice), Sync(VIDEO_START), 1)
    assert cue.text.splitlines()[1].startswith("do this")


def test_only_what_the_driver_does_in_a_fast_corner_is_told_to_go_in_small_steps():
    case = circle_case()
    fast = next(result.corner.name for result in case.corners if result.build_up)
    finding = replace(case.advice.findings[0], corner=fast)

    def shown(kind):
        advice = replace(case.advice, findings=(replace(finding, kind=kind),), priorities=())
        return finding_cues(replace(case, advice=advice), Sync(VIDEO_START), 1)[0].text

    assert FAST_CORNER in shown("low minimum speed")
    assert FAST_CORNER not in shown(TRAFFIC)  # a slower car in front is nothing to build up to


def test_of_what_costs_alike_the_note_that_comes_first_in_the_advice_is_shown():
    case = circle_case()
    first, last = PRECEDENCE[0], PRECEDENCE[-1]
    one = replace(case.advice.findings[0], kind=first, sentence="North: the first.", worth_s=0.2)
    other = replace(one, kind=last, sentence="North: " + "word " * 14 + "the last.")
    for order in ((one, other), (other, one)):
        advised = replace(case, advice=replace(case.advice, findings=order, priorities=()))
        (cue,) = finding_cues(advised, Sync(VIDEO_START), 1)
        assert cue.text.startswith("North: the first")


def test_the_zone_of_a_circuits_only_corner_is_its_whole_lap():
    # It ends where it begins, 250 m behind the start line of 1200 m: both ends of the lap belong to it.
    assert _stretches(250.0, 250.0, 1200.0) == [(250.0, 1200.0), (0.0, 250.0)]
    assert _stretches(0.0, 0.0, 1200.0) == [(0.0, 1200.0)]


def test_a_corner_of_a_long_name_leaves_the_list_of_chapters_readable():
    # 60 characters of the name, and what stands before it
    cues = chapter_cues(circle_case(("n" * 500, "b", "c", "d")), Sync(0.0))
    assert max(len(cue.text) for cue in cues) <= len("Lap 1: ") + 60


def test_an_out_lap_is_no_lap_that_was_set_aside():
    case = circle_case()
    laps = (replace(case.lapset.laps[0], number=9, counted=False, flying=False, reason="out-lap"), *case.lapset.laps)
    with pytest.raises(OptionError, match=r"lap 9 is no full lap \(out-lap\); it has 1, 2, 3, 4"):
        finding_cues(replace(case, lapset=replace(case.lapset, laps=laps)), Sync(0.0), 9)


def test_notes_follow_each_other_and_those_too_near_are_shown_as_long_as_the_later_one():
    def group(start, stop):
        return _Group(start, stop, ())

    def spans(*groups):
        return [(one.start_s, one.stop_s) for one in _one_at_a_time([group(*each) for each in groups])]

    assert spans((0.0, 5.0), (4.0, 9.0)) == [(0.0, 4.0), (4.0, 9.0)]  # the first one gives way
    assert spans((0.0, 5.0), (6.0, 11.0)) == [(0.0, 5.0), (6.0, 11.0)]
    assert spans((0.0, 5.0), (2.0, 7.0)) == [(0.0, 7.0)]  # 2 s are too short to read anything: shown together
    assert spans((0.0, 9.0), (2.0, 7.0)) == [(0.0, 9.0)]


def test_laps_over_before_the_video_starts_have_no_chapter():
    # report_case.py: lap 1 is over after 42 s times 0.998.
    cues = chapter_cues(circle_case(), Sync(FIRST_START + 42.0 * 0.998 + 1.0))
    assert [cue.text.split(",")[0] for cue in cues if "," in cue.text] == ["Lap 2", "Lap 3", "Lap 4"]
    assert not [cue for cue in cues if cue.text.startswith("Lap 1")]
    assert all(0.0 <= cue.start_s < cue.stop_s for cue in cues)


def test_the_caution_opens_the_video_unless_a_note_needs_the_place():
    note = Cue(20.0, 25.0, "one")
    assert with_caution((note,)) == (Cue(0.0, SHOWN, CAUTION), note)
    soon = Cue(1.0, 6.0, "one")
    assert with_caution((soon,)) == (soon,)


def test_a_moment_before_the_first_frame_is_left_out_and_said():
    with pytest.raises(NotEnoughData, match=r"lap 1: all its findings lie before the video starts, 200\.0 s"):
        finding_cues(circle_case(), Sync(200.0), 1)
    with pytest.raises(OptionError, match=r"-1\.000 s lies before the first frame"):
        timestamp(-1.0)


def test_a_note_that_began_before_the_first_frame_starts_with_the_video():
    moment = FIRST_START + 5.0
    cue = finding_cues(circle_case(), Sync(moment - 0.5), 1)[0]
    assert cue.start_s == 0.0
    assert 0.5 < cue.stop_s < SHOWN


def test_a_lap_without_findings_and_a_lap_that_is_none_are_told_apart():
    with pytest.raises(NotEnoughData, match=r"lap 2: no finding occurred in it.*findings occur in laps 1, 4"):
        finding_cues(circle_case(), Sync(0.0), 2)
    with pytest.raises(OptionError, match=r"lap 9 is not a flying lap of this session; it has 1, 2, 3, 4"):
        finding_cues(circle_case(), Sync(0.0), 9)
    with pytest.raises(NotEnoughData, match="no lap has any"):
        finding_cues(circle_case(advice=False), Sync(0.0), 1)


def test_chapters_cover_all_flying_laps_also_those_set_aside():
    cues = [cue for cue in chapter_cues(circle_case(), Sync(0.0)) if "," in cue.text]
    assert sum(cue.stop_s - cue.start_s for cue in cues) == pytest.approx(42.0 * (0.998 + 1.0 + 1.1 + 1.002))
    assert cues[0].stop_s - cues[0].start_s == pytest.approx(
        0.998 * (140 + 100 + 60) / SLOW + 0.998 * (LENGTH - 300) / FAST
    )


def run_cues(arguments: list[str]):
    return CliRunner().invoke(app, ["cues", *arguments])


@pytest.mark.parametrize(
    "arguments",
    [[], ["--video-start", "1", "--crossing-lap", "2", "--crossing-video-time", "3"], ["--crossing-lap", "2"]],
    ids=["neither", "both", "half"],
)
def test_command_asks_for_exactly_one_way_to_place_the_video(arguments, tmp_path):
    done = run_cues(["log.csv", "--out", str(tmp_path / "n.vtt"), *arguments])
    assert isinstance(done.exception, OptionError)
    assert "--video-start SECONDS" in str(done.exception)
    assert list(tmp_path.iterdir()) == []


def test_command_writes_notes_and_chapters_beside_each_other(tmp_path, monkeypatch):
    log = tmp_path / "log.csv"
    log.write_text("time [s],speed [m/s]\n" + "".join(f"{t},20\n" for t in range(50)))
    monkeypatch.setattr("simlap.analysis.analyse", lambda *_: circle_case())
    arguments = [str(log), "--crossing-video-time", "10", "--crossing-lap", "1", "--out", str(tmp_path / "notes.vtt")]
    done = run_cues(arguments)
    assert done.exception is None, done.output
    notes = parser.read(str(tmp_path / "notes.vtt"))
    chapters = parser.read(str(tmp_path / "notes.chapters.vtt"))
    # Lap 1 begins 10 s into the video; its finding lies 5 s later and is shown 1.5 s before that.
    assert [cue.start for cue in notes] == ["00:00:00.000", "00:00:13.500"]
    assert "closed courses only" in notes[0].text
    assert chapters[0].start == "00:00:10.000"
    assert chapters[0].text.startswith("Lap 1, 41.92")


def test_a_cue_shows_the_numbers_of_its_own_lap_and_what_the_notes_advise():
    # Truth: what was said of each lap is put in; the best lap's number is 1.2 s, another's 1.6 s.
    case = circle_case()
    finding = case.advice.findings[0]
    own = tuple(f"throttle opens {1.0 + 0.1 * lap:.1f} s later than the limit's drive, with 70 % of the grip in use"
                for lap in finding.laps)  # fmt: skip
    priority = replace(
        case.advice.priorities[0], corner=finding.corner, phase=finding.phase, kind=finding.kind,
        step="Open the throttle about 10 m earlier",
    )  # fmt: skip

    def cue(lap, **changes):
        told = replace(priority, **changes)
        advice = replace(case.advice, findings=(replace(finding, own=own),), priorities=(told,))
        return finding_cues(replace(case, advice=advice), Sync(VIDEO_START), lap)[0]

    for lap in finding.laps:
        seen, step = cue(lap).text.split("\n")
        assert seen == f"{NAMES[0]}: throttle opens {1.0 + 0.1 * lap:.1f} s later than the limit's drive"
        assert step == "Open the throttle about 10 m earlier"
    lap = finding.laps[0]
    assert cue(lap, build_up=True).text.endswith("\nFast corner: small steps only")
    assert "\n" not in cue(lap, kind="another").text
    # 40 words of advice leave no time for both: the advice stands alone; 3 words a second, 9 s at most
    many = " ".join(["word"] * 40)
    assert cue(lap, step=many).text == f"{NAMES[0]}: {many}"
    assert cue(lap, step=many).stop_s - cue(lap, step=many).start_s == pytest.approx(9.0)


def test_findings_say_what_each_lap_showed(club):
    told = 0
    for finding in club.analysis.advice.findings:
        assert len(finding.own) == len(finding.laps)
        told += len(set(finding.own)) > 1
        assert all(words.strip() for words in finding.own)
    assert told  # a driver who scatters shows other numbers from lap to lap
    assert all(priority.step and priority.step in priority.sentence for priority in club.analysis.advice.priorities)


def sync(text, start_s=0.0, time_of_day=False):
    """Where the video starts on the clock of a log of 20 minutes. [s]"""
    t = start_s + np.arange(0.0, 1200.0, 0.5)
    return Sync.from_clock(Session(t, {"speed": np.full(t.size, 20.0)}, time_of_day=time_of_day), text).video_start_s


def test_the_video_starts_at_seconds_or_at_a_time_of_day_also_behind_midnight():
    assert sync("12.5") == 12.5
    assert sync("10:00:05.5", 36000.0, True) == 36005.5  # 10 h are 36000 s
    assert sync("23:59:30", 86340.0, True) == 86370.0  # a log from 23:59 on counts on behind midnight
    assert sync("00:00:30", 86340.0, True) == 86430.0


@pytest.mark.parametrize(
    ("text", "start_s", "of_day", "words"),
    [
        ("1300", 0.0, False, r"behind the last row; the log runs from 0\.0 to 1199\.5 s"),
        ("-3700", 0.0, False, r"more than 1 h before the first row; the log runs from 0\.0 to 1199\.5 s"),
        ("12:00:00", 36000.0, True, r"behind the last row.*\(10:00:00 to 10:19:59\)"),
        ("10:00:00", 0.0, False, "no time of day"),
        ("10:61:00", 36000.0, True, "write a number of seconds"),
        ("soon", 0.0, False, "write a number of seconds"),
        ("nan", 0.0, False, "write a number of seconds"),
    ],
)
def test_a_video_that_starts_far_outside_the_log_or_at_no_time_is_refused(text, start_s, of_day, words):
    with pytest.raises(OptionError, match=words):
        sync(text, start_s, of_day)


def test_a_lap_that_was_set_aside_is_told_with_its_reason():
    case = circle_case()
    number = case.lapset.laps[0].number
    kept = replace(case.advice, findings=())
    laps = tuple(replace(lap, counted=False, reason="traffic: slowed on the straight") for lap in case.lapset.laps)
    aside = replace(case, lapset=replace(case.lapset, laps=laps), advice=kept)
    with pytest.raises(NotEnoughData, match=rf"lap {number} was set aside \(traffic: slowed on the straight\)"):
        finding_cues(aside, Sync(VIDEO_START), number)
    with pytest.raises(NotEnoughData, match=f"lap {number}: no finding occurred"):
        finding_cues(replace(case, advice=kept), Sync(VIDEO_START), number)
