"""The fit against synthetic drivers whose limits are known."""

from dataclasses import replace
from itertools import product
from types import SimpleNamespace

import numpy as np
import pytest
from envelope_cases import drive
from truth_table import truth_table

from simlap.circuits import invented_circuit
from simlap.envelope import Envelope
from simlap.envelope_bootstrap import EventSet
from simlap.envelope_engine import (
    ANY_THROTTLE,
    DRAG_EXPECTED,
    FULLY_OPEN,
    Windows,
    draw_curves,
    engine_knots,
    fit_curve,
)
from simlap.envelope_event_types import Guess
from simlap.envelope_events import EventFinder
from simlap.envelope_fit import fit_envelope, fit_events, widened
from simlap.envelope_grip import corner_grip
from simlap.envelope_packed import Packed
from simlap.envelope_samples import FREE_SLOWING, RoadSamples, held_windows, road_samples
from simlap.envelope_sides import sides_differ
from simlap.errors import NotEnoughData, OptionError
from simlap.line import Line
from simlap.meanpath import mean_path
from simlap.solver import limit_profile, solve_batch
from simlap.splines import lowpass
from simlap.synthetic import CornerSkill, Driver, Sensors, club_car, synthetic_session
from simlap.units import G


@pytest.fixture(scope="module")
def below():
    """A driver whose usage of each phase is 1 - |N(0, 0.02)|, and the fit with 200 draws."""
    case = drive("a little below", seed=1)
    return case, fit_envelope(case.table, case.line, draws=200, corners=case.corners)


def _errors(case, fit):
    """Relative errors of the limits at speeds inside the tested range."""
    found, true = fit.envelope, case.truth
    middle = {name: 0.5 * sum(fit.envelope.tested[name]) for name in ("lateral", "braking", "engine")}
    v = middle["engine"]
    return {
        "lateral": float(found.lateral_limit(middle["lateral"]) / true.lateral_limit(middle["lateral"]) - 1.0),
        "braking": float(found.braking_limit(middle["braking"]) / true.braking_limit(middle["braking"]) - 1.0),
        "engine": float(found.engine_limit(v) / true.engine_limit(v) - 1.0),
        "lap": limit_profile(case.line, found).lap_time / case.limit_lap - 1.0,
    }


# Bars "limits" (exponents within 0.25) and "limit lap" of DEVELOPERS.md.
SIDED = "club"  # an invented circuit with banking and at least four corners to each side
BARS = {"lateral": 0.03, "braking": 0.04, "engine": 0.05, "lap": 0.005}


@pytest.mark.parametrize("kind", ["at the limit", "a little below", "capped"])
def test_limits_of_a_synthetic_driver_are_recovered(kind):
    case = drive(kind, seed=2)
    fit = fit_envelope(case.table, case.line, draws=0)
    errors = _errors(case, fit)
    assert {name: error for name, error in errors.items() if abs(error) > BARS[name]} == {}
    assert fit.envelope.exponent_braking == pytest.approx(case.truth.exponent_braking, abs=0.25)
    assert fit.envelope.exponent_drive == pytest.approx(case.truth.exponent_drive, abs=0.25)


def test_noise_of_the_motion_does_not_push_the_limit_up():
    # Six times the noise of a good receiver; a naive 0.95 quantile would come out 5 to 10 % high.
    case = drive("at the limit", seed=1, noise=0.6)
    errors = _errors(case, fit_envelope(case.table, case.line, draws=0))
    assert {name: error for name, error in errors.items() if abs(error) > BARS[name]} == {}


def test_half_a_percent_of_wild_samples_moves_no_limit_by_one_percent(below):
    case, clean = below
    rng = np.random.default_rng(9)
    spoiled = {}
    for name in ("a_lon", "a_lat"):
        values = np.array(getattr(case.table, name))
        hit = rng.random(values.shape) < 0.005
        values[hit] += rng.choice([-1.0, 1.0], hit.sum()) * rng.uniform(10.0, 40.0, hit.sum())
        spoiled[name] = values
    table = _changed(case.table, **spoiled)
    fit = fit_envelope(table, case.line, draws=0)
    for name, v in (("lateral_limit", 25.0), ("braking_limit", 38.0), ("engine_limit", 38.0)):
        with_wild, without = (float(getattr(f.envelope, name)(v)) for f in (fit, clean))
        assert with_wild == pytest.approx(without, rel=0.01), name
    assert any("wild samples" in note for note in fit.notes)


def _changed(table, **fields):
    """A copy of a table with other arrays."""
    from dataclasses import replace

    return replace(table, **fields)


def test_banked_and_graded_road_is_taken_out():
    # The same accelerations on a banked, climbing road mean other tyre forces, by design section 5:
    # lateral (a cos b - g sin b cos w) / n, along (a + g sin w) / n, n = cos w cos b + a sin b / g.
    case = drive("at the limit", seed=1, laps=3)
    n = case.line.kappa.size
    bank, grade = 0.05, 0.03
    like = case.line
    tilted = Line.from_curvature(kappa=like.kappa, ds=like.ds, like=like)
    object.__setattr__(tilted, "bank", np.full(n, bank))
    object.__setattr__(tilted, "grade", np.full(n, grade))
    object.__setattr__(tilted, "kappa_v", np.zeros(n))
    samples = road_samples(case.table, tilted)
    normal = np.cos(grade) * np.cos(bank) + case.table.a_lat * np.sin(bank) / G
    np.testing.assert_allclose(samples.along, (case.table.a_lon + G * np.sin(grade)) / normal, atol=1e-9)
    lateral = (case.table.a_lat * np.cos(bank) - G * np.sin(bank) * np.cos(grade)) / normal
    np.testing.assert_allclose(samples.lateral, lateral, atol=1e-9)


