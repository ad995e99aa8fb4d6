"""A top speed that gearing or a rev limiter sets: the car pulls up to it and no further.

Air drag alone lets the pull fade long before: towards a top speed V where the power meets the drag, the pull at v is in
proportion to V/v - v²/V², which at 0.965 V is 0.4 of that at 0.915 V. A limiter cuts a pull that has hardly faded.
"""

import numpy as np

from simlap.envelope_samples import RoadSamples, runs

# Shares of the top speed: from here on the car is at it; below it, two stretches on which it still comes up to it.
AT_TOP, NEAR, BELOW = 0.988, (0.95, 0.98), (0.88, 0.95)
# A limiter: just below the top speed the car pulls with this much at least, and this share of what it does earlier.
# Drag alone leaves 0.1 of the pull without it, 0.4 m/s² for a kart or a car of 200 W/kg and 50 m/s.
STILL_PULLS, HARDLY_FADED = 0.5, 0.45  # [m/s²], share
# ... and at the top speed with at most this share of it.
NO_PULL = 0.3
# At the top speed for so long at a stretch, on this share of the laps.
HELD, ON_LAPS = 0.5, 0.6  # [s], share
# Without a throttle channel the driver may hold a speed: then in so many places, or at a speed that differs so little
# from lap to lap (standard deviation) as no foot can hold it.
PLACES, SAME_SPEED = 2, 0.004  # count, share
# Open throttle; without the channel, no slower than a car that coasts.
FULL, COASTS = 0.95, -0.35  # [0..1], [m/s²]
# Bends take pull, and one at just below the top speed passed for a pull that fades: lateral acceleration at the most.
STRAIGHT = 3.0  # [m/s²]
# Values that a median needs.
LEAST = 20


def speed_cap(samples: RoadSamples) -> float | None:
    """Speed that the car reaches under full pull and does not pass [m/s]; None where none shows."""
    v, pull = np.sqrt(samples.speed2), samples.pull
    top = float(np.median(v.max(axis=1)))
    driving = pull > COASTS if samples.throttle is None else samples.throttle >= FULL
    at_top = driving & (v > AT_TOP * top)
    drives = driving & (np.abs(samples.lateral) < STRAIGHT) & (pull > 0.0)
    near, below = (drives & (v > low * top) & (v < high * top) for low, high in (NEAR, BELOW))
    if min(near.sum(), below.sum(), at_top.sum()) < LEAST:
        return None
    pulls, earlier, held = (float(np.median(pull[where])) for where in (near, below, at_top))
    if pulls < max(STILL_PULLS, HARDLY_FADED * earlier) or held > NO_PULL * pulls:
        return None
    spans = [
        [span for span in runs(lap) if duration[span].sum() >= HELD]
        for lap, duration in zip(at_top, samples.duration, strict=True)
    ]
    each = np.array([np.median(lap[np.concatenate(found)]) for lap, found in zip(v, spans, strict=True) if found])
    if each.size < ON_LAPS * len(spans):
        return None
    in_places = np.mean([len(found) >= PLACES for found in spans]) >= ON_LAPS
    if samples.throttle is None and not in_places and each.std() > SAME_SPEED * top:
        return None
    return float(np.median(each))
