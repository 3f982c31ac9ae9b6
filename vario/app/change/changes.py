"""Settings that change while flying: noticed in the file, made an event, taken by the instrument or refused.

The event carries the text, not the outcome, and it goes through the same door live and in a replay, so a
recording with a change in it replays as it was flown.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path

from drivers.events import SettingsChange
from hw_replay.disk import open_regular
from vario.app.atomic import being_written
from vario.flight.pipeline import Pipeline
from vario.settings.errors import SettingsError
from vario.settings.load import parse_settings

LARGEST_BYTES = 256 * 1024

UNFINISHED_POLLS = 5
"""So often a file must be found the same that is empty or ends within a line. An editor that saves in place
leaves one for a moment, on a slow card for longer, and read as settings it would be mostly defaults."""

UNREADABLE_POLLS = 4
"""So often a file must be found that cannot be read before that is a problem: an editor may be exchanging
it."""


def apply_change(change: SettingsChange, pipeline: Pipeline) -> SettingsError | None:
    """Give changed settings to the instrument, or keep the old ones and return what is wrong."""
    try:
        loaded = parse_settings(
            change.settings_toml, "changed settings", change.glider_toml, "changed glider file"
        )
    except SettingsError as error:
        pipeline.reject_change()
        return error
    pipeline.change(loaded.settings, loaded.glider)
    return None


@dataclass(frozen=True, slots=True)
class _Texts:
    settings: str
    glider: str | None
    named: str | None
    """The glider file as the settings name it."""

    @property
    def look_finished(self) -> bool:
        return all(text.endswith("\n") for text in (self.settings, self.glider) if text is not None)


class SettingsWatch:
    """Looks at a settings file, and the glider file it names, for changes.

    A file is read only when it has rested from one poll to the next, and longer if it looks unfinished, so
    that one half written by an editor is not taken for a wrong one, or for a right one with less in it.
    A file that is gone or cannot be read for now changes nothing.

    Args:
        path: the settings file, as it is in force now.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._taken = _texts(path)
        self._seen = self._taken
        self._rested = 0
        self._unreadable = 0

    @property
    def problem(self) -> str | None:
        """Why changes are not noticed; None if they are."""
        if self._unreadable < UNREADABLE_POLLS:
            return None
        try:
            open_regular(self._path).close()
        except (OSError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) else error
            return f"{self._path}: cannot be read: {reason}; the settings in force stay"
        return None

    def poll(self, t_s: float) -> SettingsChange | None:
        """The change to apply now, if there is one; call it about twice a second."""
        writing = self._seen != self._taken and _is_written(self._path)
        found = _texts(self._path, self._seen)
        self._rested = self._rested + 1 if found == self._seen else 0
        self._seen = found
        self._unreadable = self._unreadable + 1 if found is None else 0
        if found is None or found == self._taken or writing:
            return None
        if self._rested < (1 if found.look_finished else UNFINISHED_POLLS):
            return None
        self._taken = found
        return SettingsChange(t_s, found.settings, found.glider)


def _is_written(path: Path) -> bool:
    try:
        return being_written(path)
    except OSError:
        return False  # gone for now


def _texts(path: Path, before: _Texts | None = None) -> _Texts | None:
    """What the files say; `before` saves reading a text again that is the same."""
    settings = _text(path)
    if settings is None:
        return None
    if before is not None and settings == before.settings:
        named = before.named
        return _Texts(settings, None if named is None else _text(path.parent / named), named)
    try:
        named = tomllib.loads(settings).get("glider")
    except (ValueError, RecursionError):  # the second: brackets nested a thousand deep
        named = None
    if not isinstance(named, str) or not named:
        return _Texts(settings, None, None)
    return _Texts(settings, _text(path.parent / named), named)


def _text(path: Path) -> str | None:
    try:
        with open_regular(path) as stream:
            content = stream.read(LARGEST_BYTES + 1)
    except (OSError, ValueError):
        return None
    # What is no text becomes one that no settings file can be, and is refused with a message.
    text = content.decode("utf-8-sig", errors="replace")
    return text[:LARGEST_BYTES]
