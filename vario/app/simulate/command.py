"""`vario simulate`: a scenario file flown, and what its sensors saw written as a recording with its truth."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from vario.app.errors import AppError

DESCRIPTION = (
    "Fly a scenario: air with thermals, wind and gusts, a glider, a pilot's script, sensors with errors and "
    "faults. Writes a recording with the truth beside it. The same file and seed give the same bytes. "
    "config/scenarios/ has examples."
)


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "simulate", help="fly a scenario into a recording with its truth", description=DESCRIPTION
    )
    parser.add_argument("file", type=Path, help="scenario file (TOML)")
    parser.add_argument(
        "--out", type=Path, help="the recording to write; default: out/<name of the file>.mcap"
    )
    parser.add_argument("--seed", type=_seed, help="instead of the one in the file")
    parser.set_defaults(command=run)


def _seed(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number from 0")
    return int(text)


def run(arguments: argparse.Namespace) -> int:
    """Fly it."""
    from hw_replay.simulate.demo import write_recording  # noqa: PLC0415
    from vario.app.simulate.console import print_simulated  # noqa: PLC0415
    from vario.app.simulate.file import load_scenario  # noqa: PLC0415
    from vario.app.terminal import progress_bar  # noqa: PLC0415

    loaded = load_scenario(arguments.file, arguments.seed)
    out: Path = arguments.out or Path("out") / f"{arguments.file.stem}.mcap"
    if out.suffix == ".toml":
        raise AppError(f"{out}: expected the name of a recording, ending in .mcap")
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise AppError(f"{out}: cannot be written: {error.strerror}") from error
    partial = out.with_name(f"{out.name}.partial")
    try:
        with progress_bar(loaded.scenario.longest_s, "flying") as progress:
            flown = write_recording(
                partial,
                loaded.scenario,
                loaded.title,
                loaded.settings_toml,
                loaded.glider_toml,
                progress=progress,
            )
        partial.replace(out)
    except OSError as error:
        raise AppError(f"{out}: cannot be written: {error.strerror}") from error
    finally:
        partial.unlink(missing_ok=True)
    print_simulated(loaded, flown, out)
    return 0
