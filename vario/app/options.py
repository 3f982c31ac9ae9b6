"""Options that several commands have."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path

from vario.app.errors import AppError

AT_REST = Path("rest")
"""The value of `--fake` without a file."""

HERE = Path("vario.toml")

LONGEST_READING_S = 3600.0

TIME = "H:MM:SS (UTC if the recording states its start, else since its beginning) or seconds"
"""How a time in a recording is given."""

A_RECORDING = "a recording (MCAP), a CSV, FAI/IGC or another file that docs/formats.md lists"
"""What the commands read."""


def add_config_option(
    parser: ArgumentParser,
    about: str = "settings file",
    default: str = "the settings in the recording, if it contains any",
    *,
    here: bool = False,
) -> None:
    """Add `--config` to a command; with `here` its default is vario.toml in the current folder."""
    default = f"{HERE} in this folder" if here else default
    parser.add_argument(
        "--config", type=Path, default=HERE if here else None, help=f"{about}; default: {default}"
    )


def add_fake_option(parser: ArgumentParser) -> None:
    """Add `--fake` to a command that can run without hardware for practice."""
    parser.add_argument(
        "--fake",
        type=Path,
        nargs="?",
        const=AT_REST,
        metavar="FILE",
        help="practise with fake chips, at rest or playing the recording FILE; the command does not wait",
    )


def require_reading_time(option: str, seconds: float) -> None:
    """Check for how long a command is to read the sensors.

    Raises:
        AppError: if the time is too short or too long.
    """
    if not 1.0 <= seconds <= LONGEST_READING_S:
        raise AppError(f"{option} {seconds:g}: expected 1 to {LONGEST_READING_S:g} s")
