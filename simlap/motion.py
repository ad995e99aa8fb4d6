"""From a session to its motion: the one door to both ways of finding it."""

from __future__ import annotations

from dataclasses import replace

from simlap.clipping import without_clipped, without_wild
from simlap.deadreckon import reckoned_motion
from simlap.errors import OptionError
from simlap.geodesy import Origin
from simlap.located import located_motion
from simlap.motion_types import BANDWIDTH, MOTION_RATE, Motion, MotionQuality
from simlap.sensors import has_positions
from simlap.session import Session

__all__ = ["BANDWIDTH", "MOTION_RATE", "Motion", "MotionQuality", "motion_of"]

BANDWIDTH_RANGE = (0.2, 4.0)  # [Hz] 4 Hz is what knots of 0.1 s carry


def motion_of(session: Session, *, bandwidth: float = BANDWIDTH, seed: int = 0, origin: Origin | None = None) -> Motion:
    """One smooth motion for a session, from all channels that say something about it.

    Parameters
    ----------
    session : Session
        With positions; or without them, with a speed and a yaw rate or lateral acceleration.
    bandwidth : float
        -3 dB point of the common low-pass. Lowered, and said so, when the data cannot carry it. [Hz]
    seed : int
        Of the drawn noise.
    origin : (float, float), optional
        Latitude and longitude where x = y = 0, for several sessions in one plane; the median position without it. [deg]

    Returns
    -------
    Motion

    Raises
    ------
    NotEnoughData
        When the log has neither positions nor a speed with a turn rate, or too few of them.
    OptionError
        When the bandwidth is out of range.
    """
    if not BANDWIDTH_RANGE[0] <= bandwidth <= BANDWIDTH_RANGE[1]:
        raise OptionError(f"bandwidth {bandwidth} Hz: must lie in {BANDWIDTH_RANGE[0]} to {BANDWIDTH_RANGE[1]} Hz.")
    session, wild = without_wild(session)
    session, clipped = without_clipped(session)
    if has_positions(session):
        motion = located_motion(session, bandwidth, seed, origin)
    else:
        motion = reckoned_motion(session, bandwidth, seed)
    told = (*wild, *clipped)
    return replace(motion, notes=(*told, *motion.notes)) if told else motion
