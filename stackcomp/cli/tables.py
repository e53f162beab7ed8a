"""Rows in columns, as wide as the terminal."""

from __future__ import annotations

from stackcomp.cli.endings import say, visible

__all__ = ["table"]


def table(rows: list[tuple[str, ...]], indent: int = 0) -> None:
    """Print rows in columns; the first column is never broken."""
    from rich.console import Console
    from rich.padding import Padding
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=None, show_header=False, padding=(0, 2, 0, 0), pad_edge=False)
    for k in range(len(rows[0])):
        drawn.add_column(style="bold" if k == 0 else None, no_wrap=k == 0)
    for row in rows:
        drawn.add_row(*(Text(visible(cell)) for cell in row))
    console = Console(highlight=False, markup=False, emoji=False)
    if console.is_terminal:
        console.print(Padding(drawn, (0, 0, 0, indent)))
        return
    # Files and pipes need no spaces that fill the lines of a terminal.
    with console.capture() as captured:
        console.print(Padding(drawn, (0, 0, 0, indent)))
    say("\n".join(line.rstrip() for line in captured.get().splitlines()))
