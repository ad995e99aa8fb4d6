"""What the user says about columns: --column options and columns.toml."""

import json
import subprocess
import sys

import numpy as np
import pytest

from simlap.errors import LogFormatError, OptionError
from simlap.readers import ColumnChoice, parse_column_option, read_session

LOG = "t1,GPS Spd,temp\n0,36,20\n1,72,21\n"


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text(LOG)
    return path


@pytest.mark.parametrize(
    ("text", "channel", "column", "unit"),
    [
        ('speed="GPS Spd":km/h', "speed", "GPS Spd", "km/h"),
        ("speed=GPS Spd:kph", "speed", "GPS Spd", "km/h"),
        ("speed='GPS: Spd':kn", "speed", "GPS: Spd", "kn"),
        ("speed=GPS Spd", "speed", "GPS Spd", None),
        ("speed=#3", "speed", "#3", None),
        ("time=Clock:hh:mm:ss.sss", "time", "Clock", "hh:mm:ss"),
        ("a_lon=LonAcc:m/s^2", "a_lon", "LonAcc", "m/s²"),
        ("brake=-", "brake", None, None),
    ],
)
def test_an_option_names_channel_column_and_unit(text, channel, column, unit):
    choice = parse_column_option(text)
    assert (choice.channel, choice.column, choice.unit) == (channel, column, unit)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("speed", r"--column 'speed': write CHANNEL=\"COLUMN NAME\":UNIT"),
        ("speed=", r"write CHANNEL="),
        ("velo=V:km/h", r"'velo' is no channel\. Channels: time, latitude"),
        ("speed=V:bar", r"'bar' is no unit of speed\. Write one of m/s, km/h, mph, kn"),
        ("speed=a:b", r"'b' is no unit of speed.*a column name that holds a colon in quotes"),
    ],
)
def test_an_option_that_cannot_be_understood_says_how_to_write_it(text, message):
    with pytest.raises(OptionError, match=message):
        parse_column_option(text)


@pytest.mark.parametrize(
    "columns",
    [
        ["time=t1:s", 'speed="GPS Spd":km/h'],
        ["time=#1:s", "speed=#2:km/h"],
        ["time=T1:s", "speed=gps spd:km/h"],
        {"time": "t1:s", "speed": "GPS Spd:km/h"},
        [ColumnChoice("time", "t1", "s"), ColumnChoice("speed", "GPS Spd", "km/h")],
    ],
)
def test_chosen_columns_are_read_in_the_stated_unit(log, columns):
    session = read_session(log, columns)
    np.testing.assert_allclose(session.channel("speed"), [10, 20], rtol=1e-12)
    assert session.columns[1].note == "km/h, as stated by the user"


@pytest.mark.parametrize(
    "toml",
    [
        '[columns]\ntime = "t1:s"\nspeed = "GPS Spd:km/h"\n',
        '[columns]\ntime = { column = "t1", unit = "s" }\nspeed = { column = "GPS Spd", unit = "km/h" }\n',
    ],
)
def test_columns_toml_beside_the_log_says_the_same(log, toml):
    (log.parent / "columns.toml").write_text(toml)
    np.testing.assert_allclose(read_session(log).channel("speed"), [10, 20], rtol=1e-12)


def test_an_option_wins_over_columns_toml(log):
    (log.parent / "columns.toml").write_text('[columns]\ntime = "t1:s"\nspeed = "GPS Spd:km/h"\n')
    assert read_session(log, ["speed=GPS Spd:m/s"]).channel("speed")[0] == 36.0


def test_a_name_in_columns_toml_that_this_log_lacks_is_noted(log):
    (log.parent / "columns.toml").write_text('[columns]\ntime = "t1:s"\nspeed = "GPS Spd:km/h"\nbrake = "P9:%"\n')
    assert any("this log has no column 'P9'" in note for note in read_session(log).notes)


@pytest.mark.parametrize(
    ("toml", "message"),
    [
        ("[columns\n", r"columns\.toml: cannot be read as TOML"),
        ('speed = "x:km/h"\n', r"columns\.toml: write one table \[columns\]"),
        ("[columns]\nspeed = 3\n", r"columns\.toml: speed: 3 is not understood"),
        ('[columns]\nspeed = { name = "x" }\n', r"is not understood"),
        ('[columns]\nvelo = "x:km/h"\n', r"'velo' is no channel"),
        ('[columns]\nspeed = "x:bar"\n', r"'bar' is no unit of speed"),
    ],
)
def test_a_columns_toml_that_cannot_be_understood_is_named(log, toml, message):
    (log.parent / "columns.toml").write_text(toml)
    with pytest.raises(OptionError, match=message):
        read_session(log)


