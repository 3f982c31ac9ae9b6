"""The result of a calibration, and its files: they name their origin and never overwrite an older file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from vario.app.change.settings_file import change_settings
from vario.app.files.atomic import write_atomically
from vario.app.files.paths import kept_name
from vario.app.noise.files import as_comment, toml_text, write_keeping
from vario.settings.load import parse_settings


@dataclass(frozen=True, slots=True)
class Outcome:
    """The result of a calibration.

    Attributes:
        method: the kind of calibration, such as "pitot-offset"; it gives the file its name.
        said: sentences for the user.
        settings: new values by dotted section and key, as in the settings file.
        figures: every figure found, in SI units, by table name.
        cautions: sentences on what can make the result wrong.
    """

    method: str
    said: Sequence[str]
    settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    figures: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    cautions: Sequence[str] = ()


def write_outcome(
    outcome: Outcome, origin: Mapping[str, Any], out_dir: Path
) -> tuple[list[Path], list[Path]]:
    """Write the outcome into a folder: the settings, if there are any, and the figures with their origin.

    Returns:
        The files written, and the former files, which were kept under other names.

    Raises:
        OutputError: if a file cannot be written.
    """
    written, kept = [], []
    if outcome.settings:
        path = out_dir / f"{outcome.method}.settings.toml"
        head = [f"# Settings found by vario calibrate {outcome.method}.", *as_comment(origin)]
        text = toml_text(head, outcome.settings)
        parse_settings(text, str(path))
        written.append(path)
        kept.append(write_keeping(path, text))
    path = out_dir / f"{outcome.method}.toml"
    tables = {"recording": origin, **{f"found.{name}": table for name, table in outcome.figures.items()}}
    head = [
        f"# Figures found by vario calibrate {outcome.method}, in SI units.",
        *(f"# {text}" for text in outcome.said),
    ]
    head += [f"# Caution: {text}" for text in outcome.cautions]
    written.append(path)
    kept.append(write_keeping(path, toml_text(head, tables)))
    return written, [former for former in kept if former is not None]


def apply_outcome(outcome: Outcome, config: Path) -> str:
    """Write the settings found into a settings file; the former file is kept beside it.

    Returns:
        A sentence for the user on what was done.

    Raises:
        AppError: if the file cannot be read, edited or written.
        SettingsError: if the result would not be valid; then the file is unchanged.
    """
    if not outcome.settings:
        return f"{outcome.method} found no setting to apply; {config} is unchanged"
    changes = {
        (*section.split("."), key): value
        for section, values in outcome.settings.items()
        for key, value in values.items()
    }
    kept = kept_name(config)
    if change_settings(config, changes, lambda before: write_atomically(kept, before)):
        return f"written to {config}; the former file is now {kept}"
    return f"{config} has these values already; it is unchanged"
