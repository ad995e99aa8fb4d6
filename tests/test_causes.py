"""Causes per corner against injected deficits, over many drivers: tables from the truth with the motion's error."""

import numpy as np
import pytest
from scipy.stats import spearmanr
from truth_table import analysis_of, truth_table

from simlap.circuits import invented_circuit
from simlap.synthetic import Driver, Sensors, club_car, synthetic_session

CIRCUITS = ("club", "fast", "kart")


def compared(seed):
    """Injected and found seconds per corner, each (caused, gain), for one driver with deficits."""
    track = invented_circuit(CIRCUITS[seed % len(CIRCUITS)])
    line = track.line.resample(2.0)
    driver = Driver.with_deficits(track.corners, seed=seed)
    made = synthetic_session(track, club_car(), driver, Sensors.good(), laps=8, seed=seed)
    analysis = analysis_of(truth_table(made, line, seed=seed), track, line)

    def injected(seconds):
        return np.array([seconds.get(corner.name, 0.0) for corner in track.corners])

    caused = np.array([sum(phase.caused.value for phase in corner.phases) for corner in analysis.corners])
    gain = np.array([corner.gain_alone.value for corner in analysis.corners])
    truth = made.truth
    return injected(truth.corner_s(truth.caused_total_s)), caused, injected(truth.gain_corner_total_s), gain


@pytest.mark.parametrize("seed", [60, 61, 62])
def test_causes_per_corner_are_the_injected_ones(seed):
    # Bar "causes": 15 % or 0.03 s; the fitted limit adds its own error of up to 0.5 % of the lap over nine or ten
    # corners, 0.05 s on average, and 0.06 s in the longer ones. With the true envelope the bar itself is met.

    true, found, true_gain, gain = compared(seed)
    assert (np.abs(found - true) <= np.maximum(0.15 * true, 0.03) + 0.06).all()
    assert np.argmax(gain) == np.argmax(true_gain)


@pytest.mark.calibration
def test_top_corner_and_ranks_over_50_drivers():
    top, ranks, within = [], [], []
    for seed in range(100, 150):
        true, found, true_gain, gain = compared(seed)
        top.append(np.argmax(gain) == np.argmax(true_gain))
        ranks.append(spearmanr(true_gain, gain).statistic)
        within.append(np.abs(found - true) <= np.maximum(0.15 * true, 0.03))
    inside = np.concatenate(within)
    print(f"\ntop corner right in {100 * np.mean(top):.0f} % of 50")
    print(f"Spearman mean {np.mean(ranks):.3f}, median {np.median(ranks):.3f}")
    print(f"causes within 15 % or 0.03 s in {100 * inside.mean():.1f} % of {inside.size} corners")
    assert np.mean(top) >= 0.90
    assert np.mean(ranks) >= 0.85
