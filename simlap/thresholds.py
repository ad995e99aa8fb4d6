"""Thresholds of the driving findings: one table, each value named, with unit and effect.

None of the values is measured or published: they are common practice, no source. A TOML file can override them.
"""

import os
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from simlap.errors import OptionError

REASON = "common practice, no source"


@dataclass(frozen=True)
class Threshold:
    """A number that decides whether a finding is raised."""

    value: float
    unit: str
    effect: str  #: what a larger value does
    low: float  #: smallest value that makes sense
    high: float  #: largest value that makes sense
    reason: str = REASON


def _share(value: float, effect: str) -> Threshold:
    return Threshold(value, "1", effect, 0.0, 1.0)


def _seconds(value: float, effect: str) -> Threshold:
    return Threshold(value, "s", effect, 0.0, 10.0)


def _metres(value: float, effect: str) -> Threshold:
    return Threshold(value, "m", effect, 0.0, 200.0)


def _rate(value: float, effect: str) -> Threshold:
    return Threshold(value, "m/s²", effect, 0.0, 50.0)


#: Every threshold by name; the name ends in its unit, or in ``_share`` for a ratio.
TABLE: Mapping[str, Threshold] = MappingProxyType(
    {
        # how often
        "occurs_share": _share(0.4, "fewer findings: a habit must show on more of the counted laps (never below 2)"),
        "occasional_s": _seconds(0.1, "fewer findings on fewer laps than that: how much slower these laps are there"),
        "recorded_share": _share(0.9, "fewer laps judged: more of a corner's rows must hold the channel"),
        # pedals
        "brake_on_bar": Threshold(3.0, "bar", "brake counts as touched later, as left earlier", 0.1, 50.0),
        "brake_on_share": _share(0.05, "the same, for a pedal channel from 0 to 1"),
        "brake_on_ms2": _rate(3.5, "the same, where the deceleration stands in for a brake channel"),
        "throttle_full_share": _share(0.93, "full throttle is reached later; of the driver's own widest opening"),
        "throttle_closed_share": _share(0.06, "throttle counts as closed sooner"),
        "throttle_opens_share": _share(0.5, "log judged less often: the throttle must once open this far"),
        # what the limit profile does
        "limit_brakes_ms2": _rate(1.0, "the limit profile's brake point moves later, its release earlier"),
        "limit_slows_ms": Threshold(3.0, "m/s", "fewer corners count as braked for", 0.5, 30.0),
        "grip_unused_share": _share(0.92, "more findings: grip counts as unused up to this share of the envelope"),
        "turning_ms2": _rate(2.5, "the car counts as turning for a shorter time"),
        # braking
        "peak_low_share": _share(0.9, "more zones have a low peak: peak against the line through the other zones"),
        "peak_zones": Threshold(4.0, "1", "needs more braking zones before the line is drawn", 4.0, 30.0),
        "peak_slows_ms": Threshold(8.0, "m/s", "only larger slowings are put on the line", 1.0, 50.0),
        "peak_late_share": _share(0.5, "fewer late peaks: share of the braking time before the peak is reached"),
        "peak_reached_share": _share(0.9, "peak counts as reached later; of the peak itself"),
        "peak_brake_s": _seconds(1.0, "only longer brakings are looked at for a late peak"),
        "eased_share": _share(0.65, "more findings: pressure falls below this share of the peak so far"),
        "reapplied_share": _share(0.2, "fewer findings: pressure rises again by this share of the peak"),
        "shift_near_s": _seconds(0.35, "more easings count as falling together with a down-shift"),
        "blip_share": _share(0.12, "fewer down-shifts seen, where engine speed stands in for the gear"),
        "long_time_share": Threshold(1.35, "1", "fewer long brakings: driven against the limit's time", 1.0, 5.0),
        "light_share": _share(0.75, "more light brakings: mean deceleration driven against the limit's"),
        "long_zone_s": _seconds(5.0, "fewer zones count as long, where light braking is left alone"),
        "tapers_share": _share(0.6, "more zones count as braked into the turn; limit's mean against its peak"),
        "downhill_share": _share(0.04, "fewer zones count as downhill, where light braking is left alone; grade"),
        "early_brake_s": _seconds(0.3, "fewer early brakings: before the limit's braking needs it at that speed"),
        "firm_share": _share(0.9, "more early brakings count as light: hardest slowing, driven against the limit's"),
        "early_lift_s": _seconds(0.5, "fewer early lifts: before the speed of that moment needs the brake"),
        "roll_s": _seconds(0.45, "fewer cars rolling before the brake, without throttle channel: time without drive"),
        "lift_gap_s": _seconds(0.35, "fewer early lifts: between the lift and the driver's own brake"),
        "held_m": _metres(10.0, "fewer brakes held on: beyond the limit's release"),
        "spread_m": _metres(15.0, "fewer spread brake points: from the 10 % to the 90 % quantile of the laps"),
        "spread_laps": Threshold(4.0, "1", "needs more laps before a spread is told", 3.0, 50.0),
        # both pedals
        "both_throttle_share": _share(0.5, "fewer findings: the throttle must be open this far while the brake is on"),
        "both_s": _seconds(1.0, "fewer findings: how long both pedals must be held at a stretch"),
        # mid-corner
        "coast_s": _seconds(0.5, "fewer coastings: longest time with neither pedal"),
        "coast_slower_ms": Threshold(0.5, "m/s", "fewer coastings: speed given up with neither pedal", 0.0, 20.0),
        "part_throttle_share": _share(0.85, "more part throttle: opening below this share"),
        "part_throttle_s": _seconds(0.4, "fewer part throttles held before a lift"),
        "slow_share": _share(0.02, "fewer slow corners: minimum speed below the limit's, of the limit's"),
        "fast_entry_share": _share(0.015, "fewer fast entries: speed above the limit's at the end of braking"),
        "slow_exit_share": _share(0.02, "fewer slow exits: speed below the limit's where its drive begins"),
        "flat_lift_s": _seconds(0.25, "fewer lifts where the limit stays on the throttle"),
        "weak_flat_s": _seconds(
            0.65, "the same without throttle channel: time of weak drive, longer than of a gear change"
        ),
        "flat_slower_ms": Threshold(0.5, "m/s", "fewer of the same: speed given up", 0.0, 20.0),
        "before_apex_s": _seconds(0.2, "fewer early full throttles: time at full throttle before the apex"),
        # exit
        "part_open_share": _share(0.4, "fewer part throttles on the way out: only wider openings"),
        "part_out_s": _seconds(1.0, "fewer part throttles on the way out"),
        "late_throttle_s": _seconds(
            0.5, "fewer late throttles: from half or all of the limit's drive to half or all of the opening"
        ),
        "weak_drive_share": _share(
            0.85, "more weak drive, without throttle channel or at full throttle: less than this in use"
        ),
        "weak_drive_s": _seconds(0.7, "fewer of the same on the way out: time of weak drive"),
        "reopened_share": _share(0.4, "fewer double openings: opening given up and taken again"),
        "way_out_s": _seconds(3.0, "more double openings: how long the straight behind the turn counts as its way out"),
        "limit_eases_ms2": _rate(0.5, "more double openings, where the limit profile slows as well"),
        "shift_cut_s": _seconds(0.35, "longer closings count as a gear change and are left alone"),
        # traffic
        "traffic_lost_s": _seconds(0.3, "fewer laps are taken as held up: zone time beyond the median lap's"),
        "traffic_speed_share": _share(0.1, "the same: speed below the median lap's on the straight"),
        "traffic_laps": Threshold(3.0, "1", "needs more laps before one is taken as held up", 3.0, 50.0),
        # single losses
        "single_lost_s": _seconds(0.5, "fewer single losses named: zone time beyond the median lap's"),
        "single_spreads": Threshold(5.0, "1", "the same: against the laps' own spread in that zone", 1.0, 50.0),
        "single_laps": Threshold(4.0, "1", "needs more laps before one is told from the others", 3.0, 50.0),
        # advice
        "exit_slower_share": _share(0.025, "fewer unexplained exits: speed below the limit's on the way out"),
        "braking_longer_share": _share(0.06, "fewer unexplained brakings: time beyond the limit's"),
        "advice_metres": _metres(10.0, "larger steps: most by which a brake point is moved at once"),
        "advice_bar": Threshold(10.0, "bar", "larger steps: most by which a brake peak is raised at once", 1.0, 60.0),
        "worth_s": _seconds(0.05, "fewer priorities: least gain that is worth a driver's attention"),
    }
)


