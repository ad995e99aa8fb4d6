"""Three invented circuits, drawn from straights, clothoids and arcs; `python -m simlap.circuits DIR` writes them.

None of them exists: names, shapes and heights are made up, and the places lie in open ocean.
"""

import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from simlap.errors import OptionError
from simlap.layout import Bend, Layout, Straight, closed_layout
from simlap.line import Line
from simlap.track import Corner, SurfaceNote, Track, start_line_across

# Distance of stations on an invented circuit: the spline through them then follows arcs of 10 m radius to well
# below 1 mm, and a file of 3 km stays below 200 kB.
SPACING = 2.0  # [m]

# Shares of a bend's arc length that its two clothoids take, and their longest length: a real bend opens more
# slowly than it tightens, and the curvature never jumps.
EASE_IN, EASE_OUT = 0.35, 0.45  # [1]
EASE_IN_LONGEST, EASE_OUT_LONGEST = 40.0, 50.0  # [m]


def eased_bend(angle_deg: float, radius: float) -> Bend:
    """A bend with clothoids of the usual length; angle left positive [deg], radius of the arc [m]."""
    arc = math.radians(abs(angle_deg)) * radius
    return Bend(angle_deg, radius, min(EASE_IN * arc, EASE_IN_LONGEST), min(EASE_OUT * arc, EASE_OUT_LONGEST))


@dataclass(frozen=True)
class Plan:
    """What an invented circuit is drawn from."""

    title: str
    origin: tuple[float, float]  #: latitude, longitude of the start line, in open ocean [deg]
    heading_deg: float  #: at the start line, anticlockwise from east [deg]
    elements: Sequence[Straight | Bend]  #: from the start line on; straights are adjusted until it closes
    heights: Sequence[tuple[float, float]]  #: share of the lap, height [m]; a periodic spline goes through them
    bank_deg: Mapping[int, float]  #: bend number: banking in the middle, positive helps the bend [deg]
    half_width: float  #: from the line to each edge [m]
    grip: Mapping[int, float]  #: bend number: grip factor
    notes: Sequence[tuple[str, int]] = ()  #: remark, bend number


PLANS: Mapping[str, Plan] = MappingProxyType(
    {
        "club": Plan(
            title="Larkfen",
            origin=(-40.0, -120.0),
            heading_deg=25.0,
            elements=(
                Straight(360),
                eased_bend(-95, 42),
                Straight(150),
                eased_bend(55, 85),
                Straight(70),
                eased_bend(-75, 60),
                Straight(380),
                eased_bend(-150, 20),
                Straight(200),
                eased_bend(80, 48),
                Straight(90),
                eased_bend(60, 70),
                Straight(70),
                eased_bend(-110, 33),
                Straight(330),
                eased_bend(20, 320),
                Straight(260),
                eased_bend(-95, 58),
                Straight(80),
                eased_bend(-50, 40),
                Straight(270),
            ),
            heights=((0.0, 12.0), (0.14, 15.0), (0.28, 27.0), (0.42, 18.0), (0.55, 6.0), (0.68, 3.0), (0.85, 9.0)),
            bank_deg={1: 2.0, 4: 3.0, 7: -1.5, 9: 4.0},
            half_width=5.5,
            grip={},
            notes=(("new asphalt", 5),),
        ),
        "fast": Plan(
            title="Tarnvale",
            origin=(-45.0, -125.0),
            heading_deg=160.0,
            elements=(
                Straight(420),
                eased_bend(-85, 110),
                Straight(180),
                eased_bend(-40, 190),
                Straight(400),
                eased_bend(35, 420),
                Straight(200),
                eased_bend(-150, 60),
                Straight(320),
                eased_bend(70, 120),
                Straight(150),
                eased_bend(-60, 100),
                Straight(500),
                eased_bend(-100, 75),
                Straight(100),
                eased_bend(60, 60),
                Straight(60),
                eased_bend(-90, 85),
                Straight(420),
            ),
            heights=((0.0, 30.0), (0.2, 38.0), (0.4, 60.0), (0.6, 44.0), (0.8, 22.0)),
            bank_deg={1: 3.0, 4: 5.0, 9: 2.0},
            half_width=6.5,
            grip={},
        ),
        "kart": Plan(
            title="Pipwick",
            origin=(-35.0, -115.0),
            heading_deg=-70.0,
            elements=(
                Straight(140),
                eased_bend(100, 16),
                Straight(70),
                eased_bend(-60, 24),
                Straight(45),
                eased_bend(175, 11),
                Straight(100),
                eased_bend(-80, 14),
                Straight(55),
                eased_bend(90, 18),
                Straight(140),
                eased_bend(40, 50),
                Straight(90),
                eased_bend(165, 12),
                Straight(90),
                eased_bend(-120, 15),
                Straight(45),
                eased_bend(50, 30),
                Straight(140),
            ),
            heights=((0.0, 2.0), (0.5, 3.0)),
            bank_deg={},
            half_width=4.0,
            grip={},
        ),
    }
)


