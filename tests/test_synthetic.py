"""The generator of synthetic sessions: its mechanics and its sensors against closed forms.

Everything else is tested against these sessions, so nothing here may rest on the code that they test.
"""

import doctest
from dataclasses import replace

import numpy as np
import pytest
from pyproj import Geod

from simlap import synthetic
from simlap.circuits import invented_circuit
from simlap.envelope import Envelope
from simlap.errors import OptionError
from simlap.line import Line
from simlap.synthetic import CornerSkill, Driver, Sensors, club_car, synthetic_pair, synthetic_session
from simlap.synthetic_drive import Car, Inputs, closed_run, simulate
from simlap.synthetic_road import BaseLine, Road, wander
from simlap.synthetic_sensors import gauss_markov, vibration
from simlap.units import G


@pytest.fixture(scope="module")
def circuit():
    return invented_circuit("club")


@pytest.fixture(scope="module")
def made(circuit):
    """A driver with deficits, sensors without error."""
    driver = Driver.with_deficits(circuit.corners, seed=5)
    return synthetic_session(
        circuit, club_car(), driver, Sensors.perfect(), laps=4, seed=3, traffic_lap=2, mistake_lap=4
    )


def flat_road(kappa, ds, bank=0.0):
    n = len(kappa)
    zero = np.zeros(n)
    return Road(np.full(n, ds), np.asarray(kappa, dtype=float), zero, zero, np.full(n, bank))


def lap_of(road, envelope):
    n = road.ds.size
    return closed_run(road, Car(envelope), np.ones(n), Inputs.perfect(n))


def circle(radius, count=400):
    angle = 2.0 * np.pi * np.arange(count) / count
    return Line.from_points(radius * np.cos(angle), radius * np.sin(angle), closed=True)


# -- the limit of the truth


@pytest.mark.parametrize("bank_deg", [0.0, 12.0])
def test_on_a_banked_circle_the_limit_is_the_textbook_speed(bank_deg):
    # Source: banked curve with friction, v² = g R (mu cos b + sin b) / (cos b - mu sin b), any mechanics textbook.
    radius, mu, bank = 50.0, 1.1, np.radians(bank_deg)
    road = flat_road(np.full(400, 1.0 / radius), 2.0 * np.pi * radius / 400, bank)
    z, lap = lap_of(road, Envelope.constant(mu * G, 10.0, 5.0))
    expected = G * radius * (mu * np.cos(bank) + np.sin(bank)) / (np.cos(bank) - mu * np.sin(bank))
    assert z == pytest.approx(expected, rel=1e-12)  # a root of a quadratic, only rounding is left
    assert lap == pytest.approx(2.0 * np.pi * radius / np.sqrt(expected), rel=1e-12)


def test_downforce_raises_the_circle_speed_as_its_equation_says():
    # v² / R = c0 + c1 v², so v² = c0 / (1/R - c1).
    z, _ = lap_of(flat_road(np.full(400, 1.0 / 80.0), 1.0), Envelope.from_limits((9.0, 0.003), (9.0, 0.0), (6.0, 0.0)))
    assert z == pytest.approx(9.0 / (1.0 / 80.0 - 0.003), rel=1e-12)


def test_a_crest_taken_straight_lengthens_braking_as_the_lighter_car_demands():
    # Source: on a crest of radius R the tyres carry g - v²/R, so dv²/ds = -2 mu (g - v²/R): with u = g - v²/R,
    # du/ds = 2 mu u / R, u grows as exp(2 mu s / R). Braking starts where the run starts (the car is on its plan).
    radius, mu, n, ds = 200.0, 1.0, 201, 0.1
    zero = np.zeros(n)
    road = Road(np.full(n, ds), zero, np.full(n, -1.0 / radius), zero, zero)
    z, _ = simulate(road, Car(Envelope.constant(9.0, mu * G, 5.0)), np.ones(n), Inputs.perfect(n), 100.0, 10.0)
    u_end = G - 10.0**2 / radius
    u_start = u_end * np.exp(-2.0 * mu * (n - 1) * ds / radius)
    # The midpoint rule is off by O(ds²), 1e-6 here; taking the limit at one end of each step would be off by 1e-4.
    assert z[0] == pytest.approx((G - u_start) * radius, rel=2e-6)


