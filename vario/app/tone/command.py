"""The arguments of `vario tone`, in a separate module so that other commands do not load its libraries."""

from __future__ import annotations

import argparse
from pathlib import Path

from vario.app.config.in_force import add_set_option
from vario.app.options import add_config_option
from vario.settings.quantity import SPEED

SINGLE_BEEPS = "single beeps are visible in a part of a minute or less"


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command `tone` to the command line."""
    parser = commands.add_parser(
        "tone",
        help="play and draw the tone without a flight",
        epilog='Examples: vario tone "-2 0 1 3", vario tone --sweep, vario tone --picture out/demo/tone.flac',
    )
    parser.add_argument(
        "values",
        nargs="?",
        help='vario values to play, such as "-2 0 1 3"; or the word play, to change them by keyboard',
    )
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--sweep", action="store_true", help="a continuous sweep from sink to lift")
    what.add_argument("--cues", action="store_true", help="all cues, one after the other")
    what.add_argument("--picture", type=Path, metavar="FILE", help="draw the spectrogram of a sound file")
    what.add_argument("--chart", action="store_true", help="draw a chart of the tone: curves, beeps and cues")
    parser.add_argument(
        "--from",
        dest="from_time",
        metavar="TIME",
        help=f"with --picture: begin here, H:MM:SS or seconds since the beginning; {SINGLE_BEEPS}",
    )
    parser.add_argument("--to", dest="to_time", metavar="TIME", help="with --picture: end here; likewise")
    parser.add_argument("--unit", choices=list(SPEED.units), default="m/s", help="unit of the values")
    parser.add_argument("--seconds", type=float, default=2.0, help="duration of each value, s; default: 2")
    parser.add_argument(
        "--glide", type=float, default=0.0, help="time from each value to the next, s; default: 0"
    )
    add_config_option(parser, "settings file, of which [tone] and [audio] are used", "the default settings")
    add_set_option(parser)
    parser.add_argument(
        "--device", help="sound device for play, or a part of its name; default: the one in the settings"
    )
    parser.add_argument(
        "--out", type=Path, help="file to write; default: tone.flac, or tone.png for a picture"
    )
    parser.set_defaults(command=_run)


def _run(arguments: argparse.Namespace) -> int:
    from vario.app.tone.render import run

    return run(arguments)
