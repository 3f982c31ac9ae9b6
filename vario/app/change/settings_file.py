"""A settings file changed by this program: only if what comes out is valid, and the rest left as it is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from vario.app.atomic import change_file
from vario.app.errors import AppError
from vario.settings.edit import NotEditableError, set_value
from vario.settings.load import absent, load_text
from vario.settings.toml_text import Path as KeyPath


def change_settings(
    path: Path, changes: Mapping[KeyPath, Any], keep: Callable[[bytes], None] = lambda _: None
) -> bool:
    """Change values in the file at `path`; false if they were so already.

    Args:
        path: the settings file.
        changes: new values by key; None takes the key out.
        keep: called with what stood in the file just before it is replaced.

    Raises:
        AppError: if the file cannot be read, edited or written.
        SettingsError: if the result, with the glider file it names, is not valid; the file is unchanged then.
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