def test_the_oval_lap_is_the_closed_form():
    # Source: uniform acceleration. Half circles at v_c² = A R; straights up with D and down with B to the peak
    # v_p² = v_c² + 2 D B L / (D + B).
    # The segment between a bend and a straight is half of each.
    radius, lateral, brake, drive, ds = 60.0, 11.0, 9.0, 4.0, 0.25
    bend, points = round(np.pi * radius / ds), 1200
    kappa = np.concatenate([np.full(bend, 1.0 / radius), np.zeros(points)] * 2)
    _, lap = lap_of(flat_road(kappa, ds), Envelope.constant(lateral, brake, drive))
    straight = points * ds
    slow = np.sqrt(lateral * radius)
    peak = np.sqrt(slow**2 + 2.0 * drive * brake * straight / (drive + brake))
    expected = 2.0 * (bend * ds / slow + (peak - slow) * (1.0 / drive + 1.0 / brake))
    # The peak lies within one segment: z is cut by at most 2 m²/s² of 1500 over 0.25 m, 1e-6 of the lap. The engine's
    # table and the sweeps are exact for constant limits.
    assert lap == pytest.approx(expected, rel=1e-5)


def test_halving_the_grid_leaves_the_lap(circuit):
    laps = []
    for spacing in (1.0, 0.5, 0.25):
        base = BaseLine.of(circuit.line, spacing)
        laps.append(lap_of(base.shifted(*np.zeros((3, base.x.size))), club_car())[1])
    # The stated accuracy of the fine grid: below 5 ms on a lap of 93 s.
    assert np.ptp(laps) < 5e-3


# -- the drive


def test_speed_acceleration_and_path_of_the_truth_belong_together(made):
    motion = made.truth.motion
    inside = (motion.t > made.truth.laps[0].start_s + 1.0) & (motion.t < made.truth.laps[-1].stop_s - 1.0)
    step = motion.t[1] - motion.t[0]
    # dv/dt: gear changes and brakes change the acceleration by up to 15 m/s² within a row of 0.01 s; averaged over
    # 0.5 s at most two such rows leave 0.15 m/s² each.
    difference = np.gradient(motion.v, step) - motion.a_lon
    smooth = np.convolve(difference, np.ones(50) / 50.0, mode="same")
    assert np.abs(smooth[inside]).max() < 0.3
    assert np.median(np.abs(difference[inside])) < 0.01
    # v from the positions: chords of 0.5 m of 20 m radius are short by 3e-5; slopes do not count (plan distances).
    moved = np.hypot(np.diff(motion.x), np.diff(motion.y)) / step
    middle = 0.5 * (motion.v[1:] + motion.v[:-1])
    assert moved[inside[1:]] == pytest.approx(middle[inside[1:]], rel=2e-3)
    assert np.sum(moved * step) == pytest.approx(motion.s[-1], rel=1e-4)


def test_lateral_acceleration_is_speed_times_the_turning_of_the_path(made):
    # Source: centripetal acceleration v dpsi/dt, with psi taken from the positions alone.
    motion = made.truth.motion
    lap = made.truth.laps[1]
    where = slice(*np.searchsorted(motion.t, (lap.start_s, lap.stop_s)))
    x, y, v = motion.x[where], motion.y[where], motion.v[where]
    psi = np.unwrap(np.arctan2(np.gradient(y), np.gradient(x)))
    a_lat = v * np.gradient(psi, 0.01)
    difference = a_lat - motion.a_lat[where]
    # Positions are joined by chords of 0.5 m, each of which turns at its ends: averaged over 0.2 s the turning is
    # right to 0.03 m/s², and over the lap the ratio is 1 to one part in a thousand.
    smooth = np.convolve(difference, np.ones(20) / 20.0, mode="valid")
    assert np.sqrt(np.mean(smooth**2)) < 0.03
    assert np.polyfit(motion.a_lat[where], a_lat, 1) == pytest.approx([1.0, 0.0], abs=1e-3)


def test_lap_states_turn_as_their_path_does(made):
    # The same from the points of the fine grid, which lie on the path itself: a_lat = v² dpsi/ds.
    states = made.truth.states
    for x, y, v, a_lat in zip(states.x, states.y, states.v, states.a_lat, strict=True):
        psi = np.unwrap(np.arctan2(np.diff(y), np.diff(x)))
        chord = np.hypot(np.diff(x), np.diff(y))
        kappa = np.diff(psi) / (0.5 * (chord[1:] + chord[:-1]))
        # Central differences over 0.5 m of clothoids 5 m long and more: below 0.03 m/s².
        assert v[1:-1] ** 2 * kappa == pytest.approx(a_lat[1:-1], abs=0.03)


