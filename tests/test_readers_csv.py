"""Delimited text: every layout that a logger or spreadsheet writes gives the same numbers.

The reference is always the one written into the file by hand: 36 km/h = 10 m/s and 72 km/h = 20 m/s.
"""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from simlap.errors import LogFormatError
from simlap.readers import describe_channels, read_session

ROUNDING = 1e-12  # one multiplication by a factor
RESEARCH = Path(__file__).parents[2] / "shared" / "data" / "research_session.csv"


@pytest.fixture
def log(tmp_path):
    def write(content, name="log.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


PLAIN = "time_s,speed_kmh\n0.5,36\n1.5,72\n"


@pytest.mark.parametrize(
    "content",
    [
        PLAIN,
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", "|"),
        PLAIN.replace("time_s,speed_kmh", '"time\n(s)","speed\n(km/h)"'),  # RFC 4180, 2.6: line breaks within quotes
        PLAIN.replace("time_s,speed_kmh", '"time\r\n(s)","speed (km/h)\r\n"'),
        PLAIN.replace("time_s", '"time\n\ns"'),
        PLAIN.replace("time_s", 'made "by hand\n"a note\ntime_s'),  # such a quote above the header hides it not
        "time_s;speed_kmh\n0,5;36,0\n1,5;72,0\n",
        '"time_s","speed_kmh"\n"0,5","36,0"\n"1,5","72,0"\n',
        "time_s\tspeed_kmh\n0,5\t36,0\n1,5\t72,0\n",
        "\ufeff" + PLAIN,
        PLAIN.encode("utf-16"),
        PLAIN.encode("utf-16-le"),
        PLAIN.encode("utf-16-be"),
        "Gerät: 7\n\n".encode("latin-1") + PLAIN.encode(),
        "sep=;\n" + PLAIN.replace(",", ";"),
        " time_s , speed_kmh \n 0.5 , 36 \n 1.5 , 72 \n",
        "time_s,speed_kmh,\n0.5,36,\n1.5,72,\n",
        "time_s,speed_kmh\n0.5,36,\n1.5,72,\n",
        PLAIN + "\n\n",
        "\n\n" + PLAIN,
        "Session 5\nDriver,nobody,at all\nStarted,10:31:04\nRate,100,Hz\n\n" + PLAIN,
        'time,speed\ns,km/h\n0.5,36\n1.5,72\n',
        '"time","speed"\n"[s]","[km/h]"\n\n0.5,36\n1.5,72\n',
        "Time (ms),Speed (m/s)\n500,10\n1500,20\n",
        "Time [s],Speed [mph]\n0.5,22.36936292054402\n1.5,44.73872584108804\n",  # 10 m/s / 0.44704
        "t / s,v / (km/h)\n0.5,36\n1.5,72\n",  # quantity / unit, ISO 80000-1
        "time s,speed km/h\n0.5,36\n1.5,72\n",
        "Date,Time\nDriver,nobody\n" + PLAIN,
        'time_s, "speed_kmh"\n0.5, "36"\n1.5, "72"\n',
        "timeS,speedKmh\n0.5,36\n1.5,72\n",
        "time,speed\ntime_s,speed_kmh,remark\n0.5,36,a\n1.5,72,b\n",  # a list of channels above the table
        "time,speed,gear\ns,km/h,1\n0.5,36,2\n1.5,72,3\n",  # 1: the unit of what is counted
        "Setting;note\n" * 250 + PLAIN,
        "comment,time_s,speed_kmh\nwarm up,0.5,36\n\"a, b\",1.5,72\n",
    ],
)  # fmt: skip
def test_the_same_drive_in_any_layout_has_the_same_speed(log, content):
    session = read_session(log(content))
    np.testing.assert_allclose(session.t, [0.5, 1.5], rtol=ROUNDING)
    np.testing.assert_allclose(session.channel("speed"), [10.0, 20.0], rtol=1e-9)  # ten digits of the mph row


def test_the_ending_of_the_name_does_not_matter(log):
    assert read_session(log(PLAIN, "run.gpx")).t.size == 2


def test_units_of_all_quantities_are_brought_to_si(log):
    session = read_session(
        log(
            "time_s,Latitude,Longitude (deg),GPS Speed (kn),longitudinal_g,Lateral (m/s²),yaw_rate_deg_s,"
            "Steering [rad],Throttle %,Brake pressure (psi),RPM,Altitude (ft),Gear,Heading (°)\n"
            "0,50.5,8.25,1,1,1,180,0.5,50,1,60,1,3,90\n1,50.5,8.25,1,1,1,180,0.5,50,1,60,1,3,90\n"
        )
    )
    expected = {
        "latitude": 50.5,
        "longitude": 8.25,
        "speed": 1852 / 3600,  # SI Brochure, 8th edition, table 8: knot = 1852/3600 m/s
        "a_lon": 9.80665,
        "a_lat": 1.0,
        "yaw_rate": np.pi,
        "steering": 0.5,
        "throttle": 0.5,
        "brake_pressure": 6894.757293168,  # NIST SP 811 B.8, with the digits of its definition
        "engine_speed": 2 * np.pi,
        "altitude": 0.3048,
        "gear": 3.0,
        "course": np.pi / 2,
    }
    assert set(session.channels) == set(expected)
    for name, value in expected.items():
        assert session.channel(name)[0] == pytest.approx(value, rel=1e-12), name  # rounding only


def test_latitude_without_a_unit_is_in_degrees_and_says_so(log):
    session = read_session(log("time_s,Latitude,Longitude\n0,50,8\n1,50,8\n"))
    assert session.columns[1].note == "states no unit: degrees, the universal convention for positions"


def test_each_column_is_described_with_channel_unit_and_note(log):
    session = read_session(log("time_s,speed_kmh,oil temperature (C),Yaw (deg)\n0,36,90,1\n1,72,90,2\n"))
    assert describe_channels(session) == [
        ("time_s", "time", "s", ""),
        ("speed_kmh", "speed", "km/h", "times 0.277777778 gives m/s"),
        ("oil temperature (C)", "", "", "unread: no channel of this name"),
        ("Yaw (deg)", "", "", "unread: read as yaw_rate only with a unit of angular velocity in the header"),
    ]


def test_clock_times_count_from_midnight(log):
    session = read_session(log("Time,speed_kmh\n10:31:04.100,36\n10:31:04.350,72\n"))
    # 10 h 31 min 4.1 s = 37864.1 s; half a bit of a float at 4e4 is 4e-12 s
    np.testing.assert_allclose(session.t, [37864.1, 37864.35], rtol=0, atol=1e-11)


def test_cells_that_are_clock_times_state_their_unit_themselves(log):
    session = read_session(log("time_s,speed_kmh\n00:01:40.5,36\n00:01:41.5,72\n"))
    assert session.t.tolist() == [100.5, 101.5]  # 1 min 40.5 s


def test_the_clock_that_counts_from_the_start_is_preferred(log):
    session = read_session(log("Time,UTC,Elapsed time (s),speed_kmh\n10:00:00,08:00:00,5,36\n10:00:01,08:00:01,6,72\n"))
    assert session.t.tolist() == [5.0, 6.0]


@pytest.mark.parametrize("header", ["Lap (s)", "Lap [s]", "current_lap_s"])
def test_a_lap_time_is_no_lap_number(log, header):
    session = read_session(log(f"time_s,speed_kmh,{header}\n0,36,91.2\n1,72,92.2\n"))
    assert not session.has("lap")
    assert session.columns[2].note == "s is no unit of lap"
    assert session.notes == ()


def test_a_column_whose_unit_does_not_fit_its_name_is_told_unless_another_is_read(log):
    # Positions in minutes of arc: without a word the path would be reckoned from speed and yaw rate instead.
    rows = "0,36,10,20,5\n1,72,11,21,6\n"
    session = read_session(log(f"time_s,speed_kmh,latitude (min),longitude (min),course (m)\n{rows}"))
    assert session.notes == (
        "column 'latitude (min)' is not read: min is no unit of latitude",
        "column 'longitude (min)' is not read: min is no unit of longitude",
        "column 'course (m)' is not read: m is no unit of course",
    )
    session = read_session(log(f"time_s,speed_kmh,course (deg),longitude (m),course (m)\n{rows}"), ["longitude=-"])
    assert session.has("course")
    assert session.notes == ()


@pytest.mark.parametrize(
    ("first", "second", "at_s"),
    # 60 s a minute; a stopwatch without hours counts on behind 59 minutes
    [("1:59.5", "2:00.0", 119.5), ("59:59.9", "60:00.4", 3599.9), ("75:12.3", "75:12.8", 4512.3)],
)
def test_minutes_and_seconds_alone_are_a_clock(log, first, second, at_s):
    session = read_session(log(f"Time,speed_kmh\n{first},36\n{second},72\n"))
    np.testing.assert_allclose(session.t, [at_s, at_s + 0.5])


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("23:59:59.9", "00:00:00.1"),
        ("2026-11-25T23:59:59.9Z", "2026-11-26T00:00:00.1Z"),
        ("2026-11-25 23:59:59.9", "2026-11-26 00:00:00.1"),
        ("2026-11-26T01:59:59.9+02:00", "2026-11-26T02:00:00.1+02:00"),
        ("25.11.2026 23:59:59.9", "26.11.2026 00:00:00.1"),
        ("11/25/2026 23:59:59.9", "11/26/2026 00:00:00.1"),
    ],
)
def test_a_drive_through_midnight_lasts_as_long_as_any_other(log, first, second):
    session = read_session(log(f"Time,speed_kmh\n{first},36\n{second},72\n"))
    assert session.duration == pytest.approx(0.2, abs=1e-9)  # a bit of a float at 86400 s is 1.5e-11 s


