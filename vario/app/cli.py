"""The command line. Libraries that take long to load are imported by the command that needs them."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

from hw_replay.errors import RecordingError
from vario.app import config_command, replay_command, service
from vario.app.batch import command as batch
from vario.app.calibrate import command as calibrate
from vario.app.change import command as change
from vario.app.check import command as check
from vario.app.compare import command as compare
from vario.app.errors import AppError
from vario.app.export import command as export
from vario.app.live import command as live
from vario.app.page import command as page
from vario.app.simulate import command as simulate
from vario.app.tone import command as tone
from vario.app.tune import command as tune
from vario.settings.errors import SettingsError
from vario.sound.errors import SoundError

FAILED = 2

COMMANDS = (
    live,  # run
    check,
    calibrate,
    service,  # install-service
    replay_command,  # replay, import
    tune,
    change,  # set, mark
    page,  # report
    export,
    tone,
    batch,
    compare,
    simulate,
    config_command,
)
"""Modules that add the commands, in the order of the help: to fly, to fit, to look back, to develop."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code: its own, or 2 with one message on stderr."""
    arguments = _parser().parse_args(argv)
    command: Callable[[argparse.Namespace], int] = arguments.command
    try:
        return command(arguments)
    except (AppError, RecordingError, SettingsError, SoundError) as error:
        print(f"vario: {error}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        print("vario: stopped", file=sys.stderr)
        return FAILED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="vario",
        description="The brain of a sailplane variometer. Not certified, not a primary instrument.",
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for module in COMMANDS:
        module.add_parser(commands)
    return parser


if __name__ == "__main__":
    sys.exit(main())