def test_lap_times_are_the_integral_of_ds_over_v(made):
    states = made.truth.states
    for row, lap in enumerate(made.truth.laps[1:-1]):
        x, y = (np.append(a[row], a[row][-1]) for a in (states.x, states.y))
        ds = np.hypot(np.diff(x), np.diff(y))[:-1]
        v = 0.5 * (states.v[row][1:] + states.v[row][:-1])
        last = states.t[row][-1] - states.t[row][-2]
        # Trapezoid in space on 0.5 m, chords for arcs: relative error of (ds kappa)²/24, below 3e-5.
        assert np.sum(ds / v) + last == pytest.approx(lap.time_s, rel=3e-5)
        assert states.t[row][-1] == pytest.approx(lap.time_s, abs=1e-9)


def test_laps_follow_one_another_without_gap(made):
    laps = made.truth.laps
    assert [lap.kind for lap in laps] == ["out", "flying", "traffic", "flying", "mistake", "in"]
    assert [lap.start_s for lap in laps[1:]] == pytest.approx([lap.stop_s for lap in laps[:-1]], abs=1e-12)


def test_every_lap_begins_on_the_start_line(circuit, made):
    # The start line runs across station 0 of the reference line: nothing is left along the driving direction.
    line, states = circuit.line, made.truth.states
    course = np.arctan2(line.y[1] - line.y[-1], line.x[1] - line.x[-1])
    ahead = (states.x[:, 0] - line.x[0]) * np.cos(course) + (states.y[:, 0] - line.y[0]) * np.sin(course)
    # The course of three points 2 m apart is off by 1e-4 rad at most here, and the path by 1 m: 0.1 mm.
    assert np.abs(ahead).max() < 1e-3
    motion, laps = made.truth.motion, made.truth.laps[1:-1]
    for k, lap in enumerate(laps):
        assert np.interp(lap.start_s, motion.t, motion.x) == pytest.approx(states.x[k, 0], abs=1e-3)
        assert np.interp(lap.start_s, motion.t, motion.y) == pytest.approx(states.y[k, 0], abs=1e-3)


def test_a_slower_car_and_a_missed_brake_point_cost_time_and_out_and_in_laps_are_slow(made):
    times = [lap.time_s for lap in made.truth.laps]
    plain = max(times[1], times[3])
    assert times[2] > plain + 3.0
    assert times[4] > plain + 0.4
    assert min(times[0], times[-1]) > plain


@pytest.mark.parametrize("name", ["club", "fast", "kart"])
@pytest.mark.parametrize("kind", ["limit", "deficits"])
def test_no_driver_ever_leaves_the_envelope(name, kind):
    # Source: the definition of the envelope (Envelope's own methods), on accelerations taken from speeds and path.
    track, envelope = invented_circuit(name), club_car()
    driver = Driver.at_limit() if kind == "limit" else Driver.with_deficits(track.corners, seed=11, size=1.5)
    truth = synthetic_session(track, envelope, driver, Sensors.perfect(), laps=2, seed=8, losses=False).truth
    base = BaseLine.of(track.line)
    states = truth.states
    for v, a_lon, kappa in zip(states.v, states.a_lon, states.kappa, strict=True):
        demand = v**2 * kappa * np.cos(base.bank) - G * np.sin(base.bank) * np.cos(base.grade)
        normal = np.cos(base.grade) * np.cos(base.bank) + v**2 * (base.kappa_v + kappa * np.sin(base.bank)) / G
        force = a_lon + G * np.sin(base.grade)
        lateral = np.abs(demand) / (envelope.lateral_limit(v, demand) * normal)
        assert lateral.max() <= 1.0 + 1e-9
        p, limit = envelope.exponent_braking, envelope.braking_limit(v, 0.0, normal)
        braking = np.where(force < 0.0, (np.abs(force) / limit) ** p + lateral**p, 0.0)
        q, limit = envelope.exponent_drive, envelope.traction_limit(v, 0.0, normal)
        drive = np.where(force > 0.0, (np.abs(force) / limit) ** q + lateral**q, 0.0)
        # Accelerations are means of two segments of 0.5 m, between which the limits change: 0.4 % at most.
        assert max(braking.max(), drive.max()) < 1.005
        assert (force - envelope.engine_limit(v, demand)).max() < 0.005


