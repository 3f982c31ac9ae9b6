"""All attacks by their target; and the function that runs one."""

from __future__ import annotations

import inspect
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.campaigns.siege import batch, disks, limits, live, names, outputs, recordings

Attack = tuple[str, str, Callable[..., str]]


GROUPS: Mapping[str, Sequence[Attack]] = {
    "Recordings": recordings.ATTACKS,
    "Limits": limits.ATTACKS,
    "Names and inputs": names.ATTACKS,
    "Outputs": outputs.ATTACKS,
    "Full disks": disks.ATTACKS,
    "Batch": batch.ATTACKS,
    "The running instrument": live.ATTACKS,
}

LONG = frozenset({*recordings.LONG, *names.LONG, *disks.LONG, *batch.LONG})
"""Attacks that take long or need special rights: not in the short form."""


@dataclass(frozen=True, slots=True)
class Seen:
    """The result of an attack: whether the expectation held, and the observation."""

    held: bool
    text: str


def attempt(function: Callable[..., Any]) -> Seen:
    """Run an attack in its own folder, which is passed if the attack takes an argument."""
    with tempfile.TemporaryDirectory() as folder:
        try:
            wants = inspect.signature(function).parameters
            text = function(Path(folder).resolve()) if wants else function()
            return Seen(held=True, text=str(text).replace(f"{Path(folder).resolve()}/", ""))
        except AssertionError as error:
            return Seen(held=False, text=str(error).splitlines()[0] if str(error) else "the expectation")
        except Exception as error:  # an attack must find any exception of a command
            return Seen(held=False, text=f"{type(error).__name__}: {error}")
