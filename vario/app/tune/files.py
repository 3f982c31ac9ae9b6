"""The files tuning writes: TOML that names where its numbers come from, and never replaces what was there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

from hw_replay.source import RecordingInfo
from vario.app.errors import OutputError
from vario.settings.load import parse_settings
from vario.settings.toml_text import write_key, write_value

Table = Mapping[str, Any]


def provenance(path: Path, info: RecordingInfo, duration_s: float) -> dict[str, Any]:
    """Where numbers come from, for a `[recording]` table."""
    found = {
        "file": path.name,
        "title": info.title,
        "origin": info.origin,
        "duration_s": round(duration_s, 3),
        "computed": datetime.now(UTC).replace(microsecond=0),
    }
    if info.start_utc is not None:
        found["recorded"] = info.start_utc
    return found


def as_comment(origin: Table) -> list[str]:
    """Provenance as comment lines, for a file whose keys are all settings."""
    recorded = origin.get("recorded")
    date = f"recorded {recorded:%Y-%m-%d %H:%M} UTC" if recorded else "date of recording unknown"
    return [
        f"# From {origin['file']} ({origin['origin']}), {origin['duration_s']:g} s, {date}.",
        f"# Computed {origin['computed']:%Y-%m-%d %H:%M} UTC.",
    ]


def toml_text(comment: Sequence[str], tables: Mapping[str, Table]) -> str:
    """Tables by dotted name as TOML, after comment lines. Values that are None are left out."""
    lines = list(comment)
    for name, table in tables.items():
        lines += ["", f"[{name}]"]
        lines += [
            f"{write_key(key)} = {write_value(value)}" for key, value in table.items() if value is not None
        ]
    return "\n".join(lines) + "\n"


def write_keeping(path: Path, text: str) -> Path | None:
    """Write a file; what stood there before is kept beside it as NAME.1, NAME.2 and so on.

    Returns:
        Where the former file is now, None if there was none.

    Raises:
        OutputError: if the file cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        kept = None
        if path.exists():
            places = (path.with_name(f"{path.name}.{number}") for number in count(1))
            kept = next(place for place in places if not place.exists())
            path.rename(kept)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise OutputError(path, error) from error
    return kept


def write_fragment(out_dir: Path, settings: tuple[str, str], figures: tuple[str, str]) -> list[Path]:
    """Write a settings fragment and the figures behind it, each given by its name and its text.

    Returns:
        The former files of these names, kept under new ones.

    Raises:
        SettingsError: if the fragment is not one that the settings take.
        OutputError: if a file cannot be written.
    """
    name, text = settings
    parse_settings(text, str(out_dir / name))
    kept = [write_keeping(out_dir / name, text) for name, text in (settings, figures)]
    return [path for path in kept if path is not None]
