"""The command line of `vario run`."""

from __future__ import annotations

import argparse
import logging
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from argparse import _SubParsersAction


def add_parser(commands: _SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register the command."""
    parser = commands.add_parser("run", help="fly: sensors in, sound and recording out")
    parser.add_argument(
        "--config",
        type=Path,
        help="settings file; default: vario.toml here, in a rehearsal the settings in the recording",
    )
    parser.add_argument("--record", type=Path, metavar="DIR", help="where to record; default: as set")
    parser.add_argument(
        "--marks",
        type=Path,
        help="folder `vario mark` drops into; default: marks beside the settings file",
    )
    parser.add_argument("--silent", action="store_true", help="without sound")
    parser.add_argument(
        "--rehearse",
        type=Path,
        metavar="FILE",
        help="fly this recording with chips made of software instead of real ones",
    )
    parser.add_argument("--for", dest="longest_s", type=float, metavar="SECONDS", help="end after this long")
    parser.set_defaults(command=run_command)


def run_command(arguments: argparse.Namespace) -> int:
    """Fly; returns the exit code."""
    # As everything below: only this command needs it.
    from hw_replay.open import open_source  # noqa: PLC0415
    from vario.app.change.marks import marks_folder  # noqa: PLC0415
    from vario.app.in_force import settings_in_force  # noqa: PLC0415
    from vario.app.live.clock import FIRST_S  # noqa: PLC0415
    from vario.app.live.run import Wishes, run  # noqa: PLC0415
    from vario.app.live.status import table  # noqa: PLC0415
    from vario.app.terminal import CAUTION, terminal  # noqa: PLC0415
    from vario.settings.load import load_settings  # noqa: PLC0415

    logging.basicConfig(level=logging.INFO, format="%(levelname).1s %(message)s", stream=sys.stderr)
    console = terminal(stderr=True)
    config: Path | None = arguments.config
    rehearse = open_source(arguments.rehearse) if arguments.rehearse else None
    if rehearse is None:
        config = config or Path("vario.toml")
        loaded = load_settings(config)
    else:
        loaded = settings_in_force(rehearse.info, arguments.rehearse, config)
    wishes = Wishes(
        config,
        arguments.marks or marks_folder(config),
        arguments.record,
        arguments.silent,
        rehearse,
        float("inf") if arguments.longest_s is None else arguments.longest_s,
    )
    console.print(CAUTION)
    if console.is_terminal:
        with console.status("starting") as line:
            status = run(loaded, wishes, line.update)
    else:
        status = run(loaded, wishes, lambda _: None)
    console.print(table(status, FIRST_S))
    if status.recorder is not None and (status.recorder.problem or status.recorder.lost):
        console.print(f"{status.recorder.lost} samples not recorded: {status.recorder.problem or 'earlier'}")
    return 0
