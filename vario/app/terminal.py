"""The terminal: one way to print, one bar of progress."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.text import Text

from vario.app.clock import clock

CAUTION = (
    "Not certified and not a primary instrument. Look out; the flight manual and local rules come first."
)

REDRAW_EVERY_S = 5.0
"""Flight seconds between updates of the bar; more often would only cost time."""

LOG_WIDTH = 160
"""Characters in a line where nobody can say how wide it is: in a file, a pipe, the log of a CI run."""


def terminal(*, stderr: bool = False) -> Console:
    """Prints what it is given, letter by letter: names of files, flights and sections hold brackets."""
    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() else LOG_WIDTH
    return Console(stderr=stderr, width=width, highlight=False, markup=False, emoji=False)


def labelled(label: str, text: str) -> Text:
    """A line with its first word in bold: "note: …"."""
    return Text.assemble((f"{label}:", "bold"), f" {text}")


@contextmanager
def progress_bar(duration_s: float | None, what: str = "replaying") -> Iterator[Callable[[float], None]]:
    """A bar on stderr while a flight is run through, where stderr is a terminal.

    Args:
        duration_s: length of the flight; None: not known.
        what: is being done.

    Yields:
        A function to call with the flight's time, s, as it goes on; the first call is the beginning.
    """
    console = terminal(stderr=True)
    columns = (
        TextColumn(what),
        BarColumn(),
        TextColumn("{task.fields[reached]}"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task(what, total=duration_s, reached="")
        start_s: float | None = None
        shown_s = 0.0

        def advance(t_s: float) -> None:
            nonlocal start_s, shown_s
            if start_s is None:
                start_s = shown_s = t_s
            if t_s - shown_s >= REDRAW_EVERY_S:
                shown_s = t_s
                progress.update(task, completed=t_s - start_s, reached=clock(t_s - start_s))

        yield advance
