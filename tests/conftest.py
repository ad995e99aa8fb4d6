"""Sessions and analyses that several tests look at; made once."""

import os
from dataclasses import dataclass
from pathlib import Path

import pytest

# The test machines have two cores; more threads only get in each other's way, and so do those of several workers.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1" if "PYTEST_XDIST_WORKER" in os.environ else "2")

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"


@dataclass(frozen=True, eq=False)
class Made:
    """A synthetic session, its truth, and what the analysis makes of it."""

    session: object
    truth: object
    track: object
    analysis: object


@pytest.fixture(scope="session")
def club():
    """Eight laps of the club circuit by a driver with known deficits, 25 Hz receiver."""
    from simlap.analysis import analyse
    from simlap.circuits import invented_circuit
    from simlap.synthetic import Driver, Sensors, club_car, synthetic_session

    track = invented_circuit("club")
    made = synthetic_session(
        track, club_car(), Driver.with_deficits(track.corners, seed=5), Sensors.good(), laps=8, seed=5
    )
    return Made(made.session, made.truth, track, analyse(made.session, track))


@pytest.fixture(scope="session")
def research():
    """The analysis of the real log in ../shared/data; skips where it is absent."""
    path = DATA / "research_session.csv"
    if not path.exists():
        pytest.skip(f"{path} is not here: the real log is not part of the project")
    from simlap import analyse, read_session

    return analyse(read_session(path))
