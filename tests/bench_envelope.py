"""Fit plus 500 draws on 20 laps, one warm run on one core. Run: pytest -s -m benchmark tests/bench_envelope.py"""

import time

import pytest
from envelope_cases import drive

from simlap.envelope_fit import fit_envelope


@pytest.mark.benchmark
def test_fit_and_500_draws_on_20_laps():
    case = drive("a little below", seed=1, laps=20)
    fit_envelope(case.table, case.line, draws=20)
    started = time.process_time()
    fit_envelope(case.table, case.line, draws=500)
    spent = time.process_time() - started
    print(f"fit and 500 draws on 20 laps, {case.table.v.shape[1]} stations: {spent:.2f} s of processor time")
    assert spent < 1.5  # bar "speed of the fit"; processor time, so that a busy machine does not count