def test_intervals_hold_the_true_limit_lap_and_the_seed_repeats_them(below):
    case, fit = below
    laps = np.asarray(solve_batch(case.line, fit.draws).lap_time)
    low, high = np.quantile(laps, [0.05, 0.95])
    assert low < case.limit_lap < high
    again = fit_envelope(case.table, case.line, draws=200)
    np.testing.assert_array_equal(again.draws, fit.draws)
    np.testing.assert_array_equal(again.draw_laps, fit.draw_laps)
    other = fit_envelope(case.table, case.line, draws=200, seed=1)
    assert not np.array_equal(other.draws, fit.draws)


def test_every_draw_is_an_envelope_and_resamples_counted_laps(below):
    _, fit = below
    for packed in fit.draws:
        Envelope.unpack(packed)  # raises where a limit falls to zero or an exponent leaves its range
    assert fit.draw_laps.shape == (200, 8)
    assert set(np.unique(fit.draw_laps)) == set(range(8))


def test_limits_stand_still_when_any_lap_is_left_out(below):
    case, fit = below
    for row in range(case.table.numbers.size):
        use = np.arange(case.table.numbers.size) != row
        part = fit_envelope(case.table, case.line, draws=0, use=use).envelope
        # Bar "limits": 3 % whichever lap is left out.
        assert float(part.lateral_limit(25.0)) == pytest.approx(float(fit.envelope.lateral_limit(25.0)), rel=0.03)
        assert float(part.braking_limit(38.0)) == pytest.approx(float(fit.envelope.braking_limit(38.0)), rel=0.03)


@pytest.mark.parametrize("laps", [2, 3, 5])
def test_resampling_few_laps_shows_the_spread_that_they_hide(laps):
    # All n^n resamples of n levels: their means scatter by (n - 1) / n of what the unbiased variance of a mean is.
    level = 10.0 * np.exp(0.002 * np.random.default_rng(laps).standard_normal(laps))
    means = np.array([level[list(chosen)].mean() for chosen in product(range(laps), repeat=laps)])
    unbiased = np.var(level, ddof=1) / laps
    fit = Envelope.constant(lateral=level.mean(), braking=level.mean(), drive=level.mean(), exponent=1.6).pack()
    scale = means / level.mean()
    draws = np.repeat(fit[None], means.size, axis=0)
    draws[:, :8] *= scale[:, None]
    draws[:, Packed.ENGINE] *= scale[:, None]
    draws[:, 8:10] += (scale - 1.0)[:, None]
    at = (None, None, np.array([[400.0]]))
    solution = SimpleNamespace(levels={"lateral": at, "braking": at}, packed=lambda: fit[None])
    wide = widened(draws, solution, laps)
    for index in (0, 2, 4, 6, Packed.ENGINE.start, -1):
        # the power of a ratio for a multiple of its logarithm: 1 % of a deviation of 0.2 %
        assert np.var(wide[:, index]) == pytest.approx(unbiased, rel=0.01), index
    assert np.var(wide[:, 8]) == pytest.approx(unbiased / level.mean() ** 2, rel=0.01)


def test_evidence_names_laps_corners_and_tested_speeds(below):
    case, fit = below
    lateral = fit.evidence["lateral"]
    assert len(lateral.laps) >= 2
    assert set(lateral.corners) <= {corner.name for corner in case.corners}
    assert len(lateral.corners) >= 5  # this driver is as good in all nine corners
    low, high = fit.envelope.tested["lateral"]
    assert np.asarray(case.table.v).min() - 1.0 < low < high < np.asarray(case.table.v).max()
    assert lateral.noise < 0.2  # [m/s²], 0.1 was put in


def test_left_and_right_are_not_told_apart_where_they_are_the_same(below):
    _, fit = below
    assert fit.envelope.lateral_left == fit.envelope.lateral_right


def test_left_and_right_are_told_apart_where_they_differ_by_8_percent():
    true = Envelope.from_limits(
        lateral=((11.5, 0.0), (10.6, 0.0)), braking=(9.5, 0.0), traction=(7.5, 0.0),
        engine=(np.linspace(0.0, 70.0, 36), np.linspace(6.0, 0.2, 36)),
    )  # fmt: skip
    turns = [corner.direction for corner in invented_circuit(SIDED).corners]
    assert min(turns.count("left"), turns.count("right")) >= 4  # fewer could just be driven worse
    case = drive("at the limit", circuit=SIDED, seed=1, envelope=true)
    found = fit_envelope(case.table, case.line, draws=0).envelope
    v = 0.5 * sum(found.tested["lateral"])
    # 2 %: the bar of 3 % for each side, errors common to both cancel in part
    assert float(found.lateral_limit(v, 1) / found.lateral_limit(v, -1)) == pytest.approx(11.5 / 10.6, abs=0.02)


def test_a_car_about_minus_its_drag_comes_out_too():
    # The synthetic car with the whole of the drag that the fit takes half-way into account, driven at its limit.
    true = replace(club_car(), drag=FREE_SLOWING)
    case = drive("at the limit", seed=3, envelope=true)
    found = fit_envelope(case.table, case.line, draws=0)
    errors = _errors(case, found)
    assert errors["lap"] == pytest.approx(0.0, abs=0.005)
    assert errors["lateral"] == pytest.approx(0.0, abs=0.03)
    assert errors["braking"] == pytest.approx(0.0, abs=0.04)


