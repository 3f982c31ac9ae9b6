"""Show the progress of `vario batch`, and at the end the failures and the names of the tables."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from vario.app.batch.batch import Batch
from vario.app.batch.job import Job, JobResult
from vario.app.outputs.flight_time import clock
from vario.app.terminal import labelled, terminal

Step = Callable[[JobResult | None, Job], None]
MOST_FAILURES = 20


@contextmanager
def batch_progress(jobs: Sequence[Job]) -> Iterator[tuple[Step, Callable[[str], None]]]:
    """One progress bar on stderr; the first function advances it, the second sets the text on the workers."""
    console = terminal(stderr=True)
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[failed]}{task.fields[last]}", markup=False),
        TimeElapsedColumn(),
    )
    failed = 0
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("playing", total=len(jobs), failed="", last="")

        def step(outcome: JobResult | None, job: Job) -> None:
            nonlocal failed
            failed += outcome is not None and outcome.failure is not None
            told = f"{failed} failed, " if failed else ""
            progress.update(task, advance=1, failed=told, last=os.path.basename(job.name)[-30:])

        def say(who: str) -> None:
            progress.update(task, description=f"playing, {who}")

        yield step, say


def print_batch(batch: Batch, tables: Sequence[Path], left_out: Sequence[str]) -> None:
    """Print number and duration of the flights, the failures with reasons, and the names of the tables.

    `left_out` are the files that are results of this program, each with what it is.
    """
    console = terminal()
    played = [outcome.summary for outcome in batch.outcomes if outcome.summary is not None]
    flown_s = sum(summary["flight"]["duration_s"] for summary in played)
    climbs = sum(len(summary["climbs"]) for summary in played)
    kept = f", {batch.kept} of them unchanged since the last run" if batch.kept else ""
    flights = len(played) + sum(max(summary["flight"]["flights"] - 1, 0) for summary in played)
    counts = [f"{n} {what}{'' if n == 1 else 's'}" for n, what in ((flights, "flight"), (climbs, "climb"))]
    console.print(f"{counts[0]}, {clock(flown_s)} in all, {counts[1]}{kept}", soft_wrap=True)
    for outcome in batch.failures[:MOST_FAILURES]:
        console.print(labelled("failed", f"{outcome.name}: {outcome.failure}"), soft_wrap=True)
    more = len(batch.failures) - MOST_FAILURES
    if more > 0:
        console.print(f"… and {more} more")
    for said in left_out[:MOST_FAILURES]:
        console.print(labelled("left out", said), soft_wrap=True)
    if len(left_out) > MOST_FAILURES:
        console.print(f"… and {len(left_out) - MOST_FAILURES} more results of this program left out")
    if batch.stopped is not None:
        text = f"{batch.stopped}; {batch.left} not replayed. Run the same command again to continue"
        console.print(labelled("stopped", text), soft_wrap=True)
    for table in tables:
        console.print(f"table {table}", soft_wrap=True)
