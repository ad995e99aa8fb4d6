"""Notes and target as one: the slowest speeds that both ask for, and which of the notes comes first."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from simlap.habits import spoken
from simlap.phases import PHASE_WORDS
from simlap.report.plain import joined_by_and, lap_time
from simlap.results import Analysis, CornerResult, Priority
from simlap.units import MS_TO_KMH

TIME_LOST = "time lost"  #: kind of a priority whose reason no channel shows

#: Kinds whose advice in mid-corner is a higher slowest speed.
ASKS_SPEED = (TIME_LOST, "low minimum speed", "full throttle before the apex")
# With fewer laps steps in speed are this share of the usual ones. Common practice, no source; the caution on few laps
# begins at the same number.
FEW_LAPS, FEW_SHARE = 4, 0.5
# A slowest speed that is to rise by less than this stays as it is: speeds are told in whole km/h.
NO_CHANGE = 0.5  # [km/h]
# Another phase of a corner is worth more than the one in the notes from here on: less is not told in print.
HOLDS_MORE = 0.015  # [s]


def asked_speeds(analysis: Analysis) -> dict[str, float]:
    """How far above the typical lap's the target asks for the slowest speed, per corner in its list. [km/h]"""
    if analysis.target is None:
        return {}
    typical = {corner.corner.name: corner.min_speed_typical * MS_TO_KMH for corner in analysis.corners}
    rises = {
        corner.corner: corner.min_speed_kmh.next - typical[corner.corner]
        for corner in analysis.target.corners
        if f"{corner.min_speed_kmh.next:.0f}" != f"{corner.min_speed_kmh.now:.0f}"
    }
    return {corner.corner: max(0.0, rises.get(corner.corner, 0.0)) for corner in analysis.target.corners}


def asked_phases(analysis: Analysis) -> dict[str, tuple[str, ...]]:
    """The phases that the target works on, per corner in its list."""
    return {} if analysis.target is None else {corner.corner: corner.phases for corner in analysis.target.corners}


def by_laps(corners: Sequence[CornerResult], laps: int) -> tuple[CornerResult, ...]:
    """The corners with a smaller step in speed where few `laps` say how fast they are, and how fast they could be.

    Fast corners keep theirs, which is as small already.
    """
    if laps >= FEW_LAPS:
        return tuple(corners)
    return tuple(each if each.build_up else replace(each, step_kmh=FEW_SHARE * each.step_kmh) for each in corners)


def as_asked(corner: CornerResult, asked: Mapping[str, float]) -> CornerResult:
    """The corner with the target's step where that is smaller; fast corners keep the step that they are limited to."""
    step = asked.get(corner.corner.name, corner.step_kmh)
    return corner if corner.build_up else replace(corner, step_kmh=min(step, corner.step_kmh))


def rests_on(corner: CornerResult, asked: Mapping[str, float], own: str, smaller: str) -> str:
    """`own` advice, with the speed that the next step rests on where the target asks for less (`smaller` advice).

    How much the target asks for in a corner hangs on what it asks for elsewhere; what the corner allows does not.
    """
    if own == smaller or left_alone(corner, asked):
        return own
    return f"{own} (the next step rests on {asked[corner.corner.name]:.0f} km/h of that)"


def left_alone(corner: CornerResult, asked: Mapping[str, float]) -> bool:
    """True where the target works on this corner and leaves its slowest speed as it is."""
    return asked.get(corner.corner.name, NO_CHANGE) < NO_CHANGE


def order_of_work(analysis: Analysis, priorities: Sequence[Priority]) -> str:
    """Which priorities the target's next step rests on, and where a corner's larger loss is left for later.

    Empty where there are no priorities, or neither is to be said.
    """
    if not priorities:
        return ""
    return " ".join(filter(None, (_first_of(analysis, priorities), _left_for_later(analysis, priorities))))


def _first_of(analysis: Analysis, priorities: Sequence[Priority]) -> str:
    if analysis.target is None or not analysis.target.corners:
        return ""
    listed = {found.corner: found.worth_s for found in analysis.target.corners}
    noted = [one.corner for one in priorities]
    remarks = _beside_the_note(analysis, priorities)
    parts = joined_by_and([f"{_place(name)} ({worth:.2f} s{remarks.get(name, '')})" for name, worth in listed.items()])
    told = f"The next step of {lap_time(analysis.target.next_step.value)} takes a first part in {parts}"
    later = [_place(name) for name in noted if name not in listed]
    if later:
        told += f"; {joined_by_and(later)} can wait"
    unnoted = [_place(name) for name in listed if name not in noted]
    if unnoted:
        told += f"; 'simlap target' says what to change in {joined_by_and(unnoted)}"
    return told + "."


def _beside_the_note(analysis: Analysis, priorities: Sequence[Priority]) -> dict[str, str]:
    """What to say of the target's part in a corner beside its note: that its reason is to be found first, that it
    lies in a phase of which there is nothing to note, or which phases it covers beside the one in the note."""
    worked_on, remarks = asked_phases(analysis), {}
    for one in priorities:
        there = worked_on.get(one.corner, ())
        others = [PHASE_WORDS[phase] for phase in there if phase != one.phase]
        if there and one.phase not in there:
            remarks[one.corner] = f", in its {joined_by_and(others)}"
            continue
        told = f", with its {joined_by_and(others)}" if others else ""
        if one.kind == TIME_LOST and one.phase != "mid_corner":
            told += ", once you know its reason"
        remarks[one.corner] = told
    return remarks


def _left_for_later(analysis: Analysis, priorities: Sequence[Priority]) -> str:
    """Corners in which another phase is worth more than the one that is told."""
    corners = {corner.corner.name: corner for corner in analysis.corners}
    worked_on = asked_phases(analysis)
    places: list[str] = []
    later: list[str] = []
    for one in priorities:
        most = max(corners[one.corner].phases, key=lambda phase: phase.gain_alone.value)
        told = (one.phase, *worked_on.get(one.corner, ()))
        if most.name not in told and most.gain_alone.value - one.worth.value >= HOLDS_MORE:
            place = f"{_place(one.corner)} {PHASE_WORDS[most.name]} ({most.gain_alone.value:.2f} s)"
            (later if one.phase in told[1:] else places).append(place)
    lines = []
    if places:
        where = joined_by_and(places)
        lines = [
            f"More lies in {where}, but its cause is less sure or shows on fewer laps: one thing a corner at a time."
        ]
    if later:
        lines.append(f"More lies in {joined_by_and(later)}, of which the next step asks nothing yet.")
    return " ".join(lines)


def _place(corner: str) -> str:
    return spoken(corner, begins=False)