@pytest.mark.parametrize(
    ("cell", "seconds"),
    [
        ("12:00:01 AM", 1.0),
        ("11:59:59.5 am", 43199.5),
        ("12:00:01 p.m.", 43201.0),
        ("1:00:00 PM", 46800.0),
        ("11/25/2026 11:59:58 PM", 86398.0),
        ("10:31:04:100", 37864.1),  # thousandths behind a third colon
    ],
)
def test_halves_of_the_day_and_thousandths_behind_a_colon_are_clocks(log, cell, seconds):
    session = read_session(log(f"Time,speed_kmh,throttle_%\n{cell},36,0\n{cell},,50\n{later(cell)},72,0\n"))
    assert session.t[0] == pytest.approx(seconds, abs=1e-9)
    assert session.duration == pytest.approx(0.25, abs=1e-9)


def later(cell):
    """The cell a quarter of a second on; its seconds are the last number that a colon is before."""
    clock, half = re.fullmatch(r"(.*?\d)(\s*[AaPp][.Mm]*)?", cell).groups()
    if clock.count(":") == 3:
        return clock[:-3] + f"{int(clock[-3:]) + 250}"
    start, rest = clock.rsplit(":", 1)
    return f"{start}:{float(rest) + 0.25:05.2f}{half or ''}"


