"""One lap held against another lap, or another driver's session, in the same three ledgers."""

import operator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simlap.analysis import lap_row, prepare_beside
from simlap.driven import Driven, driven_on, typical_lap
from simlap.errors import NotEnoughData, OptionError
from simlap.losses import Ledger, ledgers
from simlap.options import Options
from simlap.phases import PHASE_NAMES, PHASES
from simlap.report.plain import rounded_parts
from simlap.results import Analysis
from simlap.session import Session


@dataclass(frozen=True, eq=False)
class Against:
    """A lap of the analysis and the lap it is held against."""

    subject: str  #: what was compared: "typical lap" or "best lap"
    reference: str  #: what it was held against
    corners: tuple[str, ...]
    ledger: Ledger
    remark: str = ""  #: what to know of the reference before reading on: why its lap was set aside

    def to_dict(self) -> dict[str, Any]:
        """Plain data for JSON; positive seconds are lost to the reference."""

        between = round(self.ledger.driven_s, 3) - round(self.ledger.reference_s, 3)
        unexplained = round(self.ledger.unexplained_s, 3) + 0.0
        lost = rounded_parts(self.ledger.lost, between)
        caused = rounded_parts(self.ledger.caused, between - unexplained)

        def phase(index: int) -> dict[str, float]:
            return {
                "lost_s": lost[index],
                "caused_s": caused[index],
                "gain_alone_s": round(float(self.ledger.gain_alone[index]), 3) + 0.0,
            }

        return {
            "subject": self.subject,
            "reference": self.reference,
            "remark": self.remark,
            "subject_s": round(self.ledger.driven_s, 3),
            "reference_s": round(self.ledger.reference_s, 3),
            "unexplained_s": unexplained,
            "corners": [
                {
                    "name": name,
                    "gain_alone_s": round(float(self.ledger.corner_gain[i]), 3) + 0.0,
                    "phases": {kind: phase(PHASES * i + k) for k, kind in enumerate(PHASE_NAMES)},
                }
                for i, name in enumerate(self.corners)
            ],
        }


def against_lap(analysis: Analysis, which: str | int) -> Against:
    """Hold the typical lap against ``best`` or a lap number, or the best lap against ``typical``.

    Raises
    ------
    NotEnoughData
        When the lap is not a complete lap of the session.
    OptionError
        When `which` is none of these.
    """
    best = analysis.lap_driven[lap_row(analysis, analysis.best_lap)]
    if which == "typical":
        return _held(analysis, best, f"best lap ({analysis.best_lap})", analysis.typical, "typical lap")
    if which == "best":
        return _held(analysis, analysis.typical, "typical lap", best, f"best lap ({analysis.best_lap})")
    number = _lap_number(which)
    other = analysis.lap_driven[lap_row(analysis, number)]
    held = _held(analysis, analysis.typical, "typical lap", other, f"lap {number}")
    aside = next((lap for lap in analysis.lapset.laps if lap.number == number and not lap.counted), None)
    return held if aside is None else replace(held, remark=f"Lap {number} was set aside: {aside.reason}.")


def _lap_number(which: object) -> int:
    if isinstance(which, str) and which.isdecimal():
        return int(which)
    try:
        return operator.index(which)  # type: ignore[arg-type]
    except TypeError:
        raise OptionError(f"lap {which!r}: write best, typical or a lap number.") from None


def against_session(analysis: Analysis, session: Session, options: Options | None = None) -> Against:
    """Hold the typical lap against the typical lap of another session on the same circuit.

    Laps that `options` count or drop by number are the analysis's own; the other session's are found.

    Raises
    ------
    NotEnoughData
        When the other session has no counted lap on this circuit.
    """
    chosen = replace(options or Options(), laps=None, drop=())
    prepared = prepare_beside(analysis.session, session, analysis.track, chosen)
    if not prepared.table.shares_stations(analysis.table):
        raise NotEnoughData(f"{session.source}: its laps do not lie on the circuit of {analysis.session.source}.")
    dt = np.diff(np.asarray(prepared.table.t)[np.asarray(prepared.table.counted, dtype=bool)], axis=1)
    other = typical_lap(analysis.line, np.array([driven_on(analysis.line, row).dt for row in dt]), analysis.phases)
    which = "typical lap" if len(dt) > 1 else "only counted lap"
    return _held(analysis, analysis.typical, "typical lap", other, f"{which} of {session.source}")


def _held(analysis: Analysis, lap: Driven, subject: str, other: Driven, reference: str) -> Against:
    (ledger,) = ledgers(
        analysis.line, analysis.fit.envelope.pack(), [lap], analysis.phases, other=other, grip=analysis.grip
    )
    return Against(subject, reference, tuple(corner.corner.name for corner in analysis.corners), ledger)
