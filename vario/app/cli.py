"""The command line. Each command imports the libraries that take long to load."""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import NoReturn

from hw_replay.errors import RecordingError
from hw_replay.text import shown
from vario.app.batch import command as batch
from vario.app.calibrate import command as calibrate
from vario.app.change import command as change
from vario.app.check import command as check
from vario.app.compare import command as compare
from vario.app.config import command as config_command
from vario.app.errors import AppError
from vario.app.export import command as export
from vario.app.live import command as live
from vario.app.live import service
from vario.app.noise import command as noise
from vario.app.page import command as page
from vario.app.replay import command as replay_command
from vario.app.simulate import command as simulate
from vario.app.tone import command as tone
from vario.app.words import command as words
from vario.settings.errors import SettingsError
from vario.sound.errors import SoundError

FAILED = 2

COMMANDS = (
    live,  # run
    check,
    calibrate,
    service,  # install-service
    replay_command,  # replay, import
    noise,
    change,  # set, mark
    words,  # words, ask
    page,  # report
    export,
    tone,
    batch,
    compare,
    simulate,
    config_command,
)
"""Modules that add the commands, in the order of the help: flying, setup, evaluation, development."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code. After an error: 2, with one message on stderr."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(
            stream, io.TextIOWrapper
        ):  # write characters that the encoding lacks as escapes instead of raising
            stream.reconfigure(errors="backslashreplace")
    arguments = _parser().parse_args(argv)
    command: Callable[[argparse.Namespace], int] = arguments.command
    try:
        return command(arguments)
    except (AppError, RecordingError, SettingsError, SoundError) as error:
        return _failed(str(error))
    except KeyboardInterrupt:
        return _failed("stopped")
    except BrokenPipeError:  # the reader of the output has closed it
        with suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FAILED
    except OSError as error:  # an error of the system that no command expects
        named = f"{error.filename}: " if error.filename is not None else ""
        return _failed(f"{named}{error.strerror or error}")


def _failed(text: str) -> int:
    print(f"vario: {shown(text)}", file=sys.stderr)
    return FAILED


class _Parser(argparse.ArgumentParser):
    """A parser whose messages may quote any text."""

    def error(self, message: str) -> NoReturn:
        """See the library."""
        super().error(shown(message))


class _Version(argparse.Action):
    """Print the installed version; it is looked up only when asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        """See the library."""
        from importlib.metadata import version  # noqa: PLC0415  (costs 20 ms at each start)

        print(f"vario {version('glider-vario')}")
        parser.exit()


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="vario",
        description="Firmware logic of a sailplane variometer. Not certified, not a primary instrument.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for module in COMMANDS:
        module.add_parser(commands)
    return parser


if __name__ == "__main__":
    sys.exit(main())