@pytest.mark.parametrize(("unit", "factor"), [("us", 1e6), ("µs", 1e6), ("ns", 1e9)])
def test_a_clock_may_count_microseconds_or_nanoseconds(log, unit, factor):
    session = read_session(
        log(f"timestamp ({unit}),speed_kmh\n{1.7e9 * factor:.0f},36\n{1.70000000025e9 * factor:.0f},72\n")
    )
    assert session.duration == pytest.approx(0.25, abs=1e-6)  # a bit of a float at 1.7e18 ns is 256 ns


def test_a_minus_sign_of_typesetters_is_a_minus(log):
    session = read_session(log("time_s,speed_kmh,longitudinal_g\n0,36,\u22120.5\n1,72,0.25\n"))
    assert session.channel("a_lon")[0] == pytest.approx(-0.5 * 9.80665)


def test_clocks_of_two_zones_are_one_clock(log):
    # ISO 8601: 12:00:00 at +02:00 and 11:00:01 at +01:00 are 10:00:00 and 10:00:01 UTC
    session = read_session(log("Time,speed_kmh\n2026-10-25T12:00:00+02:00,36\n2026-10-25T11:00:01+01:00,72\n"))
    assert session.t.tolist() == [36000.0, 36001.0]


def test_units_with_signs_behind_a_blank_are_read(log):
    session = read_session(log("time s,speed_kmh,Yaw rate °/s,ax m/s^2\n0,36,180,2\n1,72,180,2\n"))
    assert session.channel("yaw_rate")[0] == pytest.approx(np.pi, rel=ROUNDING)
    assert session.channel("a_lon")[0] == 2.0


def test_a_byte_order_mark_is_no_part_of_the_first_name(log):
    assert read_session(log("\ufeff" + PLAIN)).columns[0].name == "time_s"


