"""Notes and chapters for the driver's video, as WebVTT (W3C, https://www.w3.org/TR/webvtt1/).

The log and the video each have a clock; a `Sync` carries one to the other. Notes come from the findings of one lap,
chapters from all flying laps and their corners.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from simlap.errors import NotEnoughData, OptionError
from simlap.habit_laps import TRAFFIC
from simlap.habits import PRECEDENCE, spoken
from simlap.readers.clock import DAY
from simlap.report.plain import clean, corner_label, lap_time
from simlap.results import Advice, Analysis, Finding
from simlap.session import Session
from simlap.units import written_number

LEAD = 1.5  # [s] a note appears before its moment, so that the eye is back on the road when it comes
LEAST_SHOWN = 2.5  # [s] a note that gives way sooner than this is shown together with the next one
SHOWN = 5.0  # [s] long enough to read two short lines
LONGEST_SHOWN = 9.0  # [s] with advice below; by then a car is through the corner and near the next one
READ = 3.0  # [words/s] 180 words a minute, what subtitles are commonly held to
# On how many laps, and what the phase is worth: it ends a finding's sentence, and there is no time to read it. Nor is
# there for the grip in use.
ASIDE = re.compile(r" \([^()]* laps; [^()]*\)\.?$")
GRIP = re.compile(r",? with \d+ % of the grip in use")
FAST = "Fast corner: small steps only"  # of a fast corner
CAUTION = (
    "What was driven, against a bound drawn from these laps: no instruction. Small steps. Rules, coach and marshals "
    "come first; closed courses only."
)
# A camera may run before the logger does, but hardly longer than this: a start before that is a slip, such as seconds
# of another clock. Common practice, no source.
LONGEST_AHEAD = 3600.0  # [s]
CHAPTER_LENGTH = 60  # characters of a corner's name in a player's list of chapters
ESCAPES = {"&": "&amp;", "<": "&lt;", ">": "&gt;"}  # WebVTT 1, section 4.2.2: text of a cue


@dataclass(frozen=True)
class Sync:
    """Where the video starts on the clock of the log."""

    video_start_s: float  #: clock of the log at the first frame [s]

    @classmethod
    def from_clock(cls, session: Session, text: str) -> "Sync":
        """From the clock of the log at the first frame: seconds, or hours, minutes and seconds as hh:mm:ss.

        Raises
        ------
        OptionError
            When it is neither, the log's clock is no time of day, or the moment lies far outside the log.
        """
        first, last = float(session.t[0]), float(session.t[-1])
        start = _clock_seconds(session, text)
        if not first - LONGEST_AHEAD <= start <= last:
            when = (
                "behind the last row"
                if start > last
                else f"more than {LONGEST_AHEAD / 3600:.0f} h before the first row"
            )
            raise OptionError(
                f"--video-start {text}: {when}; the log runs {_span(session)}. Give the log's clock at the video's "
                "first frame, or --crossing-video-time with --crossing-lap."
            )
        return cls(start)

    @classmethod
    def from_crossing(cls, analysis: Analysis, lap: int, video_time_s: float) -> "Sync":
        """From the video time [s] at which lap `lap` crosses the start line."""
        return cls(_row_start(analysis, lap) - video_time_s)

    def video_time(self, session_time: float) -> float:
        """Time in the video of a moment on the clock of the log [s]."""
        return session_time - self.video_start_s


def _span(session: Session) -> str:
    """From when to when a log runs, on its own clock."""
    first, last = float(session.t[0]), float(session.t[-1])
    clocks = (
        f" ({timestamp(first % DAY)[:-4]} to {timestamp(last % DAY)[:-4]})"
        if session.time_of_day and first >= 0.0
        else ""
    )
    return f"from {first:.1f} to {last:.1f} s on its clock{clocks}"


def read_moment(text: str) -> tuple[float, bool]:
    """Seconds that a text of seconds or of hh:mm:ss says, and whether it is a time of day.

    Raises
    ------
    OptionError
        When it is neither.
    """
    try:
        start = written_number(text)
    except ValueError:
        start = math.nan
    if math.isfinite(start):
        return start, False
    parts = re.fullmatch(r"\s*(\d{1,2}):([0-5]?\d):([0-5]?\d(?:[.,]\d+)?)\s*", text)
    if parts is None:
        raise OptionError(f"--video-start {text}: write a number of seconds, or a time of day as hh:mm:ss.")
    hours, minutes, seconds = (float(part.replace(",", ".")) for part in parts.groups())
    return 3600.0 * hours + 60.0 * minutes + seconds, True


def _clock_seconds(session: Session, text: str) -> float:
    """The clock of the log [s] that a text of seconds or of hh:mm:ss says."""
    start, of_day = read_moment(text)
    if not of_day:
        return start
    if not session.time_of_day:
        raise OptionError(
            f"--video-start {text}: the clock of this log is no time of day, it runs {_span(session)}. Give seconds."
        )
    # a log that passes midnight counts on: the day of it that lies nearest
    middle = 0.5 * float(session.t[0] + session.t[-1])
    return start + DAY * round((middle - start) / DAY)


@dataclass(frozen=True)
class Cue:
    """One text shown over the video."""

    start_s: float  #: in the video
    stop_s: float
    text: str  #: plain text, lines apart by a line feed


def finding_cues(analysis: Analysis, sync: Sync, lap: int | None = None) -> tuple[Cue, ...]:
    """One cue for each finding that occurred in a lap (default: the best lap), in order of time.

    It shows that lap's own numbers, and below them what the notes advise, where they make it a priority.

    Raises
    ------
    NotEnoughData
        When no finding occurred in that lap, or all of it lies before the video starts.
    OptionError
        When the session has no flying lap of that number.
    """
    number = analysis.best_lap if lap is None else lap
    _row_start(analysis, number)
    fast = {result.corner.name for result in analysis.corners if result.build_up}
    moments = sorted(
        (
            (float(moment), _note(analysis.advice, finding, place, finding.corner in fast and finding.kind != TRAFFIC))
            for finding in analysis.advice.findings
            for place, (occurred, moment) in enumerate(zip(finding.laps, finding.session_times_s, strict=True))
            if occurred == number
        ),
        key=lambda pair: pair[0],
    )
    if not moments:
        aside = _aside(analysis, number)
        if aside:
            raise NotEnoughData(f"{aside}, and findings are drawn from the laps that count: choose another with --lap.")
        others = sorted({one for finding in analysis.advice.findings for one in finding.laps})
        where = f"findings occur in laps {', '.join(map(str, others))}" if others else "no lap has any"
        raise NotEnoughData(f"lap {number}: no finding occurred in it, so there is nothing to show; {where}.")
    groups = []
    for moment, note in moments:
        at = sync.video_time(moment)
        stop = at + note.shown_s - LEAD
        if at + SHOWN - LEAD > 0.0:
            groups.append(_Group(max(at - LEAD, 0.0), stop, (note,)))
    cues = [Cue(group.start_s, group.stop_s, _readable(group)) for group in _one_at_a_time(groups)]
    if not cues:
        raise NotEnoughData(
            f"lap {number}: all its findings lie before the video starts, {sync.video_start_s:.1f} s on the log's "
            "clock. Check --video-start, or choose a later lap."
        )
    return tuple(cues)


@dataclass(frozen=True)
class _Note:
    """One finding of one lap as it is shown."""

    texts: tuple[str, ...]  #: the same at length and ever more briefly
    order: tuple[bool, float, int]  #: smallest first

    @property
    def shown_s(self) -> float:
        """How long it is shown if nothing follows. [s]"""
        return min(max(SHOWN, len(self.texts[0].split()) / READ), LONGEST_SHOWN) if len(self.texts) > 1 else SHOWN

    def within(self, words: float) -> str:
        """The longest text of so many words, or the briefest."""
        return next((text for text in self.texts if len(text.split()) <= words), self.texts[-1])


def _note(advice: Advice, finding: Finding, place: int, fast: bool = False) -> _Note:
    """The finding as it occurred on the lap at `place` of its laps, with what the notes advise about it.

    In a `fast` corner no text goes without its caution.
    """
    where = clean(spoken(finding.corner))
    said = clean(finding.own[place]) if finding.own else ""
    seen = GRIP.sub("", f"{where}: {said}" if said else ASIDE.sub("", clean(finding.sentence)))
    what = (finding.corner, finding.phase, finding.kind)
    chosen = [one for one in advice.priorities if (one.corner, one.phase, one.kind) == what and one.step]
    rank = PRECEDENCE.index(finding.kind) if finding.kind in PRECEDENCE else len(PRECEDENCE)
    texts = [seen]
    if chosen or fast:
        small = fast or chosen[0].build_up
        step = FAST if small else clean(chosen[0].step)
        brief = f"{where}: {GRIP.sub('', said).split(', ')[0]}" if said else seen
        texts = [f"{seen}\n{step}", f"{brief}\n{step}"] + ([] if small else [f"{where}: {step}"])
    return _Note(tuple(texts), (not chosen, -finding.worth_s, rank))


@dataclass(frozen=True)
class _Group:
    """Notes shown together."""

    start_s: float
    stop_s: float
    notes: tuple[_Note, ...]


def _one_at_a_time(groups: list[_Group]) -> list[_Group]:
    """Groups that follow each other: one that begins too soon behind another is joined to it, or cuts it short."""
    shown: list[_Group] = []
    for group in groups:
        if shown and group.start_s < shown[-1].start_s + LEAST_SHOWN:
            last = shown.pop()
            group = _Group(last.start_s, max(last.stop_s, group.stop_s), last.notes + group.notes)
        elif shown and group.start_s < shown[-1].stop_s:
            shown.append(replace(shown.pop(), stop_s=group.start_s))
        shown.append(group)
    return shown


def _readable(group: _Group) -> str:
    """As many notes as can be read while the group is shown, advice first; how many more there are is said."""
    left = round(READ * (group.stop_s - group.start_s), 3)
    texts: list[str] = []
    notes = sorted(group.notes, key=lambda one: one.order)
    for note in notes:
        text = note.within(left)
        left -= len(text.split())
        if texts and left < 0.0:
            break
        texts.append(text)
    more = len(notes) - len(texts)
    return "\n".join(texts) + (f" (+{more} more)" if more else "")


def with_caution(cues: Sequence[Cue]) -> tuple[Cue, ...]:
    """The cues with `CAUTION` at the start of the video, as long as there is time for it."""
    stop = min(SHOWN, cues[0].start_s) if cues else SHOWN
    return (Cue(0.0, stop, CAUTION), *cues) if stop >= LEAST_SHOWN else tuple(cues)


def chapter_cues(analysis: Analysis, sync: Sync) -> tuple[Cue, ...]:
    """A chapter for each flying lap and, nested in it, one for each corner zone it drives through."""
    table = analysis.table
    length = float(analysis.line.length)
    stations = np.append(np.asarray(table.station), length)
    cues = []
    for row, number in enumerate(table.numbers):
        start = float(table.session_start[row])
        times = np.asarray(table.t)[row]
        cues.append(_chapter(sync, start, start + float(times[-1]), f"Lap {number}, {lap_time(float(times[-1]))}"))
        stretches = sorted(
            (a, b, corner.corner.name)
            for corner in analysis.corners
            for a, b in _stretches(corner.zone.start % length, corner.zone.stop % length, length)
        )
        for a, b, name in stretches:
            begin, end = np.interp([a, b], stations, times)
            title = f"Lap {number}: {corner_label(name, CHAPTER_LENGTH)}"
            cues.append(_chapter(sync, start + float(begin), start + float(end), title))
    return tuple(cue for cue in cues if cue.stop_s > 0.0)


def webvtt(cues: Sequence[Cue], note: str = "") -> str:
    """The cues as a WebVTT file; `note` becomes a comment at its head, with the caution."""
    blocks = ["WEBVTT"]
    if note:
        blocks.append(f"NOTE {escaped(note)}. {escaped(CAUTION)}")
    for number, cue in enumerate(cues, start=1):
        lines = "\n".join(escaped(line) for line in cue.text.split("\n") if line.strip())
        blocks.append(f"{number}\n{timestamp(cue.start_s)} --> {timestamp(cue.stop_s)}\n{lines}")
    return "\n\n".join(blocks) + "\n"


def escaped(text: str) -> str:
    """One line of text as a cue may hold it: no markup, no arrow, no line break."""
    return "".join(ESCAPES.get(character, character) for character in clean(text))


def timestamp(time_s: float) -> str:
    """A time [s] as hh:mm:ss.ttt, the time stamp of WebVTT (W3C, section 4.1).

    Raises
    ------
    OptionError
        When the time is negative.
    """
    if time_s < 0.0:
        raise OptionError(f"video time {time_s:.3f} s lies before the first frame.")
    thousandths = round(time_s * 1000.0)
    hours, rest = divmod(thousandths, 3_600_000)
    minutes, rest = divmod(rest, 60_000)
    return f"{hours:02d}:{minutes:02d}:{rest // 1000:02d}.{rest % 1000:03d}"


def _chapter(sync: Sync, start: float, stop: float, title: str) -> Cue:
    return Cue(max(sync.video_time(start), 0.0), sync.video_time(stop), title)


def _stretches(start: float, stop: float, length: float) -> list[tuple[float, float]]:
    """A stretch of the lap as stretches that do not cross the start line."""
    if start < stop:
        return [(start, stop)]
    return [stretch for stretch in ((start, length), (0.0, stop)) if stretch[0] < stretch[1]]


def _aside(analysis: Analysis, number: int) -> str:
    """That a lap was set aside, and why, in words; empty where it counts, or there is none of that number."""
    lap = next((lap for lap in analysis.lapset.laps if lap.number == number and not lap.counted), None)
    if lap is None:
        return ""
    what = "was set aside" if lap.flying else "is no full lap"
    return f"lap {number} {what} ({clean(lap.reason)})"


def _row_start(analysis: Analysis, lap: int) -> float:
    """Clock of the log at the start of lap `lap` [s]."""
    numbers = [int(number) for number in analysis.table.numbers]
    if lap not in numbers:
        aside = _aside(analysis, lap) or f"lap {lap} is not a flying lap of this session"
        raise OptionError(f"{aside}; it has {', '.join(map(str, numbers))}.")
    return float(analysis.table.session_start[numbers.index(lap)])
