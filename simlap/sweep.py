"""What-if: the limit lap against factors on grip, braking, power, drag and downforce, in one batch.

Factors act on accelerations, so that no mass is asked for: 1 % more grip is 1 % more acceleration, by whatever means.
"""

import csv
import io
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from simlap.envelope import Envelope
from simlap.envelope_packed import ENGINE_POINTS, ENVELOPE_SIZE, Packed
from simlap.errors import OptionError
from simlap.files import write_text
from simlap.frozen import own
from simlap.kept import grip_limits
from simlap.limits import PERCENTILES
from simlap.line import Line
from simlap.solver import solve_batch
from simlap.station_limits import StationLimits
from simlap.track import Corner, inside

#: What can be swept, in words.
PARAMETERS = {
    "grip": "lateral, braking and traction limit together",
    "lateral": "lateral limit",
    "braking": "braking limit",
    "traction": "traction limit",
    "power": "what the engine gives, before drag",
    "drag": "air drag",
    "downforce": "the part of the limits that grows with v²",
}
DEFAULT_FACTORS = (0.95, 0.97, 0.98, 0.99, 1.0, 1.01, 1.02, 1.03, 1.05)
# Half the step of the central difference behind "seconds per per cent": large against the solver's rounding (1e-7),
# small against the curve of lap time (from 1 % to 0.1 % the slope moves by less than 1 %).
PERCENT = 0.01
# Decimals of seconds in files: 1 % is worth a few hundredths, and the solver repeats a lap to about this.
DIGITS = 4
# A tenfold limit is no car any more; most typing errors (10 for 1.0, 105 for 1.05) lie outside.
FACTOR_RANGE = (0.1, 10.0)
# The drag coefficient is fitted over the upper part of the engine curve: below, gears and clutch shape it.
DRAG_FIT_FROM = 0.5  # of the highest speed with data
# Less drag than this is none: 0.004 m/s² at 60 m/s, which no log could show.
MIN_DRAG = 1e-6  # [1/m]
# What the drag gives (braking) or takes (traction) of the packed limits, lateral ones left and right first.
DRAG_SIGN = np.array([0.0, 0.0, 0.0, 0.0, -1.0, -1.0, 1.0, 1.0])


