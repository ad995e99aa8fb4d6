"""The channels that a log may hold, and the column names that each is known by."""

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass

from simlap.units import (
    ACCELERATION,
    ANGLE,
    ANGULAR_VELOCITY,
    LENGTH,
    NUMBER,
    PRESSURE,
    RAD_TO_DEG,
    RATIO,
    SI_SYMBOL,
    SPEED,
    TIME,
    Unit,
)


@dataclass(frozen=True)
class Channel:
    """One canonical channel and the column names it is known by.

    `names` holds groups of spellings in order of preference: a column of an earlier group wins over one of a
    later group, two columns of one group are an error. `vague` names, grouped likewise and behind the others, count
    only with a fitting unit.
    `implied` maps the key of a name to the unit that the name itself states (RPM). `default_unit` is used, with a note,
    when nothing states one; None means that a unit must be stated.
    """

    name: str
    quantity: str
    names: tuple[tuple[str, ...], ...]
    vague: tuple[tuple[str, ...], ...] = ()
    implied: Mapping[str, str] | None = None
    default_unit: str | None = None
    geodetic: bool = False  #: kept in degrees, as RFC 7946 writes positions


def name_key(text: str) -> str:
    """A name as it is compared: letters without accents and digits alone, lower case."""
    plain = "".join(letter for letter in unicodedata.normalize("NFKD", text) if not unicodedata.combining(letter))
    return re.sub(r"[\W_]+", "", plain).casefold()


def _words(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(","))


def _stating(unit: str, text: str) -> dict[str, str]:
    return {name_key(name): unit for name in _words(text)}


