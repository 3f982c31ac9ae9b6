"""`vario simulate`: simulate the flight of a scenario file and write a recording with its truth."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from vario.app.files.atomic import result_file
from vario.app.files.paths import refuse_overwrite

DESCRIPTION = (
    "Simulate a scenario: air with thermals, wind and gusts, a glider, a script for the pilot, and "
    "sensors with errors and faults. The recording contains the sensor data and the true values. The same "
    "file and seed give the same bytes. config/scenarios/ contains examples."
)


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "simulate",
        help="simulate a scenario and write a recording with true values",
        description=DESCRIPTION,
    )
    parser.add_argument("file", type=Path, help="scenario file (TOML)")
    parser.add_argument(
        "--out", type=Path, help="the recording to write; default: out/<name of the file>.mcap"
    )
    parser.add_argument("--seed", type=_seed, help="seed to use instead of the one in the file")
    parser.set_defaults(command=run)


def _seed(text: str) -> int:
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number, 0 or more")
    return int(text)


def run(arguments: argparse.Namespace) -> int:
    """Simulate the scenario and write the recording; returns the exit code."""
    from hw_replay.simulate.demo import write_recording
    from vario.app.simulate.console import print_simulated
    from vario.app.simulate.file import load_scenario
    from vario.app.terminal import progress_bar

    loaded = load_scenario(arguments.file, arguments.seed)
    out: Path = arguments.out or Path("out") / f"{arguments.file.stem}.mcap"
    refuse_overwrite([arguments.file], out, writes=".mcap")
    with result_file(out) as path, progress_bar(loaded.scenario.longest_s, "flying") as progress:
        flown = write_recording(
            path,
            loaded.scenario,
            loaded.title,
            loaded.settings_toml,
            loaded.glider_toml,
            progress=progress,
        )
    print_simulated(loaded, flown, out)
    return 0
