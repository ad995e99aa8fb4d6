"""Units against the standards that define them, and what may spell them.

Sources: SI Brochure, 9th edition (BIPM 2019), table 8; NIST SP 811 (2008), appendix B.8; 3rd CGPM (1901).
NIST gives seven significant digits, so those are compared to 5e-7; exact definitions to 1e-12 (rounding only).
"""

import math

import pytest

from simlap.channels import BY_NAME, CHANNELS, factor_of, si_symbol
from simlap.units import MS_TO_KMH, G, find_units, unit_of

EXACT = 1e-12
SEVEN_DIGITS = 5e-7


def test_standard_gravity_is_that_of_the_third_general_conference():
    assert G == 9.80665  # CGPM 1901, exact


@pytest.mark.parametrize(
    ("text", "quantity", "si", "tolerance"),
    [
        ("km/h", "speed", 0.2777778, SEVEN_DIGITS),  # NIST SP 811 B.8: kilometer per hour, 2.777 778 E-01
        ("mph", "speed", 0.44704, EXACT),  # NIST SP 811 B.8: mile per hour, 4.4704 E-01, exact
        ("kn", "speed", 0.5144444, SEVEN_DIGITS),  # NIST SP 811 B.8: knot, 5.144 444 E-01
        ("m/s", "speed", 1.0, EXACT),
        ("g", "acceleration", 9.80665, EXACT),  # NIST SP 811 B.8: acceleration of free fall, exact
        ("m/s²", "acceleration", 1.0, EXACT),
        ("Pa", "pressure", 1.0, EXACT),
        ("kPa", "pressure", 1000.0, EXACT),
        ("MPa", "pressure", 1e6, EXACT),
        ("bar", "pressure", 1e5, EXACT),  # SI Brochure, 8th edition, table 8: 1 bar = 100 kPa
        ("psi", "pressure", 6894.757, SEVEN_DIGITS),  # NIST SP 811 B.8: psi, 6.894 757 E+03
        ("deg", "angle", 0.01745329, SEVEN_DIGITS),  # NIST SP 811 B.8: degree, 1.745 329 E-02
        ("rad", "angle", 1.0, EXACT),
        ("deg/s", "angular velocity", math.pi / 180, EXACT),  # SI Brochure table 8: 1 deg = pi/180 rad
        ("rpm", "angular velocity", 0.1047198, SEVEN_DIGITS),  # NIST SP 811 B.8: rpm, 1.047 198 E-01
        ("%", "ratio", 0.01, EXACT),  # SI Brochure 5.4.7: percent is 0.01
        ("0..1", "ratio", 1.0, EXACT),
        ("ft", "length", 0.3048, EXACT),  # NIST SP 811 B.8: foot, exact
        ("km", "length", 1000.0, EXACT),
        ("ms", "time", 0.001, EXACT),
        ("min", "time", 60.0, EXACT),  # SI Brochure table 8
    ],
)
def test_one_of_each_unit_in_si(text, quantity, si, tolerance):
    unit = unit_of(text, quantity)
    assert unit is not None
    assert unit.factor == pytest.approx(si, rel=tolerance)


def test_one_metre_per_second_is_3_6_kilometres_per_hour():
    assert pytest.approx(3600 / 1000, rel=EXACT) == MS_TO_KMH


@pytest.mark.parametrize(
    ("spellings", "quantity"),
    [
        (("km/h", "kmh", "KPH", "Km/H", " km / h "), "speed"),
        (("m/s", "mps", "m_s", "ms", "m·s⁻¹", "m s^-1"), "speed"),
        (("kn", "kt", "knots"), "speed"),
        (("m/s²", "m/s2", "m/s^2", "m·s⁻²"), "acceleration"),
        (("g", "G"), "acceleration"),
        (("°/s", "º/s", "deg/s", "dps"), "angular velocity"),
        (("°", "º", "deg", "Degrees"), "angle"),
        (("1/min", "rpm", "min⁻¹"), "angular velocity"),
    ],
)
def test_spellings_of_one_unit_mean_the_same(spellings, quantity):
    factors = {unit_of(text, quantity).factor for text in spellings}
    assert len(factors) == 1


def test_megapascal_is_not_millipascal():
    assert unit_of("MPa", "pressure").factor == 1e6
    assert find_units("mPa") == ()


def test_ms_is_a_speed_or_a_time_by_the_quantity_of_the_channel():
    assert {unit.quantity for unit in find_units("ms")} == {"speed", "time"}


def test_no_two_units_of_one_quantity_share_a_spelling():
    seen = {}
    from simlap.units import UNITS

    for unit in UNITS:
        for spelling in unit.spellings:
            assert seen.setdefault((unit.quantity, spelling), unit.symbol) == unit.symbol


def test_positions_stay_in_degrees_and_other_angles_do_not():
    # RFC 7946 section 4: positions in decimal degrees.
    degree = unit_of("deg", "angle")
    assert factor_of(BY_NAME["latitude"], degree) == pytest.approx(1.0, rel=EXACT)
    assert factor_of(BY_NAME["course"], degree) == pytest.approx(math.pi / 180, rel=EXACT)
    assert factor_of(BY_NAME["longitude"], unit_of("rad", "angle")) == pytest.approx(180 / math.pi, rel=EXACT)
    assert (si_symbol("latitude"), si_symbol("course"), si_symbol("brake_pressure")) == ("deg", "rad", "Pa")


def test_channels_are_those_of_the_contract():
    assert {channel.name for channel in CHANNELS} == {
        "time", "latitude", "longitude", "x", "y", "altitude", "speed", "wheel_speed", "course", "a_lon", "a_lat",
        "a_vert", "yaw_rate", "sideslip", "steering", "throttle", "brake_pressure", "brake", "engine_speed", "gear",
        "lap", "beacon", "satellites", "hdop",
    }  # fmt: skip
