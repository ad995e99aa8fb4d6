"""The analysis as plain numbers, lists and text: schema "simlap.analysis/1"."""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from simlap import __version__
from simlap.against import Against
from simlap.limits import NAMES, limits_with_interval
from simlap.line import Line
from simlap.phases import PHASE_NAMES
from simlap.report.cautions import cautions
from simlap.report.plain import rounded_parts
from simlap.report.standing import cautions_to_dicts
from simlap.results import Analysis, CornerResult, Finding, Interval, PhaseResult, Priority
from simlap.units import MS_TO_KMH, G

SCHEMA = "simlap.analysis/1"
SCHEMA_TEXT = """\
Keys end in their unit: _s seconds, _m metres, _kmh, _g (9.80665 m/s²). Stations count from the start line along
the reference line. {value, low, high} is an estimate with its 90 % interval. Losses are positive where time is lost.

schema           "simlap.analysis/1"; a key is only ever added within /1, never renamed or removed
simlap_version   version that wrote the file
source           name of the log
laps[]           number, start_s (clock of the log), time_s, counted, flying, reason (why set aside, else "")
laps_found_by    start line, track file, lap channel, beacon, or path alone
track            name, length_m, corners[]: name, direction, entry_m, apex_m, exit_m
banking          source (track file, log or unknown), doubt_deg: standard deviation from corner to corner where it
                 was read from the log (a camber that all corners share counts as grip)
envelope         quantile, exponent_braking, exponent_drive, cornering_drag_s2_per_m,
                 drag: slowing that costs the tyres no grip, constant_ms2 + v2_per_m v² + lateral2_s2_per_m a_lat²;
                 assumed (half of a usual drag), the same for every log; cornering_drag_s2_per_m is read from it,
                 limits[]: speed_kmh and {value, low, high} of lateral_left_g, lateral_right_g, braking_g, traction_g,
                 engine_g; tested_kmh: per limit the range of speeds with data, [low, high]
best_lap_s       fastest counted lap, as driven; best_lap its number
typical_lap_s    per phase the median of the counted laps, added up
limit_lap_s      {value, low, high}: a bound, not a target
target           null (cautions[] then say why), or outing (how many ahead), shown_s,
                 next_step_s {value, low, high, chance}, limit_s, limit_with_transitions_s: the limit for a driver who
                 changes pedals as this one does, transitions: onset_s to full braking, release_s off the brake,
                 pickup_s to full drive, repeat_s: part of the step that the best lap has shown already,
                 best_phases_sum_s: the best phases added up, which is no lap, best_phases_gap_s: shown_s less that,
                 no_step: "" (`target --json` gives the reason here, with next_step_s null), held_by: why no more is
                 asked for: chance, lap_share or steps,
                 corners[]: name, phases, build_up, worth_s (on top of those before it), and {now, next} or null of
                 brake_point_m, min_speed_kmh, full_throttle_m, exit_speed_kmh (at the end of the exit), lift_m (where a
                 throttle closes that is closed too early before the brake); next is now
                 where less than 2 m or 1 km/h would be asked for; metres as finely as the log shows places, see caution
                 "places"
corners[]        in track order: name, direction, entry_m, apex_m, exit_m, rank (1: most to gain),
                 banking_deg at the apex (left edge lower: positive; null where unknown),
                 min_speed_kmh {typical, best, limit}, lost_s, gain_alone_s (as in the phases, each
                 {value, low, high}), top3_chance (0..1), clear_loss (false: may gain less than 0.01 s), build_up (true:
                 fast, small steps only), step_kmh (half as large where the log has no throttle),
                 phases {braking, mid_corner, exit}: start_m, stop_m (smaller than start_m across the start line),
                 lost_s (lost here; sums to typical minus limit lap), caused_s (with its knock-on; same sum less
                 unexplained_s), gain_alone_s (if this phase alone were at the limit; does not sum),
                 gear_changes_s (part of it that changes of gear cost; null where no channel tells),
                 findings[]: kind, phase, sentence, worth_s, laps, occurrences, of_laps, stations_m,
                 session_times_s, evidence {named numbers, keys end in their unit; "both pedals at once" holds both_s,
                 both_m, opening_percent of the throttle and braked_bar or braked_percent; "full throttle, weak drive",
                 and where no throttle is logged "weak drive on the exit" and "weak drive in a flat corner", hold
                 weak_s, drive_used_percent, speed_given_up_kmh and grip_used_percent, on an exit also weak_m, at full
                 throttle also the gear where it is logged; "rolling before the brake" early_m, before_brake_s,
                 before_brake_m, speed_kmh and brakes_share; "single loss", of one lap and worth nothing, holds lost_s
                 (to the median lap), the same by phase, next_corner_lost_s where it goes on there, and where they
                 differ brake_point_later_m, full_throttle_later_m, minimum_kmh beside usual_minimum_kmh}
priorities[]     at most three: corner, phase, kind, sentence, worth_s {value, low, high} of the
                 whole phase, step_worth_s of the step that the sentence asks for (null: of no stated size), build_up
order            which priorities the target rests on, and where a larger loss waits; "" where nothing is to say
keep             one thing not to change, "" where nothing stands out
no_advice        why nothing is advised on these data, "" where they allow it
not_judged[]     what the channels of this log cannot show
unexplained_s    driven typical lap less the model's copy of it; never spread over phases
beaten_s         most by which the typical lap beats the limit over one phase; above 0.05 the envelope is at fault
line_s[]         lap, line_s: time lost (+) or won (-) by that lap's line against the mean line
quality          verdict, reason, fixes_per_second, lag_s, rms_position_m, rms_speed_ms, repaired_percent,
                 bandwidth_hz (path), speed_bandwidth_hz, speed_source, position_drifts
options          of the run: start_line, laps, drop, spacing [m], quantile, draws, seed, corner_grip,
                 thresholds (null, or those that are not the usual ones)
cautions[]       key, text
notes[]          repairs and decisions of the reader, the motion, the laps and the fit, in plain words
against          only with --against: subject, reference, remark (why the reference was set aside, else ""),
                 subject_s, reference_s, unexplained_s, corners[]: name, gain_alone_s, phases as above, against the
                 reference lap in the place of the limit
"""
TIME_DIGITS = 3  # [s] the clock of a 100 Hz log, interpolated, is good to about a millisecond
STATION_DIGITS = 1  # [m]
SPEED_DIGITS = 1  # [km/h]
ACCELERATION_DIGITS = 3  # [g]
DEGREE_DIGITS = 1  # [deg]
SHARE_DIGITS = 2  # shares and chances: 200 bootstrap draws tell steps of half a percent
EVIDENCE_DIGITS = 3
SPEED_STEP_KMH = 10.0  # grid of the envelope's table; its limits bend little over it


