"""`vario set KEY VALUE`: change one setting in the file, also in flight.

The file is changed only if the result is valid, and atomically, so a running instrument never reads a
partial change. Concurrent changes by several programs are made one after the other, and none is lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from math import isfinite
from pathlib import Path
from typing import Any

from vario.app.change.settings_file import change_settings
from vario.app.errors import AppError
from vario.settings.keys import keys
from vario.settings.near import nearest
from vario.settings.schema import Settings
from vario.settings.short_names import SHORT_NAMES, ShortNameError, goal_values
from vario.settings.toml_text import Path as KeyPath
from vario.settings.toml_text import dotted


def set_setting(name: str, text: str, path: Path) -> str:
    """Change one setting in the file at `path`; returns the text to print.

    Raises:
        AppError: if the key is unknown, or the file cannot be read, edited or written.
        SettingsError: if the settings would be invalid; the file is then unchanged.
    """
    changes = _goal(text) if name == "goal" else _one(name, text, path)
    return f"{name} is now {text}" if change_settings(path, changes) else f"{name} is {text} already"


def _one(name: str, text: str, file: Path) -> dict[KeyPath, Any]:
    whole = {dotted(path): path for path in SHORT_NAMES.values()}
    path = SHORT_NAMES.get(name) or whole.get(name)
    if path is None:
        raise AppError(f"{name}: cannot be set this way; {_suggestion(name, file)}")
    key = keys(Settings)[path]
    is_number = key.dimension is None and not key.choices
    return {path: _number(text) if is_number else text}


def _suggestion(name: str, file: Path) -> str:
    """The short name most similar to `name`, and where to write a setting that has no short name."""
    last = name.rpartition(".")[2]
    near = nearest(last, [*SHORT_NAMES, "goal"])
    if last == "mass":
        near = "ballast (the water on board)"
    hints = [f"did you mean {near}?"] if near else []
    # A key of `display` is the unit of a quantity, not a value.
    named = [path for path in keys(Settings) if path[-1] == last and path[0] != "display"]
    others = [dotted(path) for path in named if name in (last, dotted(path))]
    if others:
        hints.append(f"{' and '.join(others)} can be changed with an editor, in {file}")
    return " ".join(hints) or f"expected {', '.join(SHORT_NAMES)} or goal"


def _goal(text: str) -> Mapping[KeyPath, Any]:
    try:
        return goal_values(text)
    except ShortNameError as error:
        raise AppError(f'goal = "{text}": {error}') from None


def _number(text: str) -> float | str:
    """The number, or the unchanged text, for which the schema then gives its own message."""
    for kind in (int, float):
        with suppress(ValueError):
            number = kind(text)
            return number if isfinite(number) else text
    return text
