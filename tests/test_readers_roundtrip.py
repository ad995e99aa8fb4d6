"""One known drive, written in every mixture of units, delimiters, encodings and layouts, reads back the same.

The factors from SI to the written units are repeated here from NIST SP 811, appendix B.8, not taken from the code.
"""

from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from simlap.readers import read_session

DATA = Path(__file__).parent / "data"
N = 12
DRIVE = {
    "time": np.arange(N) / 8 + 3.0,
    "latitude": 50.0 + np.arange(N) * 1e-5,
    "longitude": -8.0 - np.arange(N) * 1e-5,
    "speed": 40.0 + np.sin(np.arange(N)),
    "a_lon": np.cos(np.arange(N)) * 5,
    "a_lat": np.sin(np.arange(N)) * 9,
    "yaw_rate": np.sin(np.arange(N)) * 0.3,
    "throttle": np.linspace(0, 1, N),
    "brake_pressure": np.linspace(0, 6e6, N),
    "engine_speed": np.linspace(300, 700, N),
}
#: Names, and for each unit what it is called and how many of it make one SI unit.
WRITTEN = {
    "time": (("Time", "Elapsed time", "timestamp"), {"s": 1.0, "ms": 1000.0, "min": 1 / 60}),
    "latitude": (("Latitude", "GPS Lat"), {"deg": 1.0, "rad": np.pi / 180, "°": 1.0}),
    "longitude": (("Longitude", "GPS Lon"), {"deg": 1.0, "rad": np.pi / 180, "°": 1.0}),
    "speed": (("Speed", "GPS Speed", "Ground speed"), {"m/s": 1.0, "km/h": 3.6, "mph": 1 / 0.44704, "kn": 3600 / 1852}),
    "a_lon": (("Longitudinal acceleration", "Long Acc", "ax"), {"g": 1 / 9.80665, "m/s²": 1.0, "m/s^2": 1.0}),
    "a_lat": (("Lateral acceleration", "Lat Acc", "ay"), {"g": 1 / 9.80665, "m/s²": 1.0, "m/s2": 1.0}),
    "yaw_rate": (("Yaw rate", "Gyro Z"), {"deg/s": 180 / np.pi, "°/s": 180 / np.pi, "rad/s": 1.0}),
    "throttle": (("Throttle", "Accelerator pedal"), {"%": 100.0, "0..1": 1.0}),
    "brake_pressure": (("Brake pressure", "Brake"), {"bar": 1e-5, "kPa": 1e-3, "MPa": 1e-6, "psi": 1 / 6894.757293168}),
    "engine_speed": (
        ("Engine speed", "Engine revs"),
        {"1/min": 60 / (2 * np.pi), "rpm": 60 / (2 * np.pi), "rad/s": 1.0},
    ),
}


@st.composite
def written(draw):
    """The bytes of a file that holds the drive, in a drawn layout."""
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    comma = delimiter != "," and draw(st.booleans())
    units_row = draw(st.booleans())
    order = draw(st.permutations(sorted(DRIVE)))
    headers, units, columns = [], [], []
    for channel in order:
        names, spellings = WRITTEN[channel]
        name, unit = draw(st.sampled_from(names)), draw(st.sampled_from(sorted(spellings)))
        shape = "{0}" if units_row else draw(st.sampled_from(["{0} ({1})", "{0} [{1}]", "{0}({1})", "{0} / ({1})"]))
        headers.append(shape.format(name, unit))
        units.append(unit)
        columns.append([f"{value:.12g}" for value in DRIVE[channel] * spellings[unit]])
    quote = '"{}"'.format if draw(st.booleans()) else str
    lines = [draw(st.sampled_from(["", "Session 7", "Remark: wet, cold; windy\n\n"]))]
    lines.append(delimiter.join(quote(header) for header in headers))
    if units_row:
        lines.append(delimiter.join(quote(unit) for unit in units))
    for row in zip(*columns, strict=True):
        cells = [cell.replace(".", ",") if comma else cell for cell in row]
        lines.append(delimiter.join(cells))
    text = draw(st.sampled_from(["\n", "\r\n"])).join(lines) + "\n"
    return text.encode(draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"])))


@settings(max_examples=120, deadline=None, derandomize=True, database=None)
@given(content=written())
def test_a_drive_reads_back_the_same_from_any_layout(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("drive") / "log.csv"
    path.write_bytes(content)
    session = read_session(path)
    np.testing.assert_allclose(session.t, DRIVE["time"], rtol=1e-11)  # twelve digits are written
    assert set(session.channels) == set(DRIVE) - {"time"}
    for name, values in DRIVE.items():
        if name != "time":
            np.testing.assert_allclose(session.channel(name), values, rtol=1e-11, atol=1e-11, err_msg=name)


def test_a_log_in_latin_1_with_preamble_units_row_and_decimal_comma():
    # tests/data/decimal_comma_latin1.csv: kept as a file because its bytes are no UTF-8; the first row of data is
    # 0,00 s; 108,0 km/h; -0,50 g; 4,50 °/s; 12,5 bar.
    session = read_session(DATA / "decimal_comma_latin1.csv")
    assert session.t.tolist() == [0.0, 0.05, 0.1]
    first = {name: session.channel(name)[0] for name in session.channels}
    np.testing.assert_allclose(first["speed"], 30.0, rtol=1e-12)
    np.testing.assert_allclose(first["a_lat"], -0.5 * 9.80665, rtol=1e-12)
    np.testing.assert_allclose(first["yaw_rate"], np.pi / 40, rtol=1e-12)
    np.testing.assert_allclose(first["brake_pressure"], 12.5e5, rtol=1e-12)
    assert "numbers are written with a decimal comma" in session.notes
