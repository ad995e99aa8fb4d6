"""Centre lines of circuits as CSV, in metres or degrees, with or without widths."""

from __future__ import annotations

import csv
import math
import os
import re
from pathlib import Path

import numpy as np

from simlap.corners import find_corners
from simlap.elevation import rounding_of
from simlap.errors import OptionError, TrackFormatError
from simlap.geodesy import origin_of, to_plane
from simlap.line import Line
from simlap.polyline import line_from_vertices
from simlap.track import Track, start_line_across
from simlap.trackfile_read import rounding_of_degrees
from simlap.units import written_number

# Names that a header may use, spelled as `_plain` spells them; units stand in the name. Latitude and longitude are in
# degrees by the standards that name them so (RFC 7946, ISO 6709).
NAMES = {
    "x_m": "x",
    "y_m": "y",
    "east_m": "x",
    "north_m": "y",
    "z_m": "z",
    "altitude_m": "z",
    "elevation_m": "z",
    "latitude": "lat",
    "latitude_deg": "lat",
    "lat": "lat",
    "lat_deg": "lat",
    "longitude": "lon",
    "longitude_deg": "lon",
    "lon": "lon",
    "lon_deg": "lon",
    "w_tr_right_m": "width_right_m",
    "width_right_m": "width_right_m",
    "w_tr_left_m": "width_left_m",
    "width_left_m": "width_left_m",
    "banking_deg": "banking_deg",
}
# What the columns may hold. A runway is 30 m wide to either side, the steepest banked tracks have about 50 degrees.
RANGES = {
    "lat": (-90, 90),
    "lon": (-180, 180),
    "width_left_m": (0, 200),
    "width_right_m": (0, 200),
    "banking_deg": (-60, 60),
}
DELIMITERS = (";", "\t", ",")
LARGEST_FILE = 100_000_000  # [bytes] a centre line every 0.1 m of a 20 km circuit has 10 MB
# Shortest distance between the ends of a line that is taken as an open one, and its least share of the length: the
# last step of a closed line is about as long as its others.
OPEN_ENDS, OPEN_SHARE = 50.0, 0.05  # [m], [1]
LONGEST_QUOTE = 80  # characters of the file that a message repeats
# Turn of a whole bend over the largest turn from one step between the points to the next. Of 2855 bends of 45 to 180
# degrees and 8 to 150 m, arcs alone or with clothoids, with points 3 to 40 m apart, the curvature at the apex is more
# than 5 % off in 82 % below 3 (by up to 100 %), 14 % from 3 to 3.5, 6 % to 4 (by up to 8 %), and in none from 4 on. A
# right angle of 20 m radius needs points every 8 m.
FEWEST_STEPS, ENOUGH_STEPS = 3.5, 4.0
MOST_LISTED = 5  # corners that a message names
HALF_WIDTH = 7.5  # [m] half of the start line where no widths are given
# Once round is a turn by 360 degrees, a figure of eight 0, one loop inside another (over a bridge) 720.
MOST_ROUNDS = 2.5


def track_from_centre_line(
    path: str | os.PathLike[str],
    *,
    origin: tuple[float, float] | None = None,
    name: str | None = None,
    reverse: bool = False,
) -> Track:
    """The track of `read_centre_line`, without its notes."""
    return read_centre_line(path, origin=origin, name=name, reverse=reverse)[0]


def read_centre_line(
    path: str | os.PathLike[str],
    *,
    origin: tuple[float, float] | None = None,
    name: str | None = None,
    reverse: bool = False,
) -> tuple[Track, tuple[str, ...]]:
    """Read a closed centre line and find its corners; the start line lies at the first row.

    Parameters
    ----------
    path : path
        CSV with a header; columns ``x_m, y_m`` or ``latitude, longitude``, optionally ``z_m``, ``w_tr_right_m``,
        ``w_tr_left_m``, ``banking_deg``. The last row leads back to the first.
    origin : (latitude, longitude), optional
        Where x = 0, y = 0 lies, for a line in metres. [deg]
    name : str, optional
        Of the circuit; the file's name without ending when left out.
    reverse : bool
        The rows run against the driving direction.

    Returns
    -------
    track : Track
    notes : tuple of str
        Where its points lie too far apart to tell the curvature of corners.

    Raises
    ------
    TrackFormatError
        Naming file, row and column.
    OptionError
        When an origin is given for a line in degrees.
    """
    source = os.fspath(path)
    columns = _read(source)
    points, rounding, origin = _placed(columns, origin, source)
    _refuse_open(points, source)
    if reverse:
        points, columns = _reversed(points, columns)
    try:
        line, widths = line_from_vertices(points, columns, None, rounding=rounding)
    except OptionError as error:
        raise TrackFormatError(f"{source}: {error}") from error
    _refuse_laps(line, source)
    half = max([HALF_WIDTH, *(float(width[0]) for width in widths.values())])
    track = Track(
        name=name or Path(source).stem,
        line=line,
        start_line=start_line_across(line, half),
        corners=find_corners(line),
        origin=origin,
        has_elevation="z" in columns,
        width_left=widths.get("width_left_m"),
        width_right=widths.get("width_right_m"),
    )
    return track, _too_coarse(points, track)


