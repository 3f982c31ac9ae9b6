"""`vario set` and `vario mark`: what the pilot changes and remarks, in flight too."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from hw_replay.text import shown
from vario.app.errors import AppError


def add_parser(commands: Any) -> None:
    """Add the two commands to the command line."""
    change = commands.add_parser("set", help="change one setting in the file, in flight too")
    change.add_argument("key", help="maccready, ballast, bugs, mode, volume or goal")
    change.add_argument("value", help='such as "2 m/s" or "60 kg"; a goal is "50.12 10.34 420 m" or none')
    change.add_argument(
        "--config", type=Path, default=Path("vario.toml"), help="settings file; default: vario.toml here"
    )
    change.set_defaults(command=_set)

    mark = commands.add_parser("mark", help="mark this moment, or one in a recording, with a text")
    mark.add_argument("text")
    mark.add_argument(
        "--marks", type=Path, default=Path("marks"), help="folder to drop the mark into; default: marks here"
    )
    mark.add_argument("--into", type=Path, help="a finished recording to put the mark into, with --at")
    mark.add_argument("--at", type=float, help="seconds after the beginning of that recording")
    mark.set_defaults(command=_mark)


def _set(arguments: argparse.Namespace) -> int:
    from vario.app.change.short_names import set_setting  # noqa: PLC0415

    print(shown(set_setting(arguments.key, arguments.value, arguments.config)))
    return 0


def _mark(arguments: argparse.Namespace) -> int:
    from vario.app.change.marks import drop_mark, mark_recording  # noqa: PLC0415

    if (arguments.into is None) != (arguments.at is None):
        raise AppError("--into and --at belong together")
    if arguments.into is not None:
        mark_recording(arguments.into, arguments.text, arguments.at)
        print(shown(f"marked {arguments.into} at {arguments.at:g} s"))
    else:
        print(shown(f"marked: {drop_mark(arguments.marks, arguments.text, datetime.now(UTC))}"))
    return 0
