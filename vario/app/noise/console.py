"""Print the results of the noise commands."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

from vario.app.noise import flight, static_files
from vario.app.noise.flight import FlightFit, doubts
from vario.app.noise.likelihood import Consistency
from vario.app.noise.static import Measured, StaticResult, in_metres
from vario.app.terminal import labelled, terminal

_LEGEND = (
    "sample, 1 s: noise of one sample, and after averaging over 1 s. /√Hz: white noise density. bias: bias "
    "instability, the minimum of the curve / 0.664; at s: its averaging time; ≤: upper bound, the curve "
    "still falls there. walk: rate random walk, /√s. corr s: correlation time. –: not visible in this "
    "recording"
)


def print_static(result: StaticResult, warnings: Sequence[str], out_dir: Path, kept: Sequence[Path]) -> None:
    """Print the figures as a table, the barometer noise as height, and the names of the files."""
    console = terminal()
    table = Table(box=None, pad_edge=False)
    for column in ("value", "sample", "1 s", "/√Hz", "bias", "at s", "walk", "corr s"):
        table.add_column(column, no_wrap=True)
    for m in result.measured:
        table.add_row(f"{m.sensor.channel} {m.axis} {m.sensor.unit}", *_cells(m))
    console.print(f"{result.origin['file']}: noise at rest")
    console.print(table)
    for m in result.measured:
        metres = in_metres(m)
        if metres is not None:
            sample_m, second_m = metres
            after = "" if second_m is None else f", {second_m:.3f} m after 1 s"
            console.print(f"barometer as height: {sample_m:.3f} m per sample at {m.rate_hz:.3g} Hz{after}")
    console.print(_LEGEND, style="dim")
    for channel, reason in result.refused.items():
        console.print(labelled("left out", f"{channel}: {reason}"), soft_wrap=True)
    _print_files(console, warnings, kept)
    console.print(f"settings  {out_dir / static_files.SETTINGS}", soft_wrap=True)
    console.print(f"figures   {out_dir / static_files.FIGURES}", soft_wrap=True)
    console.print(f"look at   {out_dir / static_files.PICTURE}", soft_wrap=True)


@contextmanager
def runs_bar() -> Iterator[Callable[[int], None]]:
    """Show the number of runs through the flight so far on stderr, if that is a terminal."""
    console = terminal(stderr=True)
    columns = (TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        task = progress.add_task("reading the flight", total=None)
        yield lambda runs: progress.update(task, description=f"fitting: run {runs} of about 60")


def print_flight(found: FlightFit, warnings: Sequence[str], out_dir: Path, kept: Sequence[Path]) -> None:
    """Print the noise before and after the fit, and the consistency of the innovations."""
    console = terminal()
    f = found.fit
    console.print(
        f"{found.origin['file']}: {found.origin['duration_s']:.0f} s of flight, {f.evaluations} runs"
    )
    table = Table(box=None, pad_edge=False)
    for column in ("", "before", "after"):
        table.add_column(column, no_wrap=True)
    table.add_row("barometer noise Pa", f"{f.before.baro_pa:.3g}", f"{f.after.baro_pa:.3g}")
    if "airspeed" in f.consistency_after:
        table.add_row("pitot noise Pa", f"{f.before.pitot_pa:.3g}", f"{f.after.pitot_pa:.3g}")
    table.add_row("model ×", f"{f.before.model:.2f}", f"{f.after.model:.2f}")
    for name, after in f.consistency_after.items():
        before = f.consistency_before[name]
        table.add_row(f"{name}: NIS (1 ± {after.nis_spread:.2f})", f"{before.nis:.2f}", f"{after.nis:.2f}")
        table.add_row(
            f"{name}: correlation (0 ± {after.correlation_spread:.2f})", _signed(before), _signed(after)
        )
    console.print(table)
    console.print(f"change of the log likelihood per innovation: {f.gain:+.3f}")
    for doubt in doubts(found):
        console.print(labelled("caution", doubt), soft_wrap=True)
    _print_files(console, warnings, kept)
    console.print(f"settings  {out_dir / flight.SETTINGS}", soft_wrap=True)
    console.print(f"figures   {out_dir / flight.FIGURES}", soft_wrap=True)


def _signed(consistency: Consistency) -> str:
    return f"{consistency.correlation:+.2f}"


def _print_files(console: Console, warnings: Sequence[str], kept: Sequence[Path]) -> None:
    for warning in warnings:
        console.print(labelled("note", warning), soft_wrap=True)
    for path in kept:
        console.print(f"the former file is now {path}", soft_wrap=True)


def _cells(m: Measured) -> list[str]:
    f = m.figures
    bound = "≤ " if f.instability_at_end else ""
    return [
        _figure(f.sample),
        _figure(f.second),
        _figure(f.white),
        bound + _figure(f.instability),
        f"{f.instability_s:.3g}",
        _figure(f.random_walk),
        _figure(f.correlation_s),
    ]


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:.2g}"
