"""The terminal that results are printed on."""

import os
import sys
from typing import Any, TextIO

from rich.console import Console, JustifyMethod, OverflowMethod
from rich.containers import Lines
from rich.table import Table
from rich.text import Text

from simlap.report.plain import units_held, units_let_go

# Tables are laid out for the classic terminal; a wider one is used, a pipe gets this width and no colour.
PLAIN_WIDTH = 80  # columns
WIDEST = 110  # columns: longer lines are hard to read
NARROWEST = 60  # columns: what has a narrow form keeps to a terminal as small as this


class Bare:
    """A pipe or file that gets each line without the blanks that fill it up to the width."""

    def __init__(self, file: TextIO) -> None:
        self._file = file

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def write(self, text: str) -> int:
        """Write whole lines, as rich hands them over."""
        return self._file.write("\n".join(line.rstrip(" ") for line in text.split("\n")))


def console(least: int = PLAIN_WIDTH) -> Console:
    """A console on stdout: colour only for a person's terminal, and never where NO_COLOR is set (no-color.org).

    `least`: columns that what is printed cannot do without.
    """
    person = sys.stdout.isatty()
    width = PLAIN_WIDTH
    if person:
        columns = os.get_terminal_size(sys.stdout.fileno()).columns or PLAIN_WIDTH  # 0: the terminal does not know
        width = min(WIDEST, max(least, columns))
    file: Any = sys.stdout if person else Bare(sys.stdout)
    return Console(file=file, width=width, highlight=False, markup=False, no_color=None if person else True)


class Prose(Text):
    """Text whose lines break between words, but not between a number and its unit."""

    def wrap(
        self,
        console: Console,
        width: int,
        *,
        justify: JustifyMethod | None = None,
        overflow: OverflowMethod | None = None,
        tab_size: int = 8,
        no_wrap: bool | None = None,
    ) -> Lines:
        """The lines of `width` columns, as `Text.wrap` breaks them."""
        held = self.copy()
        held.plain = units_held(held.plain)
        lines = held.wrap(console, width, justify=justify, overflow=overflow, tab_size=tab_size, no_wrap=no_wrap)
        for line in lines:
            line.plain = units_let_go(line.plain)
        return lines


def item(bullet: str, words: str) -> Table:
    """A paragraph with a bullet before it, its later lines indented as the first."""
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(width=2, no_wrap=True)
    grid.add_column(ratio=1)
    grid.add_row(bullet, Prose(words))
    return grid