def test_braking_on_a_straight_is_read_with_the_drag_that_helps_it():
    # 9 m/s² of the car are 9 m/s², whatever part of them is drag; what the tyres give is less by it.
    v = np.tile(np.linspace(60.0, 20.0, 200), (3, 1))
    samples = RoadSamples(
        numbers=np.arange(3), station=np.arange(200.0), duration=1.0 / v, speed2=v**2, lateral=0.0 * v,
        along=0.0 * v - 9.0, pull=0.0 * v - 9.0, normal=1.0 + 0.0 * v, throttle=None,
        noise_lateral=np.zeros((2, *v.shape)), noise_along=np.zeros((2, *v.shape)), repaired=0, banking_known=True,
    )  # fmt: skip
    constant = (lambda z: 10.0 + 0.0 * z, lambda z: 10.0 + 0.0 * z)
    found = EventFinder(samples).braking_events(Guess(constant, constant[0], constant[0], constant[0], 2.0, 2.0, True))
    inside = found.where.max(axis=0) < 150  # windows that do not run on from the end to the beginning
    assert found.value[:, inside] == pytest.approx(9.0, rel=1e-3)  # exact but for the mean of v² over a window
    assert samples.force[0, [0, -1]] == pytest.approx([-9.0 + 0.1 + 0.000175 * 3600.0, -9.0 + 0.1 + 0.000175 * 400.0])


def test_a_side_that_is_driven_worse_has_no_limit_of_its_own():
    # One limit of 13.7 m/s² + 0.0006 v². Right turns reach it in five of seven corners, left turns in one of four: the
    # other three fall short the more the faster they are, like a limit without downforce. `windows` of each corner.
    windows = np.array([2, 5, 5, 7, 11, 11, 1, 3, 5, 7, 11])
    v = np.repeat([23.5, 26.9, 27.7, 41.9, 55.4, 37.9, 47.9, 28.6, 27.9, 43.7, 59.3], windows)
    reached = np.repeat([1.0, 1.0, 1.0, 1.0, 1.0, 0.87, 0.74, 1.0, 0.84, 0.943, 0.875], windows)
    turn = np.repeat(np.repeat([-1, 1], [7, 4]), windows)
    found = SimpleNamespace(turn=turn, stretch=np.repeat(np.arange(11), windows), count=v.size, flat=None)

    def told_apart(level):
        parts = level, 0.003 * level, v**2
        return bool(sides_differ(found, SimpleNamespace(levels={"lateral": tuple(part[None] for part in parts)})))

    limit = 13.7 + 0.0006 * v**2
    assert not told_apart(limit * reached)
    assert told_apart(limit * np.where(turn < 0, 1.0, 0.92))  # four corners that agree on 8 % less are one


def test_a_lap_has_no_part_in_the_choice_of_its_own_window(below):
    # Pure noise of deviation 1 in every window: chosen by the lap itself, the mean of the chosen values would be near
    # +1 (the largest of several); chosen by the other laps it is 0 within 4 standard errors.
    case, _ = below
    finder = EventFinder(road_samples(case.table, case.line))
    laps, stations = case.table.v.shape
    noise = np.random.default_rng(8).standard_normal((laps, stations))
    found = finder._choose(noise, noise, np.ones(stations, dtype=bool), 1.0, np.ones(stations))
    assert found.value.mean() == pytest.approx(0.0, abs=4.0 / np.sqrt(found.value.size))


def test_grip_of_each_corner_is_near_all_for_a_driver_at_the_limit():
    case = drive("at the limit", seed=1)
    used = corner_grip(case.table, case.line, case.corners, case.truth)
    slow = [grip for grip in used if grip.speed < 33.0]  # the faster ones are taken flat on this circuit
    assert len(slow) >= 5
    for grip in slow:
        # 2 % for the smoothing of peaks and the ringing about plateaus
        assert grip.used == pytest.approx(1.0, abs=0.02), grip.name
        assert grip.peak >= grip.sustained
    # A corner between two stations is judged at the one behind it.
    (short,) = corner_grip(case.table, case.line, [replace(case.corners[0], entry_m=21.0, exit_m=21.5)], case.truth)
    assert np.isfinite(short.used)
    # A corner said to have a tenth more grip uses a tenth less of it; what was driven there stays what it was.
    better = corner_grip(case.table, case.line, [replace(c, grip=1.1) for c in case.corners], case.truth)
    assert [one.used for one in better] == pytest.approx([one.used / 1.1 for one in used], rel=1e-12)
    assert [one.sustained for one in better] == [one.sustained for one in used]


def test_one_lap_and_a_stroll_are_refused(below):
    case, _ = below
    one = np.arange(case.table.numbers.size) == 0
    with pytest.raises(
        NotEnoughData, match=r"at least 2 counted laps, 1 found.*, or count more of them with --laps \('simlap laps'"
    ):
        fit_envelope(case.table, case.line, use=one)
    rows = dict.fromkeys(("v", "a_lon", "a_lat"), np.full((1, 3), 20.0))
    with pytest.raises(NotEnoughData, match=r"1 found: drive more laps\.$"):  # there is no other lap to count
        road_samples(SimpleNamespace(counted=np.array([True]), **rows), case.line)
    slow = _changed(case.table, a_lon=case.table.a_lon * 0.02, a_lat=case.table.a_lat * 0.02)
    with pytest.raises(NotEnoughData, match="shows no limits"):
        fit_envelope(slow, case.line)
    with pytest.raises(OptionError, match=r"quantile 1\.5"):
        fit_envelope(case.table, case.line, quantile=1.5)


