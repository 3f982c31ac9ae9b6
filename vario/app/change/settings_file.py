"""Change a settings file, only if the result is valid; everything else in it is kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from vario.app.errors import AppError
from vario.app.files.atomic import change_file
from vario.settings.edit import NotEditableError, set_value
from vario.settings.load import absent, load_text
from vario.settings.toml_text import Path as KeyPath


def change_settings(
    path: Path, changes: Mapping[KeyPath, Any], keep: Callable[[bytes], None] = lambda _: None
) -> bool:
    """Change values in the file at `path`; False if they had these values already.

    Args:
        path: the settings file.
        changes: new values by key; None removes the key.
        keep: called with the previous content of the file just before it is replaced.

    Raises:
        AppError: if the file cannot be read, edited or written.
        SettingsError: if the result, with its glider file, is invalid; the file is then unchanged.
    """
    changed = False

    def edit(before: bytes) -> bytes:
        nonlocal changed
        after = _edited(before, changes, path)
        changed = after != before
        if changed:
            keep(before)
        return after

    try:
        change_file(path, edit)
    except FileNotFoundError as error:
        raise AppError(f"{path}: {absent(path)}") from error
    except OSError as error:
        raise AppError(f"{path}: cannot be read: {error.strerror}") from error
    return changed


def _edited(before: bytes, changes: Mapping[KeyPath, Any], path: Path) -> bytes:
    try:
        text = before.decode("utf-8")
    except UnicodeDecodeError as error:
        raise AppError(f"{path}: cannot be read: not UTF-8 text") from error
    for key, value in changes.items():
        try:
            text = set_value(text, key, value)
        except NotEditableError as error:
            raise AppError(f"{path}: {error}; change it with an editor") from error
    load_text(text, path)
    return text.encode()
