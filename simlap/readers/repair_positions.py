"""Repairs of the positions of a log, each noted: those without a fix, off the globe, swapped or jumping."""

from collections.abc import Iterable

import numpy as np

from simlap.errors import LogFormatError
from simlap.readers.table import RawLog, mark_repaired, plural, repair_note
from simlap.session import Column

# Positions off the globe are removed when they are fewer than this share (transmission errors); more of them mean
# that the columns are not what they are taken for.
FEW = 0.01
# Channels of the receiver beside its position: without a fix it writes 0 for them as well.
OF_RECEIVER = ("speed", "course", "altitude")
# Positions are noted as jumping when two neighbours in time lie farther apart than this.
JUMP = 1000.0  # [m]
METRES_PER_DEGREE = 111_195.0  # mean sphere of 6371.0 km (IUGG); only to tell far from near


def repair_positions(values: dict[str, np.ndarray], time: np.ndarray, log: RawLog) -> None:
    """Take positions that cannot be out of `values`, which is changed, and tell of jumps; `time` (n,) [s].

    Raises
    ------
    LogFormatError
        Where so many lie off the globe that their columns are not what they are taken for.
    """
    if "latitude" not in values or "longitude" not in values:
        return
    latitude, longitude = values["latitude"], values["longitude"]
    nowhere = (latitude == 0.0) & (longitude == 0.0)
    if np.any(nowhere):
        latitude, longitude = _unfixed(latitude, longitude, nowhere, "0,0", log)
        for name in (name for name in OF_RECEIVER if name in values):
            values[name] = np.where(nowhere & (values[name] == 0.0), np.nan, values[name])
    impossible = (np.abs(latitude) > 90.0) | (np.abs(longitude) > 180.0)
    mark = latitude[np.argmax(impossible)]
    if np.any(impossible) and np.all(longitude[impossible] == mark) and np.all(latitude[impossible] == mark):
        latitude, longitude = _unfixed(latitude, longitude, impossible, f"{mark:g},{mark:g}", log)
        for name in (name for name in OF_RECEIVER if name in values):
            values[name] = np.where(impossible, np.nan, values[name])
    elif 0 < impossible.sum() < FEW * max(np.isfinite(latitude).sum(), 1):
        log.notes.append(repair_note(f"{plural(int(impossible.sum()), 'position')} off the globe removed"))
        latitude, longitude = np.where(impossible, np.nan, latitude), np.where(impossible, np.nan, longitude)
        mark_repaired(log, impossible)
    elif np.any(impossible):
        raise LogFormatError(_off_the_globe(latitude, longitude, log))
    values["latitude"], values["longitude"] = latitude, longitude
    _note_jumps(latitude, longitude, time, log)


def _note_jumps(latitude: np.ndarray, longitude: np.ndarray, time: np.ndarray, log: RawLog) -> None:
    """Tell of neighbours in time, (n,) [s], that lie farther apart than `JUMP`."""
    fix = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    if fix.size < 2:
        return
    north = np.diff(latitude[fix]) * METRES_PER_DEGREE
    degrees_east = np.diff(np.unwrap(longitude[fix], period=360.0))
    moved = np.hypot(north, degrees_east * METRES_PER_DEGREE * np.cos(np.radians(latitude[fix[1:]])))
    jumps = np.flatnonzero(moved > JUMP)
    if jumps.size:
        text = (
            f"position jumps by more than 1 km {plural(int(jumps.size), 'time')}, first at "
            f"{time[fix[jumps[0] + 1]]:.2f} s (largest {float(moved[jumps].max()) / 1000:.1f} km)"
        )
        log.notes.append(repair_note(text))


def _unfixed(
    latitude: np.ndarray, longitude: np.ndarray, marked: np.ndarray, place: str, log: RawLog
) -> tuple[np.ndarray, np.ndarray]:
    """The positions without those `marked`, which say by their `place` that there was no fix; noted."""
    log.notes.append(repair_note(f"{plural(int(marked.sum()), 'position')} at {place} (no fix) removed"))
    mark_repaired(log, marked)
    return np.where(marked, np.nan, latitude), np.where(marked, np.nan, longitude)


def swap_them(columns: Iterable[Column]) -> str:
    """How to read latitude and longitude from each other's columns, on the command line."""
    names = {column.channel: column.name for column in columns}
    return (
        f'Swap them: --column latitude="{names.get("longitude", "longitude")}" '
        f'--column longitude="{names.get("latitude", "latitude")}"'
    )


def _degrees_and_minutes(angle: np.ndarray) -> bool:
    """Whether all values may be degrees times 100 plus minutes, and most of them cannot be degrees."""
    size = np.abs(angle[np.isfinite(angle)])
    return bool(np.all(size % 100.0 < 60.0) and np.all(size < 18_100.0) and np.mean(size > 180.0) > 0.5)


def _degrees_of(value: float) -> float:
    """Degrees of degrees times 100 plus minutes."""
    whole = np.trunc(value / 100.0)
    return float(whole + (value - 100.0 * whole) / 60.0)


def _off_the_globe(latitude: np.ndarray, longitude: np.ndarray, log: RawLog) -> str:
    beyond = np.abs(latitude) > 90.0
    if not np.any(beyond):
        worst = longitude[np.argmax(np.abs(longitude) > 180.0)]
        return f"{log.source}: longitude {worst:g} lies beyond 180 degrees. Check its column and unit."
    worst = latitude[np.argmax(beyond)]
    if np.all(np.abs(longitude[beyond]) <= 90.0) and np.all(np.abs(latitude[beyond]) <= 180.0):
        return (
            f"{log.source}: latitude {worst:g} lies beyond 90 degrees: latitude and longitude are swapped. "
            f"{swap_them(log.columns)}"
        )
    if _degrees_and_minutes(latitude) and _degrees_and_minutes(longitude):
        return (
            f"{log.source}: latitude {worst:g} lies beyond 90 degrees: degrees and minutes in one number, as NMEA has "
            f"them. Write degrees with decimals: {worst:g} is {_degrees_of(worst):.6f}."
        )
    return f"{log.source}: latitude {worst:g} lies beyond 90 degrees. Check its column and unit."