def _placed(
    columns: dict[str, np.ndarray], origin: tuple[float, float] | None, source: str
) -> tuple[np.ndarray, float, tuple[float, float] | None]:
    """Points (n, 2) [m], taken out of the columns, what rounding in the file does to them [m], and their origin."""
    if "lat" not in columns:
        x, y = columns.pop("x"), columns.pop("y")
        return np.stack((x, y), axis=1), rounding_of(np.append(x, y)) / math.sqrt(12.0), origin
    if origin is not None:
        raise OptionError(f"{source} is in degrees and has its place already. Leave --origin out.")
    lat, lon = columns.pop("lat"), columns.pop("lon")
    origin = origin_of(lat, lon)
    points = np.stack(to_plane(lat, lon, origin), axis=1)
    return points, rounding_of_degrees(np.stack((lat, lon), axis=1)), origin


def _refuse_open(points: np.ndarray, source: str) -> None:
    """Refuse points (n, 2) [m] that end far from where they began."""
    run = np.linalg.norm(np.diff(points, axis=0), axis=1)
    gap = float(np.linalg.norm(points[-1] - points[0]))
    if gap > OPEN_ENDS and gap > OPEN_SHARE * run.sum():
        raise TrackFormatError(
            f"{source}: the last row lies {gap:.0f} m from the first, so this line is open. A circuit's last row leads "
            "back to its first."
        )


def _refuse_laps(line: Line, source: str) -> None:
    """Refuse a line that goes round as the positions of several laps do."""
    rounds = abs(float(np.sum(line.kappa))) * line.length / len(line.kappa) / (2.0 * math.pi)
    if rounds > MOST_ROUNDS:
        raise TrackFormatError(
            f"{source}: the line goes round {rounds:.0f} times, as the log of so many laps does; a centre line goes "
            "once. Leave --centre-line out to draw the circuit from a log."
        )


def _too_coarse(points: np.ndarray, track: Track) -> tuple[str, ...]:
    """One note on the corners whose curvature the points (n, 2) [m] are too far apart to tell, if there are any."""
    steps = np.diff(points, axis=0, append=points[:1])
    steps = steps[np.hypot(*steps.T) > 0.0]
    size = np.hypot(*steps.T)
    course = np.arctan2(steps[:, 1], steps[:, 0])
    turn = (course - np.roll(course, 1) + math.pi) % (2.0 * math.pi) - math.pi  # at the point before each step
    length = track.line.length
    station = (np.cumsum(size) - size) * length / size.sum()
    half = 0.5 * (size + np.roll(size, 1))  # a turn at a point stands for half a step each way
    told, spacing = [], math.inf
    for corner in track.corners:
        sign = 1.0 if corner.direction == "left" else -1.0
        wide = (corner.exit_m - corner.entry_m) % length + half
        own = np.where((station - corner.entry_m + 0.5 * half) % length <= wide, np.maximum(sign * turn, 0.0), 0.0)
        largest = int(np.argmax(own))
        if own[largest] > 0.0 and own.sum() < FEWEST_STEPS * own[largest]:
            told.append(corner.name)
            spacing = min(spacing, float(half[largest] * own.sum() / own[largest]) / ENOUGH_STEPS)
    if not told:
        return ()
    low, high = f"{size.min():.0f}", f"{size.max():.0f}"
    apart = low if low == high else f"{low} to {high}"
    which = f"corner {told[0]}" if len(told) == 1 else f"{len(told)} of {len(track.corners)} corners ({_listed(told)})"
    return (
        f"The points lie {apart} m apart: too far for {which}, whose curvature may be more than 5 % wrong, and with "
        f"it the limit. Give points every {max(int(spacing), 1)} m there, or draw the circuit from a session's laps.",
    )


