"""Repairs: each is counted and said, and leaves the drive that was really driven.

The true drive is written down first (speed in km/h is ten times the time in seconds) and then damaged; the repaired
session must show the true one again.
"""

import numpy as np
import pytest

from simlap.errors import LogFormatError
from simlap.noted import Kind, of_kind
from simlap.readers import read_session
from simlap.report.data_cautions import clock_cautions

RATE = 10.0  # rows per second of the true drive


@pytest.fixture
def read(tmp_path):
    def write_and_read(rows, header="time_s,speed_kmh"):
        path = tmp_path / "log.csv"
        path.write_text("\n".join([header, *(",".join(str(cell) for cell in row) for row in rows)]) + "\n")
        return read_session(path)

    return write_and_read


def true_rows(count):
    return [(f"{i / RATE:.1f}", i) for i in range(count)]


def assert_true(session, count):
    np.testing.assert_allclose(session.t, np.arange(count) / RATE, atol=1e-9)
    np.testing.assert_allclose(session.channel("speed") * 3.6, np.arange(count), atol=1e-9)


def test_a_whole_log_has_no_notes(read):
    session = read(true_rows(50))
    assert_true(session, 50)
    assert session.notes == ()


def test_rows_out_of_order_are_sorted_and_counted(read):
    rows = true_rows(50)
    rows[20], rows[21] = rows[21], rows[20]
    session = read(rows)
    assert_true(session, 50)
    assert session.notes == ("1 row out of order sorted by time",)


def test_a_block_written_two_seconds_late_is_put_back_into_its_gap(read):
    rows = true_rows(100)
    late = rows[:20] + rows[40:80] + rows[20:40] + rows[80:]
    session = read(late)
    assert_true(session, 100)
    assert session.notes == ("20 rows out of order sorted by time",)


def test_a_clock_reset_while_driving_goes_on_without_a_pause(read):
    # 60 km/h throughout: a lap timer that starts anew while the car drives on.
    rows = [(f"{i / RATE:.1f}", 60) for i in range(50)]
    session = read(rows + rows)
    # The second run starts one step (0.1 s) behind the last row, 4.9 s, of the first.
    np.testing.assert_allclose(session.t, np.arange(100) / RATE, atol=1e-9)
    assert session.notes == ("the clock restarts after 4.90 s: 5.00 s added to the rows from there on",)


@pytest.mark.parametrize(
    "speeds",
    [
        lambda i: (60 if i % 5 == 0 else "", ""),  # the last speed stands 0.4 s before the restart
        lambda i: (60 if i in (10, 90) else "", 60),  # no speed near the restart, but a wheel's
    ],
)
def test_a_clock_reset_while_driving_is_seen_where_the_rows_of_the_reset_hold_no_speed(read, speeds):
    # 60 km/h throughout, as above, but of two channels that do not stand in every row.
    rows = [(f"{i % 50 / RATE:.1f}", *speeds(i), 1 + i / 100) for i in range(100)]
    session = read(rows, "time_s,speed_kmh,wheel_speed_kmh,lateral_g")
    np.testing.assert_allclose(session.t, np.arange(100) / RATE, atol=1e-9)
    assert session.notes[0] == "the clock restarts after 4.90 s: 5.00 s added to the rows from there on"


@pytest.mark.parametrize(("before", "behind"), [(60, 100), (100, 60), (9, 9)])
def test_another_or_a_crawling_speed_behind_a_reset_of_the_clock_is_another_run(read, before, behind):
    # Nobody gains or loses 40 km/h in 0.1 s; at 9 km/h, 2.5 m/s, a car comes to a stand or has just left one.
    rows = [(f"{i % 50 / RATE:.1f}", before if i < 50 else behind, 1 + i / 100) for i in range(100)]
    session = read(rows, "time_s,speed_kmh,lateral_g")
    np.testing.assert_allclose(session.t[50:], 4.9 + 60.0 + np.arange(50) / RATE, atol=1e-9)


