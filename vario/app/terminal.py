"""The terminal: printing and progress bar.

All printed text passes through `hw_replay.text.shown`. Names of files and recordings, marks and settings
come from outside, and a terminal executes some control characters.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager

from rich.console import Console, ConsoleOptions, RenderableType
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.segment import Segment
from rich.text import Text

from hw_replay.text import shown
from vario.app.outputs.flight_time import clock

REDRAW_EVERY_S = 5.0
"""Flight time in seconds between updates of the bar. More updates would only cost time."""

LOG_WIDTH = 160
"""Width of a line if it is unknown: in a file, a pipe, the log of a CI run."""


class _Terminal(Console):
    """A console whose texts pass through `shown`. Its own control sequences, such as colours, do not."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """See the library."""
        for segment in super().render(renderable, options):
            if segment.control or segment.text.isprintable():
                yield segment
            else:
                yield Segment(shown(segment.text), segment.style)


def terminal(*, stderr: bool = False) -> Console:
    """A console without markup: names of files, flights and sections may contain brackets."""
    stream = sys.stderr if stderr else sys.stdout
    width = None if stream.isatty() else LOG_WIDTH
    return _Terminal(stderr=stderr, width=width, highlight=False, markup=False, emoji=False)


def labelled(label: str, text: str) -> Text:
    """A line with its first word in bold: "note: …"."""
    return Text.assemble((f"{label}:", "bold"), f" {text}")


@contextmanager
def progress_bar(duration_s: float | None, what: str = "replaying") -> Iterator[Callable[[float], None]]:
    """A progress bar on stderr while a flight is processed, if stderr is a terminal.

    Args:
        duration_s: length of the flight; None: unknown.
        what: label of the bar.

    Yields:
        A function to call with the present flight time in s; the first call sets the beginning.
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
