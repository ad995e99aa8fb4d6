"""Where the laps carry no target, or no advice at all: why not, in words."""

from simlap.conditions import beats_limit, unlike_of
from simlap.results import Analysis, Interval

# A chance nearer to 0 or 1 than this is printed as 0 or 100 %, which no replay of a few laps can know.
CERTAIN = 0.005
# An interval narrower than a hundredth says that every draw ran into the best lap driven.
EMPTY = 0.01  # [s]


def too_poor(analysis: Analysis) -> str:
    """Why these data carry neither advice nor a target; empty where they do."""
    quality = analysis.motion.quality
    if quality.verdict != "not enough":
        return ""
    return (
        f"The data are rated 'not enough' ({quality.reason}): too little to tell a driver what to change, so that no "
        "priorities and no target are given."
    )


def why_no_step(analysis: Analysis, next_step: Interval, chance: float) -> str:
    """Why no next step can be claimed; empty where one can."""
    poor = too_poor(analysis)
    if poor:
        return poor
    if unlike_of(analysis) is not None:
        return "Conditions changed through the session, so that its lap times do not say what comes next."
    if beats_limit(analysis):
        return "The best lap is faster than the computed limit lap, so that nothing bounds a next step."
    if chance < CERTAIN:
        return "By the lap times, the best lap of this session will not be met again next time."
    if chance > 1.0 - CERTAIN:
        return (
            "By the lap times, the next step that these laps allow is met for certain; a target that cannot be missed "
            "is none."
        )
    if next_step.high - next_step.low < EMPTY:
        return "However the laps are resampled, the next step is the best lap already driven: repeat it first."
    return ""
