"""Did the change to the car pay off? Two sets of laps, or three (before, after, before again).

The change in lap time is split into a change of the limit (what car and tyres can do) and a change of execution
(how much of it was used). The verdict is on the limit alone: a driver who got better in some corners is not credited to
the car. One who uses more of the grip in all of them is, for no log can tell that from more grip.
"""

import itertools
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from simlap.analysis import Prepared, prepare, prepare_beside
from simlap.comparison import Comparison, Side
from simlap.conditions import told_by
from simlap.corners import find_corners
from simlap.driven import driven_on
from simlap.envelope_fit import fit_envelope
from simlap.errors import NotEnoughData, OptionError
from simlap.kept import grip_limits
from simlap.lapsteps import Step, Trend, lap_trend, unlike_laps
from simlap.line import Line
from simlap.meanpath import mean_path
from simlap.merge import merge_tables
from simlap.options import Options
from simlap.phases import PhaseMap, map_phases
from simlap.report.plain import counted_laps
from simlap.session import POSITIONS, Session
from simlap.shared import on_shared_evidence
from simlap.solver import limit_profile, solve_batch
from simlap.station_limits import StationLimits
from simlap.track import Corner, Track, grip_scale
from simlap.verdict import judge_sides
from simlap.zones import brake_onsets, cut_zones

LEAST_LAPS = 3  # a spread between laps cannot be told from fewer


def compare(
    before: Sequence[Session],
    after: Sequence[Session],
    again: Sequence[Session] = (),
    *,
    track: Track | None = None,
    options: Options | None = None,
    notes: Sequence[str] = (),
) -> Comparison:
    """Judge a change to the car.

    Parameters
    ----------
    before, after, again : sequences of Session
        Sessions of each side; `again` repeats the state before the change and takes out a linear drift.
    track : Track, optional
        Of the circuit of all sessions; without one it is found from the first session.
    options : Options, optional
        Of the analysis of each side.
    notes : sequence of str
        ``SIDE:WHAT=VALUE`` with SIDE one of A, B, A2, such as ``A:tyres=worn``; differing values are warned of.

    Raises
    ------
    NotEnoughData
        When a side has fewer than three counted laps, or the sessions do not lie on one circuit.
    OptionError
        When a side has no session, or a note cannot be read or names no side; told before anything is computed.
    """
    options = options or Options()
    groups = [("A", tuple(before)), ("B", tuple(after))] + ([("A2", tuple(again))] if again else [])
    for label, sessions in groups:
        if not sessions:
            raise OptionError(f"side {label} has no session. Give each side one or more.")
    conditions = noted_conditions(notes, [label for label, _ in groups])
    prepared, track = _prepare_all(groups, track, options)
    logs = [one for _, found in prepared for one in found]
    _all_placed(logs)
    alike, left_out = on_shared_evidence(logs, options)
    left = iter(alike)
    prepared = [(label, tuple(itertools.islice(left, len(found)))) for label, found in prepared]
    corners = tuple(track.corners or find_corners(track.line))
    line, phases = _common_ground(prepared, track, corners, options)
    sides = tuple(
        _side(label, found, line, phases, corners, options, number) for number, (label, found) in enumerate(prepared)
    )
    unlike = [unlike_sessions(side) for side in sides]
    warnings = (*_warnings(sides, conditions, unlike), *_rates_differ(logs), *left_out)
    return judge_sides(
        sides,
        line,
        phases,
        [corner.name for corner in corners],
        limits=_grip_of(corners, line),
        moved=[moved_within(each) for each in unlike],
        warnings=warnings,
        notes=tuple(notes),
    )


