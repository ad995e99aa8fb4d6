"""What changes of gear cost: against the lap times of the same drivers with and without them.

Source: the generator (simlap/synthetic_*.py, which shares no code with the estimator): the same circuit, car, driver
and seed, once with a pause of the drive at each change and once without, are two lap times; their difference is the
truth.
"""

from dataclasses import replace

import numpy as np
import pytest

from simlap.analysis import judge, prepare
from simlap.circuits import invented_circuit
from simlap.driven import driven_on
from simlap.gearchange import _up_shifts, gear_change_cost
from simlap.line import Line
from simlap.options import Options
from simlap.phases import PhaseMap
from simlap.report.cautions import cautions
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session


def outing(circuit, pause, gone=()):
    track = invented_circuit(circuit)
    driver = replace(Driver.with_deficits(track.corners, seed=3), shift_s=pause)
    made = synthetic_session(track, club_car(), driver, Sensors.good().without(*gone), laps=4, seed=3, losses=False)
    analysis = judge(prepare(made.session, track), Options(draws=2))
    return float(np.median(made.truth.lap_times_s)), analysis


def cost_with(analysis, gear):
    """Seconds a lap that changes of gear cost with these gears (laps, n) of the counted laps."""
    counted = np.flatnonzero(analysis.table.counted)
    laps = [analysis.lap_driven[i] for i in counted]
    packed = analysis.fit.envelope.pack()
    return gear_change_cost(analysis.line, packed, laps, {"gear": gear}, analysis.phases, analysis.grip).sum()


def total(analysis):
    return sum(phase.gear_changes_s for corner in analysis.corners for phase in corner.phases)


@pytest.mark.parametrize(("circuit", "gone"), [("club", ("engine_speed",)), ("kart", ("gear",))])
def test_cost_of_gear_changes_is_the_lap_time_that_they_take(circuit, gone):
    slow, with_pauses = outing(circuit, 0.25, gone)
    fast, without = outing(circuit, 0.0, gone)
    assert slow - fast > 0.5
    # a fifth of it: the smooth motion smears a pause over half a second, and pauses within corners are left out
    assert total(with_pauses) == pytest.approx(slow - fast, rel=0.2)
    # no change takes time here: what is left is the curve of the pull between the two ends of a change
    assert total(without) < 0.1
    told = {caution.key: caution.text for caution in cautions(with_pauses)}
    assert f"{total(with_pauses):.1f} s" in told["gear changes"]
    assert "gear changes" not in {caution.key for caution in cautions(without)}
    for corner in with_pauses.corners:  # it lies in the exits alone, and is no more than what was caused there
        braking, middle, leaving = corner.phases
        assert braking.gear_changes_s == middle.gear_changes_s == 0.0
        assert leaving.gear_changes_s <= max(leaving.caused.value, 0.0) + 0.03


def test_without_gear_or_engine_speed_nothing_is_said():
    _, analysis = outing("kart", 0.25, gone=("gear", "engine_speed"))
    assert all(phase.gear_changes_s is None for corner in analysis.corners for phase in corner.phases)
    laps = [driven_on(analysis.line, lap.dt) for lap in analysis.lap_driven]
    packed = analysis.fit.envelope.pack()
    assert gear_change_cost(analysis.line, packed, laps, {}, analysis.phases, analysis.grip) is None


@pytest.mark.parametrize("between", [0.0, np.nan], ids=["neutral", "unknown"])
def test_a_change_through_neutral_costs_what_it_costs_without(between):
    _, analysis = outing("club", 0.25)
    gear = np.array(analysis.table.channels["gear"])[np.asarray(analysis.table.counted, dtype=bool)]
    through = gear.copy()
    rows, at = np.nonzero(np.diff(gear, axis=1) > 0.0)
    through[rows, at] = through[rows, at + 1] = between  # two stations, 4 m: 0.1 s or so of a change
    assert not (np.diff(through, axis=1) > 0.0)[rows, at].any()
    assert cost_with(analysis, through) == pytest.approx(cost_with(analysis, gear), rel=0.02)  # a station to or fro


def test_laps_on_which_the_gear_is_not_known_do_not_make_changes_cheaper():
    # By definition a mean over the laps that tell; with one of them silent, over the others.
    _, analysis = outing("club", 0.25)
    gear = np.array(analysis.table.channels["gear"])[np.asarray(analysis.table.counted, dtype=bool)]
    alone = [
        cost_with(analysis, np.where(np.arange(len(gear))[:, None] == row, gear, np.nan)) for row in range(len(gear))
    ]
    assert cost_with(analysis, gear) == pytest.approx(np.mean(alone), abs=1e-9)
    silent = np.where(np.arange(len(gear))[:, None] == 0, np.nan, gear)
    assert cost_with(analysis, silent) == pytest.approx(np.mean(alone[1:]), abs=1e-9)


def test_a_stand_in_neutral_is_no_change_of_gear():
    line = Line.from_curvature(kappa=np.full(500, 2.0 * np.pi / 1000.0), ds=2.0)
    dt = np.full(500, 2.0 / 30.0)
    gear = np.full(500, 2.0)
    gear[200:203] = 0.0
    gear[203:] = 3.0
    assert _up_shifts(driven_on(line, dt), {"gear": gear}).tolist() == [201]
    dt[201] = 20.0
    assert _up_shifts(driven_on(line, dt), {"gear": gear}).size == 0


def started_at(k, analysis, lap, channels):
    """Seconds that changes of gear cost on one lap, with the start line moved to station `k`."""
    line, phases = analysis.line.rolled(k), analysis.phases
    moved = PhaseMap(np.roll(phases.phase, -k), phases.order, np.roll(phases.limit_a, -k))
    laps = [driven_on(line, np.roll(lap.dt, -k))]
    rows = {name: np.roll(values, -k)[None] for name, values in channels.items()}
    return gear_change_cost(line, analysis.fit.envelope.pack(), laps, rows, moved, np.roll(analysis.grip, -k)).sum()


@pytest.mark.parametrize("gone", [("engine_speed",), ("gear",)], ids=["gear", "engine speed"])
def test_moving_the_start_line_into_a_change_of_gear_keeps_its_cost(gone):
    _, analysis = outing("club", 0.25, gone)
    row = int(np.flatnonzero(analysis.table.counted)[1])
    lap = analysis.lap_driven[row]
    channels = {name: np.asarray(values)[row] for name, values in analysis.table.channels.items()}
    here = started_at(0, analysis, lap, channels)
    assert here > 0.5
    for station in _up_shifts(lap, channels):
        for k in (station - 2, station, station + 1, station + 3):  # the line before, within and behind the change
            assert started_at(k, analysis, lap, channels) == pytest.approx(here, abs=1e-6)  # rounding of the solver
