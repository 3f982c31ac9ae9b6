"""Changes of settings in flight: detect them in the file, make an event, apply or refuse it.

The event contains the text, not the result, and is processed by the same code live and in a replay.
Therefore a recording with a change replays as it was flown.
"""

from __future__ import annotations

from pathlib import Path

from drivers.events import SettingsChange
from drivers.quick import dataclass
from hw_replay.bounded_toml import parse_toml
from hw_replay.regular_file import open_regular
from vario.app.files.atomic import being_written
from vario.flight.pipeline import Pipeline
from vario.settings.errors import SettingsError
from vario.settings.load import may_be_glider, parse_settings
from vario.settings.read import LARGEST_FILE_BYTES

UNFINISHED_POLLS = 5
"""Number of polls for which a file that is empty or ends within a line must be unchanged. An editor that
saves in place leaves such a file for a moment, longer on a slow card. Read as settings, it would give
mostly defaults.
"""

UNREADABLE_POLLS = 4
"""Number of polls for which a file must be unreadable before this is a problem: an editor may be replacing
it.
"""


def apply_change(change: SettingsChange, pipeline: Pipeline) -> SettingsError | None:
    """Apply changed settings, or keep the old ones and return the faults."""
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
    """The glider file as named in the settings."""

    @property
    def look_finished(self) -> bool:
        return all(text.endswith("\n") for text in (self.settings, self.glider) if text is not None)


class SettingsWatch:
    """Detects changes of a settings file and of the glider file that it names.

    A file is read only if it is unchanged from one poll to the next, and for longer if it looks
    incomplete. So a file that an editor is still writing is neither reported as invalid nor used without
    its missing part. A file that is missing or unreadable for the moment changes nothing.

    Args:
        path: the settings file, whose present content is in force.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._taken = _texts(path)
        self._seen = self._taken
        self._rested = 0
        self._unreadable = 0

    @property
    def problem(self) -> str | None:
        """Why changes are not detected; None if they are."""
        if self._unreadable < UNREADABLE_POLLS:
            return None
        try:
            _content(self._path)
        except (OSError, ValueError) as error:
            reason = error.strerror if isinstance(error, OSError) else error
            return f"{self._path}: cannot be read: {reason}; the settings in force stay"
        return None

    def poll(self, t_s: float) -> SettingsChange | None:
        """The change to apply now, if there is one. Call this about twice a second."""
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
        return False  # missing for the moment


def _texts(path: Path, before: _Texts | None = None) -> _Texts | None:
    """The content of the files; `before` avoids reading an unchanged text again."""
    settings = _text(path)
    if settings is None:
        return None
    if before is not None and settings == before.settings:
        named = before.named
        return _Texts(settings, _glider_text(path.parent, named), named)
    try:
        named = parse_toml(settings).get("glider")
    except ValueError:
        named = None
    if not isinstance(named, str) or not named:
        return _Texts(settings, None, None)
    return _Texts(settings, _glider_text(path.parent, named), named)


def _glider_text(folder: Path, named: str | None) -> str | None:
    """The text of the glider file, which goes into the recording: no other file may get there."""
    if named is None or not may_be_glider(folder / named):
        return None
    return _text(folder / named)


def _text(path: Path) -> str | None:
    try:
        return _content(path)
    except (OSError, ValueError):
        return None


def _content(path: Path) -> str:
    """The text of a file. Bytes that are not UTF-8 give a text that is no valid TOML, and so is refused.

    Raises:
        OSError: if it cannot be read or is not a regular file.
        ValueError: if it is too large: its beginning alone would be other settings.
    """
    with open_regular(path) as stream:
        content = stream.read(LARGEST_FILE_BYTES + 1)
    if len(content) > LARGEST_FILE_BYTES:
        raise ValueError(f"larger than {LARGEST_FILE_BYTES // 1024} kB")
    return content.decode("utf-8-sig", errors="replace")