def test_nobody_is_faster_than_the_limit_anywhere_on_the_same_path(circuit):
    driver = Driver.with_deficits(circuit.corners, seed=2, line_sd_m=0.0)
    truth = synthetic_session(circuit, club_car(), driver, Sensors.perfect(), laps=3, seed=1, losses=False).truth
    # Both are swept by the midpoint rule from other speeds: its error, 1e-6, is all that may be left.
    assert (truth.states.v <= truth.limit_v * (1.0 + 2e-6)).all()
    assert (truth.lap_times_s > truth.limit_lap_s).all()


def test_a_driver_without_deficits_and_reaction_times_drives_the_limit_lap(circuit):
    quick = Driver.at_limit(build_s=0.0, release_s=0.0, pickup_s=0.0, shift_s=0.0, line_sd_m=0.0)
    truth = synthetic_session(circuit, club_car(), quick, Sensors.perfect(), laps=3, seed=1).truth
    assert truth.typical_lap_s == pytest.approx(truth.limit_lap_s, abs=1e-9)
    # The out-lap leads into the first flying lap; the others start from a flying lap.
    assert truth.lap_times_s[1:] == pytest.approx(truth.limit_lap_s, abs=1e-6)
    assert max(abs(v) for v in truth.caused_total_s.values()) < 1e-9


DEFICITS = {
    "braking": ("braking", (0.97, 0.9, 0.8)),
    "coast_m": ("braking", (5.0, 15.0, 30.0)),
    "mid": ("mid_corner", (0.99, 0.96, 0.92)),
    "exit": ("exit", (0.97, 0.9, 0.8)),
    "exit_delay_m": ("exit", (5.0, 15.0, 30.0)),
}


@pytest.mark.parametrize("deficit", list(DEFICITS))
def test_more_of_a_deficit_costs_more(circuit, deficit):
    lost = [0.0]
    for value in DEFICITS[deficit][1]:
        driver = Driver.at_limit(corners={"7": CornerSkill(**{deficit: value})}, line_sd_m=0.0)
        truth = synthetic_session(circuit, club_car(), driver, Sensors.perfect(), laps=1, losses=False).truth
        best = synthetic_session(
            circuit, club_car(), Driver.at_limit(line_sd_m=0.0), Sensors.perfect(), laps=1, losses=False
        ).truth
        lost.append(truth.typical_lap_s - best.typical_lap_s)
    assert (np.diff(lost) > 0.0).all()


@pytest.mark.parametrize("deficit", ["coast_m", "mid", "exit"])
def test_all_of_a_loss_stands_where_its_deficit_was_put_in(circuit, deficit):
    # Knock-on included: the lost exit speed of corner 7 costs time down to corner 9.
    phase, values = DEFICITS[deficit]
    driver = Driver.at_limit(corners={"7": CornerSkill(**{deficit: values[2]})})
    truth = synthetic_session(circuit, club_car(), driver, Sensors.perfect(), laps=1).truth
    total = sum(truth.caused_s.values())
    assert total > 0.02
    assert truth.caused_s["7", phase] == pytest.approx(total, abs=1e-9)
    assert truth.gain_alone_s["7", phase] == pytest.approx(total, abs=1e-9)


def test_a_corner_freed_as_a_whole_gains_at_least_as_much_as_each_of_its_phases(made):
    truth = made.truth
    assert set(truth.gain_corner_total_s) == {zone.name for zone in truth.zones}
    for zone in truth.zones:
        whole = truth.gain_corner_total_s[zone.name]
        alone = [truth.gain_alone_total_s[zone.name, phase] for phase in zone.phases]
        assert whole > max(alone) - 1e-6  # the solver's rounding
        if len(alone) == 1:
            assert whole == pytest.approx(alone[0], abs=1e-9)


def test_causes_add_up_to_what_the_typical_lap_loses(made):
    truth = made.truth
    gap = truth.typical_lap_s - truth.limit_lap_s
    assert sum(truth.caused_total_s.values()) == pytest.approx(gap, abs=1e-9)
    assert 0.0 < sum(truth.caused_s.values()) < gap
    assert sum(truth.corner_s(truth.caused_s).values()) == pytest.approx(sum(truth.caused_s.values()), abs=1e-12)


def test_zones_tile_the_lap(made):
    zones = made.truth.zones
    count = made.truth.limit_v.size
    seen = np.zeros(count, dtype=int)
    for zone in zones:
        for phase in zone.phases:
            start, stop = zone.bounds(phase)
            seen[(start + np.arange((stop - start) % count)) % count] += 1
    assert (seen == 1).all()


