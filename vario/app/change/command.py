"""`vario set` and `vario mark`: change settings and set marks, also in flight."""

from __future__ import annotations

import argparse
import time
from datetime import UTC, datetime
from pathlib import Path
from shlex import quote
from typing import Any

from hw_replay.text import shown
from vario.app.errors import AppError
from vario.app.options import add_config_option

SEEN_WITHIN_S = 1.5
"""A running instrument detects a new folder within half a second, on a slow card a little later."""

NOT_WATCHED = 1
"""Exit code if no running instrument reads the mark."""


def add_parser(commands: Any) -> None:
    """Add the two commands to the command line."""
    change = commands.add_parser("set", help="change one setting in the file, also in flight")
    change.add_argument("key", help="maccready, ballast, bugs, mode, volume, qnh or goal")
    change.add_argument("value", help='such as "2 m/s" or "60 kg"; a goal is "50.12 10.34 420 m" or none')
    add_config_option(change, here=True)
    change.set_defaults(command=_set)

    mark = commands.add_parser("mark", help="mark this moment, or a moment in a recording, with a text")
    mark.add_argument("text", help="text of the mark")
    add_config_option(mark, "settings file of the running instrument", here=True)
    mark.add_argument(
        "--marks",
        type=Path,
        help="folder for the mark, as given to vario run; default: marks, beside the settings file",
    )
    mark.add_argument("--into", type=Path, help="a finished recording to insert the mark into; needs --at")
    mark.add_argument("--at", type=float, help="seconds after the beginning of that recording")
    mark.set_defaults(command=_mark)


def _set(arguments: argparse.Namespace) -> int:
    from vario.app.change.short_names import set_setting

    print(shown(set_setting(arguments.key, arguments.value, arguments.config)))
    return 0


def _mark(arguments: argparse.Namespace) -> int:
    from vario.app.change.marked import mark_recording
    from vario.app.change.marks import drop_mark, marks_folder
    from vario.app.change.watched import is_watched

    if (arguments.into is None) != (arguments.at is None):
        raise AppError("--into and --at must be given together")
    if arguments.into is not None:
        mark_recording(arguments.into, arguments.text, arguments.at)
        print(shown(f"marked {arguments.into} at {arguments.at:g} s"))
        return 0
    folder = arguments.marks or marks_folder(arguments.config)
    # Checked before the mark is written: the running instrument needs a moment to detect a folder created
    # by it.
    is_new = not folder.exists()
    path = drop_mark(folder, arguments.text, datetime.now(UTC))
    end_s = time.monotonic() + (SEEN_WITHIN_S if is_new else 0.0)
    while not (watched := is_watched(folder)) and time.monotonic() < end_s:
        time.sleep(0.05)
    if watched:
        print(shown(f"marked: {path}"))
        return 0
    print(
        f"no running instrument reads {folder.absolute()}: this mark is in no recording\n"
        f"kept as {path}\n"
        "If an instrument is running, name its settings file with --config, or its folder with --marks.\n"
        f"To see the mark in a replay: vario replay FILE --marks {quote(str(folder))}"
    )
    return NOT_WATCHED
