"""The files of the noise commands: TOML that states the origin of the figures and never replaces a file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from hw_replay.source import RecordingInfo
from hw_replay.text import name_text
from vario.app.errors import OutputError
from vario.app.files.atomic import result_file
from vario.app.files.paths import kept_name
from vario.settings.load import parse_settings
from vario.settings.toml_text import write_key, write_value

Table = Mapping[str, Any]


def provenance(path: Path, info: RecordingInfo, duration_s: float) -> dict[str, Any]:
    """The origin of figures, for a `[recording]` table."""
    found = {
        "file": name_text(path.name),
        "title": info.title,
        "origin": info.origin,
        "duration_s": round(duration_s, 3),
        "computed": datetime.now(UTC).replace(microsecond=0),
    }
    if info.start_utc is not None:
        found["recorded"] = info.start_utc
    return found


def as_comment(origin: Table) -> list[str]:
    """The origin as comment lines, for a file whose keys are all settings."""
    recorded = origin.get("recorded")
    date = f"recorded {recorded:%Y-%m-%d %H:%M} UTC" if recorded else "date of recording unknown"
    return [
        f"# From {origin['file']} ({origin['origin']}), {origin['duration_s']:g} s, {date}.",
        f"# Computed {origin['computed']:%Y-%m-%d %H:%M} UTC.",
    ]


def toml_text(comment: Sequence[str], tables: Mapping[str, Table]) -> str:
    """Tables by dotted name as TOML text, after comment lines. Values that are None are omitted."""
    lines = list(comment)
    for name, table in tables.items():
        lines += ["", f"[{name}]"]
        lines += [
            f"{write_key(key)} = {write_value(value)}" for key, value in table.items() if value is not None
        ]
    return "\n".join(lines) + "\n"


def write_keeping(path: Path, text: str) -> Path | None:
    """Write a file. A former file of this name is kept beside it as NAME.1, NAME.2 and so on.

    Returns:
        The new path of the former file; None if there was none.

    Raises:
        OutputError: if the file cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        kept = None
        if path.exists():
            kept = kept_name(path)
            path.rename(kept)
    except OSError as error:
        raise OutputError(path, error) from error
    with result_file(path) as temporary:
        temporary.write_text(text, encoding="utf-8")
    return kept


def write_fragment(out_dir: Path, settings: tuple[str, str], figures: tuple[str, str]) -> list[Path]:
    """Write a settings fragment and the figures it comes from, each given as name and text.

    Returns:
        The new paths of the former files of these names.

    Raises:
        SettingsError: if the fragment is not valid as settings.
        OutputError: if a file cannot be written.
    """
    name, text = settings
    parse_settings(text, str(out_dir / name))
    kept = [write_keeping(out_dir / name, text) for name, text in (settings, figures)]
    return [path for path in kept if path is not None]
