"""NMEA 0183 text: RMC, GGA and VTG sentences, checksums verified."""

import math
import re
from collections import Counter

import numpy as np
import pynmea2
from pynmea2 import ChecksumError, NMEASentence, ParseError

from simlap.errors import LogFormatError
from simlap.noted import Kind, Note
from simlap.readers.columns import Assigned, assign
from simlap.readers.convert import convert
from simlap.readers.table import RawLog, Request
from simlap.units import NAUTICAL_MILE

#: Columns made of the sentences, with the units of NMEA 0183.
FIELDS = (
    ("time", "s"), ("latitude", "deg"), ("longitude", "deg"), ("altitude", "m"), ("speed over ground", "kn"),
    ("course over ground", "deg"), ("satellites", "1"), ("hdop", "1"),
)  # fmt: skip
#: Types of sentences that are read; others (satellites in view and the like) are passed over.
READ = ("RMC", "GGA", "VTG")
_SENTENCE = re.compile(rf"[$!][A-Z]{{2}}(?:{'|'.join(READ)}),[^$!\r\n]*")


class _Fixes:
    """Rows by time of day; a sentence without a time belongs to the latest one with a time."""

    def __init__(self, leading: bool) -> None:
        self.rows: list[dict[str, float]] = []
        self.leading = leading  # VTG comes before the sentence with the time
        self.waiting: dict[str, float] = {}

    def timed(self, time: float, fields: dict[str, float]) -> None:
        if not self.rows or self.rows[-1]["time"] != time:
            self.rows.append({"time": time})
            self._fill(self.waiting)
            self.waiting = {}
        self._fill(fields)

    def untimed(self, fields: dict[str, float]) -> None:
        if self.leading or not self.rows:
            self.waiting = fields
        else:
            self._fill(fields)

    def _fill(self, fields: dict[str, float]) -> None:
        for name, value in fields.items():
            if math.isfinite(value):
                self.rows[-1].setdefault(name, value)


def read_nmea(request: Request, head: bytes) -> RawLog:
    """One row per time of day, from RMC, GGA and VTG; void fixes keep their row without position and speed.

    Raises
    ------
    LogFormatError
        When no sentence of these types has a right checksum.
    """
    source = request.source
    bad: Counter[str] = Counter()
    sentences = []
    # Serial noise is no reason to give up: NMEA is ASCII, and the checksums find what is damaged.
    content = request.path.read_bytes().replace(b"\x00", b"").decode("latin-1")
    for text in _SENTENCE.findall(content):
        sentence = _parse(text.strip(), bad)
        if sentence is not None:
            sentences.append(sentence)
    leading = bool(sentences) and sentences[0].sentence_type == "VTG"
    fixes = _Fixes(leading)
    for sentence in sentences:
        try:
            _add(fixes, sentence)
        except (ValueError, TypeError, AttributeError, IndexError):  # pynmea2 parses fields when asked for them
            bad["an unreadable field"] += 1
    counted = ", ".join(f"{count} with {what}" for what, count in bad.items())
    if not fixes.rows:
        raise LogFormatError(
            f"{source}: no RMC or GGA sentence with a right checksum and a time"
            + (f" ({counted} left out)." if counted else ".")
        )
    values = {
        name: np.array([row.get(name, math.nan) for row in fixes.rows])
        for name, _unit in FIELDS
        if any(name in row for row in fixes.rows)
    }
    units = dict(FIELDS)
    headers = list(values)
    assigned, columns, notes = assign(source, headers, [units[name] for name in headers], request.choices)
    remarks = list(notes)
    if counted:
        remarks.append(Note(f"NMEA sentences left out: {counted}", Kind.REPAIRED))

    def fetch(item: Assigned) -> np.ndarray:
        return values[headers[item.index]]

    log = convert(source, assigned, columns, remarks, fetch, first_row=1)
    log.time_of_day = True
    return log


def _parse(text: str, bad: Counter[str]) -> NMEASentence | None:
    """A sentence with a right checksum; None, counted in `bad`, when it is broken."""
    try:
        return pynmea2.parse(text, check=True)
    except ChecksumError:
        bad["a wrong checksum"] += 1
    except (ParseError, ValueError, TypeError, IndexError):
        bad["a broken form"] += 1
    return None


def _add(fixes: _Fixes, sentence: NMEASentence) -> None:
    kind = sentence.sentence_type
    if kind == "VTG":
        speed = _float(sentence.spd_over_grnd_kts)
        if not math.isfinite(speed):
            speed = _float(sentence.spd_over_grnd_kmph) * 1000 / NAUTICAL_MILE  # of km/h in knots; NMEA gives both
        fixes.untimed({"course over ground": _float(sentence.true_track), "speed over ground": speed})
        return
    clock = sentence.timestamp
    time = clock.hour * 3600 + clock.minute * 60 + clock.second + clock.microsecond * 1e-6
    fields: dict[str, float] = {}
    if kind == "RMC" and sentence.status == "A":
        fields["speed over ground"] = _float(sentence.spd_over_grnd)
        fields["course over ground"] = _float(sentence.true_course)
        fields["latitude"], fields["longitude"] = _position(sentence)
    elif kind == "GGA" and int(sentence.gps_qual or 0) > 0:
        fields["latitude"], fields["longitude"] = _position(sentence)
        fields["altitude"] = _float(sentence.altitude)
        fields["satellites"] = _float(sentence.num_sats)
        fields["hdop"] = _float(sentence.horizontal_dil)
    fixes.timed(time, fields)


def _position(sentence: NMEASentence) -> tuple[float, float]:
    """Latitude and longitude [deg]; NaN where one of them, or the half of the globe that it lies on, is not told."""
    told = sentence.lat and sentence.lon and sentence.lat_dir in ("N", "S") and sentence.lon_dir in ("E", "W")
    if not told:
        return math.nan, math.nan
    return sentence.latitude, sentence.longitude


def _float(value: object) -> float:
    return math.nan if value is None or value == "" else float(str(value))
