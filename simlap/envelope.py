"""The envelope: what one driver in one car has shown, as limits of acceleration over speed.

All accelerations are in m/s² and speeds in m/s, in the plane of a flat road. On a road that loads the tyres
with g_n instead of g, the lateral, braking and traction limits grow by g_n / g; the engine's does not.
"""

import json
import math
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from simlap.envelope_packed import ENGINE_POINTS, ENVELOPE_SIZE, NO_SPEED_CAP, Packed
from simlap.errors import OptionError
from simlap.files import write_text
from simlap.frozen import own

# Top of the speed grid when an envelope is made without an engine curve; faster than any car on a circuit.
DEFAULT_TOP_SPEED = 120.0  # [m/s]
# Exponents outside make no sense for tyres: 1 is a diamond, 3 nearly a rectangle.
EXPONENT_RANGE = (1.0, 3.0)
SCHEMA = "simlap.envelope/1"

Pair = tuple[float, float]
Triple = tuple[float, float, float]
NO_DRAG: Triple = (0.0, 0.0, 0.0)
DRAG_KEYS = ("constant_ms2", "v2_per_m", "lateral2_s2_per_m")


def _pair(values: Any, name: str) -> Pair:
    array = np.asarray(values, dtype=float).ravel()
    if array.size == 1:
        array = np.array([array[0], 0.0])
    if array.size != 2 or not np.isfinite(array).all():
        raise OptionError(f"envelope, {name}: {values!r} is not (constant [m/s²], v² term [1/m]); give two numbers.")
    return float(array[0]), float(array[1])


def _triple(values: Iterable[Any]) -> Triple:
    parts = tuple(float(value) for value in values)
    if len(parts) != len(NO_DRAG):
        raise OptionError(f"envelope, drag: {parts!r} is not (constant [m/s²], v² [1/m], a_lat² [s²/m]).")
    return parts[0], parts[1], parts[2]


def slowed_by(drag: Triple, speed2: Any, lateral2: Any = 0.0) -> Any:
    """Slowing r0 + r1 v² + r2 a_lat² of the triple `drag`, beside the squares of speed and lateral acceleration."""
    return drag[0] + drag[1] * speed2 + drag[2] * lateral2


def combined_use(lateral: np.ndarray, along: np.ndarray, exponent: float | np.ndarray) -> np.ndarray:
    """Use of the tyres' combined limit, 1 at it, from the shares (not negative) of the lateral limit and of the braking
    or traction limit; arrays that broadcast."""
    out: np.ndarray = (lateral**exponent + along**exponent) ** (1.0 / exponent)
    return out


