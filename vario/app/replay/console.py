"""The short printed results of a replay and an import, for a narrow terminal."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from vario.app.caution import CAUTION
from vario.app.outputs.catalogue import TRUTH, output_of
from vario.app.outputs.flight_time import clock, duration_text, utc_or_clock
from vario.app.replay.results import REPORT, SUMMARY, TONE, TRACE
from vario.app.terminal import labelled, terminal
from vario.settings.display import DisplayUnits, Measure

TRUTHS = ("truth_vario_mps", "truth_netto_mps")
"""The errors against simulated truth that are printed; the summary has more."""

DIRECTIONS = ("wind_from_rad", "heading_rad")
"""Angles that are printed from 0 to 360°."""


def print_replay(
    summary: Mapping[str, Any],
    out_dir: Path,
    units: DisplayUnits,
    *,
    sound: bool = True,
    picture: bool = True,
) -> None:
    """Print the result of a replay in these units: the flight, its climbs, the warnings, the files."""
    console = terminal()
    flight = summary["flight"]
    length = f", {duration_text(flight['duration_s'])} ({summary['origin']})"
    console.print(Text.assemble((summary["title"], "bold"), length))
    modes = ", ".join(f"{mode} {clock(seconds)}" for mode, seconds in flight["mode_s"].items())
    console.print(modes or "no readings")
    _print_climbs(console, summary["climbs"], units, summary["start_utc"])
    for name, found in summary["references"].items():
        if name in TRUTHS and "rms_difference" in found:
            unit = output_of(found["beside"]).shown_in(units)
            modes = ", ".join(f"{mode} {unit.figure(rms, 2)}" for mode, rms in found["rms_by_mode"].items())
            in_flight = found.get("rms_free_flight")
            rms = "not compared" if in_flight is None else f"RMS {unit.shown(in_flight, 2)}"
            console.print(
                f"{found['beside']} against the simulated truth, cruise and circling: {rms} ({modes})",
                soft_wrap=True,
            )
        elif not name.startswith(TRUTH) and "mean_circling" in found:
            unit = output_of(found["beside"]).shown_in(units)
            means = found["mean_circling"], found[f"{found['beside']}_mean_circling"]
            signed = found["beside"] not in DIRECTIONS
            theirs, own = (mean if signed else mean % math.tau for mean in means)
            console.print(
                f"{name}: mean while circling {unit.figure(theirs, 2, sign=signed)}, "
                f"{found['beside']} {unit.shown(own, 2, sign=signed)}"
            )
    if summary.get("hindsight"):
        console.print(hindsight_sentence(summary["hindsight"], units), soft_wrap=True)
    for warning in summary["warnings"]:
        console.print(labelled("note", warning), soft_wrap=True)
    if picture:
        console.print(f"look at   {out_dir / REPORT}", soft_wrap=True)
    if sound:
        console.print(f"listen to {out_dir / TONE}", soft_wrap=True)
    console.print(f"numbers   {out_dir / TRACE}, {out_dir / SUMMARY}", soft_wrap=True)
    console.print(CAUTION, style="italic")


def hindsight_sentence(found: Mapping[str, Any], units: DisplayUnits) -> str:
    """Return a sentence on the difference of the live vario from hindsight."""
    vario = "the vario" if found["compensated"] else "the vario, in part uncompensated,"
    unit = units.of(Measure.VERTICAL_SPEED)
    sentence = (
        f"{vario} differs by RMS {unit.shown(found['rms_mps'], 2)} from hindsight (smoothed after the "
        f"flight), mean {unit.shown(found['mean_mps'], 2, sign=True)}"
    )
    if found["lag_s"] is None:
        return f"{sentence}; its lag is not known"
    without = unit.shown(found["rms_without_lag_mps"], 2)
    return f"{sentence}; its lag is {found['lag_s']:z.1f} s, and without the lag the RMS is {without}"


def _print_climbs(
    console: Console, climbs: Sequence[Mapping[str, Any]], units: DisplayUnits, start_utc: str | None
) -> None:
    if not climbs:
        console.print("no climbs")
        return
    began = None if start_utc is None else datetime.fromisoformat(start_utc)
    height, speed = units.of(Measure.HEIGHT), units.of(Measure.VERTICAL_SPEED)
    table = Table(
        *(
            "climb",
            "from" if start_utc is None else "from UTC",
            "to",
            f"gain {height.symbol}",
            speed.symbol,
            "turns",
            "direction",
        ),
        box=None,
        pad_edge=False,
    )
    for number, climb in enumerate(climbs, start=1):
        table.add_row(
            str(number),
            utc_or_clock(climb["start_s"], began),
            utc_or_clock(climb["end_s"], began),
            height.figure(climb["gain_m"], sign=True),
            speed.figure(climb["average_mps"], sign=True),
            f"{climb['turns']:.1f}",
            climb["direction"],
        )
    console.print(table)


def print_import(counts: Mapping[str, int], warnings: Sequence[str], out: Path) -> None:
    """Print the result of an import: the content of the recording, and what was left out."""
    console = terminal()
    width = max(map(len, counts), default=0)
    for channel, count in counts.items():
        console.print(f"{channel:{width}} {count:>9} samples")
    for warning in warnings:
        console.print(labelled("note", warning), soft_wrap=True)
    console.print(f"written to {out}", soft_wrap=True)
