"""A settings file changed by this program: only if what comes out is valid, and the rest left as it is."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from vario.app.errors import AppError
from vario.settings.edit import NotEditableError, set_value
from vario.settings.keys import Path as KeyPath
from vario.settings.load import parse_settings


def edited(path: Path, changes: Mapping[KeyPath, Any]) -> tuple[bytes, bytes]:
    """What stands in the file at `path`, and what would with the changes; nothing is written.

    Args:
        path: the settings file.
        changes: new values by key; None takes the key out.

    Raises:
        AppError: if the file, or the glider file it names, cannot be read or edited.
        SettingsError: if the result would not be valid.
    """
    try:
        before = path.read_bytes()
        text = before.decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not UTF-8 text"
        raise AppError(f"{path}: cannot be read: {reason}") from error
    for key, value in changes.items():
        try:
            text = set_value(text, key, value)
        except NotEditableError as error:
            raise AppError(f"{path}: {error}; change it with an editor") from error
    _check(text, path)
    return before, text.encode()


def _check(text: str, path: Path) -> None:
    """Raise what is wrong with the settings text that is to stand at `path`."""
    named = tomllib.loads(text).get("glider")
    glider = path.parent / named if isinstance(named, str) else None
    try:
        glider_text = glider.read_text(encoding="utf-8") if glider else None
    except (OSError, ValueError) as error:
        raise AppError(f"{glider}: the glider file cannot be read") from error
    parse_settings(text, str(path), glider_text, str(glider))