def test_limit_lap_is_near_the_truth_where_banking_is_unknown():
    # The club circuit is banked by up to 4 degrees; with the banking taken out of the line, a corner's level says as
    # much of its banking as of the tyres.
    case = drive("a little below", seed=1)
    flat = Line.from_curvature(kappa=case.line.kappa, ds=case.line.ds, like=case.line)
    flat = replace(flat, bank=np.zeros(flat.kappa.size), bank_stated=False)
    assert np.abs(case.line.bank).max() > 0.05
    fit = fit_envelope(case.table, flat, draws=100)
    # bar "limit lap"
    assert limit_profile(flat, fit.envelope).lap_time == pytest.approx(case.limit_lap, rel=0.005)
    laps = np.asarray(solve_batch(flat, fit.draws).lap_time)
    assert np.quantile(laps, 0.05) < case.limit_lap < np.quantile(laps, 0.95)
    assert any("banking unknown" in note for note in fit.notes)


STRONG = club_car(power=420.0)  # W/kg: on a kart circuit its tyres limit the drive nearly everywhere


@pytest.mark.parametrize("exit_used", [1.0, 0.8])
def test_limit_lap_is_the_true_one_where_tyres_and_not_the_engine_limit_the_drive(exit_used):
    # Full throttle is rare or never seen: in slow corners traction has to come from straights driven with less.
    track = invented_circuit("kart")
    line = track.line.resample(2.0)
    skills = {c.name: CornerSkill(exit=exit_used) for c in track.corners[::3]}
    driver = Driver(corners=skills, spread=0.01)
    made = synthetic_session(track, STRONG, driver, Sensors.good(), seed=4, losses=False)
    table = truth_table(made, line, seed=4)
    path = mean_path(table, line)
    found = fit_envelope(table, path, draws=0).envelope
    times = solve_batch(path, np.array([found.pack(), STRONG.pack()])).lap_time
    assert times[0] == pytest.approx(times[1], rel=0.005)  # bar "limit lap"
    v = 15.0  # the middle of the slow half; traction and braking bars are taken alike
    assert float(found.traction_limit(v)) == pytest.approx(float(STRONG.traction_limit(v)), rel=0.04)


def test_one_window_at_full_throttle_makes_a_curve_through_it():
    # one event tells the pull at its speed and nothing else; the curve may only fall from there
    one = np.array([[6.0]])
    knots = np.linspace(10.0, 30.0, 6)
    engine, drag = fit_curve(Windows(one, 0.05 * one, 5.0 * one, 0.0 * one, np.ones((1, 1))), knots)
    assert np.interp(30.0, knots, engine) == pytest.approx(6.0, rel=0.05)
    assert np.all(np.diff(engine) <= 0.0)
    assert 6.0 < engine[0] < 12.0  # between constant and twice: constant power would be three times
    assert drag == pytest.approx(DRAG_EXPECTED, abs=1e-3)  # nothing here tells it


def test_engine_curve_is_the_upper_edge_of_windows_with_half_open_throttles():
    # Without a throttle channel two windows of three are driven with 30 to 85 % of the pull. Truth: 200 W/kg over v.
    rng = np.random.default_rng(5)
    v = np.linspace(15.0, 50.0, 90)
    used = np.where(rng.random(v.size) < 1 / 3, 1.0, rng.uniform(0.3, 0.85, v.size))
    level = (used * 200.0 / v + rng.normal(0.0, 0.02, v.size))[None]
    knots = np.linspace(15.0, 50.0, 10)
    one = np.ones_like(level)
    engine, _ = fit_curve(Windows(level, 0.02 * one, v[None], 0.0 * one, one), knots)
    # bar "limits" of the engine, 5 %, away from the ends, where few windows lie; the middle of the cloud is 30 % low
    inner = (v > 18.0) & (v < 47.0)
    assert np.interp(v, knots, engine)[inner] == pytest.approx(200.0 / v[inner], rel=0.05)


@pytest.mark.parametrize("seed", [0, 3])
def test_a_few_windows_out_of_slow_corners_do_not_hold_the_curve_above_all_others(seed):
    # A kart without throttle channel: tyres of 7 m/s² limit below 17.5 m/s, in bends with an exponent of 1.7; beyond
    # that 121 W/kg over v less 0.15 + 0.00236 v². A climb begun at the upper edge alone ended up to 5 % too high on the
    # straights, with drag that is not there.
    rng = np.random.default_rng(seed)
    v = np.concatenate([rng.uniform(13.0, 17.5, 8), rng.uniform(17.5, 21.0, 10), rng.uniform(21.0, 32.0, 12)])
    across = np.concatenate([rng.choice([0.0, 6.0, 7.0], 8), rng.choice([0.0, 0.0, 5.5], 10), np.zeros(12)])
    engine = 121.2 / v - 0.15 - 0.00236 * v**2
    tyres = 7.0 * (1.0 - (across / 15.5) ** 1.7) ** (1.0 / 1.7)
    level = (np.minimum(engine, tyres) + rng.normal(0.0, 0.03, v.size))[None]
    knots = np.linspace(13.0, 33.0, 6)
    one = np.ones_like(level)
    curve, _ = fit_curve(Windows(level, 0.025 * one, v[None], across[None] ** 2, one), knots)
    straight = v > 21.0
    # 2.5 % is the noise of one level, 0.03 m/s², at 32 m/s
    assert np.interp(v, knots, curve)[straight] == pytest.approx(engine[straight], rel=0.025)


