"""Fuse position, speed, course, accelerations and yaw rate into one path by repeated linear least squares.

With the unit tangent u and normal n of the last pass, every channel is linear in the path p(t):
u·p' = speed, n_course·p' = 0, u·p'' = a_lon + bias, n·p'' = a_lat + bias, n·p'' + slip v n·p''' = v yaw rate + bias.
Three to five passes settle it (Gauss and Newton). Each pass also learns the noise: the same system is driven with drawn
noise, and a channel's assumed noise is scaled until its true residuals are as large as the drawn ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from simlap.fixnoise import FixNoise
from simlap.robust import deviation
from simlap.sensors import Fixes, Observation
from simlap.smoother import BandedSystem, Rows, Wander
from simlap.splines import KnotGrid, grid_over

KNOT_STEP = 0.1  # [s] a quintic spline on 10 Hz knots carries 4 Hz; results are low-passed to 2 Hz
# Prior of the path: white jerk of a two-sided density. Racing laps show 10 to 50 m²/s⁵, a kart up to 100; the smoother
# is kept above that, so that the low-pass behind it alone sets the bandwidth. Looser still, the path may shake between
# the values of a slow log, faster than they can tell, and each value then says little about its neighbourhood. An
# acceleration may change from one value to the next by the root of density over rate: 4 m/s² at any rate.
JERK_PER_RATE = 16.0  # [m²/s⁴]
LEAST_JERK = 80.0  # [m²/s⁵]
# The receiver's path alone is held against the accelerometers, to read banking from what differs: it must not be drawn
# in at all, and where positions wander 80 m²/s⁵ are too near to their noise.
LOOSE_JERK = 1200.0  # [m²/s⁵]
# While the noise is learnt the prior is nearer to the truth: a looser path would follow the noise and hide it.
LEARNING_JERK = 40.0  # [m²/s⁵]
PASSES = 4
REPLICATES = 8  # drawn errors in the result
LEARNING = 3  # drawn errors in the passes that learn the noise: medians over thousands of residuals need no more
COURSE_SPEED = 3.0  # [m/s] below it a receiver's course is mostly noise
# Slower than this the path tells no direction: it shakes by some 0.1 m/s, six degrees of that.
DIRECTED = 1.0  # [m/s]
LEAST_SPEED = 1e-6  # [m/s] that a velocity is divided by where the car stands
# In one pass the assumed noise of a channel changes by these factors at the most, the intensity of a wander by those:
# residuals of a pass with wrong weights tell the way better than its length.
NOISE_CHANGE, WANDER_CHANGE = (0.25, 4.0), (0.1, 10.0)
LEAST_EXPECTED, LEAST_STEP = 1e-9, 1e-12  # of drawn residuals and steps that are all nought; keeps ratios finite
# Residuals beyond the second figure, in standard deviations, are ignored in the next pass; up to the first they count
# in full.
DOUBT, OUTLIER = 3.0, 6.0

# Noise of inertial channels is compared after averaging over so many 25 Hz values: engine and road shake them at 10 Hz
# and more, which says nothing about their error below 2 Hz.
IN_BAND = 5

# First guesses of the noise, one standard deviation of one observation. Passes 2 to 4 replace them.
FIRST_NOISE = {
    "position": 0.1,
    "speed": 0.1,
    "course": 0.15,
    "a_lon": 0.4,
    "a_lat": 0.5,
    "yaw_rate": 0.5,
    "wheel_speed": 0.1,
}
LEAST_NOISE = {
    "position": 0.003,
    "speed": 0.003,
    "course": 0.005,
    "a_lon": 0.02,
    "a_lat": 0.02,
    "yaw_rate": 0.02,
    "wheel_speed": 0.003,
}

# Wandering errors: variance per second, stationary variance. Position: Gauss-Markov, 0.5 m, 30 s; learnt from the data.
# Inertial: gravity on grade and bank, 0.25 m/s² per root second, up to 1 m/s²; the yaw rate times speed likewise.
POSITION_WANDER = Wander(2.0 * 0.5**2 / 30.0, 1.0)
INERTIAL_WANDER = {
    "a_lon": Wander(0.06, 1.0),
    "a_lat": Wander(0.06, 1.0),
    "yaw_rate": Wander(0.02, 1.0),
    "wheel_speed": Wander(0.01, 0.25),  # slip that its calibration has not caught, 0.5 m/s
}
BIAS_LAG = 2.0  # [s] steps of the fitted bias are compared over this time
POSITION_LAG = 1.0  # [s] the same of the fitted error of the positions, which are told oftener
BIAS_RANGE = (0.005, 0.3)  # [m²/s⁴/s] believed intensities of the inertial wander
WANDER_TIME = 30.0  # [s] correlation time of position errors, as receivers err
WANDER_RANGE = (0.02, 3.0)  # [m] standard deviation of the position's wander that is believed
# What the passes learn is the wander over seconds. A receiver that smooths its positions wanders less within one than
# a random walk of that size, and a car on sharp pedals looks like more of it; the spectrum tells of the band that the
# curvature is read from, to a factor of two (`simlap.fixnoise`). With inertial channels it is they that tell of that
# band, and the wander over seconds is the one that matters.
MOST_OVER_TOLD = 4.0


@dataclass(frozen=True, eq=False)
class Fused:
    """Spline path with its noise, before the common low-pass."""

    grid: KnotGrid
    path: np.ndarray  #: (size, 2) coefficients
    noise_path: np.ndarray  #: (size, 2, k) coefficients of the error replicates
    noise: Mapping[str, float]  #: standard deviation of one observation, per channel
    rms: Mapping[str, float]  #: rms residual per channel, outliers out
    wander: Wander  #: position wander as learnt
    outliers: int  #: position fixes given no weight
    outlier_t: np.ndarray  #: their times [s]


def _wander(intensity: float) -> Wander:
    """Position wander of `WANDER_TIME` with this intensity [m²/s], kept within `WANDER_RANGE`."""
    low, high = (2.0 * sd**2 / WANDER_TIME for sd in WANDER_RANGE)
    inside = min(max(intensity, low), high)
    return Wander(inside, 0.5 * inside * WANDER_TIME)


def _averaged(values: np.ndarray, width: int) -> np.ndarray:
    from scipy.ndimage import uniform_filter1d

    return values if width == 1 else uniform_filter1d(values, width, axis=0)


class PathFusion:
    """One fit: holds the observations and the state between passes."""

    def __init__(
        self,
        fixes: Fixes,
        channels: Mapping[str, Observation],
        told: FixNoise | None,
        start: float,
        stop: float,
        seed: int,
        jerk_density: float | None = None,
    ) -> None:
        self.fixes = fixes
        self.channels = {name: o for name, o in channels.items() if o.t.size > 1}
        rate = max([fixes.rate, *(seen.per_second for seen in self.channels.values())])
        self.jerk_density = jerk_density or min(max(JERK_PER_RATE * rate, LEAST_JERK), LOOSE_JERK)
        self.grid = grid_over(start, stop, KNOT_STEP)
        self.random = np.random.default_rng(seed)
        self.noise = {name: FIRST_NOISE[name] for name in ("position", *self.channels)}
        self.robust: dict[str, np.ndarray] = {}
        self.position_wander = POSITION_WANDER
        self.wanders = dict(INERTIAL_WANDER)
        # Positions alone: their spectrum tells more than their residuals, which the path has already followed.
        self.fixed = told is not None and not self.channels
        inertial = any(name in INERTIAL_WANDER for name in self.channels)
        self.most_intensity = np.inf if told is None or inertial else MOST_OVER_TOLD * told.intensity
        if told is not None:
            self.noise["position"] = max(told.white, LEAST_NOISE["position"])
            self.position_wander = _wander(told.intensity)
        self.centre = np.array([np.mean(fixes.x), np.mean(fixes.y)])
        self._weights: dict[tuple[str, int], np.ndarray] = {}

    # -- geometry of the last pass -------------------------------------------------------------------------------
    def _tangent(self, path: np.ndarray, t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Unit tangent components and speed at times `t`; at a standstill the direction of the last motion is held."""
        knots = self.grid.start + self.grid.step * np.arange(self.grid.intervals + 1)
        velocity = self.grid.evaluate(path, knots, 1)
        speed = np.hypot(velocity[:, 0], velocity[:, 1])
        moving = np.flatnonzero(speed > DIRECTED)
        here = self.grid.evaluate(path, t, 1)
        v = np.hypot(here[:, 0], here[:, 1])
        safe = np.maximum(v, LEAST_SPEED)
        ux, uy = here[:, 0] / safe, here[:, 1] / safe
        slow = v < DIRECTED
        if slow.any() and moving.size:
            index, _ = self.grid.locate(t[slow])
            last = moving[np.clip(np.searchsorted(moving, index, side="right") - 1, 0, moving.size - 1)]
            ux[slow], uy[slow] = velocity[last, 0] / speed[last], velocity[last, 1] / speed[last]
        return ux, uy, v

    def _base(self, name: str, t: np.ndarray, derivative: int) -> np.ndarray:
        """Spline weights (n, 6) at the times of a channel, the same in every pass."""
        key = (name, derivative)
        if key not in self._weights:
            self._weights[key] = self.grid.weights(t, derivative)[1]
        return self._weights[key]

    def _rows(self, path: np.ndarray | None) -> dict[str, tuple[Rows, ...]]:
        """All measurements, linear about the last pass; positions alone in the first."""
        weights = self._base("position", self.fixes.t, 0)
        sure = self.robust.get("position", np.ones(self.fixes.t.size)) / self.noise["position"] ** 2
        rows: dict[str, tuple[Rows, ...]] = {
            "position": (
                Rows(self.fixes.t, weights, None, self.fixes.x - self.centre[0], sure, 0),
                Rows(self.fixes.t, None, weights, self.fixes.y - self.centre[1], sure, 1),
            )
        }
        if path is None:
            return rows
        wander = 2
        for name, seen in self.channels.items():
            ux, uy, v = self._tangent(path, seen.t)
            order = 1 if name in ("speed", "course", "wheel_speed") else 2
            base = self._base(name, seen.t, order)
            sure = self.robust.get(name, np.ones(seen.t.size)) / self.noise[name] ** 2
            value, number = seen.value, None
            if name == "course":
                ux, uy = -np.sin(seen.value), np.cos(seen.value)
                value = np.zeros(seen.t.size)
                sure = sure * (v > COURSE_SPEED)
            elif name in INERTIAL_WANDER:
                number, wander = wander, wander + 1
                if name in ("a_lat", "yaw_rate"):
                    ux, uy = -uy, ux
                if name == "wheel_speed":  # u·p' + slip v u·p'' = wheel speed
                    base = base + (seen.slip * v)[:, None] * self._base(name, seen.t, 2)
                if name == "yaw_rate":
                    # v r = n·p'' + slip v d(n·p'')/dt, and d(n·p'')/dt = n·p''' - course rate · u·p''
                    base = base + (seen.slip * v)[:, None] * self._base(name, seen.t, 3)
                    along = self.grid.evaluate(path, seen.t, 2)
                    along = along[:, 0] * uy - along[:, 1] * ux
                    value = v * value + seen.slip * v * seen.value * along
            rows[name] = (Rows(seen.t, base * ux[:, None], base * uy[:, None], value, sure, number),)
        return rows

    def _system(self, rows: dict[str, tuple[Rows, ...]], jerk_density: float) -> BandedSystem:
        wanders = [self.position_wander, self.position_wander]
        wanders += [self.wanders[name] for name in rows if name in INERTIAL_WANDER]
        system = BandedSystem(self.grid, wanders, jerk_density)
        for group in rows.values():
            for row in group:
                system.add(row)
        return system

    def _drawn(self, rows: dict[str, tuple[Rows, ...]], count: int) -> dict[str, tuple[np.ndarray, ...]]:
        """Noise of every measurement, (n, count): white, plus the wander of its channel."""
        walks: dict[int, np.ndarray] = {}
        out = {}
        for name, group in rows.items():
            drawn = []
            for row in group:
                noise = self.random.normal(0.0, self.noise[name], (row.t.size, count))
                if row.wander is not None:
                    model = self.position_wander if name == "position" else self.wanders[name]
                    if row.wander not in walks:
                        walks[row.wander] = self._walk(model, count)
                    index, u = self.grid.locate(row.t)
                    walk = walks[row.wander]
                    noise += walk[index + 2] * (1.0 - u)[:, None] + walk[index + 3] * u[:, None]
                drawn.append(noise)
            out[name] = tuple(drawn)
        return out

    def _walk(self, model: Wander, count: int) -> np.ndarray:
        """Gauss-Markov sequences on the knots, (size, count)."""
        from scipy.signal import lfilter

        keep = np.exp(-self.grid.step * model.intensity / (2.0 * model.variance))
        steps = self.random.normal(0.0, np.sqrt(model.variance * (1.0 - keep**2)), (self.grid.size, count))
        steps[0] = self.random.normal(0.0, np.sqrt(model.variance), count)
        return lfilter([1.0], [1.0, -keep], steps, axis=0)

    # -- one pass ------------------------------------------------------------------------------------------------
    def _solve(self, path: np.ndarray | None, count: int, jerk_density: float):
        rows = self._rows(path)
        system = self._system(rows, jerk_density)
        drawn = self._drawn(rows, count)
        right = np.zeros((system.size, 1 + count))
        for name, group in rows.items():
            for row, noise in zip(group, drawn[name], strict=True):
                right += system.right_hand_side(row, np.column_stack([row.value, noise]))
        return rows, system, drawn, system.solve(right)

    def _learn(self, rows, system, drawn, solution) -> dict[str, float]:
        """Update noise, robust weights and the position wander; return the rms residuals."""
        rms = {}
        for name, group in rows.items():
            used = group[0].weight > 0.0
            if not used.any():  # the course of a car that never moves tells nothing of its noise
                rms[name] = 0.0
                continue
            residual, simulated = [], []
            for row, noise in zip(group, drawn[name], strict=True):
                fitted = system.simulate(row, solution)
                residual.append(row.value - fitted[:, 0])
                simulated.append(noise - fitted[:, 1:])
            size = np.sqrt(np.mean(np.square(residual), axis=0))  # east and north share one weight
            spread = deviation(np.concatenate([r[used] for r in residual]))
            width = IN_BAND if name in INERTIAL_WANDER else 1
            seen = deviation(np.concatenate([_averaged(r[used], width) for r in residual]))
            expected = deviation(np.concatenate([_averaged(s[used], width) for s in simulated]))
            ratio = np.clip(seen / max(expected, LEAST_EXPECTED), *NOISE_CHANGE)
            if name == "position" and self.fixed:
                ratio = 1.0
            self.noise[name] = max(self.noise[name] * ratio, LEAST_NOISE[name])
            scaled = size / max(spread, LEAST_NOISE[name])
            self.robust[name] = np.clip((OUTLIER - scaled) / (OUTLIER - DOUBT), 0.0, 1.0) ** 2
            fine = used & (scaled < OUTLIER)
            rms[name] = float(np.sqrt(np.mean(size[fine] ** 2))) if fine.any() else 0.0
        if not self.fixed:
            ratio = self._wandered(solution[:, 2:4], POSITION_LAG)
            self.position_wander = _wander(min(self.position_wander.intensity * ratio, self.most_intensity))
        for number, name in enumerate(n for n in rows if n in INERTIAL_WANDER):
            ratio = self._wandered(solution[:, 4 + number : 5 + number], BIAS_LAG)
            intensity = float(np.clip(self.wanders[name].intensity * ratio, *BIAS_RANGE))
            self.wanders[name] = Wander(intensity, self.wanders[name].variance)
        return rms

    def _wandered(self, fitted: np.ndarray, seconds: float) -> float:
        """Variance of a fitted wander's steps over that of the drawn ones, within 0.1 and 10."""
        lag = max(round(seconds / self.grid.step), 1)
        step = fitted[lag:] - fitted[:-lag]
        ratio = np.median(np.abs(step[..., 0])) / max(np.median(np.abs(step[..., 1:])), LEAST_STEP)
        return float(np.clip(ratio**2, *WANDER_CHANGE))

    def run(self, passes: int, last_count: int) -> Fused:
        """All passes."""
        path: np.ndarray | None = None
        for number in range(passes):
            last = number == passes - 1
            learns = not last and (number > 0 or not self.channels)
            count = last_count if last else LEARNING if learns else 0
            rows, system, drawn, solution = self._solve(path, count, self.jerk_density if last else LEARNING_JERK)
            path = solution[:, :2, 0]
            if learns:
                self._learn(rows, system, drawn, solution)
        noise, robust = dict(self.noise), self.robust["position"]
        wander = self.position_wander
        rms = self._learn(rows, system, drawn, solution)
        lost = robust <= 0.0
        return Fused(
            self.grid,
            path + self.centre,
            solution[:, :2, 1:],
            noise,
            rms,
            wander,
            int(lost.sum()),
            self.fixes.t[lost],
        )


def fuse(
    fixes: Fixes,
    channels: Mapping[str, Observation],
    told: FixNoise | None,
    start: float,
    stop: float,
    seed: int = 0,
    passes: int = PASSES,
    replicates: int = REPLICATES,
    jerk_density: float | None = None,
) -> Fused:
    """Fit one path to all observations between `start` and `stop` [s]; `told` is what the fixes' spectrum tells, and
    `jerk_density` [m²/s⁵] how freely the path may move between them, by their rate unless given."""
    inside = {name: seen.within(start, stop) for name, seen in channels.items()}
    return PathFusion(fixes, inside, told, start, stop, seed, jerk_density).run(passes, replicates)
