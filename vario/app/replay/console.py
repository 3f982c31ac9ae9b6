"""The short printed results of a replay and an import, for a narrow terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from vario.app.caution import CAUTION
from vario.app.outputs.flight_time import clock
from vario.app.replay.results import REPORT, SUMMARY, TONE, TRACE
from vario.app.terminal import labelled, terminal

TRUTHS = ("truth_vario_mps", "truth_netto_mps")
"""The errors against simulated truth that are printed; the summary has more."""


def print_replay(
    summary: Mapping[str, Any], out_dir: Path, *, sound: bool = True, picture: bool = True
) -> None:
    """Print the result of a replay: the flight, its climbs, the warnings, the files."""
    console = terminal()
    flight = summary["flight"]
    length = f", {clock(flight['duration_s'])} ({summary['origin']})"
    console.print(Text.assemble((summary["title"], "bold"), length))
    modes = ", ".join(f"{mode} {clock(seconds)}" for mode, seconds in flight["mode_s"].items())
    console.print(modes or "nothing happened in it")
    _print_climbs(console, summary["climbs"])
    for name, found in summary["references"].items():
        if name in TRUTHS and "rms_difference" in found:
            modes = ", ".join(f"{mode} {rms:.2f}" for mode, rms in found["rms_by_mode"].items())
            console.print(
                f"{found['beside']}: RMS {found['rms_difference']:.2f} against the simulated truth ({modes})"
            )
        elif not name.startswith("truth_") and "mean_circling" in found:
            own = found[f"{found['beside']}_mean_circling"]
            console.print(
                f"{name}: mean while circling {found['mean_circling']:+.2f}, {found['beside']} {own:+.2f}"
            )
    if summary.get("hindsight"):
        console.print(hindsight_sentence(summary["hindsight"]), soft_wrap=True)
    for warning in summary["warnings"]:
        console.print(labelled("note", warning), soft_wrap=True)
    if picture:
        console.print(f"look at   {out_dir / REPORT}", soft_wrap=True)
    if sound:
        console.print(f"listen to {out_dir / TONE}", soft_wrap=True)
    console.print(f"numbers   {out_dir / TRACE}, {out_dir / SUMMARY}", soft_wrap=True)
    console.print(CAUTION, style="italic")


def hindsight_sentence(found: Mapping[str, Any]) -> str:
    """The distance of the live vario from hindsight."""
    vario = "the vario" if found["compensated"] else "the vario, in part uncompensated,"
    return (
        f"{vario} differs by RMS {found['rms_mps']:.2f} m/s from hindsight (smoothed after the flight), mean "
        f"{found['mean_mps']:+.2f} m/s; it lags by {found['lag_s']:.1f} s, without which RMS "
        f"{found['rms_without_lag_mps']:.2f} m/s"
    )


def _print_climbs(console: Console, climbs: Sequence[Mapping[str, Any]]) -> None:
    if not climbs:
        console.print("no climbs")
        return
    table = Table("climb", "from", "to", "gain m", "m/s", "turns", "way", box=None, pad_edge=False)
    for number, climb in enumerate(climbs, start=1):
        table.add_row(
            str(number),
            clock(climb["start_s"]),
            clock(climb["end_s"]),
            f"{climb['gain_m']:+.0f}",
            f"{climb['average_mps']:+.1f}",
            f"{climb['turns']:.1f}",
            climb["direction"],
        )
    console.print(table)


def print_import(counts: Mapping[str, int], warnings: Sequence[str], out: Path) -> None:
    """Print the result of an import: the content of the recording, and what was left out."""
    console = terminal()
    for channel, count in counts.items():
        console.print(f"{channel:24} {count:>9} samples")
    for warning in warnings:
        console.print(labelled("note", warning), soft_wrap=True)
    console.print(f"written to {out}", soft_wrap=True)
