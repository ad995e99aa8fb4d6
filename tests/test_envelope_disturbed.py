"""Kerb strikes, jumps of the position, gear changes and a spin in a log do not move the envelope nor the limit lap.

Each is written into the same log, and the result is held against that of the log without it.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from habit_sessions import on, session

from simlap.analysis import analyse
from simlap.circuits import invented_circuit
from simlap.synthetic_sensors import Sensors
from simlap.units import G

CLUB = invented_circuit("club")
LAPS, SEED = 6, 12
DRAWS = 20  # intervals play no part here, and the fewest draws are the fastest
RATE = 100  # [Hz]
# The limits may move by this share: what the design asks for.
MOVES = 0.01
SPINS_ON, SPINS_AT = 3, "5"
HALF_TURN_AND_MORE = np.radians(200.0)
METRES_PER_DEGREE = 111.2e3


def log(habits, change=None):
    sensors = replace(Sensors.good(rate_hz=float(RATE)), channels=(*Sensors.good().channels, "a_vert"))
    return session(CLUB, habits, seed=SEED, laps=LAPS, sensors=sensors, log=change)


def changed(made, **channels):
    return replace(made, channels={**made.channels, **channels})


def struck_kerbs(made, course, rows):
    """Five times a lap, where the car turns: 1 to 3 g sideways and up for 0.05 to 0.2 s, a jog of the path by 0.15 m.

    A strike and its rebound: the car is as fast sideways behind it as before.
    """
    rng = np.random.default_rng(3)
    own = {name: np.array(made.channel(name)) for name in ("a_lat", "a_lon", "a_vert", "yaw_rate", "latitude")}
    turning = np.flatnonzero(np.abs(rows.a_lat) > 6.0)
    for first in rng.choice(turning[turning < made.t.size - RATE], 5 * LAPS):
        size = round(rng.uniform(0.05, 0.2) * RATE)
        hit = rng.uniform(1.0, 3.0) * G * rng.choice([-1.0, 1.0]) * np.sin(np.linspace(0.0, 2.0 * np.pi, size))
        here, jog = slice(first, first + size), slice(first, first + 30)
        own["a_lat"][here] += hit
        own["a_vert"][here] += hit
        own["a_lon"][here] -= 0.3 * hit
        own["yaw_rate"][here] += 0.3 * np.sin(np.linspace(0.0, 2.0 * np.pi, size))
        own["latitude"][jog] += 0.15 / METRES_PER_DEGREE * np.sin(np.linspace(0.0, np.pi, 30))
    return changed(made, **own)


def jumping_positions(made, course, rows):
    """Four hundred fixes, each held for four rows, 15 m off (standard deviation) with a speed that is as wrong."""
    rng = np.random.default_rng(4)
    own = {name: np.array(made.channel(name)) for name in ("latitude", "longitude", "speed")}
    for first in 4 * rng.choice(made.t.size // 4 - 1, 400, replace=False):
        here = slice(first, first + 4)
        own["latitude"][here] += rng.normal(0.0, 15.0) / METRES_PER_DEGREE
        own["longitude"][here] += rng.normal(0.0, 15.0) / METRES_PER_DEGREE
        own["speed"][here] *= rng.uniform(0.6, 1.5)
    return changed(made, **own)


def jerking_gears(made, course, rows):
    """At each change of gear the drive train kicks for 0.1 s and swings back for as long: 0.3 g up, 0.1 g down."""
    a_lon, step = np.array(made.channel("a_lon")), np.diff(made.channel("gear"))
    for change in np.flatnonzero(step):
        kick = (0.3 if step[change] > 0.0 else 0.1) * G
        a_lon[change : change + 10] -= kick
        a_lon[change + 10 : change + 20] += kick
    return changed(made, a_lon=a_lon)


def stops(p):
    """Down to walking pace on the way out of the corner."""
    p.set("cap", p.mid_stop + 20.0, p.mid_stop + 22.0, 0.6)


def spinning(made, course, rows):
    """The nose turns by 200° while the car slides to its stop, and back while it rolls away."""
    slow = np.flatnonzero(rows.v < 1.0)
    stop = int(slow[0])
    angle = np.interp(np.arange(made.t.size), stop + np.array([-2.0, 0.0, 1.0, 5.0]) * RATE, [0.0, 1.0, 1.0, 0.0])
    angle = HALF_TURN_AND_MORE * angle
    lon, lat = made.channel("a_lon"), made.channel("a_lat")
    return changed(
        made,
        a_lon=lon * np.cos(angle) + lat * np.sin(angle),
        a_lat=lat * np.cos(angle) - lon * np.sin(angle),
        yaw_rate=made.channel("yaw_rate") + np.gradient(angle, 1.0 / RATE),
    )


CASES = {
    "kerb strikes": ({}, struck_kerbs),
    "jumps of the position": ({}, jumping_positions),
    "gear changes": ({}, jerking_gears),
    "a spin": ({SPINS_AT: on((SPINS_ON,), stops)}, spinning),
}


@cache
def limits(name):
    """Limits at a few speeds [m/s²] and the time of the limit lap [s]."""
    habits, change = CASES.get(name, ({}, None))
    done = analyse(log(habits, change), CLUB, draws=DRAWS)
    envelope = done.fit.envelope
    named = {"lap": float(np.sum(done.limit.segment_time))}
    for kmh in (80.0, 120.0, 160.0):
        v = np.array([kmh / 3.6])
        named[f"lateral at {kmh:.0f} km/h"] = float(envelope.lateral_limit(v, 1.0)[0])
        named[f"braking at {kmh:.0f} km/h"] = float(envelope.braking_limit(v, 0.0, 1.0)[0])
        named[f"engine at {kmh:.0f} km/h"] = float(envelope.engine_limit(v, 0.0)[0])
    return named


@pytest.mark.parametrize("name", CASES)
def test_what_the_tyres_do_not_give_does_not_move_the_limits(name):
    assert limits(name) == pytest.approx(limits("nothing"), rel=MOVES)