def test_a_speed_of_long_before_a_reset_does_not_tell_that_the_car_drove_on(read):
    # The last speed of the first run stands 2.9 s before the reset: the car may have stopped since.
    rows = [(f"{i % 50 / RATE:.1f}", 60 if i <= 20 or i >= 50 else "", 1 + i / 100) for i in range(100)]
    session = read(rows, "time_s,speed_kmh,lateral_g")
    np.testing.assert_allclose(session.t[50:], 4.9 + 60.0 + np.arange(50) / RATE, atol=1e-9)


def test_a_second_run_in_one_file_follows_behind_a_pause(read):
    # The true drive ends at 49 km/h and the second run starts at standstill: nobody drove from one to the other.
    session = read(true_rows(50) + [(time, 2 * speed) for time, speed in true_rows(50)])
    np.testing.assert_allclose(session.t[:50], np.arange(50) / RATE, atol=1e-9)
    np.testing.assert_allclose(session.t[50:], 4.9 + 60.0 + np.arange(50) / RATE, atol=1e-9)
    np.testing.assert_allclose(session.channel("speed")[50:] * 3.6, 2 * np.arange(50), atol=1e-9)
    assert session.notes[0] == (
        "the clock restarts after 4.90 s: 64.90 s added to the rows from there on; the pause of 60 s is assumed"
    )


@pytest.mark.parametrize(("second", "pause"), [(66, 0.1), (68, 60.0), (54, 0.1), (52, 60.0)])
def test_a_car_that_rolls_at_another_speed_behind_a_restart_began_another_run(read, second, pause):
    # 60 km/h before it; full braking (10 m/s²) takes 7.2 km/h off in the 0.2 s between two rows of a slow receiver.
    rows = true_rows(50)
    session = read([(time, 60) for time, _ in rows] + [(time, second) for time, _ in rows])
    assert session.t[50] - session.t[49] == pytest.approx(pause, abs=1e-9)


@pytest.mark.parametrize(("start", "stop", "behind"), [(30, 70, 70), (30, 70, 99), (0, 100, 100)])
def test_rows_that_a_logger_wrote_twice_are_left_out_and_counted(read, start, stop, behind):
    # The second copy of rows start to stop stands right behind the first, further on, or behind the whole log.
    rows = true_rows(100)
    session = read(rows[:behind] + rows[start:stop] + rows[behind:])
    assert_true(session, 100)
    assert session.notes == (f"{stop - start} rows left out that repeat earlier ones with the same times and values",)


def test_rows_written_twice_may_lack_cells(read):
    rows = [(time, speed if i % 3 else "", i % 7) for i, (time, speed) in enumerate(true_rows(100))]
    session = read(rows + rows[20:60], "time_s,speed_kmh,gear")
    np.testing.assert_allclose(session.t, np.arange(100) / RATE, atol=1e-9)
    assert session.notes[0] == "40 rows left out that repeat earlier ones with the same times and values"


def test_whoever_quotes_a_time_is_told_that_the_log_s_clock_was_mended(read):
    rows = true_rows(100)
    twice, anew = read(rows + rows[20:60]), read(rows + [(time, 2 * speed) for time, speed in rows])
    assert [(one.key, one.text) for one in clock_cautions(twice)] == [
        ("rows written twice", "40 rows left out that repeat earlier ones with the same times and values.")
    ]
    (told,) = clock_cautions(anew)
    assert told.key == "clock restarts"
    assert told.text.startswith("The clock restarts after 9.90 s: 69.90 s added to the rows from there on;")
    assert told.text.endswith("Times behind it are not those of the log.")
    assert clock_cautions(read(rows)) == []


def test_a_column_that_is_no_clock_is_refused(read):
    with pytest.raises(
        LogFormatError, match=r"its clock goes back by more than 1 s at 600 rows\. Is its column of time"
    ):
        read([(i % 2 * 5, i) for i in range(1201)])


def test_rows_of_equal_time_are_one_row(read):
    rows = [("0.0", 0, ""), ("0.0", "", 1), ("0.1", 1, ""), ("0.1", "", 2), ("0.2", 2, "")]
    session = read(rows, "time_s,speed_kmh,lateral_g")
    np.testing.assert_allclose(session.t, [0, 0.1, 0.2])
    np.testing.assert_allclose(session.channel("speed") * 3.6, [0, 1, 2], atol=1e-9)
    np.testing.assert_allclose(session.channel("a_lat") / 9.80665, [1, 2, np.nan])
    assert "2 rows with the time of the row before merged into it" in session.notes


