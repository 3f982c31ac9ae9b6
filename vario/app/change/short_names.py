"""`vario set KEY VALUE`: change one setting in the file, in flight too.

The file is changed only if the result is valid, and in one stroke, so an instrument that watches it never
sees half of a change. Changes made at once by several programs follow one another, and none is lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from vario.app.change.settings_file import change_settings
from vario.app.errors import AppError
from vario.settings.keys import keys
from vario.settings.schema import Settings
from vario.settings.toml_text import Path as KeyPath

SETTABLE: Mapping[str, KeyPath] = MappingProxyType(
    {
        "maccready": ("flight", "maccready"),
        "ballast": ("flight", "ballast"),
        "bugs": ("flight", "bugs"),
        "mode": ("flight", "mode"),
        "volume": ("tone", "volume"),
    }
)
"""What can be set by its short name; `goal` beside them sets three keys at once."""

GOAL = ("latitude", "longitude", "elevation")
GOAL_WANTED = 'goal wants "LATITUDE LONGITUDE ELEVATION", such as "50.12 10.34 420 m", or none'


def set_setting(name: str, text: str, path: Path) -> str:
    """Change one setting in the file at `path`; returns what was done, for the user.

    Raises:
        AppError: if there is no such key, or the file cannot be read, edited or written.
        SettingsError: if the settings would not be valid; the file is unchanged then.
    """
    changes = _goal(text) if name == "goal" else _one(name, text)
    return f"{name} is now {text}" if change_settings(path, changes) else f"{name} is {text} already"


def _one(name: str, text: str) -> dict[KeyPath, Any]:
    if name not in SETTABLE:
        raise AppError(f"{name}: cannot be set this way; expected {', '.join(SETTABLE)} or goal")
    path = SETTABLE[name]
    key = keys(Settings)[path]
    is_number = key.dimension is None and not key.choices
    return {path: _number(text) if is_number else text}


def _goal(text: str) -> dict[KeyPath, Any]:
    if text.strip() == "none":
        return {("goal", name): None for name in GOAL}
    parts = text.replace(",", " ").split(maxsplit=2)
    if len(parts) != len(GOAL):
        raise AppError(f'goal = "{text}": {GOAL_WANTED}')
    latitude, longitude = (_number(part) for part in parts[:2])
    if isinstance(latitude, str) or isinstance(longitude, str):
        raise AppError(f'goal = "{text}": {GOAL_WANTED}')
    return dict(zip((("goal", name) for name in GOAL), (latitude, longitude, parts[2]), strict=True))


def _number(text: str) -> float | str:
    """The number, or the text as it is, which the schema then complains about in its own words."""
    try:
        return float(text)
    except ValueError:
        return text
