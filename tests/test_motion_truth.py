"""The motion of drives that are known exactly: curvature, speed, lap times, lag, and the noise that it claims.

Truth: a plan of straights, clothoids and arcs with curvature in closed form (`motion_cases`). Bars: DEVELOPERS.md.
"""

from dataclasses import replace
from functools import cache, lru_cache

import numpy as np
import pytest
from motion_cases import ORIGIN, Drive, drive, logged, start_points
from scipy.special import fresnel

from simlap.geodesy import to_geodetic
from simlap.lap_types import StartLine
from simlap.laps import find_laps
from simlap.motion import motion_of
from simlap.session import Session
from simlap.splines import lowpass

SETS = {
    "position": {},
    "speed and course": {"speed_ms": 0.05},
    "inertial": {"inertial": True, "white_m": 0.2, "lag": 0.15},
    "all": {"inertial": True, "white_m": 0.2, "speed_ms": 0.05, "lag": 0.23, "lat_scale": 1.05},
}
CASES = [(rate, name, slow) for rate in (5, 10, 18, 25) for name, slow in
         (("position", 0.3), ("speed and course", 1.5), ("inertial", 0.3), ("all", 1.5))]  # fmt: skip


@lru_cache(maxsize=1)
def laps_of_club() -> Drive:
    return drive("club", laps=6, seed=5)


@cache
def case(rate: float, name: str, slow: float):
    d = laps_of_club()
    session = logged(d, rate, slow_m=slow, seed=int(rate), **SETS[name])
    return d, session, motion_of(session)


def common(d: Drive, motion, name: str) -> np.ndarray:
    """The truth through the same low-pass, on the motion's grid."""
    t = np.arange(0.0, d.t[-1], 0.02)
    return np.interp(motion.t, t, lowpass(d.at(name, t), 0.02, motion.bandwidth_hz))


@pytest.mark.parametrize(("rate", "name", "slow"), CASES)
def test_apex_curvature_is_the_true_one(rate, name, slow):
    # Bar "apex curvature"; mean of the laps, as the limit lap uses it.
    d, _, motion = case(rate, name, slow)
    for _, apex, _ in d.plan.bends:
        passes = np.interp(apex + d.plan.length * np.arange(7), d.s, d.t)
        inside = passes[(passes > motion.t[0] + 2.0) & (passes < motion.t[-1] - 2.0)]
        true = d.plan.curvature(np.array([apex]))[0]
        error = np.mean(motion.at("kappa", inside)) / true - 1.0
        assert abs(error) < (0.10 if (rate, name) == (5, "position") else 0.05), f"apex at {apex:.0f} m: {error:+.3f}"


@pytest.mark.parametrize(("rate", "name", "slow"), CASES)
def test_lap_times_are_the_true_ones_within_30_ms(rate, name, slow):
    # Bar "lap times". Truth: times at which the exact drive passes station 0.
    d, session, motion = case(rate, name, slow)
    laps = find_laps(motion, session, start_line=StartLine.from_geodetic(*start_points(d), motion.origin)).flying
    assert len(laps) >= 4
    for lap in laps:
        first = np.argmin(np.abs(d.crossings - lap.start_s))
        assert lap.time_s == pytest.approx(d.crossings[first + 1] - d.crossings[first], abs=0.03)


@pytest.mark.parametrize(("rate", "name", "slow"), [c for c in CASES if c[1] in ("inertial", "all")])
def test_lag_of_the_receiver_is_found_and_undone(rate, name, slow):
    _, _, motion = case(rate, name, slow)
    assert motion.quality.lag_s == pytest.approx(SETS[name]["lag"], abs=0.02)  # bar "lag"


def test_without_inertial_channels_the_lag_is_said_to_be_unknown():
    _, _, motion = case(10, "speed and course", 1.5)
    assert motion.quality.lag_s is None
    assert any("Lag of the receiver unknown" in note for note in motion.notes)