def test_neutral_and_reverse_are_gears(log):
    session = read_session(log("time_s,speed_kmh,gear\n0,1,N\n1,2,3\n2,3,R\n"))
    assert session.channel("gear").tolist() == [0.0, 3.0, -1.0]


def test_a_decimal_comma_is_read_beside_a_column_with_letters(log):
    session = read_session(log("time_s;speed_kmh;gear\n0,0;36,9;N\n0,5;72,0;1\n"))
    np.testing.assert_allclose(session.channel("speed"), [10.25, 20], rtol=ROUNDING)


@pytest.mark.parametrize("word", ["", "NaN", "nan", "NA", "N/A", "#N/A", "null", "None", "-", "--", "?", "1.#QNAN"])
def test_words_for_nothing_are_not_recorded(log, word):
    session = read_session(log(f"time_s,speed_kmh\n0,36\n1,{word}\n2,72\n"))
    np.testing.assert_allclose(session.channel("speed"), [10, np.nan, 20], rtol=ROUNDING)


def test_a_delimiter_at_the_end_of_each_line_makes_no_column(log):
    assert [row[0] for row in describe_channels(read_session(log("time_s,speed_kmh,\n0,36,\n1,72,\n")))] == [
        "time_s",
        "speed_kmh",
    ]


def test_a_lap_column_with_words_is_left_unread_and_says_where(log):
    session = read_session(log("time_s,speed_kmh,lap\n0,1,1\n1,2,pit lane\n"))
    assert not session.has("lap")
    assert describe_channels(session)[2] == ("lap", "", "", "unread: row 3: 'pit lane' is not a number")


def test_gps_speed_is_preferred_to_speed_of_unknown_origin_by_its_name(log):
    session = read_session(log("time_s,speed_kmh,gps_speed_kmh,wheel speed (km/h)\n0,1,36,3\n1,2,72,4\n"))
    np.testing.assert_allclose(session.channel("speed"), [10, 20], rtol=ROUNDING)
    np.testing.assert_allclose(session.channel("wheel_speed") * 3.6, [3, 4], rtol=ROUNDING)
    assert session.columns[1].note == "speed is read from 'gps_speed_kmh', the more exact name"


def test_channels_of_different_rates_leave_cells_empty(log):
    session = read_session(log("time_s,speed_kmh,lateral_g\n0,36,\n0.1,,1\n0.2,72,\n0.3,,NaN\n"))
    np.testing.assert_array_equal(np.isnan(session.channel("speed")), [False, True, False, True])
    np.testing.assert_array_equal(np.isnan(session.channel("a_lat")), [True, False, True, True])
    assert session.notes == ("rows without a value, of 4: speed 2, a_lat 3",)


@pytest.mark.skipif(not RESEARCH.is_file(), reason="the public research session is not beside the project")
def test_the_research_session_reads_without_options():
    # Source: README beside the file: 550 s at 100 Hz, speed 16 to 61 m/s.
    session = read_session(RESEARCH)
    assert session.duration == pytest.approx(550.0, abs=0.01)
    assert set(session.channels) == {"speed", "a_lon", "a_lat", "yaw_rate", "sideslip", "steering"}
    assert session.channel("speed").min() == pytest.approx(16, abs=0.5)
    assert session.channel("speed").max() == pytest.approx(61, abs=0.5)
    # First row of the file: 93.81 km/h, -0.3672 g, 0.597 deg/s.
    assert session.channel("speed")[0] == pytest.approx(93.81 / 3.6)
    assert session.channel("a_lon")[0] == pytest.approx(-0.3672 * 9.80665)
    assert session.channel("yaw_rate")[0] == pytest.approx(np.radians(0.597))
    assert session.notes == ()


