"""Events: the held windows, the same stations on every lap, from which the limits of an envelope are read.

A window of an event is chosen, for each lap, by what the *other* laps did there. So the noise of a lap has no part in
the choice of its window, and the largest of several noisy windows is not taken for a limit. Braking is the exception:
brake points move from lap to lap by more than a window, so each lap's own hardest window of a stretch is taken.
"""

from dataclasses import replace

import numpy as np

from simlap.envelope import combined_use, slowed_by
from simlap.envelope_event_types import CombinedEvents, Events, Guess
from simlap.envelope_pauses import pauses
from simlap.envelope_samples import DRAG, FREE_SLOWING, RoadSamples, Windows, held_windows, runs, split
from simlap.envelope_topspeed import AT_TOP

# Share of the limit above which a station belongs to a corner or a braking zone.
IN_USE = 0.5
# Largest share of the other direction's limit in a window that tells of a pure limit; what is left of it is corrected
# with the exponent of the moment.
OTHER_SHARE = 0.35
# ... but with no smaller one than this: near 1 the correction would feed the limit that the exponent is read from.
LEAST_EXPONENT = 1.4
# Smallest shares of both limits in a window that tells of the exponents.
COMBINED_SHARE = 0.3
# Below this share of what the engine gives there, the drive on a straight is limited by the tyres or the driver.
TRACTION_SHARE = 0.93
# ... when it changes by less than this share within a window.
STEADY = 0.1
# One event at most per so many seconds.
LATERAL_EVERY, BRAKING_EVERY, DRIVE_EVERY, COMBINED_EVERY = 0.6, 1.0, 0.6, 0.6  # [s]
# Largest lateral share at which the engine's pull is read (above it the tyres may be what limits).
DRIVE_LATERAL_SHARE = 0.8
# ... and largest share of the braking limit by which the car may slow within such a window.
DRIVE_BRAKE_SHARE = 0.05
# Without a throttle channel a window of a corner in which this share of the tyres is used tells nothing of the engine:
# the foot may be where the tyres want it. Straight on the lateral share is below the other.
DRIVE_TYRE_SHARE, DRIVE_CORNER_SHARE = 0.92, 0.3
# Stations over which the shares of signal and noise are averaged.
SHRINK_STATIONS = 9
# A throttle this far open is full [0..1].
FULL_THROTTLE = 0.95
# A corner that the car enters with the throttle full for so long has not slowed it: the engine may be all that limits.
FLAT_FOR = 2.0  # [s]
# One this far open and steady tells of the engine beyond the speeds where a full one was seen, by so much.
PART_THROTTLE, APART = 0.6, 2.0  # [0..1], [m/s]
# A pull of more than this share of the curve's is the engine's, however little the throttle is open: a strong car whose
# tyres limit the drive nearly everywhere is at full throttle on one straight only.
PASSED = 1.03
# A lap this much slower or faster at a place than the others tells nothing of the engine at their speed there: the lap
# behind a cool-down lap comes onto the straight at half the speed and pulls twice as hard.
OWN_SPEED = 0.1  # share
# How far the pull follows the pedal near full throttle before looking, give or take: 0 not at all, 1 in proportion.
FOLLOWS = (0.5, 0.25)
# Laps tell of that where their throttle is steady and this far open all along the window: no lift, no gear change.
NEARLY_FULL = 0.9
LEAST_ERROR = 0.01  # [m/s²] of a pull there
# Slowing with closed throttle: c0 + c1 v², engine and air (common practice, no source).
COAST = (0.4, 0.0007)  # [m/s²], [1/m]
# What `DRAG` leaves of the slowing that is no use of the brakes. Taken for such it made the lateral limit 1 to 4 % too
# high on cars with drag.
FREE = (FREE_SLOWING[0] - DRAG[0], FREE_SLOWING[1] - DRAG[1], FREE_SLOWING[2] - DRAG[2])  # [m/s²], [1/m], [s²/m]
# Largest share with which the left-over of a combined state is computed: nearer to 1 it has no digits left.
TOP_SHARE = 0.9