CHANNELS = (
    Channel(
        "time",
        TIME,
        (
            _words("elapsed time, time elapsed, elapsed, session time, log time, logger time, time since start"),
            _words("time, t"),
            _words("utc, utc time, time utc"),
            _words("gps time"),
            _words("timestamp, time stamp, date time"),
            _words("time of day, clock, clock time, local time"),
        ),
    ),
    Channel(
        "latitude",
        ANGLE,
        (_words("gps latitude, gps lat, position latitude"), _words("latitude, lat")),
        default_unit="deg",
        geodetic=True,
    ),
    Channel(
        "longitude",
        ANGLE,
        (
            _words("gps longitude, gps lon, gps long, gps lng, position longitude"),
            _words("longitude, lon, long, lng"),
        ),
        default_unit="deg",
        geodetic=True,
    ),
    Channel("x", LENGTH, (_words("position x, pos x, local x, x position, east, easting, x east"),), (("x",),)),
    Channel("y", LENGTH, (_words("position y, pos y, local y, y position, north, northing, y north"),), (("y",),)),
    Channel(
        "altitude",
        LENGTH,
        (
            _words("gps altitude, gps alt, gps elevation, altitude gps"),
            _words("altitude, alt, elevation, ele, elev"),
            _words("height, gps height"),
        ),
        (("z",),),
    ),
    Channel(
        "speed",
        SPEED,
        (
            _words("gps speed, speed gps, gnss speed, speed gnss, gps velocity, velocity gps")
            + _words("speed over ground, ground speed, speed ground, sog, gps spd, gps vel, v gps, gps v"),
            _words("speed, velocity, vehicle speed, car speed, v, spd, vel"),
        ),
    ),
    Channel(
        "wheel_speed",
        SPEED,
        (
            _words("wheel speed, speed wheel, speed wheels, wheel speed average, wheel speed mean, driven wheel speed"),
            _words("wheel speed front, front wheel speed"),
            _words("wheel speed rear, rear wheel speed"),
            _words("wheel speed fl, wheel speed front left, wheel speed lf"),
            _words("wheel speed fr, wheel speed front right, wheel speed rf"),
        ),
    ),
    Channel(
        "course",
        ANGLE,
        (
            _words("course, gps course, course over ground, cog, true course, track angle")
            + _words("gps heading, heading gps, gps bearing"),
            _words("heading, bearing"),
        ),
    ),
    Channel(
        "a_lon",
        ACCELERATION,
        (
            _words("longitudinal acceleration, acceleration longitudinal, longitudinal accel, accel longitudinal")
            + _words(
                "long accel, accel long, long acc, acc long, lon acc, acc lon, lon accel, accel lon, a lon, a long"
            )
            + _words("longitudinal acc, acc longitudinal, ax, a x, acc x, x acc, accel x, x accel")
            + _words("acceleration x, x acceleration, inline acc, inline acceleration, in line acceleration")
            + _words("g lon, g long, g longitudinal, lon g, long g, longitudinal g, g x, x g")
            + _words("g force lon, g force long, g force longitudinal, longitudinal g force, g force x"),
        ),
        (_words("longitudinal, lon, long"),),
        _stating("g", "g lon, g long, g longitudinal, lon g, long g, longitudinal g, g x, x g")
        | _stating("g", "g force lon, g force long, g force longitudinal, longitudinal g force, g force x"),
    ),
    Channel(
        "a_lat",
        ACCELERATION,
        (
            _words("lateral acceleration, acceleration lateral, lateral accel, accel lateral, lat accel, accel lat")
            + _words("lat acc, acc lat, lateral acc, acc lateral, a lat, ay, a y, acc y, y acc, accel y, y accel")
            + _words("acceleration y, y acceleration, g lat, g lateral, lat g, lateral g, g y, y g")
            + _words("g force lat, g force lateral, lateral g force, g force y"),
        ),
        (_words("lateral, lat"),),
        _stating("g", "g lat, g lateral, lat g, lateral g, g y, y g")
        | _stating("g", "g force lat, g force lateral, lateral g force, g force y"),
    ),
    Channel(
        "a_vert",
        ACCELERATION,
        (
            _words("vertical acceleration, acceleration vertical, vertical accel, accel vertical, vert acc, vert accel")
            + _words("vertical acc, acc vertical, a vert, az, a z, acc z, z acc, accel z, z accel, acceleration z")
            + _words("z acceleration, g vert, g vertical, vertical g, g z, z g"),
        ),
        (_words("vertical, vert"),),
        _stating("g", "g vert, g vertical, vertical g, g z, z g"),
    ),
    Channel(
        "yaw_rate",
        ANGULAR_VELOCITY,
        (
            _words("yaw rate, yaw velocity, yaw speed, gyro z, z gyro, gyroscope z, gyro yaw, omega z, wz, rotation z")
            + _words("rate of turn, rotation rate z"),
        ),
        (_words("yaw"),),
    ),
    Channel(
        "sideslip",
        ANGLE,
        (_words("sideslip, sideslip angle, side slip, side slip angle, body slip angle, slip angle, beta"),),
    ),
    Channel(
        "steering",
        ANGLE,
        (
            _words("steering, steering angle, steer angle, steer, steering wheel angle, steering wheel"),
            _words("road wheel angle, front wheel angle"),
        ),
    ),
    Channel(
        "throttle",
        RATIO,
        (
            _words("throttle, throttle pedal, throttle position, throttle pedal position, throttle pos, tps, thr")
            + _words("pedal position, pedal pos")
            + _words("accelerator, accelerator pedal, accelerator position, accelerator pedal position"),
        ),
    ),
    Channel(
        "brake_pressure",
        PRESSURE,
        (
            _words("brake pressure, brake line pressure, braking pressure, brake press, pressure brake")
            + _words("p brake, brake p"),
            _words("brake pressure front, front brake pressure, brake press front, front brake press")
            + _words("brake pressure f, p brake front, p brake f, brake p front, brake p f"),
            _words("brake pressure front left, brake pressure fl, p brake fl"),
            _words("brake pressure front right, brake pressure fr, p brake fr"),
            _words("brake pressure rear, rear brake pressure, brake press rear, rear brake press")
            + _words("brake pressure r, p brake rear, p brake r, brake p rear, brake p r"),
        ),
        (
            _words("brake, brakes, brk"),
            _words("brake front, front brake, brakes front, front brakes, brake f"),
            _words("brake rear, rear brake, brakes rear, rear brakes, brake r"),
        ),
    ),
    Channel(
        "brake",
        RATIO,
        (
            _words("brake, brakes, brk, brake pedal, brake position, brake pos")
            + _words("brake pedal position, brake pedal travel"),
        ),
    ),
    Channel(
        "engine_speed",
        ANGULAR_VELOCITY,
        (_words("engine speed, engine rpm, rpm, engine revs, revs, engine rotational speed, n engine, engine n"),),
        (),
        _stating("1/min", "rpm, engine rpm"),
    ),
    Channel(
        "gear",
        NUMBER,
        (_words("gear, gear position, selected gear, current gear, gear number"),),
        default_unit="1",
    ),
    Channel(
        "lap",
        NUMBER,
        (_words("lap, lap number, lap no, lap nr, lap count, lap counter, current lap, lap index"),),
        default_unit="1",
    ),
    Channel(
        "beacon",
        NUMBER,
        (_words("beacon, lap beacon, lap marker, lap trigger, beacon signal, start line marker"),),
        default_unit="1",
    ),
    Channel(
        "satellites",
        NUMBER,
        (
            _words("satellites, satellites in use, sats, sat, gps satellites, gps sats, nsat, gps nsat")
            + _words("n sats, num sats, num satellites, number of satellites"),
        ),
        default_unit="1",
    ),
    Channel("hdop", NUMBER, (_words("hdop, gps hdop, horizontal dilution of precision"),), default_unit="1"),
)
#: Canonical channels by name.
BY_NAME: Mapping[str, Channel] = {channel.name: channel for channel in CHANNELS}


def si_symbol(channel: str) -> str:
    """Unit in which a session holds this channel, for messages and tables."""
    spec = BY_NAME[channel]
    return "deg" if spec.geodetic else SI_SYMBOL[spec.quantity]


def factor_of(channel: Channel, unit: Unit) -> float:
    """What a value in `unit` is multiplied by to become the session's value."""
    return unit.factor * RAD_TO_DEG if channel.geodetic else unit.factor