# ---------------------------------------------------------------- errors, with the words of each


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", r"^log\.csv: the file is empty\.$"),
        (b"\n \n", r"^log\.csv: the file is empty\.$"),
        ("time_s,speed_kmh\n", r"^log\.csv: only a header \(line 1\), no row of data below it\.$"),
        ("a\n\ntime_s,speed_kmh\n\n", r"only a header \(line 3\)"),
        ("time_s,speed_kmh\n0,36\n", r"^log\.csv: 1 row with a time; at least two are needed\.$"),
        ("0,1\n1,2\n", r"first row holds numbers, so there is no header.*time_s,speed_kmh"),
        ("hello world\nthis is text\n", r"not a table: no line of column names"),
        ("time_s speed_kmh\n0 36\n1 72\n", r"not a table: .* Between two cells stands a comma, semicolon, tab or bar"),
        ("time_s,temperature\n0,1\n1,2\n", r'neither speed nor position.*--column speed="NAME":km/h.*\'temperature\''),
        ("time_s,latitude\n0,1\n1,2\n", r"neither speed nor position"),
        ("speed_kmh,temperature\n0,1\n1,2\n", r"no column of time.*--column time=\"NAME\":s"),
        ("foo,bar\n0,1\n1,2\n", r"no column of time.*Columns: 'foo', 'bar'\.$"),
        ("time_s,speed_kmh\n0,36\n1,fast\n", r"^log\.csv, row 3, column 'speed_kmh': 'fast' is not a number\. "
                                            r"Write it in km/h with a decimal point, empty the cell, or delete"),
        ("x\ny\n\ntime_s,speed\ns,km/h\n\n0,36\n1,fast\n", r"row 8, column 'speed': 'fast'"),
        ('x\n"time\n(s)","speed\n(km/h)"\n0,36\n1,fast\n', r"row 6, column 'speed \(km/h\)': 'fast'"),
        ('"time_s,speed_kmh\n0,36\n1,72\n', r"row 1: a quote is opened and never closed"),
        ("time_s,speed_kmh\n0,36\n1,time_s\n", r"row 3, column 'speed_kmh': 'time_s' is not a number"),
        ("time_s,speed_kmh\n0,36\n1,72\nend of log\n", r"row 4, column 'time_s': 'end of log'"),
        ("time_s,speed_kmh\n0,0x10\n1,2\n", r"row 2, column 'speed_kmh': '0x10' is not a number"),
        ("time_s,speed_kmh\n0,True\n1,2\n", r"row 2, column 'speed_kmh': 'True' is not a number"),
        ("time_s;speed_kmh\n0;1.234,5\n1;2,0\n", r"row 2, column 'speed_kmh': '1\.234,5' is not a number"),
        ("time_s,speed_kmh\n0,1\n0,5,1\n", r"row 3: more cells than the 2 columns of the header \('1' lies beyond\)"),
        ("time_s,speed_kmh\n0,1\n1,\"2\n", r"row 3: a quote is opened and never closed"),
        ("Time,speed_kmh\n10:00:00,1\nnoon,2\n", r"row 3, column 'Time': 'noon' is no time of day"),
        ("time_s,Speed\n0,1\n1,2\n", r"column 'Speed' \(speed\) states no unit: give one of m/s, km/h, mph, kn\. "
                                     r"State it: --column speed=\"Speed\":UNIT \(or in columns\.toml"),
        ("time_s,Speed (furlong)\n0,1\n1,2\n", r"\(speed\) states 'furlong', which is no unit known here"),
        ("Time,speed_kmh\n0,1\n1,2\n", r"column 'Time' \(time\) states no unit: give one of s, ms, min, hh:mm:ss"),
        ("time_s,speed_kmh,brake\n0,1,1\n1,2,1\n", r"'brake' \(brake\) states no unit: give one of %, 0\.\.1, or as "
                                                   r"brake_pressure one of Pa.*unread: --column brake=-"),
        ("time_s,speed_kmh,speed_kmh\n0,1,2\n1,2,3\n", r"columns 'speed_kmh' \(column 2\) and 'speed_kmh' \(column 3\) "
                                                       r"are both speed\. Choose one: --column speed=#2"),
        ("time_s,Speed (m/s),Velocity (m/s)\n0,1,2\n1,2,3\n", r"'Speed \(m/s\)' \(column 2\) and 'Velocity \(m/s\)' "
                                                            r"\(column 3\) are both.*--column speed=\"Speed \(m/s\)\""),
        ("time_s,speed_kmh\n0,\n1,\n", r"columns of speed and position hold no numbers"),
        (PLAIN.encode() + bytes(50), r"row 4, column 'time_s': '(\\x00)+.* is not a number.*delete the row"),
        (bytes(range(256)) * 10, r"not a text file \(byte 0x00 at 0\)"),
        (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", r"not a text file"),
        (b"PK\x03\x04" + bytes(20), r"a zip archive or spreadsheet\. Unpack it, or save it as CSV"),
        (b"FEA1" + bytes(20), r"Feather version 1, which is out of use\. Write it as version 2, or as Parquet"),
        (b"\x1f\x8b\x08" + bytes(20), r"a compressed file\. Unpack it first"),
    ],
)  # fmt: skip
def test_a_bad_file_is_named_with_its_place_and_what_to_do(log, content, message):
    if content == PLAIN.encode() + bytes(50) and pd.__version__.startswith(("2.", "3.0.")):
        pytest.skip("pandas before 3.1 takes zero bytes for an empty line")
    with pytest.raises(LogFormatError, match=message) as caught:
        read_session(log(content))
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_said_to_be_missing(tmp_path):
    with pytest.raises(LogFormatError, match=r"nowhere\.csv: no such file"):
        read_session(tmp_path / "nowhere.csv")


