"""Hand-made traces of one braked corner, with the physics written out.

The corner: a straight at 50 m/s, a turn of 40 m radius from station 150 m to 230 m (from the start of the zone), and
a straight again. Tyres carry 10 m/s² in every direction, so that the limit's corner speed is sqrt(10 * 40) = 20 m/s;
it brakes with 9 m/s² from 60 m: (50² - 20²) / (2 * 9) = 116.7 m, done at 176.7 m, and drives from 210 m with
4 m/s². The driver differs by what a test says.
"""

import numpy as np

from simlap.habit_traces import CornerSheet, CornerTrace
from simlap.results import Interval

BAR = 1e5  # [Pa]
RUN_IN, STOP, STEP = -100.0, 420.0, 1.0  # [m]
RADIUS, TYRES, DRIVE = 40.0, 10.0, 4.0  # [m], [m/s²], [m/s²]
along = np.arange(RUN_IN, STOP, STEP)
TURN = (along >= 150.0) & (along < 230.0)


def speed(brake_m, brake, slow, drive_m, drive, v0=50.0):
    """v [m/s] over along: v0, then v² falls with 2 * brake per metre down to `slow`, rises from drive_m."""
    v2 = np.full(along.size, v0**2)
    v2 = np.where(along > brake_m, np.maximum(slow**2, v0**2 - 2.0 * brake * (along - brake_m)), v2)
    rising = slow**2 + 2.0 * drive * (along - drive_m)
    return np.sqrt(np.where(along > drive_m, np.minimum(rising, v0**2), v2))


def acceleration(v):
    """dv/dt = d(v²/2)/ds [m/s²]."""
    return np.gradient(v**2 / 2.0, along)


def seconds(v):
    """Clock at the values of along [s], constant acceleration between them."""
    return np.concatenate([[0.0], np.cumsum(2.0 * np.diff(along) / (v[1:] + v[:-1]))])


LIMIT_V = speed(60.0, 9.0, 20.0, 210.0, 4.0)


def between(a, b):
    """Where along lies in [a, b) m."""
    return (along >= a) & (along < b)


def trace(
    lap=1,
    *,
    corner="T1",
    brake_m=55.0,
    brake=9.0,
    slow=20.0,
    drive_m=210.0,
    drive=4.0,
    pressure=60.0,
    v=None,
    throttle=None,
    bar=None,
    gear=None,
    engine_speed=None,
    grade=0.0,
    limit_v=LIMIT_V,
    without=(),
    clock=100.0,
    radius=RADIUS,
    braking_stop=170.0,
    mid_stop=210.0,
    left=DRIVE,
):
    """A lap through the corner: brakes at brake_m, is at `slow` until drive_m, throttle 1 or 0 accordingly.

    `left` is what the engine could give.
    """
    v = speed(brake_m, brake, slow, drive_m, drive) if v is None else v
    a_lon, a_lat = acceleration(v), v**2 * TURN / radius
    release = brake_m + (50.0**2 - slow**2) / (2.0 * brake)
    channels = {
        "throttle": np.where(between(brake_m - 5.0, min(release + 8.0, drive_m)), 0.0, 1.0)
        * np.where(between(release + 8.0, drive_m), 0.3, 1.0),
        "brake_pressure": np.where(between(brake_m, release), pressure * BAR, 0.0),
        "gear": np.where(along < brake_m + 60.0, 4.0, 3.0),
    }
    own = {"throttle": throttle, "brake_pressure": bar, "gear": gear, "engine_speed": engine_speed}
    for name, given in own.items():
        if given is not None:
            channels[name] = given * (BAR if name == "brake_pressure" else 1.0)
    return CornerTrace(
        corner=corner,
        lap=lap,
        along=along,
        t=clock + seconds(v),
        v=v,
        a_lon=a_lon,
        a_lat=a_lat,
        grip=np.hypot(a_lon, a_lat) / TYRES,
        drive=np.minimum(left, np.sqrt(np.maximum(TYRES**2 - a_lat**2, 0.0))),
        grade=np.full(along.size, grade),
        limit_v=limit_v,
        limit_a_lon=acceleration(limit_v),
        braking_stop=braking_stop,
        mid_stop=mid_stop,
        zone_start=1000.0,
        lap_length=1200.0,
        channels={name: values for name, values in channels.items() if name not in without},
    )


def gain(value):
    """A gain with a narrow interval [s]."""
    return Interval(value, 0.8 * value, 1.2 * value)


def sheet(traces, corner="T1", gains=(0.21, 0.12, 0.08)):
    """The traces of one corner, its phases worth `gains` [s]."""
    names = ("braking", "mid_corner", "exit")
    return CornerSheet(corner, dict(zip(names, map(gain, gains), strict=True)), tuple(traces))