def invented_layout(name: str) -> Layout:
    """Plan of an invented circuit with its curvature in closed form; `name` as for `invented_circuit`."""
    return layout_of(_plan(name))


def layout_of(plan: Plan) -> Layout:
    """The elements of a plan as curvature in closed form."""
    return closed_layout(plan.elements, heading=math.radians(plan.heading_deg))


def invented_circuit(name: str) -> Track:
    """One of the invented circuits: ``club`` (3.3 km, hilly), ``fast`` (4.5 km) or ``kart`` (1.2 km, flat).

    Raises
    ------
    OptionError
        When there is none of that name.
    """
    return circuit_of(_plan(name))


def circuit_of(plan: Plan) -> Track:
    """The track that a plan draws: line with heights and banking, corners, start line.

    Raises
    ------
    OptionError
        When the bends do not add up to full turns, or a straight would become negative.
    """
    from scipy.interpolate import CubicSpline

    drawn = layout_of(plan)
    count = math.ceil(drawn.length / SPACING)
    station = drawn.length / count * np.arange(count)
    x, y = drawn.positions(station)
    shares, heights = np.array(plan.heights).T
    spline = CubicSpline(np.append(shares, 1.0), np.append(heights, heights[0]), bc_type="periodic")
    bank = np.zeros(count)
    corners = []
    for number, (entry, middle, leaves) in enumerate(drawn.bends, start=1):
        turn = 1.0 if drawn.curvature(np.array([middle]))[0] > 0.0 else -1.0
        ramp = np.interp(station, [entry, middle, leaves], [0.0, 1.0, 0.0])
        bank += turn * math.radians(plan.bank_deg.get(number, 0.0)) * np.sin(0.5 * math.pi * ramp) ** 2
        corners.append(
            Corner(str(number), "left" if turn > 0.0 else "right", entry, middle, leaves, plan.grip.get(number, 1.0))
        )
    line = Line.from_points(x, y, spline(station / drawn.length), bank, closed=True)
    stretch = line.length / drawn.length  # the line is measured along the slope, its plan on the map
    corners = [
        replace(c, entry_m=c.entry_m * stretch, apex_m=c.apex_m * stretch, exit_m=c.exit_m * stretch) for c in corners
    ]
    width = np.full(line.x.size, plan.half_width)
    notes = tuple(SurfaceNote(text, corners[bend - 1].entry_m, corners[bend - 1].exit_m) for text, bend in plan.notes)
    return Track(
        plan.title,
        line,
        start_line_across(line, plan.half_width),
        tuple(corners),
        plan.origin,
        True,
        width,
        width,
        notes,
    )


def _plan(name: str) -> Plan:
    if name not in PLANS:
        raise OptionError(f"There is no invented circuit {name!r}; there are {', '.join(PLANS)}.")
    return PLANS[name]


def write_invented(folder: Path) -> list[Path]:
    """Write the track file of each invented circuit into `folder`; returns their paths."""
    from simlap.trackfile import write_track

    return [write_track(invented_circuit(name), folder / f"{name}.geojson") for name in PLANS]


if __name__ == "__main__":
    if len(sys.argv) > 2 or sys.argv[-1].startswith("-"):
        print("usage: python -m simlap.circuits [FOLDER]: writes the invented circuits' track files", file=sys.stderr)
        raise SystemExit(2)
    for path in write_invented(Path(sys.argv[1] if len(sys.argv) > 1 else "tracks")):
        print(path)