@pytest.mark.skipif(not Path("/dev/null").exists(), reason="this system has no devices among its files")
def test_what_can_be_read_but_once_is_refused_before_it_is_opened():
    # A pipe without a writer would be waited for, and one read twice would give the end of the log alone.
    with pytest.raises(LogFormatError, match=r"^/dev/null: is a pipe or device\. Write what comes from it to a file"):
        read_session("/dev/null")


def test_a_folder_is_said_to_be_a_folder(tmp_path):
    with pytest.raises(LogFormatError, match=r"is a folder\. Name the log file in it"):
        read_session(tmp_path)


def test_a_file_of_2_gb_is_refused_before_it_is_read(tmp_path):
    path = tmp_path / "huge.csv"
    with path.open("wb") as stream:
        stream.write(PLAIN.encode())
        stream.truncate(2_000_000_000)  # a hole: takes no room on the disk
    with pytest.raises(LogFormatError, match=r"huge\.csv: 2\.0 GB, more than the 1 GB that are read at once"):
        read_session(path)


def test_no_file_at_all_is_said():
    with pytest.raises(LogFormatError, match="name at least one file"):
        read_session([])


def test_two_columns_of_one_name_do_not_matter_while_neither_is_read(log):
    session = read_session(log("time_s,speed_kmh,foo,foo\n0,36,2,3\n1,72,3,4\n"))
    np.testing.assert_allclose(session.channel("speed"), [10, 20], rtol=ROUNDING)


def test_a_very_long_cell_is_quoted_short(log):
    with pytest.raises(LogFormatError) as caught:
        read_session(log("time_s,speed_kmh\n0,1\n1," + "x" * 5000 + "\n"))
    assert len(str(caught.value)) < 300


def test_letters_of_the_hemisphere_tell_the_sign(tmp_path):
    # NMEA 0183 writes degrees without a sign and N or S, E or W beside them; so do tables made from it. A column that
    # says N for "no" is none of these.
    file = tmp_path / "log.csv"
    file.write_text(
        "time_s,latitude_deg,N/S,longitude_deg,E/W,speed_kmh,valid\n"
        + "".join(f"{0.1 * i:.1f},52.0{i},N,1.01{i},W,{100 + i},N\n" for i in range(5)),
        encoding="utf-8",
    )
    log = read_session(file)
    assert log.channel("latitude") == pytest.approx([52.0, 52.01, 52.02, 52.03, 52.04])
    assert (log.channel("longitude") < 0.0).all()
    assert any("sign is read from column 'E/W'" in note for note in log.notes)


def test_a_sign_and_letters_of_the_hemisphere_tell_west_once(log):
    # A table that writes both: -1.01 W is west, not east. An empty column beside it tells nothing.
    session = read_session(
        log("time_s,latitude_deg,N/S,longitude_deg,E/W,speed_kmh\n0,52.1,,-1.01,W,36\n1,52.2,,-1.02,W,72\n")
    )
    assert session.channel("latitude") == pytest.approx([52.1, 52.2])
    assert session.channel("longitude") == pytest.approx([-1.01, -1.02])
    assert [note for note in session.notes if "sign is read" in note] == [
        "longitude: its sign is read from column 'E/W'"
    ]


def test_commas_between_thousands_are_not_taken_for_decimals(log):
    # 7,250 turns a minute beside times with a decimal point: read with a decimal comma they would be 7.25.
    with pytest.raises(LogFormatError, match=r"row 2, column 'rpm': '7,250' is not a number"):
        read_session(log('time_s,speed_kmh,rpm\n0.5,36,"7,250"\n1.5,72,"7,300"\n'))