@pytest.mark.parametrize(("rate", "name", "slow"), CASES)
def test_drawn_errors_are_as_large_as_the_true_ones(rate, name, slow):
    # The envelope subtracts this noise. True error: against the truth through the same low-pass. Drawn errors of
    # hills are conservative (a slope is known to be gentler than the prior says), hence the lower bound for a_lon.
    d, _, motion = case(rate, name, slow)
    inside = (motion.t > motion.t[0] + 3.0) & (motion.t < motion.t[-1] - 3.0)
    for channel, low in (("a_lon", 0.70), ("a_lat", 0.80)):
        true = np.std((getattr(motion, channel) - common(d, motion, channel))[inside])
        drawn = np.std(getattr(motion, "noise_" + channel)[:, inside])
        assert low < true / drawn < 1.25, f"{channel}: true {true:.3f}, drawn {drawn:.3f} m/s²"


def test_drawn_errors_keep_their_spectrum():
    # Errors that are alike over seconds and errors that alternate do different things to an upper quantile.
    d, _, motion = case(18, "all", 1.5)
    inside = (motion.t > motion.t[0] + 3.0) & (motion.t < motion.t[-1] - 3.0)
    true, drawn = (motion.a_lat - common(d, motion, "a_lat"))[inside], motion.noise_a_lat[0, inside]
    for seconds in (0.1, 0.2, 0.4):
        lag = round(seconds * 50)
        alike = [np.corrcoef(z[lag:], z[:-lag])[0, 1] for z in (true, drawn)]
        assert alike[0] == pytest.approx(alike[1], abs=0.15)  # some 900 independent errors: 0.03 each


@pytest.mark.parametrize(("rate", "name", "slow"), CASES)
def test_speed_and_accelerations_belong_to_one_curve(rate, name, slow):
    # dv/dt and v dcourse/dt by central differences of the motion's own grid: 50 Hz leaves (2π 2 / 50)² / 6 = 1 %.
    _, _, motion = case(rate, name, slow)
    a_lon, rate_of = np.gradient(motion.v, 0.02)[2:-2], np.gradient(motion.course, 0.02)[2:-2]
    assert np.std(motion.a_lon[2:-2] - a_lon) < 0.02 * np.std(a_lon)
    assert np.std(motion.a_lat[2:-2] - motion.v[2:-2] * rate_of) < 0.02 * np.std(motion.a_lat)
    assert motion.a_lat == pytest.approx(motion.v**2 * motion.kappa, abs=1e-9)
    assert np.diff(motion.s) == pytest.approx(np.hypot(np.diff(motion.x), np.diff(motion.y)), abs=2e-3)


def test_two_hertz_when_the_data_carry_it_and_said_so_when_not():
    assert case(25, "all", 1.5)[2].bandwidth_hz == 2.0
    poor = case(5, "position", 0.3)[2]
    assert 0.4 < poor.bandwidth_hz < 1.2
    assert any("instead of 2.00 Hz" in note for note in poor.notes)


@cache
def speed_beside_positions(rate: float):
    """Positions and speed alone, the plainest log of a receiver."""
    d, session, _ = case(rate, "speed and course", 0.3)
    channels = {name: values for name, values in session.channels.items() if name != "course"}
    return d, motion_of(replace(session, channels=channels))


@pytest.mark.parametrize("rate", [10, 25])
def test_a_speed_channel_keeps_the_braking_sharper_than_positions_tell_the_curvature(rate):
    # The speed errs by 0.05 m/s, white: `rate` a second make it an acceleration of 2 pi 0.05 sqrt(2 B³ / 3 rate) up to
    # B Hz, 0.23 m/s² at 2 Hz and 10 a second. Smoothed as the path is, the brakes would come on over 0.35 / B seconds.
    d, motion = speed_beside_positions(rate)
    assert motion.bandwidth_hz < 1.0 < 1.5 < motion.speed_bandwidth_hz <= 2.0
    inside = (motion.t > motion.t[0] + 3.0) & (motion.t < motion.t[-1] - 3.0)
    t = np.arange(0.0, d.t[-1], 0.02)
    plain = np.interp(motion.t, t, d.at("a_lon", t))  # as it was driven, smoothed by nothing
    as_path = np.interp(motion.t, t, lowpass(d.at("a_lon", t), 0.02, motion.bandwidth_hz))
    error, blurred = (np.std((each - plain)[inside]) for each in (motion.a_lon, as_path))
    assert error < 0.7 * blurred


