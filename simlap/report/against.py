"""A lap against another lap, on a terminal."""

from rich import box
from rich.table import Table
from rich.text import Text

from simlap.against import Against
from simlap.phases import PHASES
from simlap.report.plain import clean, corner_label, lap_time, seconds
from simlap.report.terminal import NARROWEST, PLAIN_WIDTH, Prose, console, item


def print_against(result: Against) -> None:
    """Print where the subject loses to the reference, by cause, in track order."""
    out = console(NARROWEST)
    ledger = result.ledger
    out.print(
        Prose(
            f"\n{clean(result.subject)} {lap_time(ledger.driven_s)} against {clean(result.reference)} "
            f"{lap_time(ledger.reference_s)}",
            style="bold",
        )
    )
    if result.remark:
        out.print(item("!", clean(result.remark)))
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, padding=(0, 1, 0, 0))
    table.add_column("corner", no_wrap=True)
    for head in ("lost\nhere", "caused\nhere", "braking", "middle", "exit", "worth"):
        table.add_column(head, justify="right", no_wrap=True)
    for index, name in enumerate(result.corners):
        own = slice(PHASES * index, PHASES * (index + 1))
        table.add_row(
            Text(corner_label(name, 20 if out.width >= PLAIN_WIDTH else 10)),
            seconds(float(ledger.lost[own].sum())),
            seconds(float(ledger.caused[own].sum())),
            *(seconds(float(value)) for value in ledger.caused[own]),
            seconds(float(ledger.corner_gain[index])),
        )
    out.print(table)
    out.print(
        Prose(
            "seconds, positive is lost to the other lap; braking, middle (mid-corner) and exit split what was caused "
            "here; worth: what doing this corner alone as the other lap does would bring",
        )
    )
