"""A change of gear is no change of the driver's mind: findings on the throttle look through its short dips and blips.

The traces are those of habit_builder, a metre between two values. Each test shows the same pedals with the gear held,
where a short closing is the foot's own.
"""

import numpy as np
import pytest
from habit_builder import along, between, seconds, sheet, speed, trace
from test_habits import FLAT, LAPS, OUT, ROLLING, lifted, part, pedal

from simlap.habits import find_habits

STEADY = np.full(along.size, 3.0)
# 80 % from 205 m to the end of the exit, where the car drives with 4 m/s² from 17 m/s at 210 m.
HELD = pedal((-200, 1.0), (50, 0.0), (185, 0.3), (205, 0.8))
OUT_SPEED = speed(55.0, 9.0, 17.0, 210.0, 4.0)
NEVER = "never held fully open before the next corner"


def dipped(throttle, *starts, metres=4.0, to=0.0):
    """The throttle moved to `to` for some metres from each start on."""
    out = np.array(throttle)
    for start in starts:
        out[between(start, start + metres)] = to
    return out


def shifted(*places, by=1.0):
    """Gear that changes at each place."""
    return 3.0 + by * sum((along >= place).astype(float) for place in places)


def finding(kind, **driving):
    return [each for each in find_habits([sheet([trace(lap, **driving) for lap in LAPS])]) if each.kind == kind]


def part_out(throttle, **driving):
    (found,) = finding("part throttle on the exit", slow=17.0, radius=60.0, throttle=throttle, **driving)
    return found


@pytest.mark.parametrize("channel", ["gear", "engine speed", "neither"])
def test_part_throttle_on_the_exit_lasts_through_its_up_shifts(channel):
    # From 210 m to the last value at 419 m; dips of 4 m at 22 to 27 m/s last 0.2 s.
    shifts = (242.0, 282.0)
    engine = 600.0 * np.where(along < shifts[0], 1.0, np.where(along < shifts[1], 0.8, 0.64))
    tells = {"gear": {"gear": shifted(*shifts)}, "engine speed": {"engine_speed": engine, "without": ("gear",)}}
    seen = part_out(dipped(HELD, 240.0, 280.0), **tells.get(channel, {"without": ("gear",)}))
    lasted = seconds(OUT_SPEED)[-1] - seconds(OUT_SPEED)[along == 210.0][0]
    assert seen.evidence["part_throttle_s"] == pytest.approx(lasted, abs=1e-9)
    assert seen.evidence["opening_percent"] == pytest.approx(80.0)
    assert NEVER in seen.sentence


def test_part_throttle_that_the_foot_itself_gives_up_is_told_in_pieces():
    seen = part_out(dipped(HELD, 240.0, 280.0), gear=STEADY)
    t = seconds(OUT_SPEED)
    assert seen.evidence["part_throttle_s"] == pytest.approx(t[-1] - t[along == 284.0][0], abs=1e-9)


def test_part_throttle_ends_where_the_foot_closes_it_for_good():
    # Closed over the last 4 m of the exit, 0.1 s at 44 m/s: nothing shows that it opens again, so it is no dip.
    seen = part_out(dipped(HELD, 415.0, metres=10.0), without=("gear",))
    t = seconds(OUT_SPEED)
    assert seen.evidence["part_throttle_s"] == pytest.approx(t[along == 415.0][0] - t[along == 210.0][0], abs=1e-9)


def test_a_throttle_that_opens_fully_before_the_next_corner_is_not_told_as_never_open():
    assert NEVER not in part_out(OUT).sentence
    assert part_out(OUT).evidence["never_full_share"] == 0.0
    # Open at the very end: 12 m at 43 m/s, 0.3 s.
    assert NEVER in part_out(np.where(along >= 408.0, 1.0, HELD)).sentence


def test_an_up_shift_in_a_fast_corner_is_no_lift():
    # Closed from 150 m to 164 m at 50 m/s: 0.28 s, and 1.1 m/s lost by 4 m/s².
    v = np.sqrt(50.0**2 - 2.0 * 4.0 * np.clip(along - 150.0, 0.0, 14.0))
    driving = {**FLAT, "v": v, "radius": 320.0, "throttle": dipped(np.ones(along.size), 150.0, metres=14.0)}
    kind = "lift where none is needed"
    assert finding(kind, gear=STEADY, **driving)
    assert finding(kind, without=("gear",), **driving)  # nothing tells of a change of gear
    assert not finding(kind, gear=shifted(158.0), **driving)


def test_a_blip_for_a_down_shift_does_not_cut_the_coasting_in_two():
    # Off both pedals from 175 m to 205 m at 18.5 to 16.4 m/s; the blip of 4 m lasts 0.23 s.
    rolling = {"v": ROLLING, "slow": 18.5}
    blip = dipped(lifted(50, again=205), 188.0, to=0.6)
    (whole,) = finding("coasting", throttle=lifted(50, again=205), gear=STEADY, **rolling)
    (through,) = finding("coasting", throttle=blip, gear=shifted(190.0, by=-1.0), **rolling)
    assert through.evidence == pytest.approx(whole.evidence)
    (cut,) = finding("coasting", throttle=blip, gear=STEADY, **rolling)
    t = seconds(ROLLING)
    assert cut.evidence["coast_s"] == pytest.approx(t[along == 205.0][0] - t[along == 192.0][0], abs=1e-9)


def test_part_throttle_before_a_lift_lasts_through_an_up_shift():
    # 50 % from 20 m to 50 m at 50 m/s, 0.6 s; the dip leaves 0.28 s and 0.24 s of it.
    kind = "part throttle, then lift"
    assert finding(kind, throttle=dipped(part(20), 34.0), gear=shifted(36.0))
    assert not finding(kind, throttle=dipped(part(20), 34.0), gear=STEADY)


def test_full_throttle_before_the_apex_lasts_through_an_up_shift():
    # Full from 180 m; the limit's slowest point lies at 193 m. The dip of 3 m at 17 m/s lasts 0.18 s.
    full = pedal((-200, 1.0), (50, 0.0), (180, 1.0))
    kind = "full throttle before the apex"
    assert finding(kind, slow=17.0, throttle=dipped(full, 190.0, metres=3.0), gear=shifted(191.0))
    assert not finding(kind, slow=17.0, throttle=dipped(full, 190.0, metres=3.0), gear=STEADY)
