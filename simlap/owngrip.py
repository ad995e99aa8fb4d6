"""Corners that were shown to grip less than the rest: what is taken for it, on request, and what is said of it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from simlap.envelope_fit import EnvelopeFit
from simlap.envelope_grip import CornerGrip, corner_grip
from simlap.habits import spoken
from simlap.kept import grip_limits
from simlap.laptable import LapTable
from simlap.line import Line
from simlap.report.plain import joined_by_and
from simlap.solver import limit_profile
from simlap.track import Corner, grip_scale, inside

# The limit lap leans on the grip of a corner where it uses as much of it: corners taken flat lie below 0.6, all others
# above 0.97, on the invented circuits.
AT_THE_GRIP = 0.9


def own_grip(table: LapTable, line: Line, corners: Sequence[Corner], fit: EnvelopeFit) -> tuple[CornerGrip, ...]:
    """Grip used in each corner; no grip of its own where the limit lap does not need what there is.

    Through a corner that the engine limits, laps level out at full throttle, and a driver who lifts or holds part of
    the throttle there shows no grip either.
    """
    grip = grip_scale(corners, np.asarray(line.station), float(line.length))
    limit = limit_profile(line, fit.envelope, limits=grip_limits(grip))
    use = np.abs(limit.a_lat) / (grip * fit.envelope.lateral_limit(limit.v, limit.a_lat))
    out = []
    for found, corner in zip(corner_grip(table, line, corners, fit.envelope), corners, strict=True):
        here = inside(np.asarray(line.station), corner.entry_m, corner.exit_m, float(line.length))
        if (found.steady or found.grip is not None) and (
            not here.any() or use[here].max() < AT_THE_GRIP * found.normal
        ):
            found = replace(found, grip=None, steady=False)
        out.append(found)
    return tuple(out)


def with_shown_grip(corners: Sequence[Corner], shown: Sequence[CornerGrip]) -> tuple[Corner, ...]:
    """The corners with the grip factor that the laps have `shown`; one that the track file states stays."""
    taken = {found.name: found.grip for found in shown if found.grip is not None}
    return tuple(
        replace(corner, grip=taken[corner.name]) if corner.grip == 1.0 and corner.name in taken else corner
        for corner in corners
    )


def grip_notes(
    corners: Sequence[Corner], shown: Sequence[CornerGrip], less_grip: Mapping[str, float]
) -> tuple[str, ...]:
    """On request for corners' own grip: what was taken, and why none is where all laps hold one level.

    Parameters
    ----------
    corners : sequence of Corner
        As the track states them.
    shown : sequence of CornerGrip
        From `own_grip`.
    less_grip : mapping of str to float
        Corners that were given less than the common grip, and the factor. [1]
    """
    stated = {corner.name for corner in corners if corner.grip != 1.0}
    names = [
        spoken(found.name, begins=False)
        for found in shown
        if found.steady and found.name not in stated and found.name not in less_grip
    ]
    if not names and not less_grip:
        return ("No corner shows less grip of its own.",)
    notes = []
    if names:
        notes.append(
            f"No grip of its own is taken for {joined_by_and(names)}: all laps hold one level there, below the grip "
            "shown elsewhere, which a slippery road and a driver who holds back show alike. If the road is known to "
            "grip less, state it in the track file."
        )
    if less_grip:
        notes.append(f"On request, single corners were given less grip: {less_grip_words(less_grip)}.")
    return tuple(notes)


def less_grip_words(less_grip: Mapping[str, float]) -> str:
    """Corners and the grip that they were given, in words."""
    return ", ".join(f"{spoken(name, begins=False)} {100.0 * grip:.0f} %" for name, grip in less_grip.items())