def _prepare_all(
    groups: Sequence[tuple[str, tuple[Session, ...]]], track: Track | None, options: Options
) -> tuple[list[tuple[str, tuple[Prepared, ...]]], Track]:
    """The sessions of each side prepared on one circuit, and that circuit: the one given, else the first session's."""
    given = track is not None
    first: Session | None = None
    prepared = []
    for label, sessions in groups:
        found = []
        for session in sessions:
            if first is not None and track is not None and not given:
                _placed_alike(first.source, track, session)
            one = prepare(session, track, options) if first is None else prepare_beside(first, session, track, options)
            if track is None or (track.origin is not None and one.track.origin is None):
                track = one.track  # no file was given, or none can be laid under a log without positions
            first = session if first is None else first
            found.append(one)
        prepared.append((label, tuple(found)))
    assert track is not None
    return prepared, track


def _placed_alike(first: str, track: Track, session: Session) -> None:
    """Refuse a log in degrees behind one whose circuit, `track`, has no place on the globe."""
    if track.origin is None and all(session.has(name) for name in POSITIONS[0]):
        raise NotEnoughData(
            f"{first}: no latitude and longitude in the log, so the laps of {session.source} cannot be laid on its "
            "circuit. Compare logs that all hold them."
        )


def _all_placed(logs: Sequence[Prepared]) -> None:
    """Refuse logs without positions beside others with them: their reckoned path lies on no circuit of the others."""
    unplaced = [one.session.source for one in logs if not one.motion.closes]
    if 0 < len(unplaced) < len(logs) and any(not one.table.shares_stations(logs[0].table) for one in logs):
        raise NotEnoughData(
            f"{', '.join(unplaced)}: no positions in the log, so its laps cannot be laid on the circuit of the others. "
            "Compare logs with positions."
        )


def _common_ground(
    prepared: Sequence[tuple[str, tuple[Prepared, ...]]], track: Track, corners: tuple[Corner, ...], options: Options
) -> tuple[Line, PhaseMap]:
    """Mean path of all counted laps and phases that serve every side."""
    everything = merge_tables([one.table for _, found in prepared for one in found])
    line = mean_path(everything, track.line.resample(options.spacing), track.has_elevation, track.heights_logged)
    fit = fit_envelope(everything, line, quantile=options.quantile, draws=1, seed=options.seed, corners=corners)
    limit = limit_profile(line, fit.envelope, limits=_grip_of(corners, line))
    counted = np.asarray(everything.counted, dtype=bool)
    zones = cut_zones(line, corners, limit, brake_onsets(everything, corners), counted)
    return line, map_phases(zones, np.asarray(line.station), float(line.length), limit.a_lon)


def _grip_of(corners: tuple[Corner, ...], line: Line) -> StationLimits:
    """Limits with the grip factors of the corners."""
    return grip_limits(grip_scale(corners, np.asarray(line.station), float(line.length)))


def _side(
    label: str,
    prepared: tuple[Prepared, ...],
    line: Line,
    phases: PhaseMap,
    corners: tuple[Corner, ...],
    options: Options,
    number: int,
) -> Side:
    """Fit one side's envelope on the common path and solve its limit laps."""
    table = merge_tables([one.table for one in prepared])
    counted = np.asarray(table.counted, dtype=bool)
    if counted.sum() < LEAST_LAPS:
        names, count = ", ".join(one.session.source for one in prepared), int(counted.sum())
        raise NotEnoughData(
            f"Side {label} ({names}) has {counted_laps(count)}; a comparison needs at least {LEAST_LAPS} on each side."
        )
    # each side draws with a seed of its own: equal seeds would tie the draws of two sides together
    fit = fit_envelope(
        table,
        line,
        quantile=options.quantile,
        draws=options.draws,
        seed=options.seed + 1000 * number,
        corners=corners,
    )
    dt = np.diff(np.asarray(table.t)[counted], axis=1)
    phase_times = phases.sums(np.array([driven_on(line, row).dt for row in dt]))
    limits = _grip_of(corners, line)
    draws = np.asarray(solve_batch(line, fit.draws, limits).segment_time)
    limit = np.asarray(solve_batch(line, fit.envelope.pack()[None, :], limits).segment_time)[0]
    draw_laps = np.asarray(fit.draw_laps, dtype=int)
    return Side(
        label=label,
        prepared=prepared,
        fit=fit,
        phase_times=phase_times,
        limit_phase_times=phases.sums(limit),
        draw_phase_times=np.median(phase_times[draw_laps], axis=1),
        draw_limit_phase_times=phases.sums(draws),
    )


