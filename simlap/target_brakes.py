"""Where the brake channel says that the driver brakes: the brake points that a target starts from."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from simlap.habit_marks import has_brake, mark, read_alike
from simlap.habit_traces import CornerSheet
from simlap.target_marks import Marks
from simlap.thresholds import Thresholds

# A corner is braked for where this share of the laps press the brake.
MOST = 0.5  # [1]


def logged_brake_points(sheets: Sequence[CornerSheet], limits: Thresholds) -> dict[int, float | None]:
    """Station of the first pressure before each corner, by the rules of the findings; `sheets` of all corners. [m]

    Returns
    -------
    dict
        Per index of a corner the median over the counted laps that hold a brake channel; None where most of them
        leave the brake alone. A corner without such laps is not in it.
    """
    found: dict[int, float | None] = {}
    for index, sheet in enumerate(sheets):
        alike = zip(sheet.traces, read_alike(sheet.traces), strict=True)
        traces = [trace for trace, same in alike if same and has_brake(trace)]
        if not traces:
            continue
        marked = [(trace, mark(trace, limits)) for trace in traces]
        points = [float(trace.along[marks.braking[0]]) for trace, marks in marked if marks.brakes]
        braked = len(points) >= max(1.0, MOST * len(traces))
        first = traces[0]
        found[index] = (first.zone_start + float(np.median(points))) % first.lap_length if braked else None
    return found


def as_logged(marks: Marks, shown: Marks, point: float | None, length: float) -> Marks:
    """`marks` with a brake point as far from the logged `point` as it is from that of the shown lap.

    Deceleration shows the braking later than the pressure does, or earlier where a lift slows the car.
    """
    if point is None or marks.brake_m is None or shown.brake_m is None:
        return replace(marks, brake_m=None)
    return replace(marks, brake_m=(point + (marks.brake_m - shown.brake_m)) % length)


def with_logged(
    logged: Mapping[int, float | None], index: int, now: Marks, then: Marks, length: float
) -> tuple[Marks, Marks]:
    """Both marks of a corner with the logged brake point, where the log holds one."""
    if index not in logged:
        return now, then
    point = logged[index]
    return as_logged(now, now, point, length), as_logged(then, now, point, length)
