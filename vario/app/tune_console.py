"""What the tune commands print."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table

from vario.app.tune_static import FIGURES, PICTURE, SETTINGS, Measured, StaticResult, in_metres

_LEGEND = (
    "sample, 1 s: noise of one sample, and after averaging 1 s. /√Hz: white noise, the deviation at 1 s of "
    "its part alone. bias: instability, the lowest part of the curve / 0.664, reached at s; ≤: still "
    "falling there. walk: rate random walk, /√s. –: not to be seen in this recording"
)


def print_static(result: StaticResult, warnings: Sequence[str], out_dir: Path, kept: Sequence[Path]) -> None:
    """The figures as a table, then what they mean for the settings and where they are."""
    console = Console(highlight=False)
    table = Table(box=None, pad_edge=False)
    for column in ("value", "sample", "1 s", "/√Hz", "bias", "at s", "walk", "corr s"):
        table.add_column(column, no_wrap=True)
    for m in result.measured:
        field = m.name.split(".")[1].split("_")[0]
        table.add_row(f"{m.sensor.channel} {field} {m.sensor.unit}", *_cells(m))
    console.print(f"{result.origin['file']}: noise at rest")
    console.print(table)
    for m in result.measured:
        metres = in_metres(m)
        if metres is not None:
            sample_m, second_m = metres
            after = "" if second_m is None else f", {second_m:.3f} m after 1 s"
            console.print(f"barometer as height: {sample_m:.3f} m a sample at {m.rate_hz:.3g} Hz{after}")
    console.print(_LEGEND, style="dim")
    for channel, reason in result.refused.items():
        console.print(f"[bold]left out:[/bold] {channel}: {reason}", soft_wrap=True)
    for warning in warnings:
        console.print(f"[bold]note:[/bold] {warning}", soft_wrap=True)
    for path in kept:
        console.print(f"the former file is now {path}", soft_wrap=True)
    console.print(f"settings  {out_dir / SETTINGS}", soft_wrap=True)
    console.print(f"figures   {out_dir / FIGURES}", soft_wrap=True)
    console.print(f"look at   {out_dir / PICTURE}", soft_wrap=True)


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