def unlike_sessions(side: Side) -> list[tuple[str, Trend | Step]]:
    """Sessions of a side whose laps were driven in unlike conditions, and what tells so.

    A trend of any size counts that chance hardly makes: 1.5 % in ten laps is little for one session, and more than
    most changes of a car.
    """
    found = []
    for one in side.prepared:
        numbers, counted = np.asarray(one.table.numbers), np.asarray(one.table.counted, dtype=bool)
        rows = told_by(numbers, counted, one.lapset.laps)
        told = numbers[rows], np.asarray(one.table.t)[rows, -1], counted[rows]
        unlike = unlike_laps(*told) or lap_trend(*told, least=(0.0, 0.0))
        if unlike is not None:
            found.append((one.session.source, unlike))
    return found


def moved_within(unlike: Sequence[tuple[str, Trend | Step]]) -> float:
    """By how much later laps of a side are slower, of the session that moved most; negative: faster. [s]"""
    return max((found.later_s for _, found in unlike), key=abs, default=0.0)


def _warnings(
    sides: Sequence[Side],
    conditions: Mapping[str, Mapping[str, str]],
    unlike: Sequence[Sequence[tuple[str, Trend | Step]]],
) -> tuple[str, ...]:
    """What differs between the sides beside the change that is to be judged: `conditions` as `noted_conditions` gives
    them, the sessions of each side that are `unlike` each other, and the loggers."""
    warnings = [
        f"{what} differs between the sides ({', '.join(f'{side}: {value}' for side, value in values.items())}): the "
        "verdict cannot tell it from the change."
        for what, values in conditions.items()
        if len(set(values.values())) > 1 or len(values) < len(sides)
    ]
    for each, found in zip(sides, unlike, strict=True):
        warnings += [f"Side {each.label} ({source}): {one.sentence}" for source, one in found]
    sources = {one.motion.quality.speed_source for side in sides for one in side.prepared}
    if len(sources) > 1:
        warnings.append(f"Speed comes from different sensors ({', '.join(sorted(sources))}).")
    return tuple(warnings)


def _rates_differ(logs: Sequence[Prepared]) -> tuple[str, ...]:
    """Told where the loggers give fixes at different rates; `logs` as they were recorded, before any is thinned."""
    rates = {round(one.motion.quality.fixes_per_second) for one in logs}
    if len(rates) < 2:
        return ()
    return (
        f"The logs differ in fixes per second ({', '.join(map(str, sorted(rates)))}): the logger or its settings "
        "changed, which may move a limit a little.",
    )


def parse_note(note: str) -> tuple[str, str, str]:
    """Side, subject and value of a note such as ``A:tyres=worn``.

    Raises
    ------
    OptionError
        When it is written otherwise.
    """
    side, _, rest = note.partition(":")
    what, _, value = rest.partition("=")
    side, what, value = side.strip(), what.strip(), value.strip()
    if not (side and what and value):
        raise OptionError(f"--note {note!r}: write SIDE:WHAT=VALUE, such as A:tyres=worn.")
    return side, what, value


def noted_conditions(notes: Iterable[str], labels: Sequence[str]) -> dict[str, dict[str, str]]:
    """Values by subject and side of notes such as ``A:tyres=worn``; `labels` are the sides that there are.

    Raises
    ------
    OptionError
        When a note is written otherwise, or names another side.
    """
    conditions: dict[str, dict[str, str]] = {}
    for note in notes:
        side, what, value = parse_note(note)
        if side not in labels:
            raise OptionError(f"--note {note!r}: there is no side {side!r}; sides are {', '.join(labels)}.")
        conditions.setdefault(what, {})[side] = value
    return conditions
