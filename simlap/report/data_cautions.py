"""Cautions that logs, laps and circuit raise, before anything is judged."""

from typing import TYPE_CHECKING

import numpy as np

from simlap.meanpath import banking_of, grade_of, heights_contradicted
from simlap.noted import Kind, of_kind
from simlap.pedals import OPENS, TOO_WIDE, TURNED_ROUND, at_rest, closed_opening, pressed, widest_opening
from simlap.report.plain import clean, counted_laps
from simlap.report.standing import NUMBERING, Caution
from simlap.results import Analysis
from simlap.session import Session
from simlap.slopes import banking_contradicted, turned_round
from simlap.thresholds import default_thresholds
from simlap.units import PA_TO_BAR

if TYPE_CHECKING:
    from simlap.analysis import Prepared
    from simlap.comparison import Comparison
    from simlap.laptable import LapTable

# With fewer counted laps, the median of a phase rests on one or two laps, and the bootstrap over laps has few
# distinct draws: intervals then come out too narrow.
FEW_LAPS = 4
# Channels without which findings or limits go missing, in words, and the names that serve for each.
WANTED = {
    "lateral acceleration": ("a_lat", "yaw_rate"),
    "throttle": ("throttle",),
    "brake": ("brake_pressure", "brake"),
}
REST_BAR = 1.0  # [bar] that a brake reads at rest: less is the sensor's drift
MOST_COLUMNS = 6  # names of unread columns in one caution


def _throttle(table: "LapTable") -> list[Caution]:
    counted = np.asarray(table.counted, dtype=bool)
    widest = widest_opening(table, counted)
    if widest is None or not counted.any():
        return []
    closed = closed_opening(table, counted)
    if widest >= OPENS and closed > TURNED_ROUND * widest:
        wrong = f"The throttle channel reads {100.0 * closed:.0f} % while the car slows: turned round, or no throttle. "
        return [Caution("throttle", wrong + "It is left out.")]
    if OPENS <= widest <= TOO_WIDE:
        return []
    wrong = f"The throttle channel opens to {100.0 * widest:.0f} % at the widest: its unit is not what the log says. "
    if widest < OPENS:
        return [Caution("throttle", wrong + "It is left out; state its unit to have the throttle judged.")]
    return [Caution("throttle", wrong + "It is taken as a share of that; state its unit to be sure.")]


def _banking(laps: "Prepared | Analysis") -> list[Caution]:
    """Whether the banking is unknown, the track file's and contradicted, or read from the log."""
    line = laps.line
    if not line.bank_stated:
        surer = "With 'banking_deg' in a track file, or lateral acceleration beside the positions in the log,"
        if laps.table.across is not None:
            surer = "The lateral accelerations do not tell it clearly; with 'banking_deg' in a track file"
        return [
            Caution(
                "banking unknown",
                "Nothing is known of the banking: a banked corner passes for grip, one that falls away for a slow "
                f"driver. {surer} the limit is surer.",
            )
        ]
    if line.bank_doubt == 0.0:  # it is the track file's
        return _stated_banking(laps)
    steepest = float(np.degrees(np.abs(line.bank).max()))
    return [
        Caution(
            "banking from the log",
            f"The banking, {steepest:.1f}° at most, was read from the lateral accelerometer beside the path, good "
            f"to {np.degrees(line.bank_doubt):.1f}°. A camber that all corners share counts as grip.",
        )
    ]


def _stated_banking(laps: "Prepared | Analysis") -> list[Caution]:
    table, read = laps.table, banking_of(laps.table)
    rows = np.asarray(table.counted, dtype=bool)
    if turned_round(laps.line.bank, read):
        return [
            Caution(
                "banking turned round",
                "Where the track file banks one way, the lateral accelerometer reads the other: the sign of "
                "'banking_deg' may be wrong (positive: left edge lower). Losses in banked corners hang on it.",
            )
        ]
    a_lat, a_lon, v = (np.asarray(values)[rows] for values in (table.a_lat, table.a_lon, table.v))
    if banking_contradicted(laps.line.bank, read, a_lat, a_lon, v, np.diff(table.t[rows], axis=1)):
        return [
            Caution(
                "banking contradicted",
                "The banking that the track file states is not what the lateral accelerometer reads. Losses in banked "
                "corners hang on it: check 'banking_deg', or leave it out and let it be read from the log.",
            )
        ]
    return []


def _heights(laps: "Prepared | Analysis") -> list[Caution]:
    if not heights_contradicted(laps.table, laps.track):
        return []
    done = "losses on slopes and braking limits hang on them: check the elevation of the track file."
    if laps.track.heights_logged:
        done = "the slope along the road was read from the accelerometer, and crests and dips are unknown."
    return [
        Caution(
            "altitude contradicted",
            f"The heights of the {'log' if laps.track.heights_logged else 'track file'} are not what the longitudinal "
            f"accelerometer reads; {done}",
        )
    ]


def _slopes_unknown(laps: "Prepared | Analysis") -> list[Caution]:
    if laps.track.has_elevation or laps.line.grade.any() or grade_of(laps.table) is not None:
        return []
    return [
        Caution(
            "slopes unknown",
            "Nothing is known of climbs and descents: a climb passes for a weak engine and strong brakes, a descent "
            "for the opposite. With heights in a track file, or altitude or longitudinal acceleration in the log, the "
            "limit is surer.",
        )
    ]


