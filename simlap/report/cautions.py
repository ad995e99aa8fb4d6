"""The one place of caution texts: what a reader has to know before acting on the numbers."""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import numpy as np

from simlap.conditions import beats_limit, corner_steps, unlike_of, unlike_outings_of
from simlap.meanpath import banking_of, grade_of, heights_contradicted
from simlap.noted import Kind, of_kind
from simlap.owngrip import less_grip_words
from simlap.pedals import OPENS, TOO_WIDE, TURNED_ROUND, at_rest, closed_opening, pressed, widest_opening
from simlap.phases import PHASES
from simlap.placing import PLACED_M, row_step, told_to
from simlap.report.plain import clean, corner_label, counted_laps, lap_time
from simlap.results import Analysis
from simlap.session import Session
from simlap.slopes import banking_contradicted, turned_round
from simlap.spread import slowest_speed
from simlap.thresholds import default_thresholds
from simlap.units import MS_TO_KMH, PA_TO_BAR

if TYPE_CHECKING:
    from simlap.analysis import Prepared
    from simlap.comparison import Comparison
    from simlap.laptable import LapTable

# With fewer counted laps, the median of a phase rests on one or two laps, and the bootstrap over laps has few
# distinct draws: intervals then come out too narrow.
FEW_LAPS = 4
# The design's bar for the kernel's own copy of the driven lap; beyond it the ledgers explain less than they seem to.
UNEXPLAINED_SHARE = 0.003
# A limit beaten by more than this over one phase is a fault of the envelope, not a feat of the driver. [s]
BEATEN_S = 0.05
# A slowest speed of the limit below the driven one by more than this is no bound: the noise of the speed. [m/s]
BELOW_DRIVEN = 0.1
# Channels without which findings or limits go missing, in words, and the names that serve for each.
WANTED = {
    "lateral acceleration": ("a_lat", "yaw_rate"),
    "throttle": ("throttle",),
    "brake": ("brake_pressure", "brake"),
}
REST_BAR = 1.0  # [bar] that a brake reads at rest: less is the sensor's drift
MOST_COLUMNS = 6  # names of unread columns in one caution
# Changes of gear are told from here on: less moves no corner in the ranking.
GEAR_CHANGES_S = 0.1  # [s]


@dataclass(frozen=True)
class Caution:
    """One thing to know before acting on the numbers."""

    key: str  #: short plain name, stable
    text: str  #: one or two sentences


STANDING = (
    Caution(
        "limit is a bound",
        "The limit lap is a bound computed from grip that this driver has shown in this car on this day. It is not "
        "a target and not an instruction: it does not know traffic, wear, nerve or run-off.",
    ),
    Caution(
        "small steps",
        "Build up in small steps, lap by lap, above all in corners marked 'build up': they are fast. Never try the "
        "computed speed at once.",
    ),
    Caution(
        "people first",
        "Closed courses only. The marshals, the organiser's rules and your coach come before any number here; local "
        "law and licensed practice decide.",
    ),
    Caution(
        "point mass",
        "The car is taken as a point on the driven line: no weight shift, no kerbs, no time to change pedals or gears. "
        "A few hundredths between corners mean nothing.",
    ),
    Caution(
        "conditions",
        "It holds for the tyres, fuel, weather and track of these laps. Another day is another limit.",
    ),
)

NUMBERING = Caution(
    "numbering",
    "Neither a start line nor a track file was given: laps and corner numbers count from a point that was "
    "chosen on a long straight. With --start-line or --track they are the circuit's own.",
)
COMPARED = Caution(
    "car or driver",
    "The limit is what was shown. A driver who uses more of the grip everywhere shows more of it, and that reads as a "
    "faster car; so do other tyres, another track surface or another driver. Compare the same driver only, and drive "
    "A-B-A: the change, then back to the state before.",
)


def cautions_to_dicts(found: Iterable[Caution]) -> list[dict[str, str]]:
    """Cautions for JSON: key and text."""
    return [asdict(caution) for caution in found]


def cautions(analysis: Analysis) -> tuple[Caution, ...]:
    """Cautions for this analysis, those that its own numbers raise first, the standing ones after."""
    return (*raised_cautions(analysis), *STANDING)