def test_engine_curve_follows_the_steps_of_gears_at_full_throttle():
    # Five gears, each 1.4 times as long as the one before; torque falls by a quarter towards the top of each. The pull
    # drops by 11 % at every change (tractive effort over speed of a manual gearbox has such steps in any textbook of
    # vehicle dynamics; sizes from memory). No window lies within 1 m/s of a change. Eighty windows, error 0.02 m/s².
    rng = np.random.default_rng(11)
    tops = 14.0 * 1.4 ** np.arange(5)
    v = np.sort(rng.uniform(15.0, 52.0, 120))
    v = v[np.abs(v[:, None] - tops).min(axis=1) > 1.0][:80]
    top = tops[np.searchsorted(tops, v)]
    truth = 210.0 / top * (1.0 - 0.25 * (v / top) ** 4) - 0.0005 * v**2
    level = (truth + rng.normal(0.0, 0.02, v.size))[None]
    events = SimpleNamespace(speed2=v[None] ** 2)
    found = EventSet(events, events, events, events, events, True, top_speed=55.0, throttle_logged=True)
    knots, one = engine_knots(found), np.ones_like(level)
    engine, _ = fit_curve(Windows(level, 0.02 * one, v[None], 0.0 * one, one), knots, prior=found.engine)
    # Time of the pull from 15 to 52 m/s: where a third of a lap is pull, 1.5 % of it is 0.5 % of the lap, the bar of
    # the limit lap.
    fine = np.linspace(15.0, 52.0, 2000)
    top = tops[np.searchsorted(tops, fine)]
    true = 210.0 / top * (1.0 - 0.25 * (fine / top) ** 4) - 0.0005 * fine**2
    taken = np.mean(1.0 / np.interp(fine, knots, engine)) / np.mean(1.0 / true)
    assert taken == pytest.approx(1.0, abs=0.015)


@pytest.mark.parametrize("seed", [0, 2, 5])
def test_engine_curve_follows_the_steps_of_gears_past_half_open_throttles(seed):
    # Three gears, changed at 39 and 51 m/s with a quarter and a third less pull (such steps stand in any textbook of
    # vehicle dynamics; sizes from memory). One window of five is driven with 50 to 95 % of the pull.
    def pull(speed):
        first, second = 4.1 - 0.25 * ((speed - 24.0) / 15.0) ** 2, 3.05 - 0.4 * (speed - 39.0) / 12.0
        return np.select([speed < 39.0, speed < 51.0], [first, second], 1.8 - 0.3 * (speed - 51.0) / 9.0)

    def apart(speed, least):
        return speed[np.abs(speed[:, None] - [39.0, 51.0]).min(axis=1) > least]

    rng = np.random.default_rng(seed)
    v = apart(np.sort(rng.uniform(24.0, 60.0, 100)), 0.8)
    used = np.where(rng.random(v.size) < 0.8, 1.0, rng.uniform(0.5, 0.95, v.size))
    level = (used * pull(v) + rng.normal(0.0, 0.05, v.size))[None]
    events, one = SimpleNamespace(speed2=v[None] ** 2), np.ones_like(level)
    knots = engine_knots(EventSet(events, events, events, events, events, True, top_speed=60.0, throttle_logged=True))
    engine, _ = fit_curve(Windows(level, 0.05 * one, v[None], 0.0 * one, one), knots, prior=FULLY_OPEN)
    fine = apart(np.linspace(26.0, 58.0, 300), 2.5)
    error = np.interp(fine, knots, engine) / pull(fine) - 1.0
    assert error.mean() == pytest.approx(0.0, abs=0.01)  # bar "no bias"
    assert np.quantile(np.abs(error), 0.95) < 0.05  # bar "limits" of the engine


def test_drawn_engine_curves_scatter_about_the_fit_and_keep_its_steps():
    # Five windows a speed with errors of 0.1 m/s²: their mean is known to 0.1 / sqrt(5) at best, 0.045 m/s².
    rng = np.random.default_rng(4)
    v = np.repeat(np.linspace(20.0, 50.0, 31), 5)
    truth = np.where(v < 34.5, 5.0, 3.5) - 0.02 * v
    level = (truth + rng.normal(0.0, 0.1, v.size))[None]
    knots, one = 1.5 * np.arange(13.0, 36.0), np.ones_like(level)
    curve, drag = fit_curve(Windows(level, 0.1 * one, v[None], 0.0 * one, one), knots, prior=FULLY_OPEN)
    weight = rng.standard_exponential((300, v.size))
    many = Windows(*(np.repeat(each, 300, axis=0) for each in (level, 0.1 * one, v[None], 0.0 * one)), weight)
    drawn, drags = draw_curves(many, knots, curve, drag, FULLY_OPEN)
    away = (np.abs(knots - 34.5) > 3.0) & (knots > 21.0) & (knots < 49.0)
    middle, spread = np.median(drawn, axis=0)[away], np.std(drawn, axis=0)[away]
    assert middle == pytest.approx(curve[away], abs=0.045)
    # Hats 4 m/s apart take the mean of some twenty windows: 0.1 / sqrt(20) = 0.022 m/s², by half and twice.
    assert 0.011 < np.median(spread) < 0.045
    step = drawn[:, 15] - drawn[:, 12]  # from 37.5 to 42 m/s nothing but the slope, 0.02 per m/s
    across = drawn[:, np.searchsorted(knots, 32.0)] - drawn[:, np.searchsorted(knots, 37.0)]
    assert np.median(step) == pytest.approx(-0.02 * 4.5, abs=0.06)
    assert across.min() > 1.0  # 1.5 in truth, whatever the draw
    assert drags.min() >= 0.0


def test_cornering_drag_is_found_where_half_of_the_windows_lie_in_bends():
    # Straights alone would do without drag: then every window in a bend passes for a half-open throttle. Truth: 120
    # W/kg over v less 0.0008 v², less 0.0077 of a_lat² (tyres at 4.5 degrees of slip and 10 m/s²).
    rng = np.random.default_rng(8)
    v = rng.uniform(28.0, 46.0, 160)
    load = np.where(rng.random(v.size) < 0.5, 0.0, rng.uniform(20.0, 90.0, v.size))
    used = np.where(rng.random(v.size) < 0.8, 0.0, 0.15 * rng.random(v.size))
    truth = 120.0 / v - 0.0008 * v**2
    level = (truth - 0.0077 * load - used + rng.normal(0.0, 0.03, v.size))[None]
    knots = np.linspace(24.0, 50.0, 7)
    one = np.ones_like(level)
    engine, drag = fit_curve(Windows(level, 0.025 * one, v[None], load[None], one), knots)
    # 10 % of the drag is 0.06 m/s² at 9 m/s² across, as much as 5 % (bar "limits") of the pull that is left there
    assert drag == pytest.approx(0.0077, rel=0.1)
    assert np.interp(40.0, knots, engine) == pytest.approx(120.0 / 40.0 - 0.0008 * 40.0**2, rel=0.05)


