"""Whatever bytes a file holds, a reader answers with a session or with one of our errors in one line.

Bounded and derandomized: the same inputs in every run.
"""

import contextlib
import io
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simlap.errors import SimlapError
from simlap.readers import parse_column_option, read_session

FUZZ = settings(
    max_examples=150,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

#: Twenty column names of any length may stand in a message; beyond this nobody reads it.
LONGEST_MESSAGE = 4000

CSV = b"time_s,speed_kmh,latitude,longitude,gear\n" + b"".join(
    b"%.1f,%d,50.%04d,8.%04d,%d\n" % (i / 10, i, i, i, i % 6) for i in range(40)
)
GPX = (
    b'<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1"><trk><trkseg>'
    b'<trkpt lat="50.1" lon="8.1"><ele>1</ele><time>2026-11-25T10:00:00Z</time><extensions><speed>1</speed>'
    b"</extensions></trkpt>"
    b'<trkpt lat="50.2" lon="8.2"><ele>2</ele><time>2026-11-25T10:00:01.5Z</time><sat>9</sat><hdop>1</hdop></trkpt>'
    b"</trkseg></trk></gpx>"
)
NMEA = (
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
    b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48\r\n"
    b"$GPRMC,123520,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*60\r\n"
)


def mdf_bytes():
    asammdf = pytest.importorskip("asammdf")
    t = np.arange(50) / 10
    with tempfile.TemporaryDirectory() as folder, asammdf.MDF(version="4.10") as file:
        file.append(
            [asammdf.Signal(t * 3, t, name="Speed", unit="km/h"), asammdf.Signal(t, t, name="LatAcc", unit="g")]
        )
        file.append([asammdf.Signal(50 + t[::5], t[::5], name="Latitude", unit="deg")])
        path = Path(folder) / "made.mf4"
        file.save(path)
        return path.read_bytes()


def table_bytes(kind):
    pa = pytest.importorskip("pyarrow")
    data = pa.table({"time_s": np.arange(50) / 10, "speed_kmh": np.arange(50.0), "name": ["x"] * 50})
    sink = io.BytesIO()
    if kind == "parquet":
        pytest.importorskip("pyarrow.parquet").write_table(data, sink)
    else:
        pytest.importorskip("pyarrow.feather").write_feather(data, sink)
    return sink.getvalue()


def read_bytes(content):
    """Read the content as a file: a session, or our error in one line; anything else fails the test."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.dat"
        path.write_bytes(content)
        text = ""
        try:
            session = read_session(path)
            assert np.all(np.diff(session.t) > 0)
        except SimlapError as error:
            text = str(error)
        assert "\n" not in text
        assert len(text) < LONGEST_MESSAGE


@st.composite
def damaged(draw, whole):
    """The bytes of a good file with a few of them changed, cut out, repeated or appended."""
    content = bytearray(whole)
    for _ in range(draw(st.integers(1, 4))):
        place = draw(st.integers(0, max(len(content) - 1, 0)))
        length = draw(st.integers(1, 40))
        kind = draw(st.sampled_from(["change", "cut", "repeat", "insert", "end"]))
        if kind == "change":
            content[place : place + 1] = draw(st.binary(min_size=1, max_size=8))
        elif kind == "cut":
            del content[place : place + length]
        elif kind == "repeat":
            content[place:place] = content[place : place + length]
        elif kind == "insert":
            content[place:place] = draw(st.binary(min_size=1, max_size=8))
        else:
            del content[place:]
    return bytes(content)


@FUZZ
@given(damaged(CSV))
def test_a_damaged_csv_file_never_ends_in_a_traceback(content):
    read_bytes(content)


@FUZZ
@given(damaged(GPX))
def test_a_damaged_gpx_file_never_ends_in_a_traceback(content):
    read_bytes(content)


@FUZZ
@given(damaged(NMEA))
def test_a_damaged_nmea_file_never_ends_in_a_traceback(content):
    read_bytes(content)


@pytest.mark.filterwarnings("error::pytest.PytestUnraisableExceptionWarning")
@settings(parent=FUZZ, max_examples=60)
@given(st.data())
def test_a_damaged_mdf_file_never_ends_in_a_traceback(data):
    read_bytes(data.draw(damaged(mdf_bytes())))


@pytest.mark.parametrize("kind", ["parquet", "feather"])
@settings(parent=FUZZ, max_examples=60)
@given(st.data())
def test_a_damaged_table_file_never_ends_in_a_traceback(kind, data):
    read_bytes(data.draw(damaged(table_bytes(kind))))


@FUZZ
@given(st.binary(max_size=300))
def test_any_bytes_never_end_in_a_traceback(content):
    read_bytes(content)


CELL = st.one_of(
    st.sampled_from(
        ["0", "1.5", "-3", "1e400", "nan", "inf", "", "x", "10:00:00", '"', "1,5", "180", "91", "N", "\x00", "é"]
    ),
    st.floats(width=32).map(str),
    st.text(max_size=6),
)
HEADER = st.sampled_from(
    [
        "time_s",
        "Time",
        "speed_kmh",
        "Speed (m/s)",
        "latitude",
        "longitude",
        "lateral_g",
        "gear",
        "lap",
        "x_m",
        "y_m",
        "foo",
        "",
    ]
)


@FUZZ
@given(
    st.lists(HEADER, min_size=1, max_size=6),
    st.lists(st.lists(CELL, min_size=0, max_size=7), max_size=12),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["utf-8", "utf-16", "latin-1"]),
)
def test_any_table_of_cells_never_ends_in_a_traceback(header, rows, delimiter, encoding):
    text = "\n".join(delimiter.join(row) for row in [header, *rows])
    read_bytes(text.encode(encoding, errors="replace"))


@FUZZ
@given(st.text(max_size=30), st.sampled_from(["", "speed=", "time=", 'speed="x":', "lap=", "velo=x"]))
def test_any_column_option_never_ends_in_a_traceback(text, start):
    with contextlib.suppress(SimlapError):
        parse_column_option(start + text)
