"""Roads of synthetic sessions: the line that the laps scatter about, and the path of each lap."""

from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len
from scipy.interpolate import make_interp_spline

from simlap.frozen import own

# Distance between stations of the truth. Halving it moves the limit lap of a 3.5 km circuit by less than 1 ms.
FINE_SPACING = 0.5  # [m]


@dataclass(frozen=True, eq=False)
class Road:
    """A driven path on a fine grid; every array float64, shape (n,). Segment i runs from point i to i + 1."""

    ds: np.ndarray  #: length of the segment behind point i [m]
    kappa: np.ndarray  #: curvature, left positive [1/m]
    kappa_v: np.ndarray  #: vertical curvature, dip positive [1/m]
    grade: np.ndarray  #: uphill positive [rad]
    bank: np.ndarray  #: left edge lower positive [rad]

    def __post_init__(self) -> None:
        own(self, "ds", "kappa", "kappa_v", "grade", "bank")

    def table(self) -> np.ndarray:
        """Shape (7, n): ds, kappa, kappa_v, sin and cos of grade, sin and cos of bank."""
        return np.stack(
            (
                self.ds,
                self.kappa,
                self.kappa_v,
                np.sin(self.grade),
                np.cos(self.grade),
                np.sin(self.bank),
                np.cos(self.bank),
            )
        )


@dataclass(frozen=True, eq=False)
class BaseLine:
    """The closed line that the laps scatter about, on a uniform fine grid of station; arrays shape (n,)."""

    spacing: float  #: [m]
    x: np.ndarray  #: east [m]
    y: np.ndarray  #: north [m]
    z: np.ndarray  #: height [m]
    course: np.ndarray  #: anticlockwise from east, unwrapped [rad]
    kappa: np.ndarray  #: curvature, left positive [1/m]
    kappa_slope: np.ndarray  #: d kappa / d station [1/m²]
    kappa_v: np.ndarray  #: [1/m]
    grade: np.ndarray  #: [rad]
    bank: np.ndarray  #: [rad]

    def __post_init__(self) -> None:
        names = ("x", "y", "z", "course", "kappa", "kappa_slope", "kappa_v", "grade", "bank")
        own(self, *names)

    @property
    def length(self) -> float:
        """Length of the lap [m]."""
        return self.spacing * self.x.size

    @property
    def station(self) -> np.ndarray:
        """Stations, shape (n,) [m]."""
        return self.spacing * np.arange(self.x.size)

    @classmethod
    def of(cls, line, spacing: float = FINE_SPACING) -> "BaseLine":
        """Resample a closed `simlap.line.Line` by periodic quintic splines; `spacing` is met as nearly as fits.

        The curvature comes from the spline itself, so that it belongs exactly to the points.
        """
        flat = np.zeros(line.x.size)
        points = [line.x, line.y, flat if line.z is None else line.z, flat if line.bank is None else line.bank]
        station = np.append(line.station, line.length)
        values = np.column_stack(points)
        spline = make_interp_spline(station, np.vstack((values, values[:1])), k=5, bc_type="periodic")
        speed = spline.derivative(1)
        # Arc length along the spline at dense parameters, then stations uniform in that arc length.
        dense = np.linspace(0.0, line.length, 8 * line.x.size + 1)
        rate = np.hypot(*speed(dense)[:, :2].T)
        arc = np.concatenate(([0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(dense))))
        count = max(round(arc[-1] / spacing), 16)
        step = arc[-1] / count
        at = np.interp(step * np.arange(count), arc, dense)
        x, y, z, bank = spline(at).T
        d1, d2, d3 = (spline.derivative(k)(at) for k in (1, 2, 3))
        norm = np.hypot(d1[:, 0], d1[:, 1])
        cross = d1[:, 0] * d2[:, 1] - d1[:, 1] * d2[:, 0]
        kappa = cross / norm**3
        along = (d1[:, 0] * d2[:, 0] + d1[:, 1] * d2[:, 1]) / norm**2
        kappa_slope = (d1[:, 0] * d3[:, 1] - d1[:, 1] * d3[:, 0]) / norm**4 - 3.0 * kappa * along / norm
        rise = d1[:, 2] / norm
        return cls(
            spacing=step,
            x=x,
            y=y,
            z=z,
            course=np.unwrap(np.arctan2(d1[:, 1], d1[:, 0])),
            kappa=kappa,
            kappa_slope=kappa_slope,
            kappa_v=d2[:, 2] / norm**2 / (1.0 + rise**2) ** 1.5,
            grade=np.arctan(rise),
            bank=bank,
        )

    def shifted(self, offset: np.ndarray, slope: np.ndarray, bend: np.ndarray) -> Road:
        """The path `offset` to the left of the line, repeated as often as the arrays are laps long.

        Parameters
        ----------
        offset, slope, bend : float64 arrays, shape (m,), m a multiple of n or less
            Offset and its first and second derivative by station [m, 1, 1/m].

        Notes
        -----
        With r = r0 + o n, t' = kappa n, n' = -kappa t: r' = A t + B n, A = 1 - kappa o, B = o', and the
        curvature (A (A kappa + B') - B (A' - kappa B)) / (A² + B²)^1.5 (Frenet, plane curves).
        """
        index = np.arange(offset.size) % self.x.size
        k, k_slope = self.kappa[index], self.kappa_slope[index]
        a, b = 1.0 - k * offset, slope
        a_slope = -k_slope * offset - k * slope
        stretch = np.hypot(a, b)
        kappa = (a * (a * k + bend) - b * (a_slope - k * b)) / stretch**3
        # Trapezoid: length of a segment from the stretch at both of its ends.
        ahead = np.append(stretch[1:], stretch[-1] if offset.size % self.x.size else stretch[0])
        ds = 0.5 * (stretch + ahead) * self.spacing
        return Road(ds, kappa, self.kappa_v[index], self.grade[index], self.bank[index])


def wander(
    rng: np.random.Generator, size: int, spacing: float, sd: float, length: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A smooth random offset with its first and second derivative by station, each shape (size,).

    White noise through a Gaussian filter: standard deviation `sd` [m], autocorrelation exp(-d²/(2 length²)).
    """
    total = next_fast_len(size, real=True)
    wave = 2.0 * np.pi * np.fft.rfftfreq(total, spacing)  # [rad/m]
    # The filter's width is length / sqrt(2); it leaves a variance of spacing / (2 width sqrt(pi)).
    width = length / np.sqrt(2.0)
    scale = sd * np.sqrt(2.0 * width * np.sqrt(np.pi) / spacing)
    spectrum = np.fft.rfft(rng.standard_normal(total)) * scale * np.exp(-0.5 * (wave * width) ** 2)
    offset, slope, bend = (np.fft.irfft(spectrum * (1j * wave) ** order, total)[:size] for order in range(3))
    return offset, slope, bend
