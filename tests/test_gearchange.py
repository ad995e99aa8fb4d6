"""What changes of gear cost: against the lap times of the same drivers with and without them.

Source: the generator (simlap/synthetic_*.py, which shares no code with the estimator): the same circuit, car, driver
and seed, once with a pause of the drive at each change and once without, are two lap times; their difference is the
truth.
"""

from dataclasses import replace

import numpy as np
import pytest

from simlap.analysis import Options, judge, prepare
from simlap.circuits import invented_circuit
from simlap.driven import driven_on
from simlap.gearchange import gear_change_cost
from simlap.report.cautions import cautions
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session


def outing(circuit, pause, gone=()):
    track = invented_circuit(circuit)
    driver = replace(Driver.with_deficits(track.corners, seed=3), shift_s=pause)
    made = synthetic_session(track, club_car(), driver, Sensors.good().without(*gone), laps=4, seed=3, losses=False)
    analysis = judge(prepare(made.session, track), Options(draws=2))
    return float(np.median(made.truth.lap_times_s)), analysis


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