@dataclass(frozen=True)
class Thresholds:
    """Values in force; ``thresholds["coast_s"]``."""

    values: Mapping[str, float]

    def __getitem__(self, name: str) -> float:
        return self.values[name]


def default_thresholds() -> Thresholds:
    """The table as it stands."""
    return Thresholds(MappingProxyType({name: entry.value for name, entry in TABLE.items()}))


def changed_thresholds(thresholds: Thresholds | None) -> dict[str, float] | None:
    """Those of the values that differ from the table's; None where all are the table's."""
    if thresholds is None:
        return None
    return {name: value for name, value in thresholds.values.items() if value != TABLE[name].value} or None


def thresholds_of(options: Mapping[str, Any]) -> Thresholds:
    """The values that an analysis was asked to use, from the options that it holds; the table where it holds none."""
    usual = default_thresholds().values
    return Thresholds(MappingProxyType({**usual, **(options.get("thresholds") or {})}))


def read_thresholds(path: str | os.PathLike[str]) -> Thresholds:
    """The table with the values of a TOML file in their place: ``coast_s = 0.7``, one a line.

    Raises
    ------
    OptionError
        When the file cannot be read, is not TOML, names an unknown threshold, or holds a value out of range.
    """
    source = Path(path)
    try:
        data = tomllib.loads(source.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        raise OptionError(f"{source}: cannot be read ({reason}). Give a TOML file of thresholds.") from error
    except tomllib.TOMLDecodeError as error:
        raise OptionError(f"{source}: not a TOML file ({error}). Write one 'name = number' a line.") from error
    values = dict(default_thresholds().values)
    for name, value in data.items():
        if name not in TABLE:
            raise OptionError(f"{source}, {name!r}: no such threshold. Known: {', '.join(TABLE)}.")
        values[name] = _checked(source, name, value)
    return Thresholds(MappingProxyType(values))


def _checked(source: Path, name: str, value: object) -> float:
    """`value` as a number within the range of the threshold."""
    entry = TABLE[name]
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not entry.low <= value <= entry.high:  # type: ignore[operator]
        raise OptionError(
            f"{source}, {name!r}: {value!r} must be a number from {entry.low:g} to {entry.high:g} "
            f"(unit {entry.unit}; now {entry.value:g})."
        )
    return float(value)  # type: ignore[arg-type]