def _brake_reads_nothing(table: "LapTable") -> list[Caution]:
    limits = default_thresholds()
    levels = {"brake_pressure": limits["brake_on_bar"] / PA_TO_BAR, "brake": limits["brake_on_share"]}
    counted = np.asarray(table.counted, dtype=bool)
    raised = []
    for name, level in levels.items():
        reads = pressed(table, name, counted) if name in table.channels else None
        if reads is not None and reads < level:
            wrong = f"The {name.replace('_', ' ')} channel reads next to nothing while the car brakes hard: its sensor "
            wrong += "is dead, or its unit is not what the log says. It is left out."
            raised.append(Caution("brake", wrong))
    return raised


def _brake_at_rest(table: "LapTable") -> list[Caution]:
    if "brake_pressure" not in table.channels:
        return []
    rest = PA_TO_BAR * at_rest(table, "brake_pressure", np.asarray(table.counted, dtype=bool))
    if abs(rest) < REST_BAR:
        return []
    return [
        Caution(
            "brake at rest",
            f"The brake pressure reads {rest:.1f} bar while the car speeds up: that is taken for no pressure. Have the "
            "sensor set to zero, or look for a dragging brake.",
        )
    ]


def comparison_cautions(comparison: "Comparison") -> tuple[Caution, ...]:
    """What the data of the sides raise, each once, with the logs that raise it; few laps are counted by side."""
    logs: dict[Caution, list[str]] = {}
    prepared = [one for side in comparison.sides for one in side.prepared]
    for one in prepared:
        for caution in data_cautions(one):
            if caution.key != "few laps":
                logs.setdefault(caution, []).append(one.session.source)
    raised = [_few_laps(side.laps, f"Side {side.label}: only") for side in comparison.sides if side.laps < FEW_LAPS]
    for caution, sources in logs.items():
        # laps of later logs are counted from the first one's circuit: its numbering holds for all
        everyone = len(sources) == len(prepared) or caution.key == "numbering"
        whose = "" if everyone else f"{', '.join(dict.fromkeys(sources))}: "
        raised.append(Caution(caution.key, f"{whose}{caution.text}"))
    return tuple(raised)


def _few_laps(counted: int, only: str) -> Caution:
    return Caution(
        "few laps",
        f"{only} {counted_laps(counted)}: the typical lap and all intervals rest on "
        f"little. {FEW_LAPS} or more clean laps are needed to trust them.",
    )


def clock_cautions(session: Session) -> list[Caution]:
    """What the reader did to the rows and the clock of a log, where quoted times hang on it."""
    written_twice = [f"{note[:1].upper()}{note[1:]}." for note in of_kind(session.notes, Kind.WRITTEN_TWICE)]
    anew = [f"{note[:1].upper()}{note[1:]}." for note in of_kind(session.notes, Kind.CLOCK_RESTARTS)]
    return [Caution("rows written twice", text) for text in written_twice] + [
        Caution("clock restarts", f"{text} Times behind it are not those of the log.") for text in anew
    ]


def _repairs(laps: "Analysis | Prepared") -> list[Caution]:
    """What was taken out of the log before its laps were looked at, in one line; else it is told by `laps` alone."""
    done = [clean(note) for note in of_kind(laps.session.notes, Kind.REPAIRED)]
    raised = [Caution("repairs", f"Repaired on reading: {'; '.join(done)}.")] if done else []
    return raised + [Caution("part of the log", note) for note in of_kind(laps.motion.notes, Kind.ELSEWHERE)]


def _unread(session: Session) -> list[Caution]:
    """Columns whose names say nothing known, where a channel is missing that one of them may be."""
    missing = [words for words, names in WANTED.items() if not any(session.has(name) for name in names)]
    unread = [column.name for column in session.columns if column.channel is None]
    if not missing or not unread:
        return []
    more = f" and {len(unread) - MOST_COLUMNS} more" if len(unread) > MOST_COLUMNS else ""
    listed = ", ".join(f"'{clean(name)}'" for name in unread[:MOST_COLUMNS])
    return [
        Caution(
            "columns unread",
            f"The log has no {' or '.join(missing)} by a name that is known, and columns that are not read: "
            f"{listed}{more}. If one of them is it, say so with --column ('simlap channels' tells why each was left).",
        )
    ]


def data_cautions(laps: "Analysis | Prepared") -> tuple[Caution, ...]:
    """Cautions that log, laps and circuit raise, before anything is judged."""
    raised: list[Caution] = []
    quality = laps.motion.quality
    if quality.verdict != "good":
        raised.append(Caution("data quality", f"The data are rated '{quality.verdict}': {quality.reason}"))
    raised += [Caution("channel left out", note) for note in laps.motion.channels_out]
    raised += [Caution("accelerometer range", note) for note in of_kind(laps.motion.notes, Kind.RANGE_ENDS)]
    raised += _unread(laps.session)
    raised += _repairs(laps)
    raised += clock_cautions(laps.session)
    raised += [Caution("pedal sensor", note) for note in of_kind(laps.session.notes, Kind.DEAD_PEDAL)]
    raised += _throttle(laps.table)
    raised += _brake_reads_nothing(laps.table)
    raised += _brake_at_rest(laps.table)
    raised += _heights(laps)
    if not laps.motion.closes:
        raised.append(
            Caution(
                "path rebuilt",
                "The log holds no usable position: the path was rebuilt from speed and turning, and each lap was "
                "closed on itself. Lines of different laps cannot be compared.",
            )
        )
    counted = int(np.asarray(laps.table.counted, dtype=bool).sum())
    if counted < FEW_LAPS:
        raised.append(_few_laps(counted, "Only"))
    raised += [Caution("lap numbers", note) for note in laps.lapset.notes]
    if laps.lapset.no_track:
        raised.append(Caution("track left out", laps.lapset.no_track))
    elif laps.lapset.found_by == "path alone":
        raised.append(NUMBERING)
    raised += _slopes_unknown(laps)
    raised += _banking(laps)
    return tuple(raised)
