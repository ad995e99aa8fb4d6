"""Limits per station on top of an envelope, and their rows for the solver's kernel."""

from dataclasses import dataclass, fields

import numpy as np

from simlap import _kernels as kernels
from simlap.errors import OptionError
from simlap.frozen import own

_MODES = ("own_brake_mode", "own_drive_mode")
#: Row of each field in the kernel's table, and the value that limits nothing.
_DEFAULTS = {
    "cap": (kernels.R_CAP, np.inf),
    "floor": (kernels.R_FLOOR, 0.0),
    "lateral_scale": (kernels.R_LATERAL, 1.0),
    "brake_scale": (kernels.R_BRAKE, 1.0),
    "drive_scale": (kernels.R_DRIVE, 1.0),
    "traction_scale": (kernels.R_TRACTION, 1.0),
    "own_brake": (kernels.R_OWN_BRAKE, 0.0),
    "own_drive": (kernels.R_OWN_DRIVE, 0.0),
}


@dataclass(frozen=True, eq=False)
class StationLimits:
    """Limits per station on top of the envelope; each None or an array (n,), or (B, n) for a batch.

    ``own_brake[i]`` and ``own_drive[i]`` belong to the segment from station i to i + 1 and are what the car does
    there, dv/dt with the slope included: own_a[i] = (v[i+1]² - v[i]²) / (2 ds[i]), ``own_drive`` = own_a,
    ``own_brake`` = -own_a. Either may be negative. Mode 1 (replace) puts

        v[i]² <= v[i+1]² + 2 ds own_brake[i]   or   v[i+1]² <= v[i]² + 2 ds own_drive[i]

    in place of the envelope's limit, mode 2 (at least) allows what either of both allows. What replaces a limit in
    one direction is also possible in the other: a segment on which the driver could only speed up at 1 m/s² is one
    on which the car can speed up at 1 m/s².
    """

    cap: np.ndarray | None = None  #: highest speed [m/s]
    floor: np.ndarray | None = None  #: the speed ceiling is at least this: it was driven [m/s]
    brake_scale: np.ndarray | None = None  #: factor on the braking limit at the station
    drive_scale: np.ndarray | None = None  #: factor on engine and traction limit
    traction_scale: np.ndarray | None = None  #: factor on the traction limit alone, on top of that
    lateral_scale: np.ndarray | None = None  #: factor on the lateral limit
    own_brake: np.ndarray | None = None  #: own deceleration over the segment behind the station [m/s²]
    own_drive: np.ndarray | None = None  #: own acceleration over the segment behind the station [m/s²]
    own_brake_mode: np.ndarray | None = None  #: 0 not used, 1 replaces the envelope's limit, 2 at least
    own_drive_mode: np.ndarray | None = None  #: the same for the drive limit

    def __post_init__(self) -> None:
        for field in fields(self):
            own(self, field.name, dtype=int if field.name in _MODES else float)

    def opened(self) -> "StationLimits":
        """The same limits for `Line.opened`: the first station's once more at the end."""
        given = {f.name: getattr(self, f.name) for f in fields(self)}
        return StationLimits(
            **{name: a if a is None else np.concatenate([a, a[..., :1]], axis=-1) for name, a in given.items()}
        )

    def rows(self, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Values (B or 1, 8, n) and the two modes (B or 1, n) for the kernel.

        Raises
        ------
        OptionError
            When an array has another number of stations, batch sizes differ, or a value makes no sense.
        """
        given = {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) is not None}
        runs = 1
        for name, values in given.items():
            if values.ndim not in (1, 2) or values.shape[-1] != n:
                raise OptionError(f"limits: {name} has shape {values.shape}; the line has {n} stations.")
            if values.ndim == 2 and values.shape[0] != 1:
                if runs not in (1, values.shape[0]):
                    raise OptionError(f"limits: {name} has {values.shape[0]} rows, another array {runs}.")
                runs = values.shape[0]
            _check_values(name, values)
        rows = np.empty((runs, kernels.LIMIT_ROWS, n))
        for name, (row, default) in _DEFAULTS.items():
            rows[:, row] = given.get(name, default)
        modes = []
        for name in _MODES:
            mode = np.atleast_2d(given.get(name, np.zeros((1, n), dtype=np.int8))).astype(np.int8)
            modes.append(np.ascontiguousarray(np.broadcast_to(mode, (max(runs, mode.shape[0]), n))))
        both = (modes[0] == kernels.OWN_REPLACES) & (modes[1] == kernels.OWN_REPLACES)
        clash = both & (rows[:, kernels.R_OWN_DRIVE] < -rows[:, kernels.R_OWN_BRAKE])
        if clash.any():
            at = int(np.argwhere(clash)[0][-1])
            raise OptionError(
                f"limits: at station {at} both own accelerations replace the envelope, but own_drive is below "
                f"-own_brake, so that no speed obeys both."
            )
        return rows, modes[0], modes[1]


def _check_values(name: str, values: np.ndarray) -> None:
    if name in _MODES:
        bad = (values < kernels.OWN_NONE) | (values > kernels.OWN_AT_LEAST)
    elif name.startswith("own"):
        bad = ~np.isfinite(values)
    else:
        bad = np.isnan(values) | (values < 0.0)
    if bad.any():
        at = np.argwhere(bad)[0]
        raise OptionError(f"limits: {name}[{int(at[-1])}] is {values[tuple(at)].item()!r}, which is no limit.")
