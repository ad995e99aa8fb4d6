"""From laps on common stations to traces of corner zones: grip in use, the start line, gaps."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from simlap.envelope import Envelope
from simlap.habit_link import drive_left, grip_in_use, sheets_of
from simlap.kept import grip_limits
from simlap.line import Line
from simlap.results import Interval
from simlap.solver import limit_profile
from simlap.thresholds import default_thresholds
from simlap.track import Corner
from simlap.units import G
from simlap.zones import Zone

N, SPACING = 200, 5.0  # stations of a circle of 1 km
LENGTH = N * SPACING
SPEED = 25.0  # [m/s]
LAP_TIME = LENGTH / SPEED


def circle(bank=0.0):
    angle = 2.0 * np.pi * np.arange(N) / N
    radius = LENGTH / (2.0 * np.pi)
    return Line.from_points(radius * np.cos(angle), radius * np.sin(angle), bank=np.full(N, bank))


def test_grip_on_a_flat_circle_is_v_squared_over_r_by_the_limit():
    # 25² m²/s² / (1000 m / 2 pi) = 3.927 m/s² of 8 m/s².
    line, env = circle(), Envelope.constant(lateral=8.0, braking=8.0, drive=8.0)
    v = np.full(N, SPEED)
    used = grip_in_use(line, env, np.zeros(N), v**2 * line.kappa, v)
    assert used == pytest.approx(25.0**2 * 2.0 * np.pi / 1000.0 / 8.0, rel=1e-4)  # the spline's curvature


def test_grip_on_a_bank_that_carries_the_turn_alone_is_zero():
    # tan(bank) = v² / (r g): the road pushes just as the turn asks.
    bank = np.arctan(25.0**2 * 2.0 * np.pi / 1000.0 / G)
    line, env = circle(bank), Envelope.constant(lateral=8.0, braking=8.0, drive=8.0)
    v = np.full(N, SPEED)
    assert grip_in_use(line, env, np.zeros(N), v**2 * line.kappa, v) == pytest.approx(0.0, abs=1e-3)  # the same


def test_the_drive_left_is_what_a_friction_circle_leaves_less_the_slope_and_nothing_at_a_top_speed():
    # 25²/R = 3.927 of 8 m/s² leave sqrt(8² - 3.927²) = 6.97; uphill at 5 % g sin(atan 0.05) = 0.49 less.
    line, env = circle(), Envelope.constant(lateral=8.0, braking=8.0, drive=8.0)
    v = np.full(N, SPEED)
    a_lat = v**2 * line.kappa
    assert drive_left(line, env, a_lat, v) == pytest.approx(np.sqrt(8.0**2 - 3.927**2), abs=1e-3)  # four digits
    uphill = replace(line, grade=np.full(N, np.arctan(0.05)))
    # the slope takes 0.1 % off the weight as well
    assert drive_left(uphill, env, a_lat, v) == pytest.approx(6.97 - 0.49, abs=0.02)
    assert drive_left(line, env, a_lat, v, 0.5) == pytest.approx(np.sqrt(4.0**2 - 3.927**2), abs=5e-3)
    geared = Envelope.from_limits(
        lateral=(8.0, 0.0), braking=(8.0, 0.0), traction=(8.0, 0.0), engine=([0.0, 50.0], [8.0, 8.0]), speed_cap=25.2
    )
    assert drive_left(line, geared, a_lat, v) == pytest.approx(0.0, abs=1e-9)
    assert (drive_left(line, geared, a_lat * 0.81, 0.9 * v) > 1.0).all()


def test_grip_in_use_of_the_limit_profile_is_the_share_that_the_solver_states():
    # A second implementation: the solver computes its own share from the packed envelope.
    angle = 2.0 * np.pi * np.arange(400) / 400
    x, y = 300.0 * np.cos(angle), 120.0 * np.sin(angle)
    line = Line.from_points(x, y, z=6.0 * np.sin(2.0 * angle), bank=0.05 * np.sin(angle))
    env = Envelope.from_limits(
        lateral=((9.0, 0.001), (9.5, 0.001)),
        braking=(10.0, 0.002),
        traction=(6.0, 0.001),
        exponent_braking=1.6,
        drag=(0.2, 0.0004, 0.005),
    )
    grip = np.full(400, 0.8)  # between stations of different grip the solver takes a mean
    limit = limit_profile(line, env, limits=grip_limits(grip))
    used = grip_in_use(line, env, limit.a_lon, limit.a_lat, limit.v, grip)
    assert used == pytest.approx(limit.share, abs=1e-9)  # only rounding, and the packed engine is not used here


def analysis(numbers=(1, 2, 3), *, pause=0.0, channels=None):
    """Laps at 25 m/s on a circle, one behind the other, with a pause before the last; the zone crosses the line.

    The zone runs from 900 m over 950 m (braking) and 30 m (mid-corner) to 300 m; the other one is the rest.
    """
    m = len(numbers)
    line = circle()
    first, second = Corner("T1", "left", 950.0, 20.0, 60.0), Corner("T2", "left", 350.0, 400.0, 500.0)
    zones = (Zone(first, 900.0, 950.0, 30.0, 300.0), Zone(second, 300.0, 400.0, 500.0, 900.0))
    starts = LAP_TIME * np.arange(m) + pause * (np.arange(m) == m - 1)
    flat = np.full((m, N), SPEED)
    zero = Interval(0.0, 0.0, 0.0)
    phases = tuple(SimpleNamespace(name=name, gain_alone=zero) for name in ("braking", "mid_corner", "exit"))
    table = SimpleNamespace(
        numbers=np.array(numbers),
        counted=np.ones(m, dtype=bool),
        station=np.arange(N) * SPACING,
        t=np.broadcast_to(LAP_TIME * np.arange(N + 1) / N, (m, N + 1)),
        session_start=starts,
        v=flat + np.arange(m)[:, None],
        a_lon=np.zeros((m, N)),
        a_lat=flat**2 * line.kappa,
        channels=channels or {},
    )
    rows = SimpleNamespace(t=np.arange(0.0, m * LAP_TIME, 0.02), channels={}, has=lambda name: False)
    return SimpleNamespace(
        session=rows,  # told_to: 0.25 m of way in half a row and 1 m of blur
        motion=SimpleNamespace(bandwidth_hz=2.0),
        typical_lap_s=LAP_TIME,
        table=table,
        line=line,
        fit=SimpleNamespace(envelope=Envelope.constant(lateral=8.0, braking=8.0, drive=8.0)),
        limit=SimpleNamespace(v=np.full(N, 30.0), a_lon=np.zeros(N)),
        lap_driven=tuple(SimpleNamespace(v=np.full(N, 20.0)) for _ in range(m)),  # along the common path: not the car's
        corners=tuple(SimpleNamespace(corner=zone.corner, zone=zone, phases=phases, step_kmh=4.0) for zone in zones),
        counted=tuple(range(m)),
        grip=np.ones(N),
    )


def sheets(made):
    return sheets_of(made, default_thresholds())[0]


def test_a_zone_across_the_start_line_takes_its_beginning_from_the_lap_before():
    traces = {each.lap: each for each in sheets(analysis())[0].traces}
    assert sorted(traces) == [2, 3]  # the approach of lap 1 lies before the log
    trace = traces[2]
    assert (trace.braking_stop, trace.mid_stop) == pytest.approx((50.0, 130.0), abs=1e-6)
    # From 150 m before the zone, 750 m of lap 1, to 300 m of lap 2: at 25 m/s 30 s to 40 s + 12 s on the log's clock.
    assert trace.along[0] == pytest.approx(-150.0, abs=SPACING)
    assert trace.t[0] == pytest.approx(30.0, abs=SPACING / SPEED)
    assert trace.t[-1] == pytest.approx(52.0, abs=2 * SPACING / SPEED)
    assert np.diff(trace.t) == pytest.approx(SPACING / SPEED, rel=1e-6)  # no jump at the line
    # The lap before is 1 m/s slower here: its speed before the line, the lap's own behind it.
    assert trace.v[trace.along < 99.0] == pytest.approx(SPEED)
    assert trace.v[trace.along > 101.0] == pytest.approx(SPEED + 1.0)
    assert trace.station(trace.at(150.0)) == pytest.approx(50.0, abs=SPACING)


@pytest.mark.parametrize("broken", [{"numbers": (1, 2, 4)}, {"pause": 20.0}])
def test_laps_that_do_not_follow_each_other_are_not_joined(broken):
    made = analysis(**broken)
    assert [each.lap for each in sheets(made)[0].traces] == [2]
    assert len(sheets(made)[1].traces) == 3  # the other corner lies within the lap


def test_a_channel_with_gaps_is_left_out_of_the_traces_that_it_fails():
    throttle = np.ones((3, N))
    throttle[1, 65:100] = np.nan  # 325 m to 500 m of lap 2: most of the second zone's corner
    throttle[2, 70] = np.nan  # one cell of lap 3
    found = {each.lap: each for each in sheets(analysis(channels={"throttle": throttle}))[1].traces}
    assert [lap for lap, each in found.items() if each.has("throttle")] == [1, 3]
    assert (found[3].channels["throttle"] == 1.0).all()  # filled between its neighbours


def test_a_brake_that_is_not_zero_at_rest_counts_from_there(club):
    table = club.analysis.table
    lifted = {**table.channels, "brake_pressure": table.channels["brake_pressure"] + 5e5}
    offset = replace(club.analysis, table=replace(table, channels=lifted))
    for one, other in zip(sheets(club.analysis), sheets(offset), strict=True):
        for trace, same in zip(one.traces, other.traces, strict=True):
            assert same.channels["brake_pressure"] == pytest.approx(trace.channels["brake_pressure"], abs=1e-6)


def test_throttle_is_a_share_of_the_drivers_widest_opening():
    throttle = np.full((3, N), 0.4)
    throttle[:, 100:150] = 0.8
    made = analysis(channels={"throttle": throttle})
    (first, *_) = sheets(made)[1].traces
    assert first.channels["throttle"].max() == pytest.approx(1.0)
    assert first.channels["throttle"].min() == pytest.approx(0.5)
