"""From a driver's skill to what they do at each point of each lap, and what each phase of it costs."""

from collections.abc import Collection, Sequence

import numpy as np

from simlap.synthetic_drive import Car, Inputs, closed_run
from simlap.synthetic_driver import CornerSkill, Driver, TrueZone, span
from simlap.synthetic_kernels import ENGINE_TOP, HOLD
from simlap.synthetic_road import FINE_SPACING, Road

# Columns of a lap's usage table, shape (zones, 5), and what they are without a deficit.
BRAKING, COAST, MID, EXIT, DELAY = range(5)
PERFECT = np.array([1.0, 0.0, 1.0, 1.0, 0.0])
COLUMNS = {"braking": (BRAKING, COAST), "mid_corner": (MID,), "exit": (EXIT, DELAY)}

Key = tuple[str, str]  #: corner name, phase
Ledger = dict[Key, float]


def usage_tables(zones: Sequence[TrueZone], driver: Driver, rng: np.random.Generator, laps: int) -> np.ndarray:
    """Usage of each flying lap, shape (laps, zones, 5): skill times the lap's random share."""
    count = len(zones)
    share = driver.draw(rng, laps, count)
    earlier = np.abs(rng.standard_normal((laps, count))) * driver.onset_spread_m
    table = np.empty((laps, count, 5))
    for lap in range(laps):
        for k, zone in enumerate(zones):
            table[lap, k] = as_row(driver.skill_in(zone.name, lap))
    table[..., BRAKING] *= share[..., 0]
    table[..., MID] *= np.sqrt(share[..., 1])  # the share is one of acceleration, v² kappa
    table[..., EXIT] *= share[..., 2]
    table[..., COAST] += earlier
    return table


def as_row(skill: CornerSkill) -> tuple[float, float, float, float, float]:
    """A skill as a row of a usage table."""
    return skill.braking, skill.coast_m, skill.mid, skill.exit, skill.exit_delay_m


def worst_of(row: np.ndarray, skill: CornerSkill) -> np.ndarray:
    """The larger deficit of two, column by column."""
    other = np.array(as_row(skill))
    return np.where(PERFECT == 1.0, np.minimum(row, other), np.maximum(row, other))


def inputs_of(
    zones: Sequence[TrueZone],
    tables: np.ndarray,
    driver: Driver,
    n: int,
    spacing: float = FINE_SPACING,
    at_once: Collection[Key] = (),
) -> Inputs:
    """Inputs at each point of the laps whose usage `tables` (laps, zones, 5) hold, on `n` points each.

    In the phases `at_once` pedals and gears change in no time.
    """
    laps = len(tables)
    shares = {name: np.ones((laps, n)) for name in ("braking", "mid_corner", "exit")}
    foot = np.zeros((laps, n), dtype=np.int64)
    quick = np.zeros(n, dtype=bool)
    onset = np.zeros(n, dtype=bool)
    lifts = []
    for k, zone in enumerate(zones):
        for phase in zone.phases:
            where = span(*zone.bounds(phase), n)
            column = COLUMNS[phase][0]
            shares[phase][:, where] = tables[:, k, column, None]
            if (zone.name, phase) in at_once:
                quick[where] = True
        if "braking" in zone.phases:
            onset[span(*zone.bounds("braking"), n)] = True
            width = (zone.braking_stop - zone.start) % n
            lifts += [
                (lap * n + zone.start, lap * n + zone.start + width, float(tables[lap, k, COAST]))
                for lap in range(laps)
            ]
        if "exit" in zone.phases:
            room = span(*zone.bounds("exit"), n)
            for lap in range(laps):
                foot[lap, room[: round(tables[lap, k, DELAY] / spacing)]] = HOLD

    def times(seconds: float, where: np.ndarray) -> np.ndarray:
        return np.tile(np.where(where & ~quick, seconds, 0.0), laps)

    everywhere = np.ones(n, dtype=bool)

    return Inputs(
        brake_share=shares["braking"].ravel(),
        mid_share=shares["mid_corner"].ravel(),
        drive_share=shares["exit"].ravel(),
        foot=foot.ravel(),
        cap=np.full(laps * n, ENGINE_TOP),
        build_s=times(driver.build_s, onset),
        release_s=times(driver.release_s, everywhere),
        pickup_s=times(driver.pickup_s, everywhere),
        shift_s=times(driver.shift_s, everywhere),
        lifts=tuple(lifts),
    )


def ledgers(
    road: Road, car: Car, grip: np.ndarray, zones: Sequence[TrueZone], typical: np.ndarray, driver: Driver
) -> tuple[Ledger, Ledger, Ledger, Ledger, dict[str, float]]:
    """Injected losses per corner and phase [s]: caused and gain alone of the deficits, then with transients, and the
    gain of each corner as a whole with them.

    Counterfactuals on one closed road: `caused` frees the phases one after the other in track order from the
    start line, `gain alone` frees one phase of the lap as driven. All phases of a corner freed at once gain less than
    each alone added up: a car that leaves the corner faster gains less from pulling harder.
    """
    n = road.ds.size
    keys = [(k, phase) for k, zone in enumerate(zones) for phase in zone.phases]
    keys.sort(key=lambda key: zones[key[0]].bounds(key[1])[0])

    def lap(free: Collection[tuple[int, str]], transients: bool) -> float:
        table = np.array(typical)
        for k, phase in free:
            columns = list(COLUMNS[phase])
            table[k, columns] = PERFECT[columns]
        at_once = {(zones[k].name, phase) for k, phase in free} if transients else ()
        inputs = inputs_of(zones, table[None], driver, n, at_once=at_once)
        return closed_run(road, car, grip, inputs)[1]

    everything = lap((), False)
    out: list[Ledger] = []
    for transients in (False, True):
        caused: Ledger = {}
        alone: Ledger = {}
        before = everything
        for i, (k, phase) in enumerate(keys):
            after = lap(keys[: i + 1], transients)
            caused[zones[k].name, phase] = before - after
            alone[zones[k].name, phase] = everything - (lap([(k, phase)], transients) if i else after)
            before = after
        out += [caused, alone]
    whole = {zone.name: everything - lap([(k, phase) for phase in zone.phases], True) for k, zone in enumerate(zones)}
    return out[0], out[1], out[2], out[3], whole