def _listed(names: list[str]) -> str:
    """The first names, and how many more."""
    return ", ".join(names[:MOST_LISTED]) + (f" and {len(names) - MOST_LISTED} more" * (len(names) > MOST_LISTED))


def _reversed(points: np.ndarray, columns: dict[str, np.ndarray]) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """The closed line driven the other way from the same first row: left and right change places."""
    back = np.roll(np.arange(len(points))[::-1], 1)
    sides = {"width_left_m": "width_right_m", "width_right_m": "width_left_m"}
    columns = {sides.get(key, key): values[back] for key, values in columns.items()}
    if "banking_deg" in columns:
        columns["banking_deg"] = -columns["banking_deg"]
    return points[back], columns


def _plain(header: str) -> str:
    """``Lat [deg]``, ``lat (deg)`` and ``# lat_deg`` are ``lat_deg``."""
    words = re.sub(r"[\[\](){}#\s]+", " ", header.strip().lower().strip('"')).strip()
    return re.sub(r"[ _]+", "_", words)


def _read(source: str) -> dict[str, np.ndarray]:
    """Columns by their plain names; every cell a finite number."""
    try:
        if Path(source).stat().st_size > LARGEST_FILE:
            raise TrackFormatError(f"{source}: larger than {LARGEST_FILE} bytes; a centre line is not.")
        text = Path(source).read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise TrackFormatError(f"{source}: cannot be read ({error.strerror}). Give a centre line.") from error
    except UnicodeDecodeError as error:
        raise TrackFormatError(f"{source}: byte {error.start} is not UTF-8. Save the centre line as CSV.") from error
    lines = text.splitlines()
    top = next((k for k, row in enumerate(lines) if row.strip("# \t;,")), None)
    if top is None:
        raise TrackFormatError(f"{source}: the file is empty. Give a CSV with a header and one row per point.")
    delimiter = next((d for d in DELIMITERS if d in lines[top]), ",")
    reader = csv.reader(lines[top:], delimiter=delimiter)
    try:
        first, *below = [(top + reader.line_num, cells) for cells in reader]
    except csv.Error as error:
        raise TrackFormatError(f"{source}: {error}, so this is no CSV. Give a centre line.") from error
    header = [_plain(cell) for cell in first[1]]
    wanted = {}
    for index, cell in enumerate(header):
        key = NAMES.get(cell)
        if key in wanted:
            raise TrackFormatError(f"{source}, row {top + 1}: two columns hold {cell!r}. Delete one of them.")
        if key is not None:
            wanted[key] = index
    if not ({"x", "y"} <= wanted.keys() or {"lat", "lon"} <= wanted.keys()):
        raise TrackFormatError(
            f"{source}, row {top + 1}: the columns are {_short(', '.join(header))}. A centre line has x_m and y_m, "
            "or latitude and longitude, in its header."
        )
    if "lat" in wanted and "x" in wanted:
        raise TrackFormatError(f"{source}, row {top + 1}: both metres and degrees. Delete two of the columns.")
    rows = {
        number: [_number(cells, wanted[key], source, number, header, delimiter) for key in wanted]
        for number, cells in below
        if any(cell.strip() for cell in cells)
    }
    if len(rows) < 8:
        raise TrackFormatError(f"{source}: {len(rows)} points; a circuit needs at least 8.")
    columns = dict(zip(wanted, np.array([*rows.values()]).T, strict=True))
    for key, (low, high) in RANGES.items():
        bad = (columns[key] < low) | (columns[key] > high) if key in columns else np.zeros(len(rows), dtype=bool)
        if bad.any():
            at = int(np.argmax(bad))
            raise TrackFormatError(
                f"{source}, row {[*rows][at]}, column {header[wanted[key]]!r}: {columns[key][at]:g} is outside {low} "
                f"to {high}. Mend or delete the row."
            )
    return columns


def _number(cells: list[str], index: int, source: str, row: int, header: list[str], delimiter: str) -> float:
    """One finite cell; a decimal comma is allowed where the comma does not part the columns."""
    cell = cells[index].strip() if index < len(cells) else ""
    try:
        value = written_number(cell.replace(",", ".") if delimiter != "," else cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise TrackFormatError(
            f"{source}, row {row}, column {header[index]!r}: {_short(cell)} is not a finite number. Mend or delete "
            "the row."
        )
    return value


def _short(text: str) -> str:
    """Text of the file in quotes, at most `LONGEST_QUOTE` characters of it."""
    return repr(text if len(text) <= LONGEST_QUOTE else text[:LONGEST_QUOTE] + "...")