def drive_events_of(v, pull, throttle, *engines):
    """Drive events of a straight of 500 stations, 1 m apart; speeds, pull and throttle of each lap (m, 500).

    `engines` are the curves over v² of one guess after the other.
    """
    samples = RoadSamples(
        numbers=np.arange(v.shape[0]), station=np.arange(500.0), duration=1.0 / v, speed2=v**2, lateral=0.0 * v,
        along=pull, pull=pull, normal=1.0 + 0.0 * v, throttle=throttle,
        noise_lateral=np.zeros((2, *v.shape)), noise_along=np.zeros((2, *v.shape)), repaired=0, banking_known=True,
    )  # fmt: skip
    constant = (lambda z: 10.0 + 0.0 * z, lambda z: 10.0 + 0.0 * z)
    finder = EventFinder(samples)
    for engine in engines or (lambda z: 260.0 / np.sqrt(z),):
        found = finder.drive_events(Guess(constant, constant[0], constant[0], engine, 2.0, 2.0, known=True))
    return found


def test_corners_that_the_car_enters_at_full_throttle_are_told_from_those_it_slowed_for():
    # A lap of 500 m at 50 m/s, its throttle closed from 100 to 200 m: full for 2 s is from 300 m on, and round the lap.
    station, laps = np.arange(500.0), np.ones((4, 1))
    throttle = laps * np.where((station >= 100.0) & (station < 200.0), 0.0, 1.0)
    v = 50.0 * np.ones((4, 500))
    samples = RoadSamples(
        numbers=np.arange(4), station=station, duration=1.0 / v, speed2=v**2, lateral=10.0 + 0.0 * v,
        along=0.0 * v, pull=0.0 * v, normal=1.0 + 0.0 * v, throttle=throttle,
        noise_lateral=np.zeros((2, *v.shape)), noise_along=np.zeros((2, *v.shape)), repaired=0, banking_known=True,
    )  # fmt: skip
    limit = (lambda z: 10.0 + 0.0 * z, lambda z: 10.0 + 0.0 * z)
    for one, expected in (
        (samples, (station > 300.0) | (station < 100.0)),
        (replace(samples, throttle=None), station < 0),
    ):
        finder = EventFinder(one)
        assert np.flatnonzero(finder.flat != expected).size <= 2  # a station of rounding
        found = finder.lateral_events(Guess(limit, limit[0], limit[0], limit[0], 2.0, 2.0, known=True))
        assert np.array_equal(found.flat, finder.flat[found.where].all(axis=0))
        assert found.flat.any() == expected.any()


@pytest.mark.parametrize("slow_laps", [2, 3, 4])
def test_laps_that_come_onto_a_straight_at_half_the_speed_do_not_raise_the_engine(slow_laps):
    # Six laps, 260 W/kg over v: some come from a cool-down lap at half the others' speed and pull twice as hard.
    v = np.tile(np.linspace(30.0, 50.0, 500), (6, 1))
    v[:slow_laps] *= 0.5
    found = drive_events_of(v, 260.0 / v, np.ones_like(v))
    inside = (found.where < 470).all(axis=0)  # windows that do not run on from the end to the beginning
    at = np.sqrt(found.speed2)[:, inside]
    assert found.value[:, inside] == pytest.approx(
        260.0 / at, rel=0.01
    )  # exact but for the mean of 1 / v over a window
    assert np.ptp(at, axis=0).max() < 3.0  # one speed for all laps but for their own windows; before, half of it


@pytest.mark.parametrize("proportional", [True, False])
def test_pull_near_full_throttle_is_raised_as_far_as_it_follows_the_pedal(proportional):
    # Eight laps with the pedal at 96 to 100 %: a throttle that gives force in proportion, and one that gives all there
    # is from 96 % on. Engine and coasting as below.
    v = np.linspace(20.0, 55.0, 500)
    engine, coast = 260.0 / v - 0.001 * v**2, 0.4 + 0.0007 * v**2
    throttle = np.tile(np.linspace(0.96, 1.0, 8)[:, None], (1, 500))
    pull = throttle * (engine + coast) - coast if proportional else np.tile(engine, (8, 1))
    found = drive_events_of(np.tile(v, (8, 1)), pull, throttle, lambda z: np.interp(np.sqrt(z), v, engine))
    inside = (found.where < 470).all(axis=0)  # windows that do not run on from the end to the beginning
    truth = np.interp(np.sqrt(found.speed2), v, engine)[:, inside]
    # a pedal at 98 % changes pull and coasting by 2 %, the pull alone by up to 5; the mean of 1 / v over a window is
    # exact to 0.2 %
    assert found.value[:, inside] == pytest.approx(truth, rel=0.01)