@dataclass(frozen=True, eq=False)
class Envelope:
    """Limits of acceleration over speed; made by `constant`, `from_limits` or `fit_envelope`.

    Each pair (c0, c1) stands for c0 + c1 v², c0 in m/s² and c1 in 1/m. The diagram of both accelerations is centred on
    minus the `drag`: what rolling, air and the cornering itself take slows the car without use of the tyres' grip.
    """

    lateral_left: Pair  #: largest lateral acceleration in left turns
    lateral_right: Pair  #: the same in right turns
    braking: Pair  #: largest deceleration with no lateral load, positive
    traction: Pair  #: what the driven tyres carry with no lateral load
    engine_v: np.ndarray  #: speeds of the engine curve, rising, shape (m,) [m/s]
    engine_a: np.ndarray  #: acceleration the engine gives there, net of drag, shape (m,) [m/s²]
    exponent_braking: float = 2.0  #: p of (|a_lon|/limit)^p + (|a_lat|/limit)^p <= 1 under braking
    exponent_drive: float = 2.0  #: the same under drive, with the traction limit
    cornering_drag: float = 0.0  #: full-throttle a_lon falls by this times a_lat² [s²/m]
    tested: Mapping[str, Pair] = field(default_factory=dict)  #: per limit the speeds with data [m/s]
    speed_cap: float | None = None  #: speed that gearing or a rev limiter does not let the car pass [m/s]
    drag: Triple = NO_DRAG  #: (r0, r1, r2) of r0 + r1 v² + r2 a_lat², about which the limits lie [m/s², 1/m, s²/m]

    def __post_init__(self) -> None:
        for name in ("lateral_left", "lateral_right", "braking", "traction"):
            object.__setattr__(self, name, _pair(getattr(self, name), name))
        own(self, "engine_v", "engine_a")
        for name in ("exponent_braking", "exponent_drive", "cornering_drag"):
            object.__setattr__(self, name, float(getattr(self, name)))
        object.__setattr__(
            self,
            "tested",
            MappingProxyType({str(k): _pair(v, f"tested {k}") for k, v in self.tested.items()}),
        )
        object.__setattr__(self, "drag", _triple(self.drag))
        self._check()

    def _check(self) -> None:
        v, a = self.engine_v, self.engine_a
        if v.ndim != 1 or v.shape != a.shape or v.size == 0:
            raise OptionError(
                f"envelope, engine: {v.shape} speeds and {a.shape} accelerations; give lists of one length."
            )
        if not (np.isfinite(v).all() and np.isfinite(a).all()) or (np.diff(v) <= 0).any() or v[0] < 0:
            raise OptionError(
                f"envelope, engine: speeds {v.tolist()} must be finite, >= 0 and rise; accelerations finite."
            )
        for name in ("exponent_braking", "exponent_drive"):
            p = getattr(self, name)
            if not EXPONENT_RANGE[0] <= p <= EXPONENT_RANGE[1]:
                raise OptionError(f"envelope, {name}: {p!r} lies outside {EXPONENT_RANGE[0]} to {EXPONENT_RANGE[1]}.")
        if self.speed_cap is not None and not 0.0 < self.speed_cap < NO_SPEED_CAP:
            raise OptionError(
                f"envelope, speed_cap: {self.speed_cap!r} m/s must be above 0 and below {NO_SPEED_CAP:g}."
            )
        if not self.cornering_drag >= 0.0 or not math.isfinite(self.cornering_drag):
            raise OptionError(f"envelope, cornering_drag: {self.cornering_drag!r} s²/m must be finite and >= 0.")
        if not all(part >= 0.0 and math.isfinite(part) for part in self.drag):
            raise OptionError(f"envelope, drag: {self.drag!r} must be finite and >= 0.")
        for name in ("lateral_left", "lateral_right", "braking", "traction"):
            c0, c1 = getattr(self, name)
            if name == "braking":  # the tyres' part of it
                c0, c1 = c0 - self.drag[0], c1 - self.drag[1]
            lowest = min(c0, c0 + c1 * self.top_speed**2)
            if lowest <= 0.0:
                raise OptionError(
                    f"envelope, {name}: {c0:g} + {c1:g} v² falls to {lowest:g} m/s² between 0 and "
                    f"{self.top_speed:g} m/s; a limit must stay above 0."
                )

    def __reduce__(self) -> tuple[Any, ...]:
        return Envelope.from_dict, (self.to_dict(),)  # the read-only `tested` cannot be pickled itself

    # -- making one

    @classmethod
    def constant(cls, lateral: float, braking: float, drive: float, exponent: float = 2.0) -> "Envelope":
        """Limits that do not change with speed [m/s²], one exponent, no engine limit beside `drive`."""
        return cls.from_limits(
            lateral=(lateral, 0.0),
            braking=(braking, 0.0),
            traction=(drive, 0.0),
            exponent_braking=exponent,
            exponent_drive=exponent,
        )

    @classmethod
    def from_limits(
        cls,
        lateral: Any,
        braking: Any,
        traction: Any,
        engine: tuple[Any, Any] | None = None,
        *,
        exponent_braking: float = 2.0,
        exponent_drive: float = 2.0,
        cornering_drag: float = 0.0,
        tested: Mapping[str, Pair] | None = None,
        speed_cap: float | None = None,
        drag: Triple = NO_DRAG,
    ) -> "Envelope":
        """An envelope built by hand.

        Parameters
        ----------
        lateral : (c0, c1), or ((c0, c1) left, (c0, c1) right)
            Lateral limit c0 + c1 v² [m/s², 1/m].
        braking, traction : (b0, b1), (d0, d1)
            Limits with no lateral load [m/s², 1/m].
        engine : (speeds, accelerations), optional
            Rising speeds [m/s] and the acceleration at full throttle there [m/s²]; linear between, constant
            outside. Without one the traction limit stands in for it.
        exponent_braking, exponent_drive : float
            p of the limit of both accelerations together, under braking and under drive. [1]
        cornering_drag : float
            Acceleration at full throttle falls by this times a_lat². [s²/m]
        tested : mapping, optional
            Per limit the lowest and highest speed with data. [m/s]
        speed_cap : float, optional
            Speed that gearing or a rev limiter does not let the car pass. [m/s]
        drag : (r0, r1, r2)
            Slowing r0 + r1 v² + r2 a_lat² that costs the tyres no grip [m/s², 1/m, s²/m]: braking and traction are
            limits of the car with it, and it is all that is left of them at the lateral limit.

        Raises
        ------
        OptionError
            When a value is not finite, an exponent lies outside 1 to 3, or a limit falls to zero.
        """
        lat = np.asarray(lateral, dtype=float)
        left, right = (lat[0], lat[1]) if lat.ndim == 2 and lat.shape[0] == 2 else (lat, lat)
        pull = _pair(traction, "traction")
        if engine is None:
            speeds = np.linspace(0.0, DEFAULT_TOP_SPEED, ENGINE_POINTS)
            curve = pull[0] + pull[1] * speeds**2
        else:
            speeds, curve = (np.atleast_1d(np.asarray(part, dtype=float)) for part in engine)
        return cls(
            lateral_left=_pair(left, "lateral"),
            lateral_right=_pair(right, "lateral"),
            braking=_pair(braking, "braking"),
            traction=pull,
            engine_v=speeds,
            engine_a=curve,
            exponent_braking=exponent_braking,
            exponent_drive=exponent_drive,
            cornering_drag=cornering_drag,
            tested=dict(tested or {}),
            speed_cap=speed_cap,
            drag=drag,
        )

    def scaled(
        self,
        lateral: float = 1.0,
        braking: float = 1.0,
        drive: float = 1.0,
        traction: float = 1.0,
        engine: float = 1.0,
    ) -> "Envelope":
        """The same shape with limits multiplied; `drive` multiplies both traction and engine."""

        def times(pair: Pair, factor: float) -> Pair:
            return pair[0] * factor, pair[1] * factor

        return replace(
            self,
            lateral_left=times(self.lateral_left, lateral),
            lateral_right=times(self.lateral_right, lateral),
            braking=times(self.braking, braking),
            traction=times(self.traction, traction * drive),
            engine_a=self.engine_a * (engine * drive),
        )

    # -- asking it

    @property
    def top_speed(self) -> float:
        """End of the engine curve [m/s]."""
        return float(self.engine_v[-1])

    def lateral_limit(self, v: Any, turn: Any = 1) -> np.ndarray:
        """Largest lateral acceleration [m/s²] at speed `v`; `turn` >= 0 is a left turn, < 0 a right one."""
        z = np.square(np.asarray(v, dtype=float))
        left = self.lateral_left[0] + self.lateral_left[1] * z
        right = self.lateral_right[0] + self.lateral_right[1] * z
        return np.where(np.asarray(turn) >= 0, left, right)

    def braking_limit(self, v: Any, a_lat: Any = 0.0, normal: Any = 1.0) -> np.ndarray:
        """Largest deceleration [m/s²], positive, left over beside `a_lat`; `normal` is g_n / g."""
        z = np.square(np.asarray(v, dtype=float))
        pure = (self.braking[0] + self.braking[1] * z - self.drag_at(v)) * normal
        return pure * self._left_over(v, a_lat, normal, self.exponent_braking) + self.drag_at(v, a_lat)

    def traction_limit(self, v: Any, a_lat: Any = 0.0, normal: Any = 1.0) -> np.ndarray:
        """Largest acceleration the driven tyres carry beside `a_lat` [m/s²]; `normal` is g_n / g."""
        z = np.square(np.asarray(v, dtype=float))
        pure = (self.traction[0] + self.traction[1] * z + self.drag_at(v)) * normal
        return pure * self._left_over(v, a_lat, normal, self.exponent_drive) - self.drag_at(v, a_lat)

    def drag_at(self, v: Any, a_lat: Any = 0.0) -> np.ndarray:
        """Slowing that costs the tyres no grip, beside `a_lat` [m/s²]."""
        turning, z = (np.square(np.asarray(part, dtype=float)) for part in (a_lat, v))
        return np.asarray(slowed_by(self.drag, z, turning))

    def engine_limit(self, v: Any, a_lat: Any = 0.0) -> np.ndarray:
        """Acceleration at full throttle on a level road [m/s²], less the cornering drag of `a_lat`."""
        curve = np.interp(np.asarray(v, dtype=float), self.engine_v, self.engine_a)
        return curve - self.cornering_drag * np.square(np.asarray(a_lat, dtype=float))

    def drive_limit(self, v: Any, a_lat: Any = 0.0, normal: Any = 1.0) -> np.ndarray:
        """The smaller of engine and traction beside `a_lat` [m/s²]; `normal` is g_n / g."""
        return np.minimum(self.engine_limit(v, a_lat), self.traction_limit(v, a_lat, normal))

    def _left_over(self, v: Any, a_lat: Any, normal: Any, exponent: float) -> np.ndarray:
        """Share of a longitudinal limit that the lateral load leaves, 0 where it takes all."""
        lateral = np.asarray(a_lat, dtype=float)
        used = np.abs(lateral) / (self.lateral_limit(v, np.sign(lateral)) * normal)
        return np.power(1.0 - np.minimum(used, 1.0) ** exponent, 1.0 / exponent)

    # -- numbers for the solver's kernel, and files

    def pack(self) -> np.ndarray:
        """The envelope as one vector, shape (ENVELOPE_SIZE,): see `unpack` for the order.

        The engine curve is sampled at `ENGINE_POINTS` uniform speeds from 0 to its top speed.
        """
        packed = np.empty(ENVELOPE_SIZE)
        packed[Packed.LEFT] = self.lateral_left
        packed[Packed.RIGHT] = self.lateral_right
        packed[Packed.BRAKING] = self.braking
        packed[Packed.TRACTION] = self.traction
        packed[Packed.EXPONENTS] = self.exponent_braking, self.exponent_drive
        packed[Packed.CORNERING_DRAG] = self.cornering_drag
        step = max(self.top_speed, 1.0) / (ENGINE_POINTS - 1)
        packed[Packed.ENGINE_STEP] = step
        packed[Packed.SPEED_CAP] = NO_SPEED_CAP if self.speed_cap is None else self.speed_cap
        packed[Packed.DRAG] = self.drag
        packed[Packed.ENGINE] = np.interp(step * np.arange(ENGINE_POINTS), self.engine_v, self.engine_a)
        return packed

    @classmethod
    def unpack(cls, packed: Any, tested: Mapping[str, Pair] | None = None) -> "Envelope":
        """The envelope of a packed vector.

        Order: lateral left c0, c1; right c0, c1; braking b0, b1; traction d0, d1; exponent braking, drive;
        cornering drag; speed step of the engine curve [m/s]; speed cap [m/s]; drag r0, r1, r2; `ENGINE_POINTS`
        accelerations at v = j * step.

        Raises
        ------
        OptionError
            When `packed` has another shape, or holds what no envelope may.
        """
        x = np.asarray(packed, dtype=float)
        if x.shape != (ENVELOPE_SIZE,):
            raise OptionError(f"envelope: a packed envelope has shape ({ENVELOPE_SIZE},), not {x.shape}.")
        return cls(
            lateral_left=_pair(x[Packed.LEFT], "lateral"),
            lateral_right=_pair(x[Packed.RIGHT], "lateral"),
            braking=_pair(x[Packed.BRAKING], "braking"),
            traction=_pair(x[Packed.TRACTION], "traction"),
            engine_v=x[Packed.ENGINE_STEP] * np.arange(ENGINE_POINTS),
            engine_a=x[Packed.ENGINE],
            exponent_braking=x[Packed.EXPONENT_BRAKING],
            exponent_drive=x[Packed.EXPONENT_DRIVE],
            cornering_drag=x[Packed.CORNERING_DRAG],
            tested=dict(tested or {}),
            speed_cap=None if x[Packed.SPEED_CAP] >= NO_SPEED_CAP else float(x[Packed.SPEED_CAP]),
            drag=_triple(x[Packed.DRAG]),
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain numbers and lists, SI units in the names."""
        return {
            "schema": SCHEMA,
            "lateral_left": {"constant_ms2": self.lateral_left[0], "v2_per_m": self.lateral_left[1]},
            "lateral_right": {"constant_ms2": self.lateral_right[0], "v2_per_m": self.lateral_right[1]},
            "braking": {"constant_ms2": self.braking[0], "v2_per_m": self.braking[1]},
            "traction": {"constant_ms2": self.traction[0], "v2_per_m": self.traction[1]},
            "engine": {"speed_ms": self.engine_v.tolist(), "acceleration_ms2": self.engine_a.tolist()},
            "exponent_braking": self.exponent_braking,
            "exponent_drive": self.exponent_drive,
            "cornering_drag_s2_per_m": self.cornering_drag,
            "tested_ms": {name: list(span) for name, span in self.tested.items()},
            "speed_cap_ms": self.speed_cap,
            "drag": dict(zip(DRAG_KEYS, self.drag, strict=True)),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any], source: str = "envelope") -> "Envelope":
        """Inverse of `to_dict`; `source` names the file in error messages.

        Raises
        ------
        OptionError
            When the schema is another one, or a field is missing or no number.
        """
        if data.get("schema") != SCHEMA:
            raise OptionError(f"{source}: schema is {data.get('schema')!r}, expected {SCHEMA!r}.")
        try:
            pairs = {
                name: (float(data[name]["constant_ms2"]), float(data[name]["v2_per_m"]))
                for name in ("lateral_left", "lateral_right", "braking", "traction")
            }
            return cls(
                **pairs,
                engine_v=np.asarray(data["engine"]["speed_ms"], dtype=float),
                engine_a=np.asarray(data["engine"]["acceleration_ms2"], dtype=float),
                exponent_braking=float(data["exponent_braking"]),
                exponent_drive=float(data["exponent_drive"]),
                cornering_drag=float(data["cornering_drag_s2_per_m"]),
                tested={name: (float(span[0]), float(span[1])) for name, span in data["tested_ms"].items()},
                speed_cap=None if data.get("speed_cap_ms") is None else float(data["speed_cap_ms"]),
                drag=_triple(data["drag"][key] for key in DRAG_KEYS) if "drag" in data else NO_DRAG,
            )
        except (AttributeError, KeyError, TypeError, ValueError, IndexError) as error:
            raise OptionError(f"{source}: {error!r} while reading an envelope; see `Envelope.to_dict`.") from error

    def to_json(self, path: str | os.PathLike[str]) -> Path:
        """Write the envelope as JSON, whole or not at all; return the path."""
        return write_text(path, json.dumps(self.to_dict(), allow_nan=False, indent=2) + "\n")

    @classmethod
    def from_json(cls, path: str | os.PathLike[str]) -> "Envelope":
        """Read an envelope that `to_json` wrote.

        Raises
        ------
        OptionError
            When the file is missing, is not JSON or lacks a field.
        """
        try:
            data = json.loads(Path(path).read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise OptionError(f"{path}: cannot be read as JSON ({error}).") from error
        if not isinstance(data, dict):
            raise OptionError(f"{path}: holds a {type(data).__name__}, expected an object with an envelope.")
        return cls.from_dict(data, source=str(path))
