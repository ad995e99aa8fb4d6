"""One walk from a log to ranked losses; the command line, the notebooks and the batch run all call it."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from simlap.advice import advise
from simlap.corners import find_corners
from simlap.driven import Driven, driven_on, typical_lap
from simlap.envelope_fit import EnvelopeFit, fit_envelope
from simlap.errors import NoSolution, NotEnoughData, OptionError
from simlap.gearchange import gear_change_cost
from simlap.grounds import on_one_circuit
from simlap.kept import grip_limits
from simlap.lap_types import CLOSED_ONLY, Aside, Lap, LapSet, StartLine
from simlap.laps import all_with_gaps, find_laps
from simlap.laptable import LapTable, tabulate
from simlap.line import Line
from simlap.losses import Ledger, ledgers
from simlap.meanpath import grade_notes, mean_path
from simlap.motion import Motion, motion_of
from simlap.options import Options
from simlap.owngrip import grip_notes, own_grip, with_shown_grip
from simlap.pedalfaults import without_dead_pedals, without_wild_pedals
from simlap.phases import PhaseMap, map_phases
from simlap.readers.join import grounds_apart
from simlap.reference import path_of_laps
from simlap.results import Analysis
from simlap.session import Session
from simlap.solver import limit_profile, solve_batch
from simlap.spread import corner_results, drawn_ledgers, percentile_interval, step_share_of
from simlap.target import target_of
from simlap.thresholds import changed_thresholds
from simlap.track import Corner, Track, grip_scale
from simlap.zones import brake_onsets, cut_zones

# Reasons of laps that are set aside against the track file's line.
BESIDE_TRACK = (Aside.OFF, Aside.OTHER_WAY)
WAY_STEP = 10.0  # [m] apart lie the places at which the direction of driving is held against a track's line
ON_THE_LINE = 20.0  # [m] from the line, the car is taken to follow it
NO_PLACE_FOR_TRACK = (
    "No positions in the log: track {!r} cannot be laid under it. The circuit, its start line and its corners are "
    "found from the laps; elevation, banking and names of the track file are left out."
)


@dataclass(frozen=True, eq=False)
class Prepared:
    """Laps on common stations, before anything is judged."""

    session: Session
    motion: Motion
    lapset: LapSet
    track: Track
    table: LapTable
    line: Line  #: mean path of the counted laps


def find_session_laps(session: Session, track: Track | None, options: Options) -> tuple[Motion, LapSet, Track | None]:
    """The smooth motion of a session, its laps (counted or set aside), and the track on the motion's plane.

    Returns
    -------
    motion : Motion
    lapset : LapSet
    track : Track or None
        None where no track was given, or a log without positions cannot be laid over the one that was.

    Raises
    ------
    NotEnoughData
        When the session has no path, or its path no laps; the text names the session.
    """
    try:
        return _session_laps(session, track, options)
    except NotEnoughData as error:
        if session.source in str(error):
            raise
        raise NotEnoughData(f"{session.source}: {error}") from error


def _session_laps(session: Session, track: Track | None, options: Options) -> tuple[Motion, LapSet, Track | None]:
    session, left_out = on_one_circuit(session, track, options.start_line)
    motion = motion_of(session)
    if left_out:
        motion = replace(motion, notes=(*left_out, *motion.notes))
    no_track = ""
    if track is not None and track.origin is not None and not motion.closes:
        no_track, track = NO_PLACE_FOR_TRACK.format(track.name), None
        motion = replace(motion, notes=(*motion.notes, no_track))
    track = track and track.in_plane(motion.origin)
    start = None
    if options.start_line is not None:
        if motion.origin is None:
            raise NotEnoughData(
                f"{session.source}: a start line was given, but the log has no latitude and "
                "longitude to place it. Leave it out: the laps are then found from the path."
            )
        start = StartLine.from_geodetic(*options.start_line, motion.origin)
    laps = find_laps(motion, session, start_line=start, track=track, choose=options.laps, drop=options.drop)
    return motion, replace(laps, no_track=no_track), track


def why_none_counts(laps: Sequence[Lap]) -> str:
    """The reasons why laps were set aside, each kind once, with the first lap's in full."""
    by_kind: dict[Aside | None, list[Lap]] = {}
    for lap in laps:
        by_kind.setdefault(lap.kind, []).append(lap)
    parts = []
    for alike in sorted(by_kind.values(), key=len, reverse=True):
        more = f", and {len(alike) - 1} like it" if len(alike) > 1 else ""
        parts.append(f"lap {alike[0].number} {alike[0].reason}{more}")
    return "; ".join(parts) or "no complete lap"


def _check(session: object, track: object, options: object) -> None:
    """Refuse what is no session, track or options, such as a path that was not read."""
    if not isinstance(session, Session):
        raise OptionError(f"session {session!r}: is no Session. Read the log first: simlap.read_session(path).")
    if track is not None and not isinstance(track, Track):
        raise OptionError(f"track {track!r}: is no Track. Read the track file first: simlap.read_track(path).")
    if not isinstance(options, Options):
        raise OptionError(f"options {options!r}: are no Options. Write simlap.Options(...), or name the choices.")


