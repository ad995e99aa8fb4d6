"""The answer in sentences: where the time is, in the words of the page and the notebooks."""

from simlap.phases import WHERE_WORDS
from simlap.report.cautions import BEATEN_S
from simlap.report.plain import EVEN, clean, corner_label, joined_by_and, lap_time, percent, seconds, time_gap
from simlap.results import Analysis, CornerResult, Interval, PhaseResult
from simlap.units import MS_TO_KMH

NAME_LENGTH = 40  # characters of a corner's name in a sentence
HEAD = 3  # corners named in the answer
LEAST_TOLD = 0.005  # [s] less rounds to nothing
WHOLE = "with the whole phase at the limit"  # what the worth of a priority is of


def answer(analysis: Analysis) -> tuple[str, ...]:
    """Two or three sentences: how much lies between typical and limit lap, and which corners hold it.

    Where the data carry no advice, that comes first.
    """
    refused = (clean(analysis.advice.refused),) if analysis.advice.refused else ()
    return (*refused, *_where_the_time_is(analysis))


def _where_the_time_is(analysis: Analysis) -> tuple[str, ...]:
    gap = time_gap(analysis.typical_lap_s, analysis.limit_lap.value)
    first = f"The typical lap takes {lap_time(analysis.typical_lap_s)}; the limit lies {gap} s below it."
    first += _no_bound_words(analysis)
    clear = [corner for corner in analysis.ranked if corner.clear][:HEAD]
    if not clear:
        return first, "No corner shows a clear loss: each may gain less than a hundredth. More laps would tell more."
    places = [
        f"{name(corner)} ({'mostly' if holds_most(corner) else 'above all'} {WHERE_WORDS[worst_phase(corner).name]})"
        for corner in clear
    ]
    listed, only = joined_by_and(places), ", the only corner with a clear loss" if len(places) == 1 else ""
    caused = sum(phase.caused.value for corner in clear for phase in corner.phases)
    if caused > analysis.typical_lap_s - analysis.limit_lap.value:  # other phases beat the limit, and take it off again
        second = f"{seconds(caused)} s are caused in {listed}{only}; elsewhere the typical lap is ahead of the limit."
    else:
        second = f"{seconds(caused)} s of it are caused in {listed}{only}."
    sentences = [first, second]
    if analysis.target is not None:
        step = analysis.target.to_dict()["next_step_s"]
        ambitious = ", an ambitious one" if step["chance"] < EVEN else ""
        sentences.append(
            f"The next step is {lap_time(step['value'])}{ambitious}; the chance to meet it in the next outing is "
            f"{percent(step['chance'])}."
        )
    return tuple(sentences)


def _no_bound_words(analysis: Analysis) -> str:
    """Corners in which the typical lap beats the limit by more than it may err; empty where there are none."""
    beaten = [corner for corner in analysis.corners if min(p.lost.value for p in corner.phases) < -BEATEN_S]
    if not beaten:
        return ""
    places = [
        f"{name(corner)} ({corner.min_speed_typical * MS_TO_KMH:.0f} km/h driven at the slowest, "
        f"{corner.min_speed_limit * MS_TO_KMH:.0f} at the limit)"
        for corner in beaten[:HEAD]
    ]
    where = joined_by_and(places)
    return f" It is no bound in {where}: its numbers there, nearby, and of the whole lap are not to be trusted."


def name(corner: CornerResult) -> str:
    """The corner's name, short enough for a sentence."""
    return corner_label(corner.corner.name, NAME_LENGTH)


def worst_phase(corner: CornerResult) -> PhaseResult:
    """The phase that causes most of the corner's loss."""
    return max(corner.phases, key=lambda phase: phase.caused.value)


def holds_most(corner: CornerResult) -> bool:
    """Whether the worst phase causes more than half of the corner's loss, and is not just the largest of three."""
    caused = [max(phase.caused.value, 0.0) for phase in corner.phases]
    return max(caused) > sum(caused) / 2.0


def step_words(step_worth_s: float | None) -> str:
    """What the step of a priority brings, and what the number behind it is of; empty where the step has no size."""
    if step_worth_s is None:
        return ""
    about = f"about {seconds(step_worth_s)} s" if step_worth_s >= LEAST_TOLD else "less than 0.01 s"
    return f"This step brings {about}. "


def worth(interval: Interval) -> str:
    """Seconds with their 90 % interval."""
    return f"{seconds(interval.value)} s ({seconds(interval.low)} to {seconds(interval.high)})"
