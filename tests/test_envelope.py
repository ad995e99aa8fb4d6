"""The envelope as a thing: its limits in closed form, its packed vector, its file, its errors."""

import json
import math
import pickle

import numpy as np
import pytest

from simlap.envelope import Envelope
from simlap.envelope_packed import ENVELOPE_SIZE
from simlap.errors import OptionError

CIRCLE = Envelope.constant(lateral=10.0, braking=10.0, drive=10.0, exponent=2.0)
CAR = Envelope.from_limits(
    lateral=((11.0, 0.002), (10.5, 0.002)),
    braking=(9.0, 0.001),
    traction=(7.0, 0.0005),
    engine=(np.linspace(0.0, 62.0, 32), np.linspace(6.0, 0.5, 32)),
    exponent_braking=1.7,
    exponent_drive=1.4,
    cornering_drag=0.004,
    tested={"lateral": (15.0, 40.0)},
)


def test_friction_circle_leaves_6_of_10_beside_8():
    # Source: 6² + 8² = 10².
    assert CIRCLE.braking_limit(30.0, 8.0) == pytest.approx(6.0, rel=1e-12)
    assert CIRCLE.traction_limit(30.0, -8.0) == pytest.approx(6.0, rel=1e-12)


def test_superellipse_obeys_its_equation_on_the_edge():
    v, a_lat = 30.0, -6.0
    share = abs(a_lat) / (10.5 + 0.002 * v**2)
    along = float(CAR.braking_limit(v, a_lat)) / (9.0 + 0.001 * v**2)
    assert along**1.7 + share**1.7 == pytest.approx(1.0, rel=1e-12)


def test_nothing_is_left_beyond_the_lateral_limit():
    assert CAR.braking_limit(20.0, 12.0) == 0.0


def test_engine_takes_cornering_drag_and_traction_takes_load():
    # Engine at 31 m/s: 6 - 5.5 / 62 * 31 = 3.25; less 0.004 * 25 = 0.1.
    assert CAR.engine_limit(31.0, 5.0) == pytest.approx(3.15, rel=1e-12)
    assert CAR.drive_limit(31.0, 5.0) == pytest.approx(3.15, rel=1e-12)
    assert CAR.drive_limit(31.0, 12.8) < CAR.engine_limit(31.0, 12.8)


def test_tyres_carry_more_in_a_dip_and_the_engine_does_not():
    assert CAR.braking_limit(30.0, 0.0, normal=1.2) == pytest.approx(1.2 * CAR.braking_limit(30.0), rel=1e-12)
    assert CAR.drive_limit(50.0, 0.0, normal=1.2) == CAR.engine_limit(50.0)


def test_left_and_right_have_their_own_limits():
    assert CAR.lateral_limit(20.0, 1) - CAR.lateral_limit(20.0, -1) == pytest.approx(0.5, rel=1e-12)


def test_packed_vector_gives_the_same_limits_back():
    packed = CAR.pack()
    back = Envelope.unpack(packed, CAR.tested)
    v = np.linspace(0.0, 70.0, 29)
    assert packed.shape == (ENVELOPE_SIZE,)
    np.testing.assert_allclose(back.drive_limit(v, 4.0), CAR.drive_limit(v, 4.0), rtol=1e-12)
    np.testing.assert_allclose(back.braking_limit(v, -4.0), CAR.braking_limit(v, -4.0), rtol=1e-12)
    assert dict(back.tested) == {"lateral": (15.0, 40.0)}


@pytest.mark.parametrize("copy", ["json", "pickle"])
def test_copy_through_a_file_has_the_same_limits(tmp_path, copy):
    path = tmp_path / "car"
    if copy == "json":
        CAR.to_json(path)
        back = Envelope.from_json(path)
    else:
        back = pickle.loads(pickle.dumps(CAR))
    np.testing.assert_array_equal(back.pack(), CAR.pack())


@pytest.mark.parametrize("factor", [0.9, 1.1])
def test_scaling_multiplies_only_the_named_limit(factor):
    v = np.array([10.0, 40.0])
    scaled = CAR.scaled(braking=factor)
    np.testing.assert_allclose(scaled.braking_limit(v), factor * CAR.braking_limit(v), rtol=1e-12)
    np.testing.assert_array_equal(scaled.lateral_limit(v), CAR.lateral_limit(v))
    np.testing.assert_allclose(CAR.scaled(drive=factor).drive_limit(v), factor * CAR.drive_limit(v), rtol=1e-12)


def test_an_envelope_cannot_be_changed():
    with pytest.raises(ValueError, match="read-only"):
        CAR.engine_a[0] = 99.0
    with pytest.raises(TypeError):
        CAR.tested["lateral"] = (0.0, 1.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"exponent_braking": 3.4}, r"exponent_braking: 3\.4 lies outside 1\.0 to 3\.0"),
        ({"lateral": (10.0, -0.004)}, r"lateral_left: 10 \+ -0\.004 v² falls to"),
        ({"braking": (math.nan, 0.0)}, r"braking: .*nan"),
        ({"engine": ([0.0, 20.0, 10.0], [5.0, 4.0, 3.0])}, r"engine: speeds \[0\.0, 20\.0, 10\.0\]"),
        ({"cornering_drag": -0.1}, r"cornering_drag: -0\.1"),
        ({"drag": (0.2, -0.1, 0.0)}, r"drag: \(0\.2, -0\.1, 0\.0\)"),
        ({"drag": (0.2, 0.1)}, r"drag: \(0\.2, 0\.1\) is not"),
        ({"drag": (9.5, 0.0, 0.0)}, r"braking: -0\.5 "),
    ],
)
def test_impossible_limits_are_refused_by_name_and_value(change, words):
    limits = {"lateral": (10.0, 0.0), "braking": (9.0, 0.0), "traction": (6.0, 0.0), **change}
    with pytest.raises(OptionError, match=words):
        Envelope.from_limits(**limits)


def test_a_file_from_before_drag_has_none():
    data = CAR.to_dict()
    del data["drag"]
    assert Envelope.from_dict(data).drag == (0.0, 0.0, 0.0)


def test_a_file_with_a_missing_limit_says_which(tmp_path):
    data = CAR.to_dict()
    del data["braking"]
    path = tmp_path / "broken.json"
    path.write_text(json.dumps(data))
    with pytest.raises(OptionError, match=r"broken\.json: KeyError\('braking'\)"):
        Envelope.from_json(path)


@pytest.mark.parametrize("tested", [[], None, 3])
def test_tested_speeds_that_are_no_table_are_told(tested):
    with pytest.raises(OptionError, match=r"broken\.json: AttributeError.* while reading an envelope"):
        Envelope.from_dict({**CAR.to_dict(), "tested_ms": tested}, source="broken.json")
