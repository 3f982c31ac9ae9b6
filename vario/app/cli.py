"""The command line. Only the module of the command is imported, and it imports what takes long to load."""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from importlib import import_module
from typing import NoReturn

from hw_replay.errors import RecordingError
from hw_replay.text import shown
from vario.app.errors import AppError
from vario.settings.errors import SettingsError
from vario.sound.errors import SoundError

FAILED = 2

MODULES = {
    "run": "live.command",
    "check": "check.command",
    "calibrate": "calibrate.command",
    "install-service": "live.service",
    "replay": "replay.command",
    "import": "replay.command",
    "noise": "noise.command",
    "set": "change.command",
    "mark": "change.command",
    "words": "words.command",
    "ask": "words.command",
    "report": "page.command",
    "export": "export.command",
    "tone": "tone.command",
    "batch": "batch.command",
    "compare": "compare.command",
    "simulate": "simulate.command",
    "config": "config.command",
}
"""The module of each command, in the order of the help: flying, setup, evaluation, development."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code. After an error: 2, with one message on stderr."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # Write characters that the encoding lacks as escapes instead of raising.
            stream.reconfigure(errors="backslashreplace")
    # Plug-ins of pydantic in other installed packages: none is needed, and to look for them takes time.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    words = sys.argv[1:] if argv is None else argv
    arguments = _parser(words).parse_args(words)
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


def _parser(words: Sequence[str]) -> argparse.ArgumentParser:
    """The parser of the command that the words name, or of all commands, for the help."""
    parser = _Parser(
        prog="vario",
        description="Firmware logic of a sailplane variometer. Not certified, not a primary instrument.",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    named = MODULES.get(words[0]) if words else None
    for module in dict.fromkeys(MODULES.values()) if named is None else (named,):
        import_module(f"vario.app.{module}").add_parser(commands)
    return parser


if __name__ == "__main__":
    sys.exit(main())
