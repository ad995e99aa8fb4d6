"""What the target asks of the slowest speeds, so that the notes ask for the same."""

from collections.abc import Mapping
from dataclasses import replace

from simlap.results import Analysis, CornerResult
from simlap.units import MS_TO_KMH

# A slowest speed that is to rise by less than this stays as it is: speeds are told in whole km/h.
NO_CHANGE = 0.5  # [km/h]


def asked_speeds(analysis: Analysis) -> dict[str, float]:
    """How far above the typical lap's the target asks for the slowest speed, per corner in its list. [km/h]"""
    if analysis.target is None:
        return {}
    typical = {corner.corner.name: corner.min_speed_typical * MS_TO_KMH for corner in analysis.corners}
    rises = {
        corner.corner: corner.min_speed_kmh.next - typical[corner.corner]
        for corner in analysis.target.corners
        if f"{corner.min_speed_kmh.next:.0f}" != f"{corner.min_speed_kmh.now:.0f}"
    }
    return {corner.corner: max(0.0, rises.get(corner.corner, 0.0)) for corner in analysis.target.corners}


def as_asked(corner: CornerResult, asked: Mapping[str, float]) -> CornerResult:
    """The corner with the target's step where that is smaller; fast corners keep the step that they are limited to."""
    step = asked.get(corner.corner.name, corner.step_kmh)
    return corner if corner.build_up else replace(corner, step_kmh=min(step, corner.step_kmh))


def left_alone(corner: CornerResult, asked: Mapping[str, float]) -> bool:
    """True where the target works on this corner and leaves its slowest speed as it is."""
    return asked.get(corner.corner.name, NO_CHANGE) < NO_CHANGE
