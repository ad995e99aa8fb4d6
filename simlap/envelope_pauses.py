"""Pauses of the drive: changes of gear and short lifts, told by the pull where no throttle is logged."""

import numpy as np

from simlap.envelope_samples import RoadSamples, Windows, stations_within

# A change of gear or a short lift is over within this time: the car pulls as before on both sides of it.
PAUSE = 0.6  # [s]
# ... and in it by more than this share less, and by more than so many deviations of the motion's error: less is what a
# change between close gears and a ripple of the motion do. Measured in DEVELOPERS.md with other values.
PAUSE_SHARE, PAUSE_DEVIATIONS = 0.15, 3.0


def pauses(samples: RoadSamples) -> np.ndarray:
    """Where a car that pulls pulls clearly less than shortly before and shortly after, bool (m, n)."""
    step = np.median(samples.duration, axis=0)
    after = _strongest(samples.pull, step)
    before = _strongest(samples.pull[:, ::-1], step[::-1])[:, ::-1]
    around = np.minimum(before, after)
    doubt = PAUSE_DEVIATIONS * samples.noise_along.std(axis=(0, 1))
    return np.asarray((around > 0.0) & (around - samples.pull > np.maximum(PAUSE_SHARE * around, doubt)))


def _strongest(pull: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Largest of `pull` (m, n) from each station to `PAUSE` later, (m, n); `step` (n,) seconds a station."""
    length = np.minimum(stations_within(step, PAUSE) + 1, step.size - 1)
    return Windows(length=length, weights=np.broadcast_to(step, pull.shape)).highest(pull)
