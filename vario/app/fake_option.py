"""The option `--fake` of the commands that can run without hardware for practice."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path

AT_REST = Path("rest")
"""The value of the option without a file."""


def add_fake_option(parser: ArgumentParser) -> None:
    """Add the option to a command."""
    parser.add_argument(
        "--fake",
        type=Path,
        nargs="?",
        const=AT_REST,
        metavar="FILE",
        help="practice: fake chips instead of real ones, at rest or playing a recording, without waiting",
    )
