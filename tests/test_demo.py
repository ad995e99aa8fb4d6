"""The demo: what is written, and that its truth is the scenario it tells."""

import numpy as np
import pytest

import simlap
from simlap.demo import (
    AFTER_FILE,
    BEFORE_FILE,
    LAPS,
    MISTAKE_LAP,
    MORE_LATERAL_GRIP,
    TRAFFIC_LAP,
    csv_text,
    demo_session,
    demo_track,
    demo_truth,
    write_demo,
)
from simlap.errors import OptionError
from simlap.trackfile import read_track
from simlap.units import G

# The three corners in which the scenario hides most time, as `simlap.demo.SKILLS` sets them up.
WORST = {"1", "5", "7"}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("demo")
    write_demo(place)
    return place


def test_the_folder_holds_two_logs_a_track_and_a_text_of_moderate_size(folder):
    names = sorted(path.name for path in folder.iterdir())
    assert names == ["README.txt", "larkfen.geojson", BEFORE_FILE, AFTER_FILE]
    assert all(path.stat().st_size < 15e6 for path in folder.iterdir())
    text = (folder / "README.txt").read_text(encoding="utf-8")
    assert f"lap {TRAFFIC_LAP} behind a slower car" in text
    assert BEFORE_FILE in text
    assert AFTER_FILE in text


@pytest.mark.parametrize(("which", "name"), [("before", BEFORE_FILE), ("after", AFTER_FILE)])
def test_a_log_read_back_is_the_session_that_was_driven(folder, which, name):
    # Both header styles must come back in SI, to the decimals that were written.
    driven = demo_session(which, losses=False).session
    read = simlap.read_session(folder / name)
    assert set(read.channels) == set(driven.channels)
    assert read.t == pytest.approx(driven.t, abs=5.1e-3)
    decimals = {
        "latitude": 0.51e-7,
        "longitude": 0.51e-7,
        "altitude": 5.1e-3,
        "speed": 5.1e-3 / 3.6,
        "course": np.radians(5.1e-3),
        "a_lon": 0.51e-3 * G,
        "a_lat": 0.51e-3 * G,
        "yaw_rate": np.radians(5.1e-3),
        "throttle": 0.51e-3,
        "brake_pressure": 510.0,
        "gear": 0.0,
        "engine_speed": 0.51 * 2.0 * np.pi / 60.0,
    }
    for channel, rounding in decimals.items():
        difference = read.channel(channel) - driven.channel(channel)
        if channel == "course":
            difference = np.angle(np.exp(1j * difference))  # 360.00 deg is 0
        assert np.abs(difference).max() <= rounding, channel


def test_the_circuit_of_the_demo_is_of_the_size_promised(folder):
    # Bar "demo".
    track = read_track(folder / "larkfen.geojson")
    assert 3000.0 < track.length < 4000.0
    assert 9 <= len(track.corners) <= 12
    assert np.ptp(track.line.z) > 5.0
    assert track.length == pytest.approx(demo_track().length, rel=1e-5)


def test_the_outing_has_the_laps_that_its_text_tells():
    for truth in demo_truth():
        kinds = [lap.kind for lap in truth.laps]
        assert kinds[0] == "out"
        assert kinds[-1] == "in"
        assert kinds[TRAFFIC_LAP] == "traffic"
        assert kinds[MISTAKE_LAP] == "mistake"
        assert kinds.count("flying") == LAPS - 2
        # A driver of the same skill: plain laps within 1 % of each other.
        plain = truth.lap_times_s[truth.plain]
        assert np.ptp(plain) < 0.01 * plain.mean()
        assert truth.lap_times_s[~truth.plain].min() > np.median(plain)


def test_most_time_is_hidden_in_three_corners_by_a_margin():
    for truth in demo_truth():
        per_corner = truth.corner_s(truth.caused_s)
        ranked = sorted(per_corner, key=per_corner.__getitem__, reverse=True)
        assert set(ranked[:3]) == WORST
        assert per_corner[ranked[2]] > 1.5 * per_corner[ranked[3]]
        # Also when the time to change pedals and gears is counted, the same three lead.
        total = truth.corner_s(truth.caused_total_s)
        assert set(sorted(total, key=total.__getitem__, reverse=True)[:3]) == WORST


def test_between_the_outings_the_car_changed_and_the_driver_did_not():
    before, after = demo_truth()
    assert after.driver == before.driver
    speeds = np.array([10.0, 30.0, 50.0])
    ratio = after.envelope.lateral_limit(speeds) / before.envelope.lateral_limit(speeds)
    assert ratio == pytest.approx(MORE_LATERAL_GRIP, rel=1e-12)
    assert after.envelope.braking == before.envelope.braking
    assert after.envelope.traction == before.envelope.traction
    # In corners alone, time would fall with sqrt(1.03): 1.5 %; corners are about half of the lap.
    assert 0.002 < 1.0 - after.limit_lap_s / before.limit_lap_s < 0.015


def test_fixes_come_25_times_a_second_and_the_rest_100_times(folder):
    read = simlap.read_session(folder / BEFORE_FILE)
    moving = read.channel("speed") > 10.0
    assert np.median(np.diff(read.t)) == pytest.approx(0.01, abs=1e-9)
    changes = np.diff(read.channel("longitude")) != 0.0
    # A repeated fix is a repeated pair of decimals; at more than 10 m/s a new one always differs.
    assert changes[moving[1:]].mean() == pytest.approx(0.25, abs=0.01)


def test_the_demo_writes_the_same_bytes_every_time(folder):
    again = csv_text(demo_session.__wrapped__("before", losses=False).session, style="plain")
    assert (folder / BEFORE_FILE).read_bytes() == again.encode("utf-8")


def test_a_folder_that_cannot_be_made_is_told_and_nothing_is_left(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    with pytest.raises(OptionError, match=r"outing-1-before\.csv: cannot be written"):
        write_demo(blocked / "demo")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("name", ["README.txt", BEFORE_FILE, "larkfen.geojson"])
def test_a_file_of_the_user_is_never_replaced_by_the_demo(tmp_path, name):
    (tmp_path / name).write_text("mine")
    with pytest.raises(OptionError, match=rf"holds {name} not written by the demo. Name another folder"):
        write_demo(tmp_path)
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [(name, "mine")]


def test_a_report_folder_of_the_user_is_left_alone_by_the_demo(tmp_path):
    (tmp_path / "report").mkdir()
    with pytest.raises(OptionError, match="holds report not written by the demo"):
        write_demo(tmp_path)


def test_the_demo_is_written_again_over_itself_and_over_a_part_of_itself(tmp_path, folder):
    (tmp_path / BEFORE_FILE).write_bytes((folder / BEFORE_FILE).read_bytes())  # a run that was stopped
    write_demo(tmp_path)
    (tmp_path / BEFORE_FILE).write_text("cut short")
    (tmp_path / "report").mkdir()
    write_demo(tmp_path)
    assert (tmp_path / BEFORE_FILE).read_bytes() == (folder / BEFORE_FILE).read_bytes()
