"""Headers in other languages than English, and names that begin with the sensor they come from.

Words and units as bilingual dictionaries give them; no source beyond.
"""

import numpy as np
import pytest

from simlap.channels import BY_NAME
from simlap.errors import LogFormatError
from simlap.readers import read_session
from simlap.readers.headers import read_header
from simlap.readers.languages import BESIDE_A_UNIT, FOREIGN
from simlap.units import NATIONAL, UNITS, unit_of


@pytest.mark.parametrize(
    ("header", "channel"),
    [
        ("Zeit [s]", "time"),
        ("Breitengrad", "latitude"),
        ("Längengrad", "longitude"),
        ("Laengengrad", "longitude"),
        ("Geschwindigkeit [km/h]", "speed"),
        ("Querbeschleunigung [g]", "a_lat"),
        ("Bremsdruck vorn [bar]", "brake_pressure"),
        ("Vitesse (km/h)", "speed"),
        ("Accélération latérale (m/s²)", "a_lat"),
        ("Acceleration laterale (m/s²)", "a_lat"),
        ("Rapport", "gear"),
        ("Velocità [km/h]", "speed"),
        ("Pressione freno [bar]", "brake_pressure"),
        ("Aceleración longitudinal [g]", "a_lon"),
        ("Régimen motor [1/min]", "engine_speed"),
        ("Breite [°]", "latitude"),
        ("Länge [Grad]", "longitude"),
        ("GPS Laenge (deg)", "longitude"),
        ("Geografische Breite", "latitude"),
        ("Drehzahl [U/min]", "engine_speed"),
        ("Gas [%]", "throttle"),
        ("Régime (tr/min)", "engine_speed"),
        ("Régime moteur [tr/mn]", "engine_speed"),
        ("Vitesse engagée", "gear"),
        ("Position pédale d'accélérateur [%]", "throttle"),
        ("Giri motore (giri/min)", "engine_speed"),
        ("Giri [rpm]", "engine_speed"),
        ("Pressione freni ant. [bar]", "brake_pressure"),
        ("Angolo sterzo [gradi]", "steering"),
        ("Régimen (rpm)", "engine_speed"),
        ("Revoluciones [r.p.m.]", "engine_speed"),
        ("Marcha engranada", "gear"),
        ("Posición del acelerador (%)", "throttle"),
        ("IMU_AccelLong [m/s²]", "a_lon"),
        ("ECU Throttle [%]", "throttle"),
        ("Pedal pos [%]", "throttle"),
        ("Speed in km/h", "speed"),
        ("speed_in_kmh", "speed"),
        ("Geschwindigkeit in km/h", "speed"),
        ("Querbeschleunigung in (g)", "a_lat"),
        ("Vitesse en km/h", "speed"),
    ],
)
def test_a_header_is_read_as(header, channel):
    assert read_header(header, None, False).channel is BY_NAME[channel]


@pytest.mark.parametrize(
    "header",
    [
        "Tempo [km/h]",
        "Cap",
        "Quota",
        "Länge",
        "Breite",
        "Breite [m]",
        "Länge [mm]",
        "Régime",
        "Gas",
        "Candela [%]",
        "GPS Quality",
    ],
)
def test_a_word_that_may_mean_something_else_is_left_unread(header):
    # Without a unit of the channel it counts for nothing, and stops no log from being read.
    assert read_header(header, None, False).channel is None


def test_every_foreign_name_is_known_and_hides_no_english_one():
    for channel, names in (*FOREIGN.items(), *BESIDE_A_UNIT.items()):
        spec = BY_NAME[channel]
        for name in names:
            unit = {"length": "m", "1": "1"}.get(spec.quantity)
            found = read_header(name, unit or _unit_for(spec.quantity), False)
            assert found.channel is spec, name
    assert read_header("longitudinal [g]", None, False).channel is BY_NAME["a_lon"]
    assert read_header("latitude", None, False).rank < read_header("latitud", None, False).rank


def test_a_unit_in_another_language_has_the_factor_of_its_english_twin():
    for symbol, spellings in NATIONAL.items():
        (unit,) = (one for one in UNITS if one.symbol == symbol)
        for spelling in spellings:
            assert unit_of(spelling, unit.quantity) is unit, spelling
    assert unit_of("tr/min", "angular velocity").factor == pytest.approx(2 * np.pi / 60, rel=1e-12)  # rounding only
    assert unit_of("Grad", "angle").factor == pytest.approx(np.pi / 180, rel=1e-12)  # a degree, not pi/200


def _unit_for(quantity):
    from simlap.units import units_of

    return units_of(quantity)[0]


def test_a_log_in_german_with_decimal_commas_reads_like_its_english_twin(tmp_path):
    rows = [(0.04 * i, 47.6 + 1e-5 * i, 9.8, 72.5 + i, 0.25, 1.5 * i) for i in range(60)]
    english = "time [s],latitude [deg],longitude [deg],speed [km/h],lateral acceleration [g],brake pressure [bar]\n"
    german = "Zeit [s];Breitengrad [°];Längengrad [°];Geschwindigkeit [km/h];Querbeschleunigung [g];Bremsdruck [bar]\n"
    one, other = tmp_path / "en.csv", tmp_path / "de.csv"
    one.write_text(english + "".join(",".join(f"{x:.5f}" for x in row) + "\n" for row in rows))
    text = german + "".join(";".join(f"{x:.5f}".replace(".", ",") for x in row) + "\n" for row in rows)
    other.write_bytes(text.encode("latin-1"))
    a, b = read_session(one), read_session(other)
    assert set(a.channels) == set(b.channels)
    for name in a.channels:
        np.testing.assert_array_equal(a.channel(name), b.channel(name))


def test_without_its_unit_a_foreign_speed_is_asked_for(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("Zeit [s],Geschwindigkeit\n" + "".join(f"{i},{50 + i}\n" for i in range(20)))
    with pytest.raises(LogFormatError, match='speed="Geschwindigkeit":UNIT'):
        read_session(path)
