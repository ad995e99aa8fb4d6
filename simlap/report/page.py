"""report.html: one self-contained page, readable without script, network or a wide screen."""

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from simlap.against import Against
from simlap.habit_single import SINGLE_LOSS
from simlap.habits import BRAKE_HARDER, CLOSE_GAP
from simlap.phases import PHASE_WORDS, PHASES, WHERE_WORDS
from simlap.report.cautions import cautions
from simlap.report.charts import Chart, Curve, corner_chart, lap_chart, numbered
from simlap.report.evidence import evidence_words
from simlap.report.json import all_notes, analysis_to_dict
from simlap.report.maps import LossMap, gg_figure, loss_map
from simlap.report.plain import UNIT, chance_words, clean, clock, corner_label, counted_laps, lap_time, percent, seconds
from simlap.report.sentences import WHOLE, answer, holds_most, name, step_words, worst_phase, worth
from simlap.results import Analysis, CornerResult, Finding
from simlap.target_types import Mark
from simlap.traces import Traces, traces
from simlap.units import MS_TO_KMH, PA_TO_BAR

# A clock that starts beyond a day counts from a far moment (an epoch): its hours say nothing.
DAY = 86_400.0  # [s]
SCRIPT_POINTS = 1600  # most stations in the page's data: 2 m apart on a 3 km lap
# Marks of lap times stand on their line, or below and above it in this order; one is 14 px wide, on a phone's line of
# 320 px [per cent].
LEVELS, PIN = (0, 1, -1, 2, -2), 4.5
# What of the page is no text, and the blank between a number and its unit.
NOT_READ = re.compile(r"(<script\b.*?</script>|<style\b.*?</style>|<[^>]*>)", re.DOTALL)
UNIT_BEHIND = re.compile(rf"(?:^|(?<=\d)) (?={UNIT})")
NO_BREAK = "\N{NO-BREAK SPACE}"
#: Said of a later brake point where the notes ask for harder braking, or for no gap before the brake, first.
FIRST_THE_NOTES = "; first what the notes say of the braking"
PEDAL_WORDS = {"throttle": "throttle [%]", "brake_pressure": "brake pressure [bar]", "brake": "brake pedal [%]"}


@dataclass(frozen=True, eq=False)
class CornerSection:
    """All that the template shows of one corner."""

    number: int  #: along the lap
    result: CornerResult
    findings: tuple[Finding, ...]
    changes: tuple[str, ...]  #: what to change for the next step, from the target
    charts: tuple[Chart, ...]


@dataclass(frozen=True)
class AgainstRow:
    """What the lap lost to the other lap in one corner. [s]"""

    name: str
    lost: float
    phases: tuple[float, ...]  #: caused under braking, in mid-corner, on the exit
    gain_alone: float


@dataclass(frozen=True)
class RailMark:
    """A lap time on the line from limit to typical, in per cent of its width."""

    key: str
    word: str
    time: str
    note: str
    at: float
    level: int = 0  #: where it stands: 0 on the line, 1, 2 below it, -1, -2 above it


def render_page(analysis: Analysis, against: Against | None = None) -> str:
    """The whole page as text; `against` adds the lap that another was held against."""
    lap = traces(analysis)
    map_ = loss_map(analysis, lap)
    drawing, gg_legend = gg_figure(analysis)
    folder = files("simlap.report") / "templates"
    data = analysis_to_dict(analysis)
    page = (
        _environment()
        .get_template("report.html.j2")
        .render(
            analysis=analysis,
            data=data,
            css=Markup((folder / "report.css").read_text(encoding="utf-8")),
            script=Markup((folder / "report.js").read_text(encoding="utf-8")),
            stations=_for_script(analysis, lap, map_),
            answer=answer(analysis),
            lost_once=analysis.advice.of_kind(SINGLE_LOSS),
            rail=_rail(analysis),
            limit_span=_limit_span(analysis),
            map=map_,
            charts=_lap_charts(analysis, lap),
            sections=_sections(analysis, lap),
            widest=max(sum(max(p.caused.value, 0.0) for p in c.phases) for c in analysis.corners) or 1.0,
            gg=drawing,
            gg_legend=gg_legend,
            clock_zero=float(analysis.session.t[0]) if analysis.session.t[0] > DAY else 0.0,
            against=against,
            against_rows=[] if against is None else _against_rows(against),
            cautions=cautions(analysis),
            notes=all_notes(analysis),
        )
    )
    return _units_beside_numbers(page)


