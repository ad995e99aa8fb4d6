"""A top speed set by a limiter is told from one that drag sets, and from a driver who holds a speed.

Source: the equation of motion of a car of constant power, v' = P/v - k v², integrated here by `scipy`; no code of the
project makes these laps.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simlap.circuits import invented_circuit
from simlap.envelope import Envelope
from simlap.envelope_samples import RoadSamples
from simlap.envelope_topspeed import speed_cap
from simlap.errors import OptionError
from simlap.solver import limit_profile, solve_batch

LAPS, STEP = 6, 2.0
station = np.arange(0.0, 1500.0, STEP)


def straight(power=220.0, k=0.0004, from_v=25.0, limiter=np.inf):
    """v and pull over 1200 m from `from_v`, then braking with 8 m/s² back to it; the limiter cuts the pull."""

    def dz(s, z):
        return 2.0 * (power / np.sqrt(z) - k * z)

    driven = station < 1200.0
    z = solve_ivp(dz, (0.0, 1200.0), [from_v**2], t_eval=station[driven], rtol=1e-8).y[0]
    v = np.minimum(np.sqrt(z), limiter)
    pull = np.where(v < limiter, power / v - k * v**2, 0.0)
    slows = np.sqrt(np.maximum(v[-1] ** 2 - 16.0 * (station[~driven] - 1200.0), from_v**2))
    return np.concatenate([v, slows]), np.concatenate([pull, np.full(slows.size, -8.0)])


def samples(v, pull, throttle=True, jitter=0.0):
    rng = np.random.default_rng(4)
    v = np.tile(v, (LAPS, 1)) * (1.0 + jitter * rng.standard_normal((LAPS, 1)))
    pull = np.tile(pull, (LAPS, 1)) + 0.1 * rng.standard_normal(v.shape)  # as good as the smooth motion is
    pedal = np.where(station < 1200.0, 1.0, 0.0) + 0.0 * v
    nothing = np.zeros((2, *v.shape))
    return RoadSamples(
        numbers=np.arange(LAPS), station=station, duration=STEP / v, speed2=v**2, lateral=0.0 * v, along=pull,
        pull=pull, normal=1.0 + 0.0 * v, throttle=pedal if throttle else None, noise_lateral=nothing,
        noise_along=nothing, repaired=0, banking_known=True,
    )  # fmt: skip


@pytest.mark.parametrize("throttle", [True, False])
@pytest.mark.parametrize("limiter", [40.0, 55.0])
def test_a_limiter_is_found_to_half_a_per_cent(limiter, throttle):
    assert speed_cap(samples(*straight(limiter=limiter), throttle)) == pytest.approx(limiter, rel=0.005)


@pytest.mark.parametrize("power", [60.0, 120.0, 220.0, 330.0])
@pytest.mark.parametrize("k", [0.0004, 0.002, 0.004])
def test_drag_is_no_limiter(power, k):
    # With k = 0.004 1/m the top speed (P/k)^(1/3) is reached within the straight: 25 to 44 m/s, from 15 m/s on.
    v, pull = straight(power=power, k=k, from_v=15.0)
    assert speed_cap(samples(v, pull)) is None


def test_a_straight_that_ends_under_full_pull_shows_no_top_speed():
    v, pull = straight(power=330.0, k=0.0001)
    assert pull[int(1190 / STEP)] > 2.0
    assert speed_cap(samples(v, pull)) is None


def test_without_a_throttle_channel_a_foot_that_holds_a_speed_is_no_limiter():
    # 1.5 % from lap to lap is what a foot does; a limiter is the same on every lap.
    held = straight(limiter=45.0)
    assert speed_cap(samples(*held, throttle=False, jitter=0.015)) is None
    assert speed_cap(samples(*held, throttle=False, jitter=0.007)) is None  # each lap within 1.2 % of the usual top
    assert speed_cap(samples(*held, throttle=False, jitter=0.001)) == pytest.approx(45.0, rel=0.005)


def test_a_bend_just_below_the_top_speed_does_not_hide_a_limiter():
    # Two bends at 0.96 of the limiter's speed, 12 m/s² across, where the tyres' drag takes nearly all of the pull.
    v, pull = straight(limiter=45.0)
    found = samples(v, pull, throttle=False)
    bend = (station >= 400.0) & (station < 700.0)
    v2, pulls, lateral = (np.array(each) for each in (found.speed2, found.pull, found.lateral))
    v2[:, bend], pulls[:, bend], lateral[:, bend] = (0.96 * 45.0) ** 2, 0.2, 12.0
    assert speed_cap(replace(found, speed2=v2, pull=pulls, lateral=lateral)) == pytest.approx(45.0, rel=0.005)


@pytest.mark.parametrize(("seconds", "cap"), [(0.3, None), (0.7, 55.0)])
def test_a_limiter_that_is_only_just_touched_is_left_alone(seconds, cap):
    # Half a second at the top speed makes a cap. This car comes up from 0.988 of it in 0.1 s (0.66 m/s at 6.8 m/s²), so
    # that most of the time there is without pull either way, and how long it lasts alone decides.
    v, pull = straight(power=440.0, limiter=55.0)
    off = np.arange(v.size) > int(np.argmax(v >= 55.0)) + seconds * 55.0 / STEP
    short = np.where(off, np.minimum(v, 45.0), v)
    found = samples(short, np.where(off, np.where(station < 1200.0, -2.0, pull), pull))
    found = replace(found, throttle=np.where(off[None], 0.0, found.throttle))
    assert speed_cap(found) == (None if cap is None else pytest.approx(cap, rel=1e-12))  # the speeds have no noise


@pytest.mark.parametrize(("laps", "cap"), [(3, None), (4, 55.0)])
def test_a_top_speed_held_on_half_of_the_laps_is_no_limiter(laps, cap):
    # On the other laps the driver lifts 0.3 s after he came to it.
    v, pull = straight(power=440.0, limiter=55.0)
    found = samples(v, pull)
    off = np.arange(v.size) > int(np.argmax(v >= 55.0)) + 0.3 * 55.0 / STEP
    lifts = off & (np.arange(LAPS) >= laps)[:, None]
    found = replace(
        found, throttle=np.where(lifts, 0.0, found.throttle), pull=np.where(lifts, -2.0, found.pull),
        speed2=np.where(lifts, np.minimum(found.speed2, 45.0**2), found.speed2),
    )  # fmt: skip
    assert speed_cap(found) == (None if cap is None else pytest.approx(cap, rel=1e-12))  # the speeds have no noise


def test_the_limit_lap_does_not_pass_the_cap_and_a_free_one_does():
    line = invented_circuit("fast").line.resample(2.0)
    v = np.linspace(0.0, 90.0, 40)
    limits = {
        "lateral": (12.0, 0.0),
        "braking": (10.0, 0.0),
        "traction": (7.0, 0.0),
        "engine": (v, 250.0 / np.hypot(v, 20.0)),
    }
    free, capped = Envelope.from_limits(**limits), Envelope.from_limits(**limits, speed_cap=48.0)
    fastest = limit_profile(line, free)
    held = limit_profile(line, capped)
    assert fastest.v.max() > 55.0
    assert held.v.max() == pytest.approx(48.0, abs=1e-9)
    assert held.lap_time > fastest.lap_time + 0.5
    # packed, unpacked, saved and read: the cap stays; and an old file without it still reads
    again = Envelope.unpack(capped.pack())
    assert again.speed_cap == 48.0
    assert Envelope.from_dict(capped.to_dict()).speed_cap == 48.0
    assert Envelope.from_dict({k: x for k, x in free.to_dict().items() if k != "speed_cap_ms"}).speed_cap is None
    batch = solve_batch(line, np.stack([free.pack(), capped.pack()]))
    assert np.asarray(batch.lap_time) == pytest.approx([fastest.lap_time, held.lap_time], abs=0.02)


@pytest.mark.parametrize("wrong", [0.0, -3.0, np.nan, np.inf])
def test_a_speed_cap_that_makes_no_sense_is_refused(wrong):
    with pytest.raises(OptionError, match="speed_cap"):
        Envelope.from_limits((10.0, 0.0), (10.0, 0.0), (7.0, 0.0), speed_cap=wrong)
