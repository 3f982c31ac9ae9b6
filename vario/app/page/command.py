"""The command `vario report`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from vario.app.config.in_force import add_set_option
from vario.app.excerpt import add_excerpt_options, excerpt
from vario.app.files.paths import folder_for, inputs, refuse_overwrite
from vario.app.options import A_RECORDING, add_config_option
from vario.app.words.command import add_words_option

DESCRIPTION = (
    "Make one HTML page of a flight that needs no other files and no network: plots over time, a map "
    "coloured by the motion of the air mass, every climb from above and around its circle, the sound "
    "synchronous to the cursor, the vario in hindsight, and the consistency of the estimator."
)


def add_parser(commands: Any) -> None:
    """Add the command to those of the program."""
    report = commands.add_parser(
        "report", help="make one HTML page of a flight: plots, map, climbs, sound", description=DESCRIPTION
    )
    report.add_argument("file", type=Path, help=A_RECORDING)
    add_config_option(report)
    add_set_option(report)
    report.add_argument("--out", type=Path, help="the page; default: out/<name of the file>/report.html")
    add_words_option(report)
    add_excerpt_options(report)
    report.set_defaults(command=run)


def run(arguments: argparse.Namespace) -> int:
    """Make the page and print its path."""
    from vario.app.caution import CAUTION
    from vario.app.page.build import write_page
    from vario.app.page.tones import SAMPLE_RATE_HZ
    from vario.app.replay.console import hindsight_sentence
    from vario.app.replay.session import opened
    from vario.app.terminal import labelled, progress_bar, terminal
    from vario.app.words.folder import words_or_note
    from vario.settings.display import DisplayUnits

    source, loaded = opened(arguments.file, arguments.config, arguments.overrides)
    source = excerpt(source, arguments.from_time, arguments.to_time)
    out: Path = arguments.out or folder_for(arguments.file) / "report.html"
    refuse_overwrite(inputs(arguments.file, arguments.config, loaded), out)
    words = words_or_note(loaded, arguments.words, SAMPLE_RATE_HZ)
    with progress_bar(source.duration_s) as progress:
        summary = write_page(
            source,
            loaded.settings,
            loaded.glider,
            out,
            progress,
            follow_changes=arguments.config is None,
            words=words,
        )
    console = terminal()
    if summary["hindsight"]:
        console.print(
            hindsight_sentence(summary["hindsight"], DisplayUnits(loaded.settings.display)), soft_wrap=True
        )
    for warning in summary["warnings"]:
        console.print(labelled("note", warning), soft_wrap=True)
    size = f"{out.stat().st_size / 1e6:.1f} MB, no other file needed"
    console.print(f"open {out} in a browser ({size})", soft_wrap=True)
    console.print(CAUTION, style="italic")
    return 0