@dataclass(frozen=True, eq=False)
class Sweep:
    """Limit lap times over factors; k parameters, m factors."""

    parameters: tuple[str, ...]  #: keys of `PARAMETERS`
    factors: np.ndarray  #: shape (m,)
    lap_time: np.ndarray  #: shape (k, m) [s]
    base_s: float  #: limit lap with all factors 1 [s]
    per_percent_s: np.ndarray  #: lap time that 1 % more changes, negative is faster, shape (k,) [s]
    interval_s: np.ndarray | None  #: 90 % interval of per_percent_s over the envelope's draws, shape (k, 2) [s]
    drag_per_m: float  #: air drag read from the engine curve, deceleration / v² [1/m]; 0 when it shows none
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        own(self, "factors", "lap_time", "per_percent_s", "interval_s")

    def rows(self) -> list[dict[str, Any]]:
        """One row for each parameter and factor, units in the names."""
        return [
            {
                "parameter": name,
                "factor": float(factor),
                "lap_time_s": round(float(time), DIGITS),
                "change_s": round(round(float(time), DIGITS) - round(self.base_s, DIGITS), DIGITS) + 0.0,
            }
            for name, times in zip(self.parameters, self.lap_time, strict=True)
            for factor, time in zip(self.factors, times, strict=True)
        ]

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain numbers and lists, for JSON."""

        def seconds(value: float) -> float:
            return round(float(value), DIGITS) + 0.0

        return {
            "schema": "simlap.sweep/1",
            "limit_lap_s": seconds(self.base_s),
            "drag_per_m": round(self.drag_per_m, 6),
            "per_percent_s": {
                name: {
                    "value": seconds(self.per_percent_s[k]),
                    "low": None if self.interval_s is None else seconds(self.interval_s[k, 0]),
                    "high": None if self.interval_s is None else seconds(self.interval_s[k, 1]),
                }
                for k, name in enumerate(self.parameters)
            },
            "laps": self.rows(),
            "notes": list(self.notes),
        }

    def to_csv(self, path: str | os.PathLike[str]) -> Path:
        """Write `rows` as CSV, whole or not at all; return the path."""
        stream = io.StringIO()
        writer = csv.DictWriter(stream, ["parameter", "factor", "lap_time_s", "change_s"], lineterminator="\n")
        writer.writeheader()
        for row in self.rows():
            exact = {"lap_time_s": f"{row['lap_time_s']:.4f}", "change_s": f"{row['change_s']:+.4f}"}
            writer.writerow(row | exact)
        return write_text(path, stream.getvalue())


def drag_of(env: Envelope) -> float:
    """Air drag as deceleration / v² [1/m], read from the fall of the engine curve over speed.

    Constant power less drag is e(v) = P / v - c v², so v e(v) = P - c v³ is a straight line over v³; it is laid
    through the upper half of the speeds with data, by least squares.
    """
    top = env.tested.get("engine", (0.0, env.top_speed))[1]
    v = np.linspace(DRAG_FIT_FROM * top, top, ENGINE_POINTS)
    slope = np.polyfit(v**3, v * np.interp(v, env.engine_v, env.engine_a), 1)[0]
    return max(-float(slope), 0.0)


def scaled(packed: np.ndarray, parameter: str, factor: Any, drag: Any = 0.0) -> np.ndarray:
    """Packed envelopes (..., ENVELOPE_SIZE) with one parameter multiplied by `factor`.

    Parameters
    ----------
    drag : float or array
        Air drag of the envelopes, deceleration / v²; only "power" and "drag" use it. [1/m]
    """
    out = np.array(packed, dtype=float)
    factor = np.asarray(factor, dtype=float)[..., None]
    blocks = {
        "grip": Packed.LIMITS,
        "lateral": Packed.LATERAL,
        "braking": Packed.BRAKING,
        "traction": Packed.TRACTION,
        "downforce": Packed.V2_TERMS,
    }
    if parameter in blocks:  # of what the tyres give: drag slows the car with any grip
        force = DRAG_SIGN * np.tile(out[..., Packed.DRAG.start : Packed.DRAG.start + 2], 4)
        out[..., Packed.LIMITS] += force
        out[..., blocks[parameter]] *= factor
        out[..., Packed.LIMITS] -= force
        return out
    speed = out[..., Packed.ENGINE_STEP, None] * np.arange(ENGINE_POINTS)
    air = np.asarray(drag, dtype=float)[..., None] * speed**2
    if parameter == "power":
        out[..., Packed.ENGINE] += (factor - 1.0) * (out[..., Packed.ENGINE] + air)
    else:
        out[..., Packed.ENGINE] -= (factor - 1.0) * air
    return out


def sweep(
    line: Line,
    env: Envelope,
    parameters: Sequence[str] | None = None,
    factors: Sequence[float] = DEFAULT_FACTORS,
    *,
    draws: np.ndarray | None = None,
    limits: StationLimits | None = None,
) -> Sweep:
    """Limit lap over `factors` on each of `parameters`.

    Parameters
    ----------
    line : Line
        The circuit.
    env : Envelope
        The car as it is.
    parameters : sequence of str, optional
        Keys of `PARAMETERS`; all that the envelope can answer when left out.
    factors : sequence of float
        1.02 is 2 % more.
    draws : float64 array, shape (B, ENVELOPE_SIZE), optional
        Resampled envelopes, for the interval of the seconds per per cent.
    limits : StationLimits, optional
        Limits per station for all laps, such as a track's grip.

    Raises
    ------
    OptionError
        When a parameter is unknown, a factor lies outside 0.1 to 10, or the engine curve shows no drag to sweep.
    """
    factor = checked_factors(factors)
    drag = drag_of(env)
    names, notes = _checked_parameters(parameters, env, drag)
    packed = env.pack()
    steps = np.concatenate([factor, [1.0 - PERCENT, 1.0 + PERCENT]])
    cars = [packed[None, :]] + [scaled(np.tile(packed, (steps.size, 1)), name, steps, drag) for name in names]
    times = solve_batch(line, np.concatenate(cars), limits).lap_time
    table = times[1:].reshape(len(names), steps.size)
    interval = None
    if draws is not None:
        slopes = np.array([_slopes(line, np.asarray(draws, dtype=float), name, drag, limits) for name in names])
        interval = np.percentile(slopes, PERCENTILES, axis=1).T
    return Sweep(
        parameters=names,
        factors=factor,
        lap_time=table[:, :-2],
        base_s=float(times[0]),
        per_percent_s=(table[:, -1] - table[:, -2]) / 2.0,
        interval_s=interval,
        drag_per_m=drag,
        notes=notes,
    )


def _slopes(line: Line, draws: np.ndarray, name: str, drag: float, limits: StationLimits | None) -> np.ndarray:
    """Seconds per per cent of each draw, shape (B,)."""
    if draws.ndim != 2 or draws.shape[1] != ENVELOPE_SIZE:
        raise OptionError(f"sweep: draws have shape {draws.shape}; give packed envelopes, (B, {ENVELOPE_SIZE}).")
    pair = [scaled(draws, name, np.full(len(draws), factor), drag) for factor in (1.0 - PERCENT, 1.0 + PERCENT)]
    less, more = solve_batch(line, np.concatenate(pair), limits).lap_time.reshape(2, len(draws))
    return np.asarray(more - less) / 2.0


def corner_worth(line: Line, env: Envelope, corners: Sequence[Corner], grip: np.ndarray | float = 1.0) -> np.ndarray:
    """Lap time that 1 % more grip changes when it comes in one corner only, shape (corners,), negative faster. [s]

    More grip is a higher lateral, braking and traction limit from the corner's entry to its exit, as for the parameter
    "grip"; `grip` (n,) is the track's own factor on them.
    """
    if not corners:
        return np.zeros(0)
    scale = np.ones((2 * len(corners), line.station.size))
    for k, corner in enumerate(corners):
        there = inside(line.station, corner.entry_m, corner.exit_m, line.length)
        scale[2 * k : 2 * k + 2, there] = [[1.0 - PERCENT], [1.0 + PERCENT]]
    limits = grip_limits(scale * grip)
    less, more = solve_batch(line, env.pack(), limits).lap_time.reshape(len(corners), 2).T
    return np.asarray(more - less) / 2.0


def check_names(parameters: Sequence[str]) -> None:
    """Raise an `OptionError` that lists what can be swept when a name is none of it."""
    for name in parameters:
        if name not in PARAMETERS:
            raise OptionError(f"sweep: unknown parameter {name!r}; choose from {', '.join(PARAMETERS)}.")


def checked_factors(factors: Sequence[float]) -> np.ndarray:
    """The factors, rising, each once; an `OptionError` where one lies out of range."""
    values = np.asarray(list(factors), dtype=float)
    if values.size == 0:
        raise OptionError("sweep: no factors given; 0.98, 1.0, 1.02 for instance.")
    for value in values:
        if not FACTOR_RANGE[0] <= value <= FACTOR_RANGE[1]:  # NaN too
            raise OptionError(
                f"sweep: factor {value:g} lies outside {FACTOR_RANGE[0]:g} to {FACTOR_RANGE[1]:g}; 1.02 is 2 % more."
            )
    return np.unique(values)


def _checked_parameters(
    parameters: Sequence[str] | None, env: Envelope, drag: float
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    no_drag = "The engine curve shows no air drag (it does not fall as constant power less drag would)."
    terms = (env.lateral_left[1], env.lateral_right[1], env.braking[1], env.traction[1])
    no_downforce = "No limit of this envelope grows with v²."
    silent = {}
    if drag < MIN_DRAG:
        silent["drag"] = no_drag
    if all(term == 0.0 for term in terms):
        silent["downforce"] = no_downforce
    if parameters is None:
        return tuple(name for name in PARAMETERS if name not in silent), tuple(
            f"{name} is left out. {why}" for name, why in silent.items()
        )
    check_names(parameters)
    for name in parameters:
        if name in silent:
            raise OptionError(f"sweep: {name} cannot be swept. {silent[name]}")
    return tuple(dict.fromkeys(parameters)), ()