def test_points_in_a_date_do_not_hide_a_decimal_comma(log):
    session = read_session(log("Datum;time_s;speed_kmh\n27.11.2026;0,0;36,9\n27.11.2026;0,5;72,0\n"))
    assert session.t.tolist() == [0.0, 0.5]
    np.testing.assert_allclose(session.channel("speed"), [10.25, 20], rtol=ROUNDING)


def test_a_decimal_comma_is_seen_in_cells_with_blanks_about_them(log):
    session = read_session(log("time_s;speed_kmh\n 0,0 ; 36,9 \n 0,5 ; 72,0 \n"))
    np.testing.assert_allclose(session.channel("speed"), [10.25, 20], rtol=ROUNDING)


def test_a_decimal_comma_that_comes_late_is_seen(log):
    # A logger that writes whole numbers without decimals: 150 rows at standstill, then 0.5 and 72.5 km/h.
    rows = "".join(f"{i};0\n" for i in range(150))
    session = read_session(log(f"time_s;speed_kmh\n{rows}150,5;72,5\n"))
    assert session.t[-1] == 150.5
    assert session.channel("speed")[-1] == pytest.approx(72.5 / 3.6)


@pytest.mark.parametrize("above", ["Serial,Rate\n7,100\n\n", "Logger,model,of,that,name\n7,x\n"])
def test_names_that_tell_nothing_stand_in_the_widest_line_right_above_as_many_numbers(log, above):
    session = read_session(log(f"{above}foo,bar,baz\n0.5,36,1\n1.5,72,2\n"), columns=["time=#1:s", "speed=#2:km/h"])
    assert [column.name for column in session.columns] == ["foo", "bar", "baz"]
    assert session.channel("speed") == pytest.approx([10.0, 20.0])


@pytest.mark.parametrize("units", ["", "s,km/h\n"])
def test_a_header_that_stands_again_further_down_is_passed_over(tmp_path, units):
    # Two logs of 10 rows put behind one another, speed in km/h ten times the time in seconds.
    names = "time,speed" if units else "time_s,speed_kmh"
    rows = [f"{i / 10:.1f},{i}\n" for i in range(20)]
    path = tmp_path / "log.csv"
    path.write_text(f"{names}\n{units}{''.join(rows[:10])}{names}\n{units}{''.join(rows[10:])}")
    session = read_session(path)
    np.testing.assert_allclose(session.t, np.arange(20) / 10, atol=1e-9)
    np.testing.assert_allclose(session.channel("speed") * 3.6, np.arange(20), atol=1e-9)
    assert session.notes == ("the header stands again in 1 row further down, passed over",)


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_header_broken_over_lines_that_stands_again_further_down_is_passed_over(tmp_path, end):
    # As a spreadsheet writes wrapped cells: the name of one column over two lines, within quotes.
    names = f'time (s),"speed{end}(km/h)"{end}'
    rows = [f"{i / 10:.1f},{i}{end}" for i in range(20)]
    path = tmp_path / "log.csv"
    path.write_text(f"{names}{''.join(rows[:10])}{names}{''.join(rows[10:])}", newline="")
    session = read_session(path)
    np.testing.assert_allclose(session.t, np.arange(20) / 10, atol=1e-9)
    np.testing.assert_allclose(session.channel("speed") * 3.6, np.arange(20), atol=1e-9)
    assert session.notes == ("the header stands again in 1 row further down, passed over",)


def test_another_header_further_down_is_refused(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time_s,speed_kmh\n0.0,1\n0.1,2\nspeed_kmh,time_s\n3,0.2\n4,0.3\n")
    with pytest.raises(LogFormatError, match=r"log\.csv, row 4: another header, .* order\. Split the file there"):
        read_session(path)


@pytest.mark.parametrize(("first", "second", "of_day"), [("10:00:00.0", "10:00:00.1", True), ("5.0", "5.1", False)])
def test_a_session_says_whether_its_clock_is_a_time_of_day(tmp_path, first, second, of_day):
    log = tmp_path / "log.csv"
    log.write_text(f"time [s],speed [m/s]\n{first},20\n{second},20\n".replace(" [s]", "" if of_day else " [s]"))
    assert read_session(log).time_of_day is of_day