def _other_way_round(motion: Motion, line: Line) -> bool:
    """Whether the car follows a line from its end to its start."""
    x, y, vx, vy = (np.interp(np.arange(0.0, motion.s[-1], WAY_STEP), motion.s, values) for values in (
        motion.x, motion.y, np.cos(motion.course), np.sin(motion.course)
    ))  # fmt: skip
    gap, nearest = cKDTree(np.column_stack([line.x, line.y])).query(np.column_stack([x, y]))
    along = vx * np.gradient(line.x)[nearest] + vy * np.gradient(line.y)[nearest]
    return float(np.mean((gap < ON_THE_LINE) & (along < 0.0))) > 0.5


def prepare(session: Session, track: Track | None = None, options: Options | None = None) -> Prepared:
    """From a session to its laps on common stations and their mean path.

    Raises
    ------
    NotEnoughData
        When the log cannot carry a path or holds no counted lap.
    OptionError
        When an argument is something else.
    """
    options = options or Options()
    _check(session, track, options)
    motion, lapset, track = find_session_laps(session, track, options)
    session = without_dead_pedals(without_wild_pedals(session), motion, lapset)
    counted = [lap for lap in lapset.laps if lap.counted]
    if not counted:
        hint = ""
        beside = [lap.kind in BESIDE_TRACK for lap in lapset.flying]
        if track is not None and beside and all(beside):
            hint = f" Track {track.name!r} may be another circuit, or lie beside these positions: move or drop it."
            if _other_way_round(motion, track.line):
                hint = (
                    f" The car drives the other way round than the reference line of track {track.name!r}: turn that "
                    "line round, or drop the track."
                )
        if all_with_gaps(lapset.laps):
            hint = f" {CLOSED_ONLY}"
        raise NotEnoughData(
            f"{session.source}: no lap can be counted ({why_none_counts(lapset.laps)}). An analysis needs at least two "
            f"complete flying laps.{hint}"
        )
    if track is None:
        track = path_of_laps(motion, lapset)
    reference = track.line.resample(options.spacing)
    table = tabulate(motion, session, lapset, reference, options.spacing)
    return Prepared(
        session, motion, lapset, track, table, mean_path(table, reference, track.has_elevation, track.heights_logged)
    )


def prepare_beside(first: Session, session: Session, track: Track | None, options: Options) -> Prepared:
    """Another session prepared on the circuit of the `first` one; where its laps do not fit, what sets the two apart is
    told.

    Raises
    ------
    NotEnoughData
        When it holds no counted lap on that circuit.
    """
    try:
        return prepare(session, track, options)
    except NotEnoughData as error:
        raise NotEnoughData(
            grounds_apart([first, session])
            or f"{session.source}: its laps do not fit the circuit of {first.source} ({error}) Were both driven on one "
            "circuit?"
        ) from error


def analyse(session: Session, track: Track | None = None, options: Options | None = None, **choices: Any) -> Analysis:
    """Find where the time is left, phase by phase, against the limit of the driver's own envelope.

    Parameters
    ----------
    session : Session
        One outing, from `read_session`.
    track : Track, optional
        From `read_track`; without it the circuit is built from the laps.
    options : Options, optional
        Choices; keyword arguments override single fields of it.

    Returns
    -------
    Analysis

    Raises
    ------
    NotEnoughData, NoSolution
        When the log cannot carry the answer; the text says what is missing.
    OptionError
        When an argument is something else.

    Notes
    -----
    Design in DEVELOPERS.md; the limit profile is reachability on a path (Bobrow, Dubowsky and Gibson 1985,
    doi:10.1177/027836498500400301).
    """
    options = options or Options()
    _check(session, track, options)
    options = replace(options, **choices)
    return advised(judge(prepare(session, track, options), options))


def advised(analysis: Analysis) -> Analysis:
    """The analysis with what to tell the driver and the target ladder."""
    try:
        target = target_of(analysis)
        reason = target.no_step
    except NotEnoughData as error:
        target, reason = None, str(error)
    if reason:
        analysis = replace(analysis, no_target=reason, notes=(*analysis.notes, f"No target: {reason}"))
    else:
        analysis = replace(analysis, target=target)
    return replace(analysis, advice=advise(analysis))  # with the target in hand


def fit_of(prepared: Prepared, options: Options, corners: Sequence[Corner]) -> EnvelopeFit:
    """The envelope of laps that are prepared; where they are too few, the text names the session."""
    try:
        return fit_envelope(
            prepared.table,
            prepared.line,
            quantile=options.quantile,
            draws=options.draws,
            seed=options.seed,
            corners=corners,
        )
    except NotEnoughData as error:
        raise NotEnoughData(f"{prepared.session.source}: {error}") from error