def raised_cautions(analysis: Analysis) -> tuple[Caution, ...]:
    """Cautions that the numbers of this analysis raise; none where nothing is amiss."""
    raised = [*data_cautions(analysis)]
    raised += _coarse_places(analysis)
    unlike = unlike_of(analysis)
    if unlike is not None:
        raised.append(Caution("changing conditions", unlike.sentence))
    outings = unlike_outings_of(analysis)
    if outings is not None:
        raised.append(Caution("unlike outings", outings.sentence))
    raised += [
        Caution(
            "one corner changed",
            f"In {corner_label(one.corner)}, {one.step.words()}, while the rest of the lap stayed as it was: was there "
            "a flag, rain, oil? Losses and advice there rest on both groups; choose one of them with --laps.",
        )
        for one in corner_steps(analysis)
    ]
    if beats_limit(analysis):
        raised.append(
            Caution(
                "best lap beats the limit",
                f"The best lap ({lap_time(analysis.best_lap_s)}) is faster than the computed limit lap "
                f"({lap_time(analysis.limit_lap.value)}), which is no bound then: the laps were driven in unlike "
                "conditions, or the envelope is too low. Losses come out too small.",
            )
        )
    if analysis.no_target and analysis.no_target != analysis.advice.refused:
        raised.append(Caution("no target", f"No target is given. {analysis.no_target}"))
    if analysis.beaten_s > BEATEN_S:
        raised.append(
            Caution(
                "limit beaten",
                f"The typical lap beats the computed limit by {analysis.beaten_s:.2f} s over one phase, so the "
                "envelope is too low there: losses nearby come out too small.",
            )
        )
    raised += _no_bound(analysis)
    if analysis.less_grip:
        raised.append(
            Caution(
                "less grip in corners",
                f"On request, single corners were given less grip than the rest: {less_grip_words(analysis.less_grip)} "
                "of it, where three laps level out. What a driver leaves there counts as the road's: these losses "
                "shrink, and a priority may go with them. Compare with the analysis without --corner-grip.",
            )
        )
    raised += _gear_changes(analysis)
    if abs(analysis.unexplained_s) > UNEXPLAINED_SHARE * analysis.typical_lap_s:
        raised.append(
            Caution(
                "unexplained",
                f"The model reproduces the typical lap to {abs(analysis.unexplained_s):.2f} s only "
                f"({100 * abs(analysis.unexplained_s) / analysis.typical_lap_s:.1f} % of it); causes are less sure "
                "than they look.",
            )
        )
    return tuple(raised)


def _coarse_places(analysis: Analysis) -> list[Caution]:
    to = told_to(analysis)
    if to <= PLACED_M:
        return []
    rate = f"{1.0 / row_step(analysis.session):.0f} values a second"
    rate += f", motion smoothed to {analysis.motion.bandwidth_hz:.1f} Hz"
    return [
        Caution(
            "places",
            f"Places along the lap show to about {to:.0f} m in this log ({rate}). "
            "Braking and throttle points, and steps in metres, are rounded to that; smaller ones are not asked for.",
        )
    ]


def _median_slowest(analysis: Analysis, index: int) -> float:
    """Median over the counted laps of a corner's slowest speed [m/s].

    Where some laps lift and most do not, the typical lap is faster there than any that was driven: its shape is a mean
    of laps, its time a median.
    """
    here = np.isin(analysis.phases.phase, PHASES * index + np.arange(PHASES))
    speeds = [slowest_speed(np.asarray(analysis.table.v)[row], here, analysis.phases.kind) for row in analysis.counted]
    return float(np.median(speeds))


def _no_bound(analysis: Analysis) -> list[Caution]:
    """Where the limit is not clearly above what was driven: in corners' slowest speeds, and in the lap time."""
    raised = []
    below = [
        c
        for index, c in enumerate(analysis.corners)
        if min(c.min_speed_typical, _median_slowest(analysis, index)) - c.min_speed_limit > BELOW_DRIVEN
    ]
    if below:
        places = ", ".join(
            f"{corner_label(c.corner.name)} ({c.min_speed_limit * MS_TO_KMH:.1f} against "
            f"{c.min_speed_typical * MS_TO_KMH:.1f} km/h)"
            for c in below
        )
        raised.append(
            Caution(
                "limit below driven",
                f"The limit's slowest speed lies below the driven one in {places}: it is no bound there, the grip is "
                "read too low or the speed too coarsely. Losses there, and nearby, are not to be trusted.",
            )
        )
    if not beats_limit(analysis) and analysis.best_lap_s <= analysis.limit_lap.high:
        raised.append(
            Caution(
                "limit near driven",
                f"The best lap ({lap_time(analysis.best_lap_s)}) lies within the error of the limit lap "
                f"({lap_time(analysis.limit_lap.low)} to {lap_time(analysis.limit_lap.high)}): what the laps leave on "
                "the table may be nothing.",
            )
        )
    return raised


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


def _gear_changes(analysis: Analysis) -> list[Caution]:
    cost = {
        corner.corner.name: sum(phase.gear_changes_s or 0.0 for phase in corner.phases) for corner in analysis.corners
    }
    total = sum(cost.values())
    if total < GEAR_CHANGES_S:
        return []
    most = max(cost, key=lambda name: cost[name])
    return [
        Caution(
            "gear changes",
            f"Changes of gear cost about {total:.1f} s of the typical lap, most of it behind "
            f"{corner_label(most)} ({cost[most]:.2f} s). The limit lap changes gear in no time: that part of an "
            "exit's loss is not the driver's to win.",
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
    line = laps.line
    if not line.bank_stated:
        surer = "With 'banking_deg' in a track file, or lateral acceleration beside the positions in the log,"
        if laps.table.across is not None:
            surer = "The lateral accelerations do not tell it clearly; with 'banking_deg' in a track file"
        raised.append(
            Caution(
                "banking unknown",
                "Nothing is known of the banking: a banked corner passes for grip, one that falls away for a slow "
                f"driver. {surer} the limit is surer.",
            )
        )
    elif line.bank_doubt == 0.0:  # it is the track file's
        raised += _stated_banking(laps)
    else:
        steepest = float(np.degrees(np.abs(line.bank).max()))
        raised.append(
            Caution(
                "banking from the log",
                f"The banking, {steepest:.1f}° at most, was read from the lateral accelerometer beside the path, good "
                f"to {np.degrees(line.bank_doubt):.1f}°. A camber that all corners share counts as grip.",
            )
        )
    return tuple(raised)