@pytest.mark.parametrize(
    ("columns", "error", "message"),
    [
        (["time=t1:s", "speed=V9:mph"], LogFormatError, r"log\.csv: no column 'V9' \(--column speed=V9:mph\)\. "
                                                        r"Columns: 't1', 'GPS Spd', 'temp'"),
        (["time=t1:s", "speed=#4:mph"], LogFormatError, r"no column '#4'"),
        (["time=t1:s", "speed=GPS Spd"], LogFormatError, r"column 'GPS Spd' \(speed\) states no unit"),
        (["time=t1:s", "speed=t1:km/h"], LogFormatError, r"column 't1' is chosen for two channels"),
        (["time=t1:s", "speed=temp:kn", "speed=t1:kn"], OptionError, r"channel speed is chosen twice: 'temp' and 't1'"),
    ],
)  # fmt: skip
def test_a_choice_that_cannot_be_met_is_named(log, columns, error, message):
    with pytest.raises(error, match=message):
        read_session(log, columns)


def test_one_of_two_columns_of_one_name_is_chosen_by_its_place(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time_s,speed_kmh,speed_kmh\n0,36,72\n1,36,72\n")
    session = read_session(path, ["speed=#3"])
    assert session.channel("speed")[0] == pytest.approx(20.0)
    assert [column.channel for column in session.columns] == ["time", None, "speed"]
    assert session.columns[1].note == "speed is read from 'speed_kmh', as chosen"


@pytest.mark.parametrize("front", ["brake_front_bar", "Brake Pressure Front [bar]", "p_brake_f (bar)"])
def test_of_front_and_rear_brakes_the_front_ones_are_read(tmp_path, front):
    path = tmp_path / "log.csv"
    path.write_text(f"time_s,speed_kmh,brake_rear_bar,{front}\n0,36,1,2\n1,72,3,4\n")
    session = read_session(path)
    assert session.channel("brake_pressure") / 1e5 == pytest.approx([2.0, 4.0])
    assert session.columns[2].note == f"brake_pressure is read from {front!r}, the more exact name"


@pytest.mark.parametrize(
    ("header", "channel", "si"),
    [("yaw_rate_radps", "yaw_rate", 0.5), ("throttle_frac", "throttle", 0.5), ("elev_ft", "altitude", 0.1524)],
)  # 1 ft = 0.3048 m, exact
def test_abbreviations_of_units_are_known(tmp_path, header, channel, si):
    path = tmp_path / "log.csv"
    path.write_text(f"elapsed_s,spd_kmh,{header}\n0,36,0.5\n1,72,0.5\n")
    assert read_session(path).channel(channel) == pytest.approx([si, si], rel=1e-12)


def test_a_channel_can_be_left_unread(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time_s,speed_kmh,brake\n0,36,2\n1,72,3\n")
    session = read_session(path, ["brake=-"])
    assert not session.has("brake")
    assert session.columns[2].note == "left out as chosen"


def test_a_chosen_column_keeps_the_unit_that_its_header_states(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time_s,Doppler (mph)\n0,1\n1,2\n")
    # 1 mph = 0.44704 m/s, NIST SP 811 B.8, exact
    assert read_session(path, ["speed=Doppler (mph)"]).channel("speed")[0] == pytest.approx(0.44704, rel=1e-12)
    assert read_session(path, ["speed=Doppler"]).channel("speed")[0] == pytest.approx(0.44704, rel=1e-12)


def _channels(tmp_path, header, *options):
    path = tmp_path / "log.csv"
    path.write_text(header + "\n" + "".join(f"{i},{50 + i},{i % 7},{i % 5}\n" for i in range(30)))
    return subprocess.run(
        [sys.executable, "-c", "from simlap.cli import main; main()", "channels", str(path), *options],
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("header", "marked"),
    [
        ("time_s,speed,throttle_%,gear", '--column speed="speed":UNIT'),
        ("time_s,speed_kmh,Speed (km/h),gear", '--column speed="Speed (km/h)"'),
        ("time_s,speed_kmh,speed_kmh,gear", "--column speed=#3"),
    ],
)
def test_channels_prints_its_table_with_what_is_missing_and_then_refuses(tmp_path, header, marked):
    done = _channels(tmp_path, header, "--json")
    assert done.returncode == 2
    found = json.loads(done.stdout)
    assert [column["column"] for column in found["columns"]] == header.split(",")
    assert any(marked in column["note"] for column in found["columns"])
    assert found["columns"][3]["channel"] == "gear"  # what is clear is read
    assert found["error"] in done.stderr
    table = _channels(tmp_path, header)
    assert table.returncode == 2
    assert "read as" in table.stdout
    assert table.stderr.count("simlap:") == 1


def test_of_many_columns_without_a_unit_two_are_told_in_full(tmp_path):
    done = _channels(tmp_path, "time,speed,throttle,altitude")
    assert "'time' (time) states no unit" in done.stderr
    assert "'throttle' (throttle) states no unit" not in done.stderr
    assert "2 more state none" in done.stderr
    for name in ("time", "speed", "throttle", "altitude"):  # each option is still there to be copied
        assert f'--column {name}="{name}":UNIT' in done.stderr
