"""The terminal: one way to print, one bar of progress.

Whatever is printed goes through `hw_replay.text.shown`: names of files and recordings, marks and settings are
text from outside, and a terminal obeys some of the characters in it.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager

from rich.console import Console, ConsoleOptions, RenderableType
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.segment import Segment
from rich.text import Text

from hw_replay.text import shown
from vario.app.clock import clock

CAUTION = (
    "Not certified and not a primary instrument. Look out; the flight manual and local rules come first."
)

REDRAW_EVERY_S = 5.0
"""Flight seconds between updates of the bar; more often would only cost time."""

LOG_WIDTH = 160
"""Characters in a line where nobody can say how wide it is: in a file, a pipe, the log of a CI run."""


class _Terminal(Console):
    """A console whose texts go through `shown`; its own commands to the terminal, such as colours, do not."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """As of the library."""
        for segment in super().render(renderable, options):
            if segment.control or segment.text.isprintable():
                yield segment
            else:
                yield Segment(shown(segment.text), segment.style)


class ShownLog(logging.Formatter):
    """Lines of the log, which hold names and marks too."""

    def format(self, record: logging.LogRecord) -> str:
        """As of the library."""
        return shown(super().format(record))


def terminal(*, stderr: bool = False) -> Console:
    """Prints what it is given, letter by letter: names of files, flights and sections hold brackets."""
    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() else LOG_WIDTH
    return _Terminal(stderr=stderr, width=width, highlight=False, markup=False, emoji=False)


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
