"""Laps of several sessions in one table."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from simlap.errors import NotEnoughData
from simlap.laptable import LapTable


def merge_tables(tables: Sequence[LapTable]) -> LapTable:
    """Laps of several tables on the same stations, one below the other; laps are numbered through.

    Raises
    ------
    NotEnoughData
        When the tables do not share their stations.
    """
    first = tables[0]
    if len(tables) == 1:
        return first
    for table in tables[1:]:
        if not table.shares_stations(first):
            raise NotEnoughData("The sessions do not lie on the same circuit: give one track file for all of them.")
    replicates = min(table.noise_a_lon.shape[0] for table in tables)

    def rows(name: str) -> np.ndarray:
        return np.concatenate([np.asarray(getattr(table, name)) for table in tables], axis=0)

    def noise(name: str) -> np.ndarray:
        return np.concatenate([np.asarray(getattr(table, name))[:replicates] for table in tables], axis=1)

    shared = set.intersection(*(set(table.channels) for table in tables))
    joined: dict[str, Any] = {"bandwidth_hz": min(table.bandwidth_hz for table in tables)}
    joined |= {name: rows(name) for name in ("counted", "session_start", "t", "v", "a_lon", "a_lat", "kappa", "ds")}
    joined |= {name: rows(name) for name in ("offset", "x", "y")}
    joined |= {name: noise(name) for name in ("noise_a_lon", "noise_a_lat")}
    for name in ("across", "along"):
        felt = [getattr(table, name) for table in tables]
        if any(values is not None for values in felt):
            joined[name] = np.concatenate(
                [np.full(t.v.shape, np.nan) if one is None else one for t, one in zip(tables, felt, strict=True)]
            )
    channels = {name: np.concatenate([table.channels[name] for table in tables], axis=0) for name in shared}
    return replace(first, numbers=np.arange(1, joined["t"].shape[0] + 1), channels=channels, **joined)