def judge(prepared: Prepared, options: Options, envelope_fit: EnvelopeFit | None = None) -> Analysis:
    """Fit the envelope, solve the limit lap and fill the ledgers for laps that are prepared."""
    table, line, track = prepared.table, prepared.line, prepared.track
    stated = tuple(track.corners or find_corners(track.line))
    fit = envelope_fit or fit_of(prepared, options, stated)
    shown = own_grip(table, line, stated, fit) if options.corner_grip else ()
    corners = with_shown_grip(stated, shown)
    less_grip = {own.name: own.grip for own, before in zip(corners, stated, strict=True) if own.grip != before.grip}
    grip = grip_scale(corners, np.asarray(line.station), float(line.length))
    limit = limit_profile(line, fit.envelope, limits=grip_limits(grip))
    zones = cut_zones(line, corners, limit, brake_onsets(table, corners), np.asarray(table.counted, dtype=bool))
    phases = map_phases(zones, np.asarray(line.station), float(line.length), limit.a_lon)
    laps = tuple(driven_on(line, dt) for dt in np.diff(np.asarray(table.t), axis=1))
    counted = np.flatnonzero(table.counted)
    dt = np.array([laps[i].dt for i in counted])
    typical = typical_lap(line, dt, phases)
    packed = fit.envelope.pack()
    (typical_ledger,) = ledgers(line, packed, (typical,), phases, grip=grip)
    lap_ledgers = tuple(_ledger_or_none(line, packed, lap, phases, grip) for lap in laps)
    recorded = {name: np.asarray(values)[counted] for name, values in table.channels.items()}
    gears = gear_change_cost(line, packed, [laps[i] for i in counted], recorded, phases, grip)
    best = min(counted, key=lambda i: laps[i].lap_time)
    limit_times = np.asarray(solve_batch(line, fit.draws, grip_limits(grip)).segment_time)
    drawn = drawn_ledgers(line, fit, limit_times, grip, phases, dt, typical_ledger)
    best_v = np.asarray(table.v)[best]
    step_share = step_share_of(table, counted)
    results = corner_results(zones, phases, limit, typical_ledger, drawn, typical.v, best_v, gears, step_share)
    grip_told = grip_notes(stated, shown, less_grip) if options.corner_grip else ()
    return Analysis(
        session=prepared.session,
        motion=prepared.motion,
        lapset=prepared.lapset,
        track=replace(track, corners=corners),
        table=table,
        line=line,
        fit=fit,
        limit=limit,
        grip=grip,
        phases=phases,
        typical=typical,
        lap_driven=laps,
        lap_ledgers=lap_ledgers,
        typical_ledger=typical_ledger,
        corners=results,
        best_lap=int(table.numbers[best]),
        best_lap_s=laps[best].lap_time,
        typical_lap_s=typical.lap_time,
        limit_lap=percentile_interval(limit.lap_time, limit_times.sum(axis=1)),
        unexplained_s=typical_ledger.unexplained_s,
        beaten_s=float(max(0.0, -typical_ledger.lost.min())),
        line_s=line_shares(table, line, fit, grip),
        options={**asdict(replace(options, thresholds=None)), "thresholds": changed_thresholds(options.thresholds)},
        less_grip=less_grip,
        notes=(*_notes_of(prepared), *grade_notes(track, line), *fit.notes, *grip_told),
    )


def _notes_of(prepared: Prepared) -> tuple[str, ...]:
    """What reader, motion and laps noted, in that order."""
    return (*prepared.session.notes, *prepared.motion.notes, *prepared.lapset.notes)


def _ledger_or_none(line: Line, packed: np.ndarray, lap: Driven, phases: PhaseMap, grip: np.ndarray) -> Ledger | None:
    """The ledgers of one lap; None where no profile keeps what was driven, as on a lap that stood or has a gap."""
    try:
        (ledger,) = ledgers(line, packed, (lap,), phases, grip=grip)
    except NoSolution:
        return None
    return ledger


def line_shares(table: LapTable, line: Line, fit: EnvelopeFit, grip: np.ndarray) -> dict[int, float]:
    """Per lap number the time that its line costs against the mean of the counted laps' lines. [s]

    The limit lap on the lap's own driven line, less the mean of those limits over the counted laps: position
    noise slows all of them alike and cancels.
    """
    packed = fit.envelope.pack()[None, :]
    times = {}
    for row, number in enumerate(table.numbers):
        own_line = Line.from_curvature(kappa=table.kappa[row], ds=table.ds[row], like=line)
        times[int(number)] = float(solve_batch(own_line, packed, grip_limits(grip)).lap_time[0])
    mean = np.mean([times[int(number)] for number in np.asarray(table.numbers)[np.asarray(table.counted, bool)]])
    return {number: time - float(mean) for number, time in times.items()}


def lap_row(analysis: Analysis, number: int) -> int:
    """Row of the table that holds lap `number`.

    Raises
    ------
    NotEnoughData
        When the lap is not a flying lap of this session.
    """
    rows = np.flatnonzero(np.asarray(analysis.table.numbers) == number)
    if rows.size == 0:
        numbers = ", ".join(str(int(n)) for n in analysis.table.numbers)
        raise NotEnoughData(f"Lap {number} is not a complete lap of this session. Complete laps: {numbers}.")
    return int(rows[0])
