"""GPX 1.1 tracks (topografix.com/GPX/1/1), and GPX 1.0, which still had speed and course."""

import math
import re
from datetime import UTC

import gpxpy
import numpy as np
from gpxpy.gpx import GPXException, GPXTrackPoint, GPXXMLSyntaxException

from simlap.errors import LogFormatError
from simlap.readers.columns import Assigned, assign
from simlap.readers.convert import convert
from simlap.readers.csvfile import whole_text
from simlap.readers.table import RawLog, Request

# The tree of a GPX file takes some 15 times its size in memory. [bytes]
GPX_MAX_BYTES = 200_000_000
#: Elements of the standard and the unit that it gives them; speed and course are of GPX 1.0.
STANDARD = (
    ("time", "hh:mm:ss"), ("lat", "deg"), ("lon", "deg"), ("ele", "m"), ("sat", "1"), ("hdop", "1"),
    ("speed", "m/s"), ("course", "deg"),
)  # fmt: skip
_ATTRIBUTES = ("latitude", "longitude", "elevation", "satellites", "horizontal_dilution", "speed", "course")


def read_gpx(request: Request, head: bytes) -> RawLog:
    """All track points of a GPX file, in the order of the file.

    Elements under ``extensions`` are columns by their local name; the standard gives them no unit, so they are
    read only when their name or the user states one.

    Raises
    ------
    LogFormatError
        No GPX, a document type (entities could blow it up), no point with a time, or a value that is no number.
    """
    source = request.source
    size = request.path.stat().st_size
    if size > GPX_MAX_BYTES:
        raise LogFormatError(
            f"{source}: {size / 1e6:.0f} MB of GPX, more than the {GPX_MAX_BYTES / 1e6:.0f} MB that are read at "
            f"once. Export one outing, or use CSV."
        )
    points = _points(whole_text(request.path, source), source)
    values: dict[str, np.ndarray] = {"time": _times(points)}
    if not np.any(np.isfinite(values["time"])):
        raise LogFormatError(f"{source}: none of its {len(points)} track points has a <time>, so there is no speed.")
    for (name, _unit), attribute in zip(STANDARD[1:], _ATTRIBUTES, strict=True):
        column = np.array([_float(getattr(point, attribute, None)) for point in points])
        if np.any(np.isfinite(column)):
            values[name] = column
    units: dict[str, str | None] = {name: unit for name, unit in STANDARD if name in values}
    extensions = _extensions(points)
    for name, texts in extensions.items():
        if name not in values:
            values[name] = texts
            units[name] = None
    headers = list(values)
    assigned, columns, notes = assign(
        source, headers, [units[name] for name in headers], request.choices,
        unitless=frozenset(index for index, name in enumerate(headers) if units[name] is None),
    )  # fmt: skip

    def fetch(item: Assigned) -> np.ndarray:
        return values[headers[item.index]]

    return convert(source, assigned, columns, notes, fetch, first_row=1)


def _points(text: str, source: str) -> list[GPXTrackPoint]:
    if re.search(r"<!\s*(DOCTYPE|ENTITY)", text, re.IGNORECASE):
        raise LogFormatError(f"{source}: XML with a document type or entities is not read. GPX needs none: delete it.")
    text = re.sub(r"^\s*<\?xml.*?\?>", "", text, count=1, flags=re.DOTALL)
    root = re.search(r"<([A-Za-z][\w:.-]*)", text)
    if root is None or root.group(1).split(":")[-1] != "gpx":
        raise LogFormatError(f"{source}: XML, but no GPX (its root is {root.group(1) if root else 'missing'!r}).")
    try:
        gpx = gpxpy.parse(text)
    except GPXXMLSyntaxException as error:
        raise LogFormatError(f"{source}: the XML is broken ({_one_line(error)}). Export the file again.") from None
    except (GPXException, ValueError, TypeError, AttributeError, LookupError) as error:
        raise LogFormatError(f"{source}: no valid GPX ({_one_line(error)}).") from None
    points = [point for track in gpx.tracks for segment in track.segments for point in segment.points]
    if not points:
        raise LogFormatError(f"{source}: no track points (<trkpt>) in it; routes and waypoints carry no laps.")
    return points


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:200]


def _times(points: list[GPXTrackPoint]) -> np.ndarray:
    """Seconds since midnight (UTC) of the first day, NaN where a point has no time; no zone means UTC (GPX 1.1)."""
    moments = [
        None if point.time is None else point.time if point.time.tzinfo else point.time.replace(tzinfo=UTC)
        for point in points
    ]
    first = next((moment for moment in moments if moment is not None), None)
    if first is None:
        return np.full(len(points), np.nan)
    midnight = first.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    return np.array([math.nan if moment is None else (moment - midnight).total_seconds() for moment in moments])


def _float(value: object) -> float:
    return float(value) if isinstance(value, (int, float)) else math.nan


def _extensions(points: list[GPXTrackPoint]) -> dict[str, np.ndarray]:
    """Texts of the leaf elements under ``extensions``, by local name."""
    found: dict[str, np.ndarray] = {}
    for index, point in enumerate(points):
        for extension in point.extensions:
            for element in extension.iter():
                if len(element) or not isinstance(element.tag, str) or not element.text:
                    continue
                name = re.sub(r"^\{.*\}", "", element.tag)
                if name not in found:  # no setdefault, which would make a column for each text
                    found[name] = np.full(len(points), None, dtype=object)
                found[name][index] = element.text
    return found