def analysis_to_dict(analysis: Analysis, against: Against | None = None) -> dict[str, Any]:
    """The whole analysis in the shape that `SCHEMA_TEXT` describes; values that `json.dumps` takes as they are."""
    between = _time(analysis.typical_lap_s) - _time(analysis.limit_lap.value)
    lost = rounded_parts((phase.lost.value for corner in analysis.corners for phase in corner.phases), between)
    explained = between - _time(analysis.unexplained_s)
    caused = rounded_parts((phase.caused.value for corner in analysis.corners for phase in corner.phases), explained)
    per_corner = len(PHASE_NAMES)
    line = analysis.line
    return {
        "schema": SCHEMA,
        "simlap_version": __version__,
        "source": str(analysis.session.source),
        "laps": [
            {
                "number": int(lap.number),
                "start_s": _time(lap.start_s),
                "time_s": _time(lap.time_s),
                "counted": bool(lap.counted),
                "flying": bool(lap.flying),
                "reason": lap.reason,
            }
            for lap in analysis.lapset.laps
        ],
        "laps_found_by": analysis.lapset.found_by,
        "track": {
            "name": analysis.track.name,
            "length_m": round(float(analysis.track.line.length), STATION_DIGITS),
            "corners": [_place(corner) for corner in analysis.track.corners],
        },
        "banking": {
            "source": "unknown" if not line.bank_stated else "log" if line.bank_doubt > 0.0 else "track file",
            "doubt_deg": round(float(np.degrees(line.bank_doubt)), DEGREE_DIGITS),
        },
        "envelope": envelope_to_dict(analysis),
        "best_lap": int(analysis.best_lap),
        "best_lap_s": _time(analysis.best_lap_s),
        "typical_lap_s": _time(analysis.typical_lap_s),
        "limit_lap_s": interval_to_dict(analysis.limit_lap),
        "target": plain(analysis.target.to_dict()) if analysis.target is not None else None,
        "corners": [
            _corner(corner, line, analysis.advice.findings, lost[i : i + per_corner], caused[i : i + per_corner])
            for i, corner in zip(range(0, len(lost), per_corner), analysis.corners, strict=True)
        ],
        "priorities": [_priority(priority) for priority in analysis.advice.priorities],
        "order": analysis.advice.order,
        "keep": analysis.advice.keep,
        "no_advice": analysis.advice.refused,
        "not_judged": list(analysis.advice.not_judged),
        "unexplained_s": _time(analysis.unexplained_s),
        "beaten_s": _time(analysis.beaten_s),
        "line_s": [{"lap": int(lap), "line_s": _time(value)} for lap, value in analysis.line_s.items()],
        "quality": _quality(analysis),
        "options": plain(dict(analysis.options)),
        "cautions": cautions_to_dicts(cautions(analysis)),
        "notes": list(all_notes(analysis)),
    } | ({} if against is None else {"against": against.to_dict()})


