"""GPX against the schema topografix.com/GPX/1/1 (elements and units) and a widely published sample track.

The sample (three points near 47.64 N 122.33 W, 2009-10-17) stands in many descriptions of the format; written
here from memory.
"""

import time

import numpy as np
import pytest

from simlap.errors import LogFormatError
from simlap.readers import read_session

SAMPLE = """<?xml version="1.0" encoding="UTF-8" standalone="no" ?>
<gpx xmlns="http://www.topografix.com/GPX/1/1" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"
  xsi:schemaLocation="http://www.topografix.com/GPX/1/1 http://www.topografix.com/GPX/1/1/gpx.xsd"
  version="1.1" creator="by hand">
  <metadata><time>2009-10-17T22:58:43Z</time></metadata>
  <trk><name>Example</name><trkseg>
    <trkpt lat="47.644548" lon="-122.326897"><ele>4.46</ele><time>2009-10-17T18:37:26Z</time></trkpt>
    <trkpt lat="47.644549" lon="-122.326898"><ele>4.94</ele><time>2009-10-17T18:37:31Z</time></trkpt>
    <trkpt lat="47.644550" lon="-122.326899"><ele>6.87</ele><time>2009-10-17T18:37:34Z</time></trkpt>
  </trkseg></trk>
</gpx>
"""


@pytest.fixture
def read(tmp_path):
    def write_and_read(text, columns=None):
        path = tmp_path / "track.log"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_session(path, columns)

    return write_and_read


def test_the_sample_track_reads_with_position_elevation_and_time(read):
    session = read(SAMPLE)
    # 18:37:26 UTC is 67046 s after midnight
    np.testing.assert_allclose(session.t, [67046, 67051, 67054], rtol=0, atol=1e-6)
    np.testing.assert_array_equal(session.channel("latitude"), [47.644548, 47.644549, 47.644550])
    np.testing.assert_array_equal(session.channel("longitude"), [-122.326897, -122.326898, -122.326899])
    np.testing.assert_array_equal(session.channel("altitude"), [4.46, 4.94, 6.87])
    assert not session.has("speed")


def test_fractions_of_a_second_are_kept(read):
    text = SAMPLE.replace("18:37:26Z", "18:37:26.125Z").replace("18:37:31Z", "18:37:26.375Z")
    # 18:37:26.125 and 18:37:26.375 lie 0.25 s apart; both are exact in binary
    assert np.diff(read(text).t)[0] == 0.25


@pytest.mark.parametrize("zone", ["America/New_York", "Asia/Tokyo"])
def test_the_zone_of_the_computer_does_not_matter(read, monkeypatch, zone):
    # GPX 1.1 schema: time is in UTC; 18:37:26 is 67046 s after midnight
    monkeypatch.setenv("TZ", zone)
    time.tzset()
    try:
        assert read(SAMPLE).t[0] == 67046
        assert read(SAMPLE.replace("Z</time>", "</time>")).t[0] == 67046
    finally:
        monkeypatch.undo()
        time.tzset()


def test_a_track_through_midnight_goes_on(read):
    text = SAMPLE.replace("2009-10-17T18:37:31Z", "2009-10-18T00:00:01Z").replace(
        "2009-10-17T18:37:34Z", "2009-10-18T00:00:02Z"
    )
    assert read(text).t[-1] == 86402


def test_segments_and_tracks_follow_one_another(read):
    text = SAMPLE.replace("</trkpt>\n    <trkpt", "</trkpt>\n</trkseg></trk><trk><trkseg><trkpt", 1)
    assert read(text).t.size == 3


def test_gpx_1_0_states_speed_in_metres_per_second_and_course_in_degrees(read):
    # GPX 1.0 schema: speed "instantaneous speed at the point" in m/s, course in degrees true.
    text = SAMPLE.replace('version="1.1"', 'version="1.0"').replace("GPX/1/1", "GPX/1/0")
    text = text.replace("Z</time></trkpt>", "Z</time><course>90</course><speed>12.5</speed></trkpt>")
    session = read(text)
    np.testing.assert_array_equal(session.channel("speed"), [12.5] * 3)
    np.testing.assert_allclose(session.channel("course"), np.pi / 2)


