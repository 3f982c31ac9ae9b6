"""What `vario simulate` shows: a bar while it flies, then what is in the recording."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

from vario.app.clock import clock
from vario.app.simulate.file import LoadedScenario

REDRAW_EVERY_S = 10.0


@contextmanager
def simulation_bar(longest_s: float) -> Iterator[Callable[[float], None]]:
    """A bar on stderr, where stderr is a terminal; the flight may end before it is full."""
    console = Console(stderr=True)
    columns = (
        TextColumn("flying"),
        BarColumn(),
        TextColumn("{task.fields[reached]}"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("flying", total=longest_s, reached="")
        shown_s = 0.0

        def advance(t_s: float) -> None:
            nonlocal shown_s
            if t_s - shown_s >= REDRAW_EVERY_S:
                shown_s = t_s
                progress.update(task, completed=t_s, reached=clock(t_s))

        yield advance


def print_simulated(loaded: LoadedScenario, counts: Mapping[str, int], out: Path) -> None:
    """What is in the recording, and what to do with it."""
    console = Console(highlight=False)
    console.print(f"[bold]{loaded.title}[/bold], seed {loaded.scenario.seed}")
    sensors = {topic: count for topic, count in counts.items() if not topic.startswith("reference/")}
    truths = len(counts) - len(sensors)
    console.print(", ".join(f"{count} {topic}" for topic, count in sensors.items()), soft_wrap=True)
    console.print(f"{truths} channels of truth" if truths else "no truth")
    for fault in loaded.scenario.faults:
        console.print(f"fault: {fault.channel}: {fault.kind}, from {clock(fault.from_s)}")
    console.print(f"written to {out} ({out.stat().st_size / 1e6:.2f} MB)", soft_wrap=True)
    console.print(f"play it:        vario replay {out}", soft_wrap=True)
    if truths:
        console.print(f"how true is it: vario compare {out} {out}", soft_wrap=True)
