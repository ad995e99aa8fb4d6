"""The what-if table on a terminal."""

from collections.abc import Sequence

import numpy as np
from rich import box
from rich.table import Table
from rich.text import Text

from simlap.report.plain import clean, corner_label, lap_time, signed
from simlap.report.standing import Caution
from simlap.report.terminal import Prose, console, item
from simlap.sweep import PARAMETERS, Sweep
from simlap.track import Corner


def print_sweep(
    result: Sweep, corners: Sequence[Corner], worth: np.ndarray, source: str, cautions: Sequence[Caution] = ()
) -> None:
    """Print the seconds per per cent, the lap over the factors, and where 1 % of grip counts most."""
    out = console()
    out.print(Text(f"{clean(source)}: what-if on the limit lap of {lap_time(result.base_s)}", style="bold"))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("parameter", no_wrap=True)
    table.add_column("+1 % [s]", justify="right", no_wrap=True)
    if result.interval_s is not None:
        table.add_column("90 % interval", justify="right", no_wrap=True)
    table.add_column("what it scales")
    for k in np.argsort(-np.abs(result.per_percent_s)):
        span = [] if result.interval_s is None else ["{:+.3f} to {:+.3f}".format(*result.interval_s[k])]
        name = result.parameters[k]
        table.add_row(name, f"{result.per_percent_s[k]:+.3f}", *span, PARAMETERS[name])
    out.print(table)
    laps = Table(box=box.SIMPLE_HEAD, pad_edge=False, title="change of the limit lap [s]", title_justify="left")
    laps.add_column("change", justify="right", no_wrap=True)
    for name in result.parameters:
        laps.add_column(name, justify="right", no_wrap=True)
    for factor, times in zip(result.factors, result.lap_time.T, strict=True):
        laps.add_row(f"{(factor - 1.0) * 100.0:+.3g} %", *(signed(time - result.base_s) for time in times))
    out.print(laps)
    if len(corners):
        best = np.argsort(worth)[:3]
        text = ", ".join(f"{corner_label(corners[k].name, 18)} ({worth[k]:+.3f} s)" for k in best)
        out.print(Prose(f"1 % of grip in one corner only counts most in: {text}."))
    for note in result.notes:
        out.print(Prose(note))
    out.print(Prose("Negative is faster. The limit lap is a bound; a driver turns a part of such a gain into time."))
    for caution in cautions:
        out.print(item("!", clean(caution.text)))