def test_of_two_values_at_one_time_the_first_is_kept(read):
    session = read([("0.0", 1), ("0.0", 9), ("0.1", 2), ("0.2", 3), ("0.3", 4)])
    np.testing.assert_allclose(session.channel("speed") * 3.6, [1, 2, 3, 4])


def test_coarse_time_stamps_are_spread_evenly(read):
    # True times are i / 10 s; the file gives whole seconds.
    session = read([(i // 10, i) for i in range(100)])
    assert_true(session, 100)
    assert session.notes[0].startswith("90 of 100 rows repeat the time of the row before")


def test_a_row_without_a_time_is_left_out_and_counted(read):
    rows = true_rows(50)
    rows[10] = ("", 10)
    session = read(rows)
    assert session.t.size == 49
    assert session.notes == ("1 row without a time left out",)


def test_infinite_and_missing_values_are_not_recorded(read):
    rows = [("0.0", "inf"), ("0.1", "NaN"), ("0.2", ""), ("0.3", 36), ("0.4", "-inf"), ("0.5", "1e999")]
    session = read(rows)
    np.testing.assert_array_equal(np.isfinite(session.channel("speed")), [False, False, False, True, False, False])
    assert session.notes == ("speed: 3 infinite values taken as not recorded", "rows without a value, of 6: speed 5")


def test_a_pause_of_the_clock_is_noted(read):
    rows = true_rows(20) + [(f"{60 + i / RATE:.1f}", i) for i in range(20)]
    assert read(rows).notes == ("1 gap in the clock, first after 1.90 s, longest 58.10 s",)


POSITION = "time_s,latitude,longitude"


def still(count):
    return [(f"{i / RATE:.1f}", 50.0, 8.0) for i in range(count)]


def test_positions_at_0_0_are_removed(read):
    rows = still(20)
    rows[0] = ("0.0", 0, 0)
    rows[5] = ("0.5", "0.000", "0.000")
    session = read(rows, POSITION)
    assert np.flatnonzero(np.isnan(session.channel("latitude"))).tolist() == [0, 5]
    assert np.flatnonzero(np.isnan(session.channel("longitude"))).tolist() == [0, 5]
    assert session.notes[0] == "2 positions at 0,0 (no fix) removed"


def test_what_a_receiver_writes_without_a_fix_is_no_speed(read):
    rows = [(f"{i / RATE:.1f}", 50.0, 8.0, 90, 12, 300, 0) for i in range(20)]
    rows[5] = ("0.5", 0, 0, 0, 0, 0, 0)  # a row without a fix
    rows[7] = ("0.7", 0, 0, 90, 12, 0, 0)  # a speed, of the wheels for one, is one all the same
    session = read(rows, "time_s,latitude,longitude,speed_kmh,course_deg,altitude_m,throttle_pct")
    lost = {name: np.flatnonzero(np.isnan(values)).tolist() for name, values in session.channels.items()}
    assert {name: lost[name] for name in ("speed", "course", "altitude", "throttle")} == {
        "speed": [5], "course": [5], "altitude": [5, 7], "throttle": [],
    }  # fmt: skip


def test_a_position_on_the_equator_or_the_prime_meridian_stays(read):
    session = read([("0.0", 0, 8), ("0.1", 50, 0)], POSITION)
    assert np.all(np.isfinite(session.channel("latitude")))


def test_a_jump_of_more_than_1_km_is_noted(read):
    rows = still(20)
    rows[7] = ("0.7", 50.0, 8.028)  # 0.028 deg * cos(50 deg) * 111.2 km = 2.0 km, there and back
    assert read(rows, POSITION).notes == ("position jumps by more than 1 km 2 times, first at 0.70 s (largest 2.0 km)",)


def test_crossing_the_date_line_is_no_jump(read):
    rows = [("0.0", 10, 179.99999), ("0.1", 10, -179.99999)]  # 2.2 m apart on the globe
    assert read(rows, POSITION).notes == ()


def test_a_jump_of_900_m_is_not_noted(read):
    rows = still(20)
    rows[7] = ("0.7", 50.0081, 8.0)  # 0.0081 deg * 111.2 km = 901 m
    assert read(rows, POSITION).notes == ()


def test_swapped_latitude_and_longitude_are_said_to_be_swapped(read):
    rows = [(f"{i / RATE:.1f}", 140.0, -35.0) for i in range(20)]
    with pytest.raises(LogFormatError, match=(
        r"latitude 140 lies beyond 90 degrees: latitude and longitude are swapped\. Swap them: "
        r"--column latitude=\"Lon\" --column longitude=\"Lat\""
    )):  # fmt: skip
        read(rows, "time_s,Lat,Lon")


def test_a_longitude_beyond_180_degrees_is_refused(read):
    with pytest.raises(LogFormatError, match=r"longitude 208 lies beyond 180 degrees\. Check its column and unit"):
        read([("0.0", 50, 208), ("0.1", 50, 208)], POSITION)


def test_a_few_positions_off_the_globe_are_removed(read):
    rows = still(200)
    rows[50] = ("5.0", 500, 8)
    session = read(rows, POSITION)
    assert np.flatnonzero(np.isnan(session.channel("latitude"))).tolist() == [50]
    assert session.notes[0] == "1 position off the globe removed"


def test_a_column_without_any_number_is_left_unread(read):
    session = read([("0.0", 1, ""), ("0.1", 2, "")], "time_s,speed_kmh,lateral_g")
    assert not session.has("a_lat")
    assert session.columns[2].note == "no number in it"
    assert any(note.endswith("no number in its column; not used") for note in session.notes)


def test_half_a_position_is_left_unread(read):
    session = read([("0.0", 1, 50), ("0.1", 2, 50)], "time_s,speed_kmh,latitude")
    assert not session.has("latitude")
    assert session.columns[2].note == "latitude is of no use without longitude"


@pytest.mark.parametrize("wild", ["1000000", "-500.0", "1709337510.5"])
def test_a_damaged_time_among_good_ones_moves_no_other_row(read, wild):
    rows = true_rows(60)
    rows[30] = (wild, 30)
    session = read(rows)
    np.testing.assert_allclose(session.t, np.delete(np.arange(60) / RATE, 30), atol=1e-9)
    np.testing.assert_allclose(session.channel("speed") * 3.6, np.delete(np.arange(60), 30), atol=1e-9)
    assert session.notes == ("1 row with a time far from that of the rows around left out",)


def test_a_row_written_early_is_sorted_and_not_left_out(read):
    rows = true_rows(60)
    rows.insert(10, rows.pop(40))
    session = read(rows)
    assert_true(session, 60)
    assert session.notes == ("30 rows out of order sorted by time",)  # all those that it overtook


@pytest.mark.parametrize("mark", ["-9999", "999.9"])
def test_positions_that_a_receiver_without_a_fix_writes_as_one_impossible_number_are_removed(read, mark):
    # every fifth row: far more than single errors of transmission
    rows = [(f"{i / RATE:.1f}", *([mark] * 3 if i % 5 == 0 else (f"{45 + 1e-5 * i:.5f}", "9", i))) for i in range(50)]
    session = read(rows, "time_s,latitude,longitude,speed_kmh")
    lost = np.arange(50) % 5 == 0
    for name in ("latitude", "longitude", "speed"):
        np.testing.assert_array_equal(np.isnan(session.channel(name)), lost)
    assert f"10 positions at {mark},{mark} (no fix) removed" in session.notes


def test_degrees_and_minutes_in_one_number_are_named(read):
    # NMEA 0183: 4717.990 N is 47 degrees 17.990 minutes = 47.299833 degrees
    rows = [(f"{i / RATE:.1f}", f"{4717.99 + 1e-3 * i:.3f}", f"{1106.004 + 1e-3 * i:.3f}") for i in range(20)]
    with pytest.raises(LogFormatError, match=r"degrees and minutes in one number.*: 4717\.99 is 47\.299833\."):
        read(rows, "time_s,latitude,longitude")
    rows = [(time, float(lat) + 50.0, lon) for time, lat, lon in rows]  # 67.99 minutes are none
    with pytest.raises(LogFormatError, match=r"beyond 90 degrees\. Check its column and unit"):
        read(rows, "time_s,latitude,longitude")


def dated_rows(first, count, start):
    """Rows of a drive whose times carry their date; speeds in km/h count on from `start`."""
    return [(f"2026-11-25T{first}:{i / RATE:04.1f}Z", start + i) for i in range(count)]


def test_parts_of_a_day_in_another_order_are_sorted_and_no_pause_is_assumed(read):
    session = read([*dated_rows("10:31", 40, 40), *dated_rows("10:30", 40, 0)])
    np.testing.assert_allclose(session.channel("speed") * 3.6, np.arange(80), atol=1e-9)
    assert session.t[40] - session.t[0] == pytest.approx(60.0)
    assert session.notes[0] == "40 rows out of order sorted by time"


def test_a_dated_clock_that_was_set_back_years_or_tells_a_time_again_started_anew(read):
    lost = [(time.replace("2026-11-25", "2000-01-01"), speed) for time, speed in dated_rows("00:00", 40, 40)]
    for behind in (lost, dated_rows("10:30", 40, 40)):
        session = read([*dated_rows("10:30", 40, 0), *behind])
        np.testing.assert_allclose(session.channel("speed") * 3.6, np.arange(80), atol=1e-9)
        assert session.notes[0].startswith("the clock restarts after 37803.90 s")  # 10 h 30 min 3.9 s


@pytest.mark.parametrize("error", ["#VALUE!", "#DIV/0!", "#REF!", "#WERT!", "#NV", "Err:502", "####"])
def test_cells_that_a_spreadsheet_could_not_compute_are_empty_and_counted(tmp_path, error):
    # 2 of 50 rows: 4 %
    rows = [f"{0.1 * k:.1f},{error if k in (7, 30) else 20}" for k in range(50)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time [s],speed [m/s]", *rows]))
    session = read_session(path)
    assert np.flatnonzero(np.isnan(session.channel("speed"))).tolist() == [7, 30]
    assert session.repaired_share == pytest.approx(0.04)
    assert of_kind(session.notes, Kind.REPAIRED) == [
        f"speed: 2 error cells of a spreadsheet ({error!r}) taken as not recorded"
    ]


def test_an_error_cell_in_the_column_of_the_clock_leaves_its_row_out(tmp_path):
    rows = ["#VALUE!,20" if k == 3 else f"10:00:{k:02d},20" for k in range(10)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time,speed [m/s]", *rows]))
    session = read_session(path)
    assert session.t.size == 9
    assert session.repaired_share == pytest.approx(0.1)


def test_a_text_that_no_spreadsheet_writes_still_stops_the_reader(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time [s],speed [m/s]\n0.0,20\n0.1,#12\n")
    with pytest.raises(LogFormatError, match=r"row 3, column 'speed \[m/s\]': '#12' is not a number"):
        read_session(path)


@pytest.mark.parametrize("mark", [-9999, -999, 99999, -32768, 65535])
def test_marks_of_no_value_are_taken_out_and_counted_however_many(tmp_path, mark):
    # Every fifth row: 20 %; speeds of 20 to 30 km/h are far from each mark.
    rows = [f"{0.1 * k:.1f},{mark if k % 5 == 2 else 20 + k % 11}" for k in range(100)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time [s],speed [km/h]", *rows]))
    session = read_session(path)
    assert np.isnan(session.channel("speed")[2::5]).all()
    assert np.nanmax(np.abs(session.channel("speed"))) < 10.0  # 30 km/h are 8.3 m/s
    assert session.repaired_share == pytest.approx(0.2)
    assert f"20 cells of {mark:g}" in of_kind(session.notes, Kind.REPAIRED)[0]


def test_a_number_that_looks_like_a_mark_stays_where_the_channel_comes_near_it(tmp_path):
    # An engine that turns up to 9,999 /min, and a counter of laps.
    rows = [f"{0.1 * k:.1f},20,{9999 if k == 50 else 6000 + 10 * k},{999 if k > 90 else 1}" for k in range(100)]
    path = tmp_path / "log.csv"
    path.write_text("\n".join(["time [s],speed [m/s],engine speed [1/min],lap", *rows]))
    session = read_session(path)
    assert np.isfinite(session.channel("engine_speed")).all()
    assert np.isfinite(session.channel("lap")).all()
    assert session.repaired_share == 0.0
