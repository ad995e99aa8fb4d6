"""Are latitude and longitude of a log swapped? Within 90 degrees both are possible; its speed tells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simlap.errors import LogFormatError
from simlap.readers.repair_positions import swap_them
from simlap.receiver import driven_and_chords
from simlap.sensors import Fixes, Observation
from simlap.session import Session

# Swapping turns north into east and stretches the one against the other by 1 / (cos latitude · cos longitude): 1.4 at
# 45 degrees north. Chords between good positions then miss the way by the speed by 10 % and more, after one factor for
# all; chords of right positions miss it by 1 to 2 %, as arcs are longer and receivers err.
STRETCHED = 0.04  # relative miss of the positions as given, below which nothing is told: near 0, 0 both fit
BETTER = 2.0  # times smaller, the miss of the swapped ones must be: karts in hairpins miss by 3 % on either side
OWN_SCALE = 0.06  # a speed of the wheels reads 5 % more or less than the positions, but no more
KEPT = 0.9  # share of the chords that counts: the wildest say nothing


def refuse_swapped(session: Session, fixes: Fixes, speed: Observation) -> None:
    """Refuse positions that fit the logged speed with latitude and longitude swapped, and not as they are.

    A mirrored path alone says nothing: yaw rates, lateral accelerations and courses are logged with either sign.

    Parameters
    ----------
    fixes : Fixes
        Of the session, in the plane around their own middle.
    speed : Observation
        Of the receiver or of the wheels. [m/s]

    Raises
    ------
    LogFormatError
        Naming the columns and how to swap them.
    """
    if fixes.origin is None or abs(fixes.origin[1]) > 90.0:
        return
    lat0, lon0 = np.radians(fixes.origin)
    given, _ = _miss(fixes, speed)
    # a degree as given is a degree swapped: what lies north in the plane is that much of the parallel at lon0
    swapped, scale = _miss(replace(fixes, x=fixes.y * np.cos(lon0), y=fixes.x / np.cos(lat0)), speed)
    if given > max(STRETCHED, BETTER * swapped) and abs(scale - 1.0) < OWN_SCALE:
        raise LogFormatError(
            f"{session.source}: the positions miss the logged speed by {100.0 * given:.0f} %, swapped by "
            f"{100.0 * swapped:.0f} %: latitude and longitude are swapped. {swap_them(session.columns)}"
        )


def _miss(fixes: Fixes, speed: Observation) -> tuple[float, float]:
    """Relative rms difference of chords and driven ways after one factor for all, and that factor; 0 and 1 when there
    are too few chords."""
    driven, chord = driven_and_chords(fixes, speed)
    if driven.size == 0:
        return 0.0, 1.0
    scale = float(np.median(driven / chord))
    miss = np.sort(np.abs(driven / (scale * chord) - 1.0))[: max(int(KEPT * driven.size), 1)]
    return float(np.sqrt(np.mean(miss**2))), scale