def test_a_corner_taken_flat_has_a_mid_corner_phase_only(made):
    # Corner 8 of the club circuit bends with 320 m radius: at 10.8 m/s² good for 58 m/s, more than the car reaches.
    assert {zone.name: zone.phases for zone in made.truth.zones}["8"] == ("mid_corner",)


def test_half_better_is_half_of_each_deficit():
    skill = CornerSkill(braking=0.8, coast_m=20.0, mid=0.9, exit=0.7, exit_delay_m=30.0)
    half = skill.better(0.5)
    found = (half.braking, half.coast_m, half.mid, half.exit, half.exit_delay_m)
    assert found == pytest.approx((0.9, 10.0, 0.95, 0.85, 15.0), abs=1e-12)
    # Two laps of 20 % leave 0.8² of what was there.
    driver = Driver(corners={"1": skill}, improvement=0.2)
    assert driver.skill_in("1", 2).coast_m == pytest.approx(0.64 * 20.0, abs=1e-12)


def test_drivers_improve_and_tyres_wear(circuit):
    slow = {c.name: CornerSkill(braking=0.85, mid=0.95, exit=0.85) for c in circuit.corners}
    learner = Driver.at_limit(corners=slow, improvement=0.2)
    better = synthetic_session(circuit, club_car(), learner, Sensors.perfect(), laps=5, losses=False).truth
    assert (np.diff(better.lap_times_s) < -0.02).all()
    worn = synthetic_session(
        circuit, club_car(), Driver.at_limit(line_sd_m=0.0), Sensors.perfect(), laps=5, grip_drift=-0.01, losses=False
    ).truth
    assert (np.diff(worn.lap_times_s[1:]) > 0.05).all()


def test_a_pair_differs_in_the_car_or_in_the_driver(circuit):
    driver = Driver.with_deficits(circuit.corners, seed=4)
    options = {"laps": 2, "seed": 5, "losses": False}
    gripped = club_car().scaled(lateral=1.03)
    before, after = synthetic_pair(circuit, club_car(), driver, Sensors.good(), changed=gripped, **options)
    assert after.truth.limit_lap_s < before.truth.limit_lap_s - 0.3
    before, after = synthetic_pair(circuit, club_car(), driver, Sensors.good(), better=0.5, **options)
    # The limit stays but for the scatter of the mean path of two laps.
    assert after.truth.limit_lap_s == pytest.approx(before.truth.limit_lap_s, abs=0.15)
    assert after.truth.typical_lap_s < before.truth.typical_lap_s - 0.3
    for name, skill in driver.corners.items():
        assert after.truth.driver.corners[name] == skill.better(0.5)


# -- paths


def test_the_path_inside_a_circle_is_the_smaller_circle():
    # Source: geometry. Left turn of 40 m, 3 m to the left: 37 m.
    base = BaseLine.of(circle(40.0))
    n = base.x.size
    road = base.shifted(np.full(n, 3.0), np.zeros(n), np.zeros(n))
    assert road.kappa == pytest.approx(1.0 / 37.0, rel=1e-6)  # spline of degree 5 through 400 points
    assert road.ds.sum() == pytest.approx(2.0 * np.pi * 37.0, rel=1e-6)


def test_the_scatter_of_the_path_has_the_size_and_length_asked_for():
    # Source: white noise through a Gaussian filter has the autocorrelation exp(-d²/(2 length²)).
    spacing, sd, length = 0.5, 0.4, 80.0
    offset, slope, bend = wander(np.random.default_rng(1), 400_000, spacing, sd, length)
    # 200 km hold about 1000 independent stretches: 3 sigma of the sd are 7 %, of a correlation 0.1.
    assert np.std(offset) == pytest.approx(sd, rel=0.07)
    for d in (40.0, 80.0, 160.0):
        lag = round(d / spacing)
        found = np.mean(offset[lag:] * offset[:-lag]) / np.var(offset)
        assert found == pytest.approx(np.exp(-(d**2) / (2.0 * length**2)), abs=0.1)
    # Derivatives belong to the offset: central differences are off by h²/6 times the third derivative, which is
    # 4 sd / length³ and five times that at the most.
    third = 20.0 * sd / length**3
    assert np.abs(np.gradient(offset, spacing) - slope)[1:-1].max() < spacing**2 / 6.0 * third
    assert np.abs(np.gradient(slope, spacing) - bend)[1:-1].max() < spacing**2 / 6.0 * 3.0 * third / length