class EventFinder:
    """Finds events on one table of laps for a guess of the limits, in windows of a `share` of the usual length."""

    def __init__(self, samples: RoadSamples, speed_cap: float | None = None, share: float = 1.0) -> None:
        self.samples = samples
        self.speed_cap = speed_cap
        self.windows: Windows = held_windows(samples, share)
        self.step = np.median(samples.duration, axis=0)
        self.above = np.zeros(self.step.shape, dtype=bool)  # windows that passed the engine of a guess so far
        self.speed2 = np.median(samples.speed2, axis=0)
        self.lateral = np.median(samples.lateral, axis=0)
        self.along = np.median(samples.along, axis=0)
        self.force = samples.force
        self.drag = slowed_by(DRAG, self.speed2)
        self.turn = np.sign(self.lateral)
        self.window_speed2 = self.windows.mean(samples.speed2)
        median_lap = np.broadcast_to(self.lateral, samples.lateral.shape)
        self.held_lateral = self.windows.mean(median_lap)
        self.held_along = self.windows.mean(np.broadcast_to(self.along, samples.along.shape))
        self.load = self.windows.mean(samples.lateral**2)
        self.noise_lateral = self.windows.mean(samples.noise_lateral).std(axis=(0, 1))
        self.noise_along = self.windows.mean(samples.noise_along).std(axis=(0, 1))
        self.own_lateral = np.abs(_shrunk(samples.lateral, samples.noise_lateral))
        self.own_along = _shrunk(self.force, samples.noise_along)
        self.flat = self._taken_flat()
        # Windows (m, n) that hold a pause of the drive; None where the throttle tells
        self.paused = self.windows.highest(pauses(samples)) > 0.0 if samples.throttle is None else None

    def _taken_flat(self) -> np.ndarray:
        """Stations (n,) that most laps reach with the throttle full for `FLAT_FOR`."""
        if self.samples.throttle is None:
            return np.zeros(self.step.size, dtype=bool)
        open_for = np.median(self.samples.throttle, axis=0) >= FULL_THROTTLE
        since, out = 0.0, np.zeros(self.step.size, dtype=bool)
        for at in np.tile(np.arange(self.step.size), 2):  # twice round: the lap is closed
            since = since + self.step[at] if open_for[at] else 0.0
            out[at] = since > FLAT_FOR
        return out

    def _side(self, guess: Guess, speed2: np.ndarray) -> np.ndarray:
        return _side_of(guess, speed2, self.turn)

    def shares(self, guess: Guess) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Lateral, braking and drive share of the median lap at each station, (n,); the car's, drag included."""
        z = self.speed2
        return (
            np.abs(self.lateral) / self._side(guess, z),
            np.clip(-self.along / (guess.braking(z) + self.drag), 0.0, None),
            np.clip(self.along / (guess.traction(z) - self.drag), 0.0, None),
        )

    def lateral_events(self, guess: Guess) -> Events:
        """Corners: windows with hardly any braking, beyond `FREE`, or drive."""
        w, s = self.windows, self.samples
        x, _, drive = self.shares(guess)
        slowing = slowed_by(FREE_SLOWING, self.speed2, self.lateral**2)
        free = slowed_by(FREE, s.speed2, self.own_lateral**2)
        brake = np.clip((-self.along - slowing) / guess.braking(self.speed2), 0.0, None)
        steady = w.highest(np.maximum(brake, drive)) < OTHER_SHARE
        allowed = steady & (w.lowest(x) > IN_USE) & (w.lowest(self.turn) == w.highest(self.turn))
        braking = np.clip((-self.own_along - free) / guess.braking(s.speed2), 0.0, TOP_SHARE)
        driving = np.clip(self.own_along / guess.traction(s.speed2), 0.0, TOP_SHARE)
        left = _left_over(braking, max(guess.exponent_braking, LEAST_EXPONENT))
        left = left * _left_over(driving, max(guess.exponent_drive, LEAST_EXPONENT))
        value = np.abs(w.mean(s.lateral / left))
        chosen = self._choose(
            value, value / self._side(guess, self.window_speed2), allowed, LATERAL_EVERY, self.noise_lateral
        )
        return replace(chosen, flat=self.flat[chosen.where].mean(axis=0) > 0.5)

    def braking_events(self, guess: Guess) -> Events:
        """Braking zones: windows with hardly any lateral acceleration; levels are of the car, drag included."""
        w, s = self.windows, self.samples
        x, brake, _ = self.shares(guess)
        allowed = (w.highest(x) < OTHER_SHARE) & (w.lowest(brake) > IN_USE)
        lateral = np.clip(self.own_lateral / self._side(guess, s.speed2), 0.0, TOP_SHARE)
        drag = slowed_by(DRAG, self.window_speed2)
        value = drag - w.mean(self.force / _left_over(lateral, max(guess.exponent_braking, LEAST_EXPONENT)))
        return self._choose(
            value,
            value / (guess.braking(self.window_speed2) + drag),
            allowed,
            BRAKING_EVERY,
            self.noise_along,
            own_place=True,
        )

    def drive_events(self, guess: Guess) -> Events:
        """Stretches under power; at full throttle on most laps where the throttle is logged.

        Beyond the speeds where the throttle is full, windows of a steady one stand in (see `_opened`); below them a
        throttle held part open may be all that the tyres take, and counts where it pulls more than the curve says.
        Without a throttle channel no window counts that holds a pause of the drive, nor one in which the tyres limit.
        """
        w, s = self.windows, self.samples
        x, brake, drive = self.shares(guess)
        allowed = (w.highest(x) < DRIVE_LATERAL_SHARE) & (w.highest(brake) < DRIVE_BRAKE_SHARE)
        if self.speed_cap is not None:  # there it is not the engine that ends the pull
            allowed &= w.highest(np.sqrt(self.speed2)) < AT_TOP * self.speed_cap
        value = w.mean(s.pull)
        part = np.zeros(self.speed2.shape, dtype=bool)
        silent = np.zeros(value.shape, dtype=bool)
        if self.paused is not None:
            silent = self.paused
            allowed &= ~silent.all(axis=0)
            if guess.known:
                used = combined_use(x, drive, guess.exponent_drive)
                allowed &= (w.highest(used) < DRIVE_TYRE_SHARE) | (w.highest(x) < DRIVE_CORNER_SHARE)
        if s.throttle is not None:
            throttle = np.median(s.throttle, axis=0)
            if s.throttle_silent is not None:
                silent = w.highest(s.throttle_silent) > 0.0
            told = allowed & ~silent.all(axis=0)
            full = told & (w.lowest(throttle) >= FULL_THROTTLE)
            steady = (w.lowest(throttle) > PART_THROTTLE) & (w.highest(throttle) - w.lowest(throttle) < STEADY)
            part = told & steady & self._faster_than(full)
            silent &= full | part
            if full.any() or part.any():
                value = np.where(full | part, self._opened(value, s.throttle, full & ~silent, guess), value)
                allowed = full | part | (allowed & self._above_engine(guess, value))
            else:
                allowed = allowed & (w.lowest(drive) > IN_USE)
        metric = value - guess.engine(self.window_speed2)
        chosen = self._choose(value, metric, allowed, DRIVE_EVERY, self.noise_along, shut_in=True)
        rows = np.arange(value.shape[0])[:, None]
        return _others_for(replace(chosen, opened=part[chosen.where].any(axis=0)), silent[rows, chosen.where])

    def _above_engine(self, guess: Guess, pull: np.ndarray) -> np.ndarray:
        """Windows whose `pull` (m, n) was more than the engine gave by this guess or an earlier one, (n,).

        Kept from guess to guess: they raise the curve, and by the raised curve they would be left out again.
        """
        if guess.known:
            curve = guess.engine(np.median(self.window_speed2, axis=0))
            self.above |= (np.median(pull, axis=0) > PASSED * curve) & (curve > 0.0)
        return self.above

    def _faster_than(self, there: np.ndarray) -> np.ndarray:
        """Windows more than `APART` faster than all windows that begin `there` (n,)."""
        v = np.sqrt(np.median(self.window_speed2, axis=0))
        return np.asarray(v > np.max(v[there], initial=0.0) + APART)

    def _opened(self, pull: np.ndarray, throttle: np.ndarray, full: np.ndarray, guess: Guess) -> np.ndarray:
        """Pull (m, n) that a fully opened throttle would have given.

        Some throttles give all there is long before the pedal is down, others give force in proportion to it: which,
        the laps' pulls in the `full` windows (m, n) tell, by how they follow the pedal from lap to lap.
        """
        opening = np.clip(self.windows.mean(throttle), PART_THROTTLE, 1.0)
        missing = (pull + COAST[0] + COAST[1] * self.window_speed2) * (1.0 - opening) / opening
        apart = pull - guess.engine(self.window_speed2) if guess.known else pull
        shown = full.any(axis=0)
        full = full[:, shown]
        apart, less = (_from_median(each[:, shown], full) for each in (apart, missing))
        low, high = (each(throttle)[:, shown] for each in (self.windows.lowest, self.windows.highest))
        steady = full & (low > NEARLY_FULL) & (high - low < STEADY)
        windows = float(np.mean(self.windows.length[shown])) if shown.any() else 1.0  # that share their stations
        error2 = windows * np.mean(apart**2 + LEAST_ERROR**2, where=steady) if steady.any() else 1.0
        precision = np.sum(less**2, where=steady) / error2 + 1.0 / FOLLOWS[1] ** 2
        slope = FOLLOWS[0] / FOLLOWS[1] ** 2 - np.sum(less * apart, where=steady) / error2
        return pull + np.clip(slope / precision, 0.0, 1.0) * missing

    def combined_events(self, guess: Guess, exponents: np.ndarray, *, braking: bool) -> CombinedEvents:
        """Trail braking: windows with a good share of both. Drive out of corners: likewise, and windows with less
        lateral acceleration where the engine had more to give, so that it was the tyres or the driver who limited."""
        w, s = self.windows, self.samples
        x, brake, drive = self.shares(guess)
        other, limit = (brake, guess.braking) if braking else (drive, guess.traction)
        allowed = (w.lowest(x) > COMBINED_SHARE) & (w.lowest(self.turn) == w.highest(self.turn))
        if not braking:
            allowed |= self._at_traction(guess, x, drive)
        allowed &= w.lowest(other) > COMBINED_SHARE
        along = np.clip(-self.force if braking else self.force, 0.0, None)
        use_lat, use_lon = np.abs(s.lateral) / self._side(guess, s.speed2), along / limit(s.speed2)
        exponent = guess.exponent_braking if braking else guess.exponent_drive
        total = w.mean(combined_use(use_lat, use_lon, exponent))
        chosen = self._choose(total, total, allowed, COMBINED_EVERY, self.noise_along, at_least_one=False)
        rows = np.arange(total.shape[0])[:, None]
        at = rows, chosen.where
        lat, lon, weight = (w.inside(values, chosen.where) for values in (use_lat, use_lon, w.weights))
        weight = weight / weight.sum(axis=2, keepdims=True)
        mean_lat, mean_lon = np.sum(lat * weight, axis=2), np.sum(lon * weight, axis=2)
        bend = [
            np.median(np.sum(weight * combined_use(lat, lon, p), axis=2) / combined_use(mean_lat, mean_lon, p), axis=0)
            for p in exponents
        ]
        speed2 = self.window_speed2[at]
        noise_lateral = self.noise_lateral[chosen.where].mean(axis=0)
        noise_along = self.noise_along[chosen.where].mean(axis=0)
        shares = noise_lateral / _side_of(guess, speed2, chosen.turn), noise_along / limit(speed2)
        return CombinedEvents(
            lateral=w.mean(np.abs(s.lateral))[at],
            along=w.mean(along)[at],
            use=total[at],
            speed2=speed2,
            noise_lateral=noise_lateral,
            noise_along=noise_along,
            noise_use=np.median(_error_of_use((mean_lat, mean_lon), shares, exponent), axis=0),
            bend=np.array(bend).reshape(len(exponents), chosen.count),
            where=chosen.where,
            turn=chosen.turn,
        )

    def _at_traction(self, guess: Guess, x: np.ndarray, drive: np.ndarray) -> np.ndarray:
        """Windows with little lateral acceleration and a steady drive below the engine's: tyres or driver hold it.

        Where the drive is not steady a gear is changed or the throttle moved.
        """
        w, s = self.windows, self.samples
        engine = guess.engine(np.median(self.window_speed2, axis=0))
        spare = np.median(w.mean(s.pull), axis=0) < TRACTION_SHARE * engine
        steady = w.highest(self.along) - w.lowest(self.along) < STEADY * np.abs(np.median(self.held_along, axis=0))
        held = (w.highest(x) < OTHER_SHARE) & (w.lowest(drive) > IN_USE) & spare & steady
        return held if s.throttle is None else held & (w.lowest(np.median(s.throttle, axis=0)) < FULL_THROTTLE)

    def _choose(
        self,
        value: np.ndarray,
        metric: np.ndarray,
        allowed: np.ndarray,
        every: float,
        noise: np.ndarray,
        *,
        at_least_one: bool = True,
        own_place: bool = False,
        shut_in: bool = False,
    ) -> Events:
        """One window per stretch of `every` seconds; for each lap the one where the other laps' metric is highest, or
        its own where `own_place` is true.

        A window begins in the stretch and may end in the next. Were it shut in, the first ones of a braking zone would
        all hold the moment in which the brakes come on, and the top of a short corner would be cut in two. `shut_in`
        serves where all windows of a straight tell the same: the highest of many is a ripple of the motion. Where
        nothing is allowed and one is asked for, the best window of the lap stands in.
        """
        starts, stretches = [], []
        for number, stretch in enumerate(runs(allowed)):
            for piece in split(stretch, self.step, every):
                last = max(1, piece.size - int(self.windows.length[piece[-1]]) + 1)
                starts.append(piece[:last] if shut_in else piece)
                stretches.append(number)
        if not starts and at_least_one:
            starts.append(np.array([int(np.argmax(np.median(metric, axis=0)))]))
            stretches.append(0)
        laps = value.shape[0]
        where = np.empty((laps, len(starts)), dtype=int)
        for j, piece in enumerate(starts):
            part = metric[:, piece]
            where[:, j] = piece[np.argmax(part if own_place else part.sum(axis=0) - part, axis=1)]
        rows = np.arange(laps)[:, None]
        return Events(
            value=value[rows, where],
            speed2=self.window_speed2[rows, where],
            noise=noise[where].mean(axis=0),
            where=where,
            turn=np.array([self.turn[piece[0]] for piece in starts]),
            load=self.load[rows, where],
            stretch=np.array(stretches, dtype=int),
            opened=np.zeros(len(starts), dtype=bool),
        )