def with_extension(inner):
    return SAMPLE.replace("Z</time></trkpt>", f"Z</time><extensions>{inner}</extensions></trkpt>")


def test_an_extension_without_a_unit_is_left_unread_until_the_user_states_one(read):
    text = with_extension("<speed>10</speed>")
    session = read(text)
    assert not session.has("speed")
    assert session.columns[-1].note == 'states no unit; to read it: --column speed="speed":UNIT'
    assert session.notes == ("column 'speed' is not read: states no unit; to read it: --column speed=\"speed\":UNIT",)
    assert read(text, ["speed=speed:km/h"]).channel("speed")[0] == pytest.approx(10 / 3.6)


def test_an_extension_that_states_its_unit_is_read(read):
    text = with_extension('<a:box xmlns:a="urn:x"><a:speed_kmh>36</a:speed_kmh></a:box>')
    np.testing.assert_allclose(read(text).channel("speed"), 10.0)


def test_utf_16_and_a_byte_order_mark_do_not_matter(read):
    text = SAMPLE.replace("UTF-8", "UTF-16")
    assert read(text.encode("utf-16")).t.size == 3
    assert read("\ufeff" + SAMPLE).t.size == 3


def test_a_point_with_a_broken_time_is_left_out_and_counted(read):
    session = read(SAMPLE.replace("T18:37:31Z", "T18h37"))
    assert session.t.size == 2
    assert session.notes == ("1 row without a time left out",)


BOMB = """<?xml version="1.0"?>
<!DOCTYPE lolz [<!ENTITY a "lol"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">
<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]>
<gpx version="1.1"><trk><name>&c;</name></trk></gpx>
"""


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (BOMB, r"track\.log: XML with a document type or entities is not read"),
        (BOMB.encode("utf-16"), r"XML with a document type or entities is not read"),
        ('<!DOCTYPE gpx SYSTEM "file:///etc/passwd"><gpx/>', r"XML with a document type"),
        (SAMPLE[:600], r"the XML is broken"),
        ('<?xml version="1.0"?><kml></kml>', r"XML, but no GPX \(its root is 'kml'\)"),
        ("<", r"XML, but no GPX"),
        ('<gpx version="1.1"></gpx>', r"no track points \(<trkpt>\) in it; routes and waypoints carry no laps"),
        (SAMPLE.replace("<time>2009-10-17T18", "<cmt>2009-10-17T18").replace("Z</time></trkpt>", "Z</cmt></trkpt>"),
         r"none of its 3 track points has a <time>"),
        (SAMPLE.replace('lat="47.644549"', 'lat="north"'), r"no valid GPX"),
        (SAMPLE.replace('lat="47.644549"', ''), r"no valid GPX"),
    ],
)  # fmt: skip
def test_a_bad_gpx_file_is_named_with_the_reason(read, text, message):
    with pytest.raises(LogFormatError, match=message) as caught:
        read(text)
    assert "\n" not in str(caught.value)


def test_a_column_of_extensions_is_made_once_and_not_for_each_point(read, monkeypatch):
    # Made anew for each text, columns of n points cost n² in time: at 24,000 points with three texts each, 2 s of 9 s.
    lengths, full = [], np.full
    monkeypatch.setattr(np, "full", lambda shape, *rest, **kind: lengths.append(shape) or full(shape, *rest, **kind))
    text = SAMPLE.replace("Z</time></trkpt>", "Z</time><extensions><a>1</a><b>2</b></extensions></trkpt>")
    names = [column.name for column in read(text).columns]
    assert {"a", "b"} <= set(names)
    assert lengths.count(3) == 2  # three points, two names