# -- sensors


def test_slow_position_error_is_a_gauss_markov_process():
    # Source: autocorrelation sd² exp(-t / tau) of a first-order Gauss-Markov process (Gelb 1974, section 3.8).
    step, sd, tau = 0.04, 0.7, 30.0
    x = gauss_markov(np.random.default_rng(3), 2_000_000, step, sd, tau)
    # 80000 s hold about 1300 independent values of 2 tau: 3 sigma of the sd are 6 %, of a correlation 0.08.
    assert np.std(x) == pytest.approx(sd, rel=0.06)
    for lag_s in (3.0, 15.0, 30.0, 60.0):
        lag = round(lag_s / step)
        assert np.mean(x[lag:] * x[:-lag]) / np.var(x) == pytest.approx(np.exp(-lag_s / tau), abs=0.08)


def test_vibration_has_its_size_and_its_frequency():
    x = vibration(np.random.default_rng(4), 100_000, 0.01, 0.3)
    assert np.std(x) == pytest.approx(0.3, rel=0.05)  # 1000 s of a resonance that forgets in 0.1 s
    power = np.abs(np.fft.rfft(x)) ** 2
    frequency = np.fft.rfftfreq(x.size, 0.01)
    assert 12.0 < np.sum(power * frequency) / np.sum(power) < 18.0


@pytest.fixture(scope="module")
def long_run():
    """Many laps of a circle of 100 m: every channel has one known value but for noise."""
    driver = Driver.at_limit(line_sd_m=0.0, shift_s=0.0)
    envelope = Envelope.constant(10.0, 9.0, 5.0)

    def drive(sensors, laps=60):
        made = synthetic_session(
            circle(100.0), envelope, driver, sensors, laps=laps, seed=9, out_and_in=False, losses=False
        )
        return made.session, made.truth.motion

    return drive


def test_noise_of_each_channel_is_as_asked(long_run):
    quiet = Sensors.perfect()
    inertial = replace(quiet, accel_g=0.05, a_lat_bias_g=0.02, yaw_rate_rad_s=0.01, yaw_bias_rad_s=0.004)
    session, motion = long_run(inertial)
    noise = session.channel("a_lat") - motion.a_lat
    # 120 s at 100 Hz are 12000 values: 3 sigma of a standard deviation are 2 %, of a mean 0.03 sd.
    assert np.std(noise) == pytest.approx(0.05 * G, rel=0.02)
    assert np.mean(noise) == pytest.approx(0.02 * G, abs=0.0015 * G)
    assert np.std(session.channel("a_lon") - motion.a_lon) == pytest.approx(0.05 * G, rel=0.02)
    turn = session.channel("yaw_rate") - motion.v * motion.kappa
    assert np.std(turn) == pytest.approx(0.01, rel=0.02)
    assert np.mean(turn) == pytest.approx(0.004, abs=0.0003)
    session, motion = long_run(replace(quiet, speed_ms=0.08, course_ms=0.08))
    assert np.std(session.channel("speed") - motion.v) == pytest.approx(0.08, rel=0.02)
    course = 0.5 * np.pi - session.channel("course") - motion.course
    course = np.angle(np.exp(1j * course))
    assert np.std(course) == pytest.approx(0.08 / np.sqrt(1000.0), rel=0.02)  # v² = 10 m/s² * 100 m


def test_position_noise_is_as_asked_and_in_the_right_place(long_run):
    session, motion = long_run(replace(Sensors.perfect(), position_white_m=0.2))
    # Source: distances on the ellipsoid from pyproj's geodesics (Karney 2013), between points half a lap apart.
    geod = Geod(ellps="WGS84")
    latitude, longitude = session.channel("latitude"), session.channel("longitude")
    half = round(np.pi * 100.0 / np.sqrt(10.0 * 100.0) * 100)  # rows of half a lap
    _, _, apart = geod.inv(longitude[:-half], latitude[:-half], longitude[half:], latitude[half:])
    true = np.hypot(motion.x[half:] - motion.x[:-half], motion.y[half:] - motion.y[:-half])
    long = true > 150.0
    # Each end scatters by 0.2 m along the line between: sqrt(2) * 0.2 m; 3 sigma of it are 2 %.
    assert np.std((apart - true)[long]) == pytest.approx(0.2 * np.sqrt(2.0), rel=0.05)
    assert np.mean((apart - true)[long]) == pytest.approx(0.0, abs=0.02)