def _units_beside_numbers(page: str) -> str:
    """The page with no line break between a number and its unit in what is read; tags, script and style stay."""
    parts = NOT_READ.split(page)
    parts[::2] = [UNIT_BEHIND.sub(NO_BREAK, text) for text in parts[::2]]
    return "".join(parts)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("simlap.report", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(
        clean=clean, counted_laps=counted_laps,
        label=corner_label, clock=clock, lap_time=lap_time, percent=percent, seconds=seconds, worth=worth,
        step_words=step_words,
        short=name, worst=worst_phase, holds_most=holds_most, kmh=lambda v: f"{v * MS_TO_KMH:.0f}",
        phase=PHASE_WORDS.__getitem__, where=WHERE_WORDS.__getitem__, evidence=evidence_words,
        zip_times=lambda laps, times: list(zip(laps, times, strict=True)),
    )  # fmt: skip
    environment.globals["whole"] = WHOLE
    return environment


def _rail(analysis: Analysis) -> list[RailMark]:
    """Lap times from the fastest to the slowest, placed on one line."""
    counted = f"middle of {counted_laps(len(analysis.counted))}, phase by phase"
    marks = [
        ("limit", "limit", analysis.limit_lap.value, "a bound, not a target"),
        ("best", "best", analysis.best_lap_s, f"lap {analysis.best_lap}, as driven"),
        ("typical", "typical", analysis.typical_lap_s, counted),
    ]
    if analysis.target is not None:
        target = analysis.target.to_dict()
        step = target["next_step_s"]
        marks[1:1] = [
            ("target", "next step", step["value"], f"target; chance {chance_words(step['chance'])}"),
            ("shown", "shown", target["shown_s"], "own repeated level, joined up"),
        ]
    places = [_on_rail(analysis, t) for _, _, t, _ in marks]
    return [
        RailMark(key, word, lap_time(t), note, at, level)
        for (key, word, t, note), at, level in zip(marks, places, _levels(places), strict=True)
    ]


def _levels(places: Sequence[float]) -> list[int]:
    """Level of each mark on the line: the first one, from the line outwards, on which it covers none before it."""
    taken: list[tuple[int, float]] = []
    for at in places:
        free = (level for level in LEVELS if all(other != level or abs(at - by) >= PIN for other, by in taken))
        taken.append((next(free, LEVELS[-1]), at))
    return [level for level, _ in taken]


def _against_rows(against: Against) -> list[AgainstRow]:
    ledger = against.ledger
    rows = []
    for index, corner in enumerate(against.corners):
        own = slice(PHASES * index, PHASES * (index + 1))
        phases = tuple(float(value) for value in ledger.caused[own])
        rows.append(AgainstRow(corner, float(ledger.lost[own].sum()), phases, float(ledger.corner_gain[index])))
    return rows


def _on_rail(analysis: Analysis, time_s: float) -> float:
    fastest = min(analysis.limit_lap.low, analysis.best_lap_s)
    slowest = max(analysis.typical_lap_s, analysis.best_lap_s, analysis.limit_lap.value)
    span = max(slowest - fastest, 1e-3)
    return 4.0 + 92.0 * (time_s - fastest) / span


def _limit_span(analysis: Analysis) -> tuple[float, float]:
    """Left end and width of the limit's interval on the rail [%]."""
    low, high = _on_rail(analysis, analysis.limit_lap.low), _on_rail(analysis, analysis.limit_lap.high)
    return low, min(high, 100.0) - low


def _speed_curves(lap: Traces) -> list[Curve]:
    return [
        Curve("limit", "limit", lap.v_limit * MS_TO_KMH),
        Curve("best lap", "best", lap.v_best * MS_TO_KMH),
        Curve("typical lap", "driven", lap.v_typical * MS_TO_KMH),
    ]


def _pedal_curves(lap: Traces) -> list[tuple[str, list[Curve]]]:
    """(name, curves) for each pedal channel in the log, in the unit that `PEDAL_WORDS` names."""
    out = []
    for key in lap.pedals:
        factor = PA_TO_BAR if key == "brake_pressure" else 100.0
        curves = [
            Curve("best lap", "best", lap.pedals_best[key] * factor, lap_scale=True),
            Curve("typical lap", "pedal", lap.pedals[key] * factor, filled=True, lap_scale=True),
        ]
        out.append((key, curves))
    return out


def _lap_charts(analysis: Analysis, lap: Traces) -> list[Chart]:
    spread = (lap.v_low * MS_TO_KMH, lap.v_high * MS_TO_KMH)
    charts = [
        lap_chart(analysis, "speed", "km/h", _speed_curves(lap), spread),
        lap_chart(analysis, "time lost here", "s per 100 m", [Curve("lost", "loss", lap.loss_per_100m, filled=True)]),
        lap_chart(analysis, "time lost since the start line", "s", [Curve("lost", "loss", lap.loss, filled=True)]),
    ]
    for key, curves in _pedal_curves(lap):
        title, unit = _title(key)
        charts.append(lap_chart(analysis, title, unit, curves))
    return charts


def _title(key: str) -> tuple[str, str]:
    title, _, unit = PEDAL_WORDS[key].partition(" [")
    return title, unit.rstrip("]")


def _sections(analysis: Analysis, lap: Traces) -> list[CornerSection]:
    """Corners in ranked order, each with its zoomed traces and findings."""
    sections = []
    for number, corner in numbered(analysis):
        charts = [corner_chart(analysis, corner, "speed", "km/h", _speed_curves(lap))]
        rate = [Curve("lost", "loss", lap.loss_per_100m, filled=True, lap_scale=True)]
        charts.append(corner_chart(analysis, corner, "time lost here", "s per 100 m", rate))
        for key, curves in _pedal_curves(lap):
            title, unit = _title(key)
            charts.append(corner_chart(analysis, corner, title, unit, curves))
        found = tuple(one for one in analysis.advice.findings if one.corner == corner.corner.name)
        sections.append(CornerSection(number, corner, found, changes_for(analysis, corner), tuple(charts)))
    return sorted(sections, key=lambda section: section.result.rank)


def changes_for(analysis: Analysis, corner: CornerResult) -> tuple[str, ...]:
    """What the next step asks for in one corner, in words; empty where it asks for nothing."""
    if analysis.target is None:
        return ()
    words = {
        "lift_m": ("off the throttle at", "m"),
        "brake_point_m": ("brake at", "m"),
        "min_speed_kmh": ("lowest speed", "km/h"),
        "full_throttle_m": ("full throttle at", "m"),
        "exit_speed_kmh": ("speed at the end of the exit", "km/h"),
    }
    waits = corner.corner.name in analysis.advice.braking_first((*BRAKE_HARDER, *CLOSE_GAP))
    changes = []
    for one in () if analysis.target.no_step else analysis.target.corners:
        if one.corner != corner.corner.name:
            continue
        for key, (word, unit) in words.items():
            mark: Mark | None = getattr(one, key)
            if mark is not None and f"{mark.now:.0f}" != f"{mark.next:.0f}":
                first = FIRST_THE_NOTES if key == "brake_point_m" and waits else ""
                changes.append(f"{word} {mark.next:.0f} {unit} (now {mark.now:.0f}{first})")
    return tuple(changes)


def _numbered_name(number: int, corner: CornerResult) -> str:
    """The corner's name, its number along the lap before it unless the name says it already."""
    label = name(corner)
    return label if label == f"corner {number}" else f"{number} {label}"


def _for_script(analysis: Analysis, lap: Traces, map_: LossMap) -> Markup:
    """Numbers for the page's script as JSON that no text in it can end early."""
    step = max(1, -(-lap.station.size // SCRIPT_POINTS))
    take = slice(None, None, step)

    def rounded(values: np.ndarray, digits: int) -> list[float]:
        return [round(float(value), digits) + 0.0 for value in values[take]]

    content: dict[str, Any] = {
        "length": round(float(analysis.line.length), 2),
        "station": rounded(lap.station, 1),
        "x": rounded(map_.x, 1),
        "y": rounded(map_.y, 1),
        "typical": rounded(lap.v_typical * MS_TO_KMH, 1),
        "best": rounded(lap.v_best * MS_TO_KMH, 1),
        "limit": rounded(lap.v_limit * MS_TO_KMH, 1),
        "lost": rounded(lap.loss, 3),
        "rate": rounded(lap.loss_per_100m, 3),
        "phase": [int(phase) for phase in lap.phase[take]],
        "phases": list(PHASE_WORDS.values()),
        "corners": [_numbered_name(number, corner) for number, corner in numbered(analysis)],
        "starts": [round(corner.phases[0].start_m, 1) for corner in analysis.corners],
        "pedals": [
            {
                "word": _title(key)[0],
                "unit": _title(key)[1],
                "values": rounded(curves[-1].values, 0),
            }
            for key, curves in _pedal_curves(lap)
        ],
    }
    text = json.dumps(content, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))
