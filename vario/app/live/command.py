"""The command line of `vario run`."""

from __future__ import annotations

import argparse
import gc
import logging
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from vario.app.errors import AppError
from vario.app.options import HERE, add_config_option

if TYPE_CHECKING:
    from argparse import _SubParsersAction

    from rich.status import Status as RichStatus

    from hw_replay.source import Source

LAST_OUTPUT_S = 1.0
"""Time limit for writing the remaining lines to standard error."""


def add_parser(commands: _SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register the command."""
    parser = commands.add_parser("run", help="fly: read the sensors, play the sound, record")
    add_config_option(
        parser, default="vario.toml in this folder, in an emulation the settings in the recording"
    )
    parser.add_argument(
        "--record", type=Path, metavar="DIR", help=("folder for recordings; default: from the settings")
    )
    parser.add_argument(
        "--marks",
        type=Path,
        help="folder in which `vario mark` places marks; default: marks, beside the settings file",
    )
    parser.add_argument("--silent", action="store_true", help="no sound")
    parser.add_argument(
        "--emulate",
        type=Path,
        metavar="FILE",
        help="play this recording with fake chips instead of real ones",
    )
    parser.add_argument("--for", dest="longest_s", type=float, metavar="SECONDS", help="end after this time")
    parser.set_defaults(command=run_command)


def run_command(arguments: argparse.Namespace) -> int:
    """Fly; returns the exit code."""
    if arguments.longest_s is not None and not arguments.longest_s > 0.0:
        raise AppError(f"--for {arguments.longest_s:g}: expected a time above 0 s")
    # The start creates many objects that stay. `run` switches the collection on again when it is complete.
    gc.disable()
    # Imported here because only this command needs it.
    from vario.app.caution import CAUTION
    from vario.app.change.marks import marks_folder
    from vario.app.config.in_force import settings_in_force
    from vario.app.live.clock import FIRST_S
    from vario.app.live.run import RunOptions, run
    from vario.app.live.teller import ShownLog, Teller
    from vario.settings.load import load_settings

    config: Path | None = arguments.config
    emulate = _opened(arguments.emulate)
    if emulate is None:
        config = config or HERE
        loaded = load_settings(config)
    else:
        loaded = settings_in_force(emulate.info, arguments.emulate, config)
    options = RunOptions(
        config,
        arguments.marks or marks_folder(config),
        arguments.record,
        arguments.silent,
        emulate,
        float("inf") if arguments.longest_s is None else arguments.longest_s,
    )
    teller = Teller()
    teller.setFormatter(ShownLog("%(levelname).1s %(message)s"))
    logging.basicConfig(level=logging.INFO, handlers=[teller])
    line = _status_line() if sys.stderr.isatty() else None

    def show(text: str) -> None:
        if line is not None:
            teller.do(lambda: line.update(text))

    teller.do(lambda: sys.stderr.write(f"{CAUTION}\n"))
    if line is not None:
        teller.do(line.start)
    left_behind: tuple[str, ...] = ()
    try:
        status = run(loaded, options, show)
        left_behind, kept = status.left_behind, status.recorder
        if line is not None:
            teller.do(line.stop)
        from vario.app.live.status_table import table
        from vario.app.terminal import terminal

        console = terminal(stderr=True)
        teller.do(lambda: console.print(table(status, FIRST_S)))
        if kept is not None and (kept.problem or kept.lost):
            words = f"{kept.lost} samples not recorded: {kept.problem or 'earlier'}"
            teller.do(lambda: console.print(words))
    finally:
        if line is not None:
            teller.do(line.stop)
        said = teller.finish(LAST_OUTPUT_S)
        logging.getLogger().removeHandler(teller)
    if not said or left_behind:
        # A thread that hangs would prevent the interpreter from exiting.
        os._exit(1 if left_behind else 0)
    return 0


def _opened(path: Path | None) -> Source | None:
    """The recording to emulate."""
    if path is None:
        return None
    from hw_replay.open import open_source

    return open_source(path)


def _status_line() -> RichStatus:
    """A line on the terminal, not started."""
    from vario.app.terminal import terminal

    return terminal(stderr=True).status("starting")