def analysis_to_json(analysis: Analysis, against: Against | None = None) -> str:
    """`analysis_to_dict` as text, two blanks of indent, non-ASCII letters as they are, no NaN."""
    return json.dumps(analysis_to_dict(analysis, against), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def all_notes(analysis: Analysis) -> tuple[str, ...]:
    """Notes of every step, in order, each once."""
    steps = (analysis.session.notes, analysis.motion.notes, analysis.fit.notes, analysis.notes)
    return tuple(dict.fromkeys(note for step in steps for note in step))


def envelope_to_dict(analysis: Analysis) -> dict[str, Any]:
    """Limits on a grid of speeds up to the fastest driven, with intervals from the bootstrap."""
    envelope = analysis.fit.envelope
    fastest_kmh = float(analysis.table.v.max()) * MS_TO_KMH
    grid_kmh = SPEED_STEP_KMH * np.arange(1, int(np.ceil(fastest_kmh / SPEED_STEP_KMH)) + 1)
    v = grid_kmh / MS_TO_KMH
    names = [f"{name.replace(' ', '_')}_g" for name in NAMES]
    value, low, high = (part / G for part in limits_with_interval(envelope, analysis.fit.draws, v))
    rows = []
    for j, speed in enumerate(grid_kmh):
        row: dict[str, Any] = {"speed_kmh": round(float(speed), SPEED_DIGITS)}
        for i, name in enumerate(names):
            estimate = Interval(float(value[i, j]), float(low[i, j]), float(high[i, j]))
            row[name] = interval_to_dict(estimate, ACCELERATION_DIGITS)
        rows.append(row)
    return {
        "quantile": plain(analysis.fit.quantile),
        "exponent_braking": round(envelope.exponent_braking, SHARE_DIGITS),
        "exponent_drive": round(envelope.exponent_drive, SHARE_DIGITS),
        "cornering_drag_s2_per_m": round(envelope.cornering_drag, 5),
        "drag": envelope.to_dict()["drag"],
        "limits": rows,
        "tested_kmh": {
            name: [round(end * MS_TO_KMH, SPEED_DIGITS) for end in span] for name, span in envelope.tested.items()
        },
    }


def _corner(
    corner: CornerResult, line: Line, findings: Sequence[Finding], lost: Sequence[float], caused: Sequence[float]
) -> dict[str, Any]:
    speeds = {"typical": corner.min_speed_typical, "best": corner.min_speed_best, "limit": corner.min_speed_limit}
    return {
        **_place(corner.corner),
        "rank": int(corner.rank),
        "banking_deg": _banking(line, corner.corner.apex_m),
        "min_speed_kmh": {name: round(float(v) * MS_TO_KMH, SPEED_DIGITS) for name, v in speeds.items()},
        "lost_s": summed(corner.lost, sum(lost)),
        "gain_alone_s": interval_to_dict(corner.gain_alone),
        "top3_chance": round(float(corner.top3_chance), SHARE_DIGITS),
        "clear_loss": bool(corner.clear),
        "build_up": bool(corner.build_up),
        "step_kmh": round(float(corner.step_kmh), SPEED_DIGITS),
        "phases": {phase.name: _phase(phase, lost[k], caused[k]) for k, phase in enumerate(corner.phases)},
        "findings": [finding_to_dict(one) for one in findings if one.corner == corner.corner.name],
    }


def _banking(line: Line, station: float) -> float | None:
    """Banking at a station [deg], None where it is unknown."""
    if not line.bank_stated:
        return None
    return round(float(np.degrees(np.interp(station, line.station, line.bank, period=line.length))), DEGREE_DIGITS)


def _place(corner: Any) -> dict[str, Any]:
    return {
        "name": corner.name,
        "direction": corner.direction,
        "entry_m": _station(corner.entry_m),
        "apex_m": _station(corner.apex_m),
        "exit_m": _station(corner.exit_m),
    }


def _phase(phase: PhaseResult, lost: float, caused: float) -> dict[str, Any]:
    return {
        "start_m": _station(phase.start_m),
        "stop_m": _station(phase.stop_m),
        "lost_s": summed(phase.lost, lost),
        "caused_s": summed(phase.caused, caused),
        "gain_alone_s": interval_to_dict(phase.gain_alone),
        "gear_changes_s": None if phase.gear_changes_s is None else round(phase.gear_changes_s, TIME_DIGITS),
    }


def finding_to_dict(finding: Finding) -> dict[str, Any]:
    """One finding with its evidence, numbers rounded."""
    return {
        "kind": finding.kind,
        "phase": finding.phase,
        "sentence": finding.sentence,
        "worth_s": _time(finding.worth_s),
        "laps": [int(lap) for lap in finding.laps],
        "occurrences": int(finding.occurrences),
        "of_laps": int(finding.of_laps),
        "stations_m": [_station(station) for station in finding.stations_m],
        "session_times_s": [round(float(t), 2) for t in finding.session_times_s],
        "evidence": {name: round(float(number), EVIDENCE_DIGITS) for name, number in finding.evidence.items()},
    }


def _priority(priority: Priority) -> dict[str, Any]:
    return {
        "corner": priority.corner,
        "phase": priority.phase,
        "kind": priority.kind,
        "sentence": priority.sentence,
        "worth_s": interval_to_dict(priority.worth),
        "step_worth_s": None if priority.step_worth_s is None else _time(priority.step_worth_s),
        "build_up": bool(priority.build_up),
    }


def _quality(analysis: Analysis) -> dict[str, Any]:
    quality = analysis.motion.quality
    return {
        "verdict": quality.verdict,
        "reason": quality.reason,
        "fixes_per_second": _optional(quality.fixes_per_second, 1),
        "lag_s": _optional(quality.lag_s, 3),
        "rms_position_m": _optional(quality.rms_position_m, 2),
        "rms_speed_ms": _optional(quality.rms_speed_ms, 2),
        "repaired_percent": round(100.0 * max(float(quality.repaired_share), analysis.session.repaired_share), 1),
        "bandwidth_hz": round(float(analysis.motion.bandwidth_hz), 2),
        "speed_bandwidth_hz": round(float(analysis.motion.speed_bandwidth_hz), 2),
        "speed_source": quality.speed_source,
        "position_drifts": not analysis.motion.closes,
    }


def plain(value: Any) -> Any:
    """`value` made of what JSON knows: dicts, lists, text, numbers, true, false, null."""
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float | np.floating):
        return round(float(value), 6)
    if isinstance(value, np.integer | np.bool_):
        return value.item()
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, Iterable):
        return [plain(one) for one in value]
    return str(value)


def interval_to_dict(interval: Interval, digits: int = TIME_DIGITS) -> dict[str, float]:
    """Value, low and high as plain numbers, rounded; never -0.0."""
    return {name: round(float(getattr(interval, name)), digits) + 0.0 for name in ("value", "low", "high")}


def summed(interval: Interval, value: float) -> dict[str, float]:
    """An interval around a value that was rounded so that sums hold; it never lies beside the value. [s]"""
    ends = interval_to_dict(interval)
    value = _time(value)
    return {"value": value, "low": min(ends["low"], value), "high": max(ends["high"], value)}


def _time(value: float) -> float:
    return round(float(value), TIME_DIGITS) + 0.0  # + 0.0 turns -0.0 into 0.0


def _station(value: float) -> float:
    return round(float(value), STATION_DIGITS) + 0.0


def _optional(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits) + 0.0
