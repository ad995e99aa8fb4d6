"""NMEA 0183 against sentences published with the standard's descriptions (checksums prove them unaltered).

RMC, GGA and VTG below are the sample sentences found in most descriptions of NMEA 0183 (4807.038 N, 01131.000 E,
123519 UTC), written here from memory; the checksum *6A, *47, *48 is the XOR of the characters between $ and *.
"""

from functools import reduce

import numpy as np
import pytest

from simlap.errors import LogFormatError
from simlap.readers import read_session

RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
VTG = "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"
KNOT = 1852 / 3600  # SI Brochure, 8th edition, table 8


def signed(body):
    """A sentence with its checksum: XOR of all characters between $ and * (NMEA 0183)."""
    return f"${body}*{reduce(lambda a, b: a ^ b, body.encode()):02X}"


@pytest.fixture
def read(tmp_path):
    def write_and_read(*sentences, end="\r\n"):
        path = tmp_path / "receiver.txt"
        path.write_bytes(end.join(sentences).encode("latin-1") + end.encode())
        return read_session(path)

    return write_and_read


LATER = signed("GPRMC,123520,A,4807.040,N,01131.000,E,030.0,090.0,230394,003.1,W")


def test_the_published_sentences_carry_their_published_checksums():
    for sentence in (RMC, GGA, VTG):
        assert signed(sentence[1:-3]) == sentence


def test_the_published_sentences_give_position_speed_course_and_altitude(read):
    session = read(RMC, GGA, LATER)
    # 12:35:19 UTC = 45319 s; 48 deg 07.038' N; 11 deg 31.000' E
    np.testing.assert_allclose(session.t, [45319, 45320])
    assert session.channel("latitude")[0] == pytest.approx(48 + 7.038 / 60, abs=1e-12)
    assert session.channel("longitude")[0] == pytest.approx(11 + 31 / 60, abs=1e-12)
    assert session.channel("speed")[0] == pytest.approx(22.4 * KNOT)
    assert session.channel("course")[0] == pytest.approx(np.radians(84.4))
    assert session.channel("altitude")[0] == 545.4
    assert session.channel("satellites")[0] == 8
    assert session.channel("hdop")[0] == 0.9


def test_speed_of_vtg_belongs_to_the_fix_before_it(read):
    session = read(GGA, VTG, signed("GPGGA,123520,4807.040,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"), VTG)
    np.testing.assert_allclose(session.channel("speed"), 5.5 * KNOT)
    np.testing.assert_allclose(session.channel("course"), np.radians(54.7))


def test_speed_of_a_leading_vtg_belongs_to_the_fix_behind_it(read):
    fast = signed("GPVTG,054.7,T,034.4,M,100.0,N,185.2,K")
    session = read(VTG, GGA, fast, signed("GPGGA,123520,4807.040,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"))
    np.testing.assert_allclose(session.channel("speed"), [5.5 * KNOT, 100 * KNOT])


def test_south_and_west_are_negative(read):
    first = signed("GNRMC,000001.00,A,3352.128,S,07012.5,W,10.0,0.0,010126,,,A")
    second = signed("GNRMC,000001.10,A,3352.128,S,07012.5,W,10.0,0.0,010126,,,A")
    session = read(first, second)
    assert session.channel("latitude")[0] == pytest.approx(-(33 + 52.128 / 60), abs=1e-12)
    assert session.channel("longitude")[0] == pytest.approx(-(70 + 12.5 / 60), abs=1e-12)
    assert session.duration == pytest.approx(0.1, abs=1e-6)  # pynmea2 keeps microseconds


def test_a_void_fix_has_no_position_and_no_speed(read):
    void_rmc = signed("GPRMC,123521,V,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W")
    void_gga = signed("GPGGA,123522,4807.038,N,01131.000,E,0,00,,,M,,M,,")
    session = read(RMC, LATER, void_rmc, void_gga)
    np.testing.assert_array_equal(np.isfinite(session.channel("latitude")), [True, True, False, False])
    np.testing.assert_array_equal(np.isfinite(session.channel("speed")), [True, True, False, False])


@pytest.mark.parametrize("place", ["4807.040,,01131.000,E", "4807.040,N,01131.000,", "4807.040,X,01131.000,E"])
@pytest.mark.parametrize(
    "body",
    ["GPRMC,123520,A,{},030.0,090.0,230394,003.1,W", "GPGGA,123520,{},1,08,0.9,545.4,M,46.9,M,,"],
    ids=["RMC", "GGA"],
)
def test_a_position_without_its_half_of_the_globe_is_none(read, body, place):
    session = read(RMC, signed(body.format(place)), signed(LATER[1:-3].replace("123520", "123521")))
    np.testing.assert_array_equal(np.isfinite(session.channel("latitude")), [True, False, True])
    np.testing.assert_array_equal(np.isfinite(session.channel("longitude")), [True, False, True])
    assert not any("jumps" in note for note in session.notes)


def test_a_sentence_with_a_wrong_checksum_is_left_out_and_counted(read):
    forged = LATER.replace("030.0", "930.0")
    session = read(RMC, forged, signed("GPRMC,123521,A,4807.041,N,01131.000,E,030.0,090.0,230394,003.1,W"))
    assert session.t.tolist() == [45319, 45321]
    assert "NMEA sentences left out: 1 with a wrong checksum" in session.notes


def test_a_sentence_without_a_checksum_is_not_believed(read):
    session = read(RMC, GGA.split("*")[0].replace("545.4", "999.9"), LATER)
    assert not session.has("altitude")


def test_other_sentences_and_a_logger_prefix_are_passed_over(read):
    other = signed("GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1")
    session = read("10:00:01 " + RMC, "10:00:01 " + other, "10:00:02 " + LATER)
    assert session.t.size == 2
    assert session.notes == ()


def test_a_drive_through_midnight_goes_on(read):
    session = read(
        signed("GPRMC,235959.90,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W"),
        signed("GPRMC,000000.10,A,4807.038,N,01131.000,E,022.4,084.4,240394,003.1,W"),
    )
    assert session.duration == pytest.approx(0.2, abs=1e-6)


def test_a_log_without_one_good_sentence_is_refused(read):
    with pytest.raises(
        LogFormatError, match=r"no RMC or GGA sentence with a right checksum and a time \(2 with a wrong"
    ):
        read(RMC.replace("*6A", "*6B"), GGA.replace("*47", "*00"))


def test_an_unreadable_field_is_counted(read):
    session = read(RMC, signed("GPRMC,123520,A,4807x038,N,01131.000,E,022.4,084.4,230394,003.1,W"),
                   signed("GPRMC,123521,A,4807.041,N,01131.000,E,030.0,090.0,230394,003.1,W"))  # fmt: skip
    assert session.t.size == 2
    assert "NMEA sentences left out: 1 with an unreadable field" in session.notes


def test_noise_on_the_line_does_not_hide_the_good_sentences(read):
    session = read("\x00\x01\xff$GPR\x00", RMC, "\x02\x80" * 20, GGA, LATER)
    assert session.t.size == 2