def _side_of(guess: Guess, speed2: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Lateral limit of the side that is turned to. [m/s²]"""
    return np.where(turn >= 0, guess.lateral[0](speed2), guess.lateral[1](speed2))


def _error_of_use(
    means: tuple[np.ndarray, np.ndarray], noise: tuple[np.ndarray, np.ndarray], exponent: float
) -> np.ndarray:
    """Standard deviation of the combined use of two shares (m, J), from those of each: by the use's slopes."""
    used = np.maximum(combined_use(*means, exponent), 1e-9)
    lateral, along = ((mean / used) ** (exponent - 1.0) * each for mean, each in zip(means, noise, strict=True))
    return np.hypot(lateral, along)


def _from_median(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Values (m, n) less the median of those `known` at each station; each has one at least."""
    return np.asarray(values - np.nanmedian(np.where(known, values, np.nan), axis=0))


def _others_for(found: Events, silent: np.ndarray) -> Events:
    """The events, the others' median in the place of laps that tell nothing: `silent` ones (m, J), where not all are,
    and those that drove there at quite another speed."""
    silent = silent & ~silent.all(axis=0)
    v = np.where(silent, np.nan, np.sqrt(found.speed2))
    usual = np.nanquantile(v, 0.5, axis=0, method="higher")  # of a lap that was driven, never between two kinds of lap
    other = silent | (np.abs(v - usual) > OWN_SPEED * usual)

    def without(values: np.ndarray) -> np.ndarray:
        return np.where(other, np.nanmedian(np.where(other, np.nan, values), axis=0), values)

    return replace(found, value=without(found.value), speed2=without(found.speed2)) if other.any() else found


def _left_over(share: np.ndarray, exponent: float) -> np.ndarray:
    return (1.0 - share**exponent) ** (1.0 / exponent)


def _shrunk(values: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Each lap's own values, drawn towards the median lap by the share of noise in their scatter (m, n).

    The best linear estimate of the true value: the scatter between laps holds noise of known variance; the rest is the
    driver's.
    """
    middle = np.median(values, axis=0)
    apart = values - middle
    laps = values.shape[0]
    scatter = _smooth(np.sum(apart**2, axis=0) / max(laps - 1, 1))
    share = np.clip(1.0 - _smooth(np.mean(noise**2, axis=(0, 1))) / np.maximum(scatter, 1e-12), 0.0, 1.0)
    return middle + share * apart


def _smooth(row: np.ndarray) -> np.ndarray:
    half = min(SHRINK_STATIONS, row.size) // 2
    wrapped = np.concatenate([row[row.size - half :], row, row[:half]])
    return np.convolve(wrapped, np.full(2 * half + 1, 1.0 / (2 * half + 1)), mode="valid")
