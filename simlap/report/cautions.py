"""Cautions for an analysis: what its numbers raise, after what its data raise and before what always stands."""

from simlap.conditions import CornerStep, beats_limit, below_driven, corner_steps, slow_group, unlike_of
from simlap.lapsteps import Step
from simlap.outings import unlike_outings_of
from simlap.owngrip import less_grip_words
from simlap.placing import PLACED_M, row_step, told_to
from simlap.report.data_cautions import data_cautions
from simlap.report.plain import clean, corner_label, lap_time
from simlap.report.standing import STANDING, Caution
from simlap.results import Analysis
from simlap.units import MS_TO_KMH

# The design's bar for the kernel's own copy of the driven lap; beyond it the ledgers explain less than they seem to.
UNEXPLAINED_SHARE = 0.003
# A limit beaten by more than this over one phase is a fault of the envelope, not a feat of the driver. [s]
BEATEN_S = 0.05
# Changes of gear are told from here on: less moves no corner in the ranking.
GEAR_CHANGES_S = 0.1  # [s]
# Keys of cautions on the target, on places along the lap and on the driver's own losses: none is about the limit lap.
OF_THE_DRIVER = frozenset({"no target", "places", "gear changes", "unexplained"})


def cautions(analysis: Analysis) -> tuple[Caution, ...]:
    """Cautions for this analysis, those that its own numbers raise first, the standing ones after."""
    return (*raised_cautions(analysis), *STANDING)


def limit_cautions(analysis: Analysis) -> tuple[Caution, ...]:
    """Cautions for what rests on the limit lap alone: those on targets, marks and the driver's own losses left out."""
    return tuple(caution for caution in cautions(analysis) if caution.key not in OF_THE_DRIVER)


def raised_cautions(analysis: Analysis) -> tuple[Caution, ...]:
    """Cautions that the numbers of this analysis raise; none where nothing is amiss."""
    raised = [*data_cautions(analysis)]
    raised += _coarse_places(analysis)
    raised += _unlike_laps(analysis)
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
    raised += _limit_beaten(analysis)
    raised += _no_bound(analysis)
    raised += _less_grip(analysis)
    raised += _gear_changes(analysis)
    raised += _unexplained(analysis)
    return tuple(raised)


def _unlike_laps(analysis: Analysis) -> list[Caution]:
    """Laps, files or single corners that were driven in unlike conditions."""
    raised = []
    unlike = unlike_of(analysis)
    if unlike is not None:
        groups = (unlike.run, unlike.others) if isinstance(unlike, Step) else ()
        typed = " or ".join(",".join(map(str, sorted(laps))) for laps in groups if len(laps) > 1)
        which = f"{unlike.sentence.removesuffix('.')} {typed}." if typed else unlike.sentence
        raised.append(Caution("changing conditions", which))
    slow = slow_group(analysis.lapset.laps)
    if slow is not None:
        raised.append(Caution("slow laps alike", slow.sentence))
    outings = unlike_outings_of(analysis)
    if outings is not None:
        raised.append(Caution("unlike outings", outings.sentence))
    raised += [
        Caution(
            "one corner changed",
            f"In {corner_label(one.corner)}, {one.step.words()}, {_elsewhere(one)} Losses and advice there rest on "
            "both groups; choose one of them with --laps.",
        )
        for one in corner_steps(analysis)
    ]
    return raised


def _elsewhere(one: CornerStep) -> str:
    """What the rest of the lap did when one corner changed, and what may be behind it."""
    if not one.elsewhere:
        return "while the rest of the lap stayed as it was: was there a flag, rain, oil?"
    places = f"{len(one.elsewhere)} other corner{'s' * (len(one.elsewhere) > 1)}"
    names = ", ".join(clean(name) for name in one.elsewhere)
    return f"and {places} ({names}) changed with the same laps: another driver, other tyres, a change to the car?"


def _limit_beaten(analysis: Analysis) -> list[Caution]:
    if not analysis.beaten_s > BEATEN_S:
        return []
    return [
        Caution(
            "limit beaten",
            f"The typical lap beats the computed limit by {analysis.beaten_s:.2f} s over one phase, so the "
            "envelope is too low there: losses nearby come out too small.",
        )
    ]


def _less_grip(analysis: Analysis) -> list[Caution]:
    if not analysis.less_grip:
        return []
    return [
        Caution(
            "less grip in corners",
            f"On request, single corners were given less grip than the rest: {less_grip_words(analysis.less_grip)} "
            "of it, where three laps level out. What a driver leaves there counts as the road's: these losses "
            "shrink, and a priority may go with them. Compare with the analysis without --corner-grip.",
        )
    ]


def _unexplained(analysis: Analysis) -> list[Caution]:
    if not abs(analysis.unexplained_s) > UNEXPLAINED_SHARE * analysis.typical_lap_s:
        return []
    return [
        Caution(
            "unexplained",
            f"The model reproduces the typical lap to {abs(analysis.unexplained_s):.2f} s only "
            f"({100 * abs(analysis.unexplained_s) / analysis.typical_lap_s:.1f} % of it); causes are less sure "
            "than they look.",
        )
    ]


def _coarse_places(analysis: Analysis) -> list[Caution]:
    to = told_to(analysis)
    if to <= PLACED_M:
        return []
    rate = f"{1.0 / row_step(analysis.session):.0f} values a second"
    rate += f", path smoothed to {analysis.motion.bandwidth_hz:.1f} Hz"
    return [
        Caution(
            "places",
            f"Places along the lap show to about {to:.0f} m in this log ({rate}). "
            "Braking and throttle points, and steps in metres, are rounded to that; smaller ones are not asked for.",
        )
    ]


def _no_bound(analysis: Analysis) -> list[Caution]:
    """Where the limit is not clearly above what was driven: in corners' slowest speeds, and in the lap time."""
    raised = []
    below = below_driven(analysis)
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
