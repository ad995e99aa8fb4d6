"""Coverage and bias over 100 seeded sessions through the whole way from sensors to limits; not run by default."""

import numpy as np
import pytest

from simlap.analysis import prepare
from simlap.circuits import invented_circuit
from simlap.envelope import Envelope
from simlap.envelope_fit import fit_envelope
from simlap.solver import limit_profile, solve_batch
from simlap.synthetic import club_car, synthetic_session
from simlap.synthetic_driver import Driver
from simlap.synthetic_sensors import Sensors

SESSIONS = 100
CARS = (
    club_car(),
    club_car(aero=0.0, power=160.0, lateral=10.0, braking=9.0),
    club_car(aero=0.0028, power=300.0, lateral=12.5, braking=11.5),
)
DRIVERS = (
    Driver.at_limit(),
    Driver(spread=0.02),
    Driver(spread=0.015, usage_mean=0.97, form=0.0),
)


@pytest.mark.calibration
def test_limits_are_unbiased_and_intervals_hold_the_truth_over_100_sessions():
    errors, held = [], []
    for seed in range(SESSIONS):
        circuit = invented_circuit(("club", "fast", "kart")[seed % 3])
        car, driver = CARS[seed // 3 % 3], DRIVERS[seed // 9 % 3]
        sensors = (Sensors.good(), Sensors.poor(), Sensors.good().without("throttle"))[seed // 27 % 3]
        made = synthetic_session(circuit, car, driver, sensors, laps=8, seed=seed, losses=False)
        ready = prepare(made.session, circuit)
        fit = fit_envelope(ready.table, ready.line, draws=100, seed=seed)
        spread = [Envelope.unpack(packed) for packed in fit.draws]
        row, inside = [], []
        for name in ("lateral", "braking", "engine"):
            v = 0.5 * sum(fit.envelope.tested[name])
            true = float(getattr(car, f"{name}_limit")(v))
            drawn = [float(getattr(each, f"{name}_limit")(v)) for each in spread]
            row.append(float(getattr(fit.envelope, f"{name}_limit")(v)) / true - 1.0)
            inside.append(np.quantile(drawn, 0.05) <= true <= np.quantile(drawn, 0.95))
        laps = np.asarray(solve_batch(ready.line, fit.draws).lap_time)
        row.append(limit_profile(ready.line, fit.envelope).lap_time / made.truth.limit_lap_s - 1.0)
        inside.append(np.quantile(laps, 0.05) <= made.truth.limit_lap_s <= np.quantile(laps, 0.95))
        errors.append(row)
        held.append(inside)
    error, coverage = np.array(errors), np.array(held).mean(axis=0)
    print("mean error", error.mean(axis=0), "deviation", error.std(axis=0), "coverage of 90 %", coverage)
    # Bars "bias", "limits", "limit lap" and "coverage".
    assert (np.abs(error.mean(axis=0)) < [0.01, 0.01, 0.01, 0.005]).all()
    assert (np.quantile(np.abs(error), 0.9, axis=0) < [0.03, 0.04, 0.05, 0.005]).all()
    assert ((coverage >= 0.80) & (coverage <= 0.97)).all()
