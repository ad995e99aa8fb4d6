"""Where the laps carry no target, or no advice at all: why not, in words."""

from simlap.conditions import beats_limit, unlike_of
from simlap.lapjudge import SLOW_SHARE
from simlap.report.plain import step_name
from simlap.results import Analysis, Interval

# A chance nearer to 0 or 1 than this is printed as 0 or 100 %, which no replay of a few laps can know.
CERTAIN = 0.005
# An interval narrower than a hundredth says that every draw ran into the best lap driven.
EMPTY = 0.01  # [s]
# Of two laps the better phases are what was done once, and nothing can be drawn anew but the same two.
REPEATS = 3  # laps


def too_poor(analysis: Analysis) -> str:
    """Why these data carry neither advice nor a target; empty where they do."""
    quality = analysis.motion.quality
    if quality.verdict != "not enough":
        return ""
    return (
        f"The data are rated 'not enough' ({quality.reason}): too little to tell a driver what to change, so that no "
        "priorities and no target are given."
    )


def _slow_choice(analysis: Analysis) -> str:
    """The slowest lap that the user counts though it is far off the fastest, in words; empty where there is none."""
    if not analysis.options.get("laps"):
        return ""
    times = {int(analysis.table.numbers[row]): analysis.lap_driven[row].lap_time for row in analysis.counted}
    slowest, best = max(times, key=lambda number: times[number]), min(times.values())
    if times[slowest] <= (1.0 + SLOW_SHARE) * best:
        return ""
    return f"Lap {slowest}, counted on request, is {times[slowest] - best:.1f} s slower than the best"


def _too_few_without(analysis: Analysis) -> str:
    """What else is wanting where a chosen lap is left out and the others are too few."""
    others = len(analysis.counted) - 1
    return f", and as the other {others} do not show what a driver repeats, drive more" if others < REPEATS else ""


def why_no_step(
    analysis: Analysis, next_step: Interval, chance: float, least_chance: float = 0.0, outing: int = 1
) -> str:
    """Why no step to the outing so many ahead can be claimed; empty where one can.

    Below `least_chance` a lap is no realistic step.
    """
    name = step_name(outing)
    poor = too_poor(analysis)
    if poor:
        return poor
    if len(analysis.counted) < REPEATS:
        return f"{len(analysis.counted)} laps do not show what a driver repeats: drive {REPEATS} or more."
    slow = _slow_choice(analysis)
    if slow:
        return f"{slow}: that is no lap to set a target by. Leave it out of --laps{_too_few_without(analysis)}."
    if unlike_of(analysis) is not None:
        return "Conditions changed through the session, so that its lap times do not say what comes next."
    if beats_limit(analysis):
        return f"The best lap is faster than the computed limit lap, so that nothing bounds a {name}."
    if chance < CERTAIN:
        again = "next time" if outing == 1 else f"by outing {outing}"
        return f"By the lap times, the best lap of this session will not be met again {again}."
    if chance < least_chance:
        return (
            "By the lap times, a lap that joins your phases as you repeat them is by itself less likely than "
            f"{100.0 * least_chance:.0f} %, so that no step beyond it is realistic: work on what the notes name."
        )
    if chance > 1.0 - CERTAIN:
        return (
            f"By the lap times, the {name} that these laps allow is met for certain; a target that cannot be missed "
            "is none."
        )
    if next_step.high - next_step.low < EMPTY:
        return f"However the laps are resampled, the {name} is the best lap already driven: repeat it first."
    return ""