def test_what_measurement_adds_from_lap_to_lap_at_full_throttle_does_not_raise_the_engine():
    # Errors of 0.06 m/s² that the motion does not know of, one per lap and 40 stations. Taken for a driver who varies
    # they raised the curve by 0.07 m/s²; the median of the laps moves by 0.06 * sqrt(pi / 2 / laps) in each stretch, by
    # less than half of that in the mean over a dozen stretches.
    case = drive("at the limit", seed=2)
    table = case.table
    laps, stations = table.v.shape
    error = 0.06 * np.random.default_rng(5).standard_normal((laps, stations // 40 + 1))
    errors = np.repeat(error, 40, axis=1)[:, :stations]
    clean = fit_envelope(table, case.line, draws=0).envelope
    noisy = fit_envelope(replace(table, a_lon=table.a_lon + errors), case.line, draws=0).envelope
    v = np.linspace(*clean.tested["engine"], 30)
    assert np.mean(noisy.engine_limit(v) - clean.engine_limit(v)) == pytest.approx(0.0, abs=0.03)


def test_part_throttle_tells_of_the_engine_beyond_the_fastest_full_one():
    # A straight from 20 to 55 m/s: full throttle up to 34 m/s, then 80 % of it. Engine 260 W/kg over v less 0.001 v²,
    # force in proportion to the pedal from a coasting of 0.4 m/s² and 0.0007 v² on. Held constant beyond 37 m/s, the
    # pull at 50 m/s was 2.4 times the truth.
    v = np.linspace(20.0, 55.0, 500)
    engine, coast = 260.0 / v - 0.001 * v**2, 0.4 + 0.0007 * v**2
    throttle = np.where(v < 34.0, 1.0, 0.8)
    pull = throttle * (engine + coast) - coast
    found = drive_events_of(*(np.tile(values, (4, 1)) for values in (v, pull, throttle)))
    at = np.sqrt(found.speed2)
    beyond = at > 37.0
    assert at[beyond].size > 8
    assert at.max() > 50.0
    truth, driven = np.interp(at, v, engine), np.interp(at, v, pull)
    # half-way between what was driven and force in proportion, which here is the truth
    assert found.value[beyond] == pytest.approx(0.5 * (truth + driven)[beyond], rel=0.02)
    assert found.value[~beyond & (at < 33.0)] == pytest.approx(truth[~beyond & (at < 33.0)], rel=0.02)


def test_a_pull_above_the_curve_tells_of_the_engine_however_little_the_throttle_is_open():
    # Tyres hold a straight's first half to 6 m/s² at part throttle, the driver the third quarter to 4; then it is full.
    # One full-throttle window at the end had made a curve of 5 m/s².
    v = np.linspace(12.0, 40.0, 500)
    pull = np.where(v < 26.0, 6.0, 4.0)
    throttle = np.where(v < 33.0, 0.7, 1.0)
    laps = (np.tile(row, (4, 1)) for row in (v, pull, throttle))
    # the second guess is what the windows make of the first
    found = drive_events_of(*laps, lambda z: 5.0 + 0.0 * z, lambda z: 6.0 + 0.0 * z)
    inside = (found.where < 470).all(axis=0)  # windows that do not run on from the end to the beginning
    at, value = (np.median(row[:, inside], axis=0) for row in (np.sqrt(found.speed2), found.value))
    slow, middle = at < 24.0, (at > 27.0) & (at < 32.0)
    assert np.count_nonzero(slow) >= 3
    assert value[slow] == pytest.approx(6.0)  # what was pulled
    assert not middle.any()  # half-open throttles below the curve tell nothing
    assert np.count_nonzero(at > 33.0) >= 3


def test_engine_curve_falls_on_to_the_fastest_speed_driven():
    # Windows from 20 to 35 m/s alone, 260 W/kg over v less 0.001 v², on laps of up to 55 m/s.
    v = np.linspace(20.0, 35.0, 24)
    level = (260.0 / v - 0.001 * v**2)[None]
    events = SimpleNamespace(speed2=level * 0.0 + v**2)
    with_all = SimpleNamespace(lateral=events, pickup=events, drive=events, top_speed=55.0, engine=ANY_THROTTLE)
    knots = engine_knots(with_all)
    one = np.ones_like(level)
    engine, _ = fit_curve(Windows(level, 0.03 * one, v[None], 0.0 * one, one), knots)
    # 25 % at 50 m/s: between drag that took twice as much and none at all; constant from 38 m/s on it is 100 % off
    assert np.interp(50.0, knots, engine) == pytest.approx(260.0 / 50.0 - 0.001 * 50.0**2, rel=0.25)


@pytest.mark.parametrize(("bandwidth", "most"), [(2.0, 1.012), (0.6, 1.022), (0.45, 1.027)])
def test_windows_grow_with_the_ringing_of_a_smoother_motion(bandwidth, most):
    # A corner held for 3 s at 10 m/s², through the motion's low-pass, whose step response overshoots by 3.4 % for about
    # 0.5 / bandwidth seconds (its impulse response in closed form: Eubank 1999). Windows of 0.45 s keep 2.8 % of that
    # at 0.6 Hz; half a period or so keeps two thirds of it.
    t = np.arange(0.0, 20.0, 0.02)
    smooth = lowpass(np.where((t > 7.0) & (t < 10.0), 10.0, 0.0), 0.02, bandwidth)[None]
    rows = np.repeat(smooth, 2, axis=0)
    still = np.zeros_like(rows)
    samples = RoadSamples(
        numbers=np.arange(2), station=t, duration=still + 0.02, speed2=still + 400.0, lateral=rows, along=still,
        pull=still, normal=still + 1.0, throttle=None, noise_lateral=still[None], noise_along=still[None], repaired=0,
        banking_known=True, bandwidth_hz=bandwidth,
    )  # fmt: skip
    assert held_windows(samples).mean(rows).max() < 10.0 * most


SPACING, SPEED = 0.5, 14.0  # [m], [m/s]


def turn_in(seconds, exponent, usage=1.0):
    """Accelerations across and along [m/s²] through a corner: brakes of 9.5 m/s² traded for 15 m/s² across within
    `seconds` along the curve (brakes / 9.5)^p + (across / 15)^p = usage^p."""
    count = round(seconds * SPEED / SPACING)
    share = (np.arange(count) + 0.5) / count  # of the lateral limit, rising evenly
    across = np.concatenate([np.zeros(120), usage * share, np.ones(60), np.zeros(40)])
    traded = usage * (1.0 - share**exponent) ** (1.0 / exponent)
    along = np.concatenate([np.full(80, 3.0), np.full(40, -9.5), -9.5 * traded, np.zeros(100)])
    return np.stack([15.0 * across, along])


def turned_in_on_the_brakes(*corners):
    """Four laps at 14 m/s of these corners, each (2, n)."""
    rng = np.random.default_rng(3)
    usage = 1.0 - 0.003 * np.abs(rng.standard_normal((4, 1)))
    lateral, pull = (usage * row for row in np.concatenate(corners, axis=1))
    speed = np.full(lateral.shape, SPEED)
    return RoadSamples(
        numbers=np.arange(4), station=SPACING * np.arange(lateral.shape[1]), duration=SPACING / speed, speed2=speed**2,
        lateral=lateral, along=pull, pull=pull, normal=np.ones(lateral.shape), throttle=None,
        noise_lateral=np.zeros((2, *lateral.shape)), noise_along=np.zeros((2, *lateral.shape)), repaired=0,
        banking_known=True,
    )  # fmt: skip


@pytest.mark.parametrize("exponent", [1.5, 2.4])
@pytest.mark.parametrize("seconds", [0.4, 1.0])
def test_a_car_that_turns_in_within_a_third_of_a_second_shows_its_braking_exponent(seconds, exponent):
    events, solution, _ = fit_events(turned_in_on_the_brakes(*[turn_in(seconds, exponent)] * 8), 0.98)
    assert events.trail.count
    assert solution.exponent_braking[0] == pytest.approx(exponent, abs=0.25)  # bar "limits"


@pytest.mark.parametrize("exponent", [1.5, 2.4])
def test_one_long_turn_in_short_of_the_limit_does_not_hide_the_brief_ones(exponent):
    corners = [turn_in(0.4, exponent)] * 7 + [turn_in(1.0, exponent, usage=0.85)]
    _, solution, _ = fit_events(turned_in_on_the_brakes(*corners), 0.98)
    assert solution.exponent_braking[0] == pytest.approx(exponent, abs=0.25)  # bar "limits"


def test_a_driver_who_never_brakes_and_turns_at_once_is_not_read_as_a_tyre():
    # Every turn-in at 0.75 of what tyres of exponent 1.75 hold: along the straight line from brakes to lateral limit it
    # would be 0.74, so that a free fit comes out near 1. Tyres trade along something like an ellipse: 1.4 and more (car
    # models of others, 1.4 to 2.4; no source).
    _, solution, _ = fit_events(turned_in_on_the_brakes(*[turn_in(1.0, 1.75, usage=0.75)] * 8), 0.98)
    assert 1.4 <= solution.exponent_braking[0] < 1.75


def coasted(coasting):
    """`turn_in`, and the corner then held at its limit on no more slowing than `coasting` [m/s²]."""
    corner = turn_in(1.0, 1.8)
    corner[1, (corner[0] >= 14.999)] = -coasting
    return corner


def test_slowing_by_the_drag_of_the_corner_is_no_use_of_the_brakes():
    # 225 m²/s⁴ across at 0.005 s²/m (5 to 9 % of the side force at 3 to 5° of slip), rolling and air: 1.4 m/s². Taken
    # for braking it would leave (1 - 0.15^1.8)^(1/1.8) of the tyre and put the limit 1.8 % higher.
    samples = turned_in_on_the_brakes(*[coasted(1.4)] * 8)
    _, solution, _ = fit_events(samples, 0.98)
    assert solution.lateral[0, 0] @ [1.0, SPEED**2] == pytest.approx(15.0, rel=0.006)  # 0.3 % is the driver's usage


@pytest.mark.parametrize("seed", range(4))
def test_a_driver_who_varies_far_from_the_limit_is_not_given_that_room_above_it(seed):
    # Eight corners where he comes to within 1.2 % of the limit and the tyres let him have no more, eight at 90 ± 3 %.
    rng = np.random.default_rng(seed)
    near = np.minimum(0.997 + 0.012 * rng.standard_normal((8, 8)), 1.0)
    far = 0.9 + 0.03 * rng.standard_normal((8, 8))
    across = np.concatenate([np.zeros(60), np.ones(60)])
    lateral = 15.0 * np.concatenate([one[:, None] * across for part in (near, far) for one in part.T], axis=1)
    samples = turned_in_on_the_brakes(*[turn_in(1.0, 1.8)] * 8)  # for brakes and drive
    usual = (1.0 - 0.003 * rng.random((8, 1))) * samples.along[0]
    both = np.concatenate([0.0 * usual, lateral], axis=1), np.concatenate([usual, 0.0 * lateral], axis=1)
    speed = np.full(both[0].shape, SPEED)
    table = replace(
        samples, numbers=np.arange(8), station=SPACING * np.arange(speed.shape[1]), duration=SPACING / speed,
        speed2=speed**2, lateral=both[0], along=both[1], pull=both[1], normal=np.ones(speed.shape),
        noise_lateral=np.zeros((2, *speed.shape)), noise_along=np.zeros((2, *speed.shape)),
    )  # fmt: skip
    _, solution, _ = fit_events(table, 0.98)
    assert solution.lateral[0, 0] @ [1.0, SPEED**2] == pytest.approx(15.0, rel=0.01)