def test_fixes_come_late_by_the_lag_and_are_repeated_or_left_empty(circuit):
    sensors = replace(Sensors.perfect(), fix_hz=10.0, fix_lag_s=0.2)
    driver = Driver.at_limit()
    session = synthetic_session(circuit, club_car(), driver, sensors, laps=1, losses=False)
    motion, speed = session.truth.motion, session.session.channel("speed")
    assert speed[20::10] == pytest.approx(motion.v[:-20:10][: speed[20::10].size], abs=1e-9)
    assert (
        speed.reshape(-1)[: speed.size // 10 * 10].reshape(-1, 10) == speed[: speed.size // 10 * 10 : 10, None]
    ).all()
    empty = replace(sensors, repeat_fixes=False)
    sparse = synthetic_session(circuit, club_car(), driver, empty, laps=1, losses=False).session.channel("speed")
    assert np.isfinite(sparse[::10]).all()
    assert np.isfinite(sparse).sum() == sparse[::10].size


def test_accelerometers_feel_gravity_on_a_slope_and_in_a_roll(circuit):
    # Source: an accelerometer reads specific force: g sin(grade) forward at rest, g sin(roll) sideways in a turn.
    made = synthetic_session(circuit, club_car(), Driver.at_limit(), Sensors.perfect(), laps=1, losses=False)
    still = made.truth.motion.t < 3.5
    grade = np.sin(made.truth.motion.grade[still])
    assert made.session.channel("a_lon")[still] == pytest.approx(G * grade, abs=1e-12)
    rolling = replace(Sensors.perfect(), roll_per_g=0.05)
    rolled = synthetic_session(circuit, club_car(), Driver.at_limit(), rolling, laps=1, losses=False)
    more = rolled.session.channel("a_lat") - made.session.channel("a_lat")
    assert more == pytest.approx(G * np.sin(0.05 * made.truth.motion.a_lat / G), abs=1e-12)


def test_accelerometers_ahead_of_the_path_feel_the_turning_itself(circuit):
    # Rigid body: the acceleration of a point r ahead is that of the path's - r omega² along, + r domega/dt across.
    def drive(ahead_m):
        kind = Sensors.perfect(ahead_m=ahead_m)
        return synthetic_session(circuit, club_car(), Driver.at_limit(), kind, laps=1, seed=2, losses=False)

    here, ahead = drive(0.0), drive(1.2)
    omega = here.truth.motion.v * here.truth.motion.kappa
    assert np.abs(omega).max() > 0.4  # 23 degrees per second
    along, across = (ahead.session.channel(name) - here.session.channel(name) for name in ("a_lon", "a_lat"))
    assert along == pytest.approx(-1.2 * omega**2, abs=1e-9)
    assert across == pytest.approx(1.2 * np.gradient(omega, 0.01), abs=1e-9)
    assert np.array_equal(ahead.session.channel("yaw_rate"), here.session.channel("yaw_rate"))


def test_a_slipping_nose_adds_the_rate_of_sideslip_to_the_yaw_rate(circuit):
    # Source: ISO 8855, course = yaw + sideslip, so that yaw rate = course rate - sideslip rate.
    slip = replace(Sensors.perfect(), sideslip_per_g=0.04)
    made = synthetic_session(circuit, club_car(), Driver.at_limit(), slip, laps=1, losses=False)
    motion = made.truth.motion
    beta = -0.04 * motion.a_lat / G
    expected = motion.v * motion.kappa - np.gradient(beta, 0.01)
    assert made.session.channel("yaw_rate") == pytest.approx(expected, abs=1e-9)
    # The nose points into the turn: its lateral axis sees a part of the braking.
    a_lat = made.session.channel("a_lat")
    level = np.abs(motion.bank) < 1e-9
    along = motion.a_lon + G * np.sin(motion.grade)
    assert a_lat[level] == pytest.approx((motion.a_lat * np.cos(beta) + along * np.sin(beta))[level], abs=1e-6)


def test_pedals_show_what_the_driver_does(made):
    motion, session = made.truth.motion, made.session
    force = motion.a_lon + G * np.sin(motion.grade)
    hard = (force < -4.0) & (motion.v > 5.0)
    driving = (force > 1.0) & (motion.v > 5.0)
    assert (session.channel("brake_pressure")[hard] > 1.0e6).all()
    assert (session.channel("throttle")[hard] == 0.0).all()
    assert (session.channel("brake_pressure")[driving] < 1.0e5).all()
    assert (session.channel("throttle")[driving] > 0.2).mean() > 0.99
    assert (np.diff(session.channel("gear")[motion.v > 5.0]) <= 1.0).all()


def test_wheels_slip_under_brakes_and_drive(circuit):
    # 5 % at 1 g: the wheels turn slower than the road under braking, faster under drive.
    sensors = replace(Sensors.perfect(), channels=("speed", "wheel_speed"), wheel_slip=0.05)
    made = synthetic_session(circuit, club_car(), Driver.at_limit(), sensors, laps=1, losses=False)
    motion = made.truth.motion
    force = motion.a_lon + G * np.sin(motion.grade)
    fast = motion.v > 5.0
    slip = made.session.channel("wheel_speed")[fast] / motion.v[fast] - 1.0
    # Resolution of 0.02 m/s at 5 m/s and more: the line through 10000 points is known to 1e-4 per g.
    assert np.polyfit(force[fast] / G, slip, 1) == pytest.approx([0.05, 0.0], abs=3e-4)


def test_pressure_drops_while_the_gear_goes_down_when_asked(circuit):
    steady = replace(Sensors.perfect(), channels=("brake_pressure", "gear", "speed"))
    eager = replace(steady, downshift_release=0.4)
    whole, less = (
        synthetic_session(circuit, club_car(), Driver.at_limit(), s, laps=1, losses=False).session
        for s in (steady, eager)
    )
    down = np.flatnonzero(np.diff(whole.channel("gear")) < 0.0)
    hard = down[(whole.channel("brake_pressure")[down] > 2.0e6) & (whole.channel("speed")[down] > 5.0)]
    assert hard.size > 5
    rest = 2.0e4  # of the sensor with the brakes off
    ratio = (less.channel("brake_pressure")[hard] - rest) / (whole.channel("brake_pressure")[hard] - rest)
    assert ratio.max() <= 0.6 + 1e-9


def test_jumps_and_gaps_are_as_many_as_asked(circuit):
    sensors = replace(Sensors.perfect(), channels=("x", "y", "speed"), fix_hz=10.0, repeat_fixes=False)
    broken = replace(sensors, jumps=3, dropouts=2)
    whole, faulty = (
        synthetic_session(circuit, club_car(), Driver.at_limit(), s, laps=2, losses=False).session
        for s in (sensors, broken)
    )
    off = np.hypot(whole.channel("x") - faulty.channel("x"), whole.channel("y") - faulty.channel("y"))
    assert (off > 19.0).sum() == 3
    lost = np.isfinite(whole.channel("x")).sum() - np.isfinite(faulty.channel("x")).sum()
    assert lost == 2 * 20  # two gaps of 2 s at 10 Hz


def test_a_seed_makes_the_same_session_and_another_seed_another(circuit):
    first, again, other = (
        synthetic_session(circuit, club_car(), Driver(), Sensors.fair(), laps=1, seed=s, losses=False).session
        for s in (6, 6, 7)
    )
    for name in first.channels:
        np.testing.assert_array_equal(first.channel(name), again.channel(name))
    assert not np.array_equal(first.channel("a_lat")[:1000], other.channel("a_lat")[:1000])


def test_options_that_make_no_sense_are_refused(circuit):
    with pytest.raises(OptionError, match=r"traffic_lap: 9 is none of the flying laps 1 to 3"):
        synthetic_session(circuit, club_car(), Driver(), Sensors.good(), laps=3, traffic_lap=9)
    with pytest.raises(OptionError, match=r"laps: 0"):
        synthetic_session(circuit, club_car(), Driver(), Sensors.good(), laps=0)
    sensors = replace(Sensors.good(), channels=("speed", "tyre_smell"))
    with pytest.raises(OptionError, match=r"'tyre_smell' is none of latitude"):
        synthetic_session(circuit, club_car(), Driver(), sensors, laps=1, losses=False)
    with pytest.raises(OptionError, match=r"7 fixes per second do not fit 100 rows"):
        replace(Sensors.good(), fix_hz=7.0)
    with pytest.raises(OptionError, match=r"Driver, release_s: -1.0"):
        Driver(release_s=-1.0)


def test_the_example_in_the_docstring_runs():
    done = doctest.testmod(synthetic)
    assert (done.attempted > 0, done.failed) == (True, 0)
