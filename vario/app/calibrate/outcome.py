"""What a way of calibrating finds, and the files it writes: with their origin, and never over an old one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vario.app.atomic import write_atomically
from vario.app.change.settings_file import change_settings
from vario.app.tune.files import as_comment, toml_text, write_keeping
from vario.settings.load import parse_settings


@dataclass(frozen=True, slots=True)
class Outcome:
    """What was found.

    Attributes:
        way: how it was found, "pitot-zero"; the file is named after it.
        said: what to tell, a sentence each.
        settings: new values by dotted section and key, as the settings file has them.
        figures: everything found, SI, by table name, for the record.
        cautions: what may make it wrong.
    """

    way: str
    said: Sequence[str]
    settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    figures: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    cautions: Sequence[str] = ()


def write_outcome(
    outcome: Outcome, origin: Mapping[str, Any], out_dir: Path
) -> tuple[list[Path], list[Path]]:
    """Write the outcome into a folder: settings, if there are any, and figures with their origin.

    Returns:
        The files written, and former ones that were kept under other names.

    Raises:
        OutputError: if a file cannot be written.
    """
    written, kept = [], []
    if outcome.settings:
        path = out_dir / f"{outcome.way}.settings.toml"
        head = [f"# Settings found by vario calibrate {outcome.way}.", *as_comment(origin)]
        text = toml_text(head, outcome.settings)
        parse_settings(text, str(path))
        written.append(path)
        kept.append(write_keeping(path, text))
    path = out_dir / f"{outcome.way}.toml"
    tables = {"recording": origin, **{f"found.{name}": table for name, table in outcome.figures.items()}}
    head = [
        f"# What vario calibrate {outcome.way} found, in SI units.",
        *(f"# {text}" for text in outcome.said),
    ]
    head += [f"# Caution: {text}" for text in outcome.cautions]
    written.append(path)
    kept.append(write_keeping(path, toml_text(head, tables)))
    return written, [former for former in kept if former is not None]


def apply_outcome(outcome: Outcome, config: Path) -> str:
    """Put the settings found into a settings file; what stood there is kept beside it.

    Returns:
        What was done, in a sentence for the user.

    Raises:
        AppError: if the file cannot be read, edited or written.
        SettingsError: if the result would not be valid; the file is unchanged then.
    """
    if not outcome.settings:
        return f"{outcome.way} finds no setting: there is nothing to apply, and {config} is as it was"
    changes = {
        (*section.split("."), key): value
        for section, values in outcome.settings.items()
        for key, value in values.items()
    }
    number = 1
    while (kept := config.with_name(f"{config.name}.{number}")).exists():
        number += 1
    if change_settings(config, changes, lambda before: write_atomically(kept, before)):
        return f"now in {config}; as it was before: {kept}"
    return f"{config} says so already"