@pytest.mark.parametrize("rate", [10, 25])
def test_drawn_errors_of_a_sharper_speed_are_as_large_as_the_true_ones(rate):
    d, motion = speed_beside_positions(rate)
    inside = (motion.t > motion.t[0] + 3.0) & (motion.t < motion.t[-1] - 3.0)
    t = np.arange(0.0, d.t[-1], 0.02)
    smooth = np.interp(motion.t, t, lowpass(d.at("a_lon", t), 0.02, motion.speed_bandwidth_hz))
    true, drawn = np.std((motion.a_lon - smooth)[inside]), np.std(motion.noise_a_lon[:, inside])
    assert 0.70 < true / drawn < 1.25  # as above


def test_a_log_that_carries_one_bandwidth_has_one():
    for rate, name, slow in ((25, "all", 1.5), (10, "position", 0.3)):
        motion = case(rate, name, slow)[2]
        assert motion.speed_bandwidth_hz == motion.bandwidth_hz
    poor = speed_beside_positions(10)[1]
    assert any(f"the speed along it to {poor.speed_bandwidth_hz:.2f} Hz" in note for note in poor.notes)


def plain_log(t: np.ndarray, x: np.ndarray, y: np.ndarray) -> Session:
    latitude, longitude = to_geodetic(x, y, ORIGIN)
    rng = np.random.default_rng(3)  # a millimetre, as no receiver is free of noise
    return Session.from_arrays(t, latitude=latitude + 1e-8 * rng.normal(size=t.size), longitude=longitude)


def test_circle_has_the_curvature_of_its_radius():
    # closed form: kappa = 1/R, a_lat = v²/R, a_lon = 0
    t = np.arange(0.0, 60.0, 0.1)
    angle = 20.0 * t / 50.0
    motion = motion_of(plain_log(t, 50.0 * np.cos(angle), 50.0 * np.sin(angle)))
    core = slice(150, -150)
    assert motion.kappa[core] == pytest.approx(np.full(motion.t.size - 300, 0.02), rel=0.01)
    assert np.mean(motion.v[core]) == pytest.approx(20.0, rel=1e-3)
    assert np.mean(motion.a_lat[core]) == pytest.approx(8.0, rel=2e-3)
    assert np.std(motion.a_lon[core]) < 0.1


def test_clothoid_has_a_curvature_that_grows_with_the_distance():
    # Source: scipy.special.fresnel; kappa(s) = s / A². Mirrored on its own start, so it bends right, then left.
    t = np.arange(-10.0, 10.0, 0.1)
    scale = 130.0
    s = 20.0 * t
    ordinate, abscissa = fresnel(s / (scale * np.sqrt(np.pi)))
    factor = scale * np.sqrt(np.pi)
    motion = motion_of(plain_log(t - t[0], factor * abscissa, factor * ordinate))
    core = slice(100, -100)
    want = (20.0 * (motion.t + t[0]) / scale**2)[core]
    assert motion.kappa[core] == pytest.approx(want, abs=2e-4)  # 2 % of the largest, 0.0095


def test_a_log_in_metres_gives_the_same_motion_as_one_in_degrees():
    d = laps_of_club()
    session = logged(d, 10, seed=2, speed_ms=0.05)
    from simlap.geodesy import to_plane

    x, y = to_plane(session.channel("latitude"), session.channel("longitude"), ORIGIN)
    flat = Session.from_arrays(session.t, x=x, y=y, speed=session.channel("speed"), course=session.channel("course"))
    one, two = motion_of(session, origin=ORIGIN), motion_of(flat)
    assert two.origin is None
    assert one.x == pytest.approx(two.x, abs=1e-6)
    assert one.a_lat == pytest.approx(two.a_lat, abs=1e-4)


def test_same_session_and_seed_give_the_same_motion():
    d = laps_of_club()
    session = logged(d, 5, seed=2)
    assert np.array_equal(motion_of(session).noise_a_lat, motion_of(session).noise_a_lat)
    assert not np.array_equal(motion_of(session).noise_a_lat, motion_of(session, seed=1).noise_a_lat)
