"""`vario config`: check or show a settings file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from hw_replay.text import shown


def add_parser(commands: Any) -> None:
    """Add the command to the command line."""
    config = commands.add_parser("config", help="check or show a settings file")
    actions = config.add_subparsers(title="actions", required=True, metavar="ACTION")
    check = actions.add_parser("check", help="say everything that is wrong with a settings file")
    check.add_argument("file", type=Path)
    check.set_defaults(command=_check)
    show = actions.add_parser("show", help="show every setting in force")
    show.add_argument("file", type=Path, nargs="?", help="settings file; default: the defaults")
    show.set_defaults(command=_show)


def _check(arguments: argparse.Namespace) -> int:
    from vario.settings.load import load_settings  # noqa: PLC0415

    load_settings(arguments.file)
    print(shown(f"{arguments.file}: no problem found"))
    return 0


def _show(arguments: argparse.Namespace) -> int:
    from vario.settings.document import show_settings  # noqa: PLC0415
    from vario.settings.load import load_settings, parse_settings  # noqa: PLC0415

    loaded = load_settings(arguments.file) if arguments.file else parse_settings("", "defaults")
    print(shown(show_settings(loaded)), end="")
    return 0
