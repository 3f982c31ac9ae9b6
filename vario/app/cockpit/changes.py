"""Changes made on the live page. They take the same path as `vario set` and `vario mark`."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

KEYS = ("maccready", "ballast", "bugs", "volume", "mode")
MARK = "mark"
LONGEST_VALUE = 80


class ChangeRefusedError(Exception):
    """The change is invalid or cannot be made. The message is for the pilot."""


class Changes:
    """Makes changes one after the other, outside the loop of the server.

    Args:
        config: the settings file; None: nothing can be changed.
        marks: folder for marks; None: beside the settings file.
    """

    def __init__(self, config: Path | None, marks: Path | None) -> None:
        self._config = config
        self._marks = marks
        self._one_at_a_time = asyncio.Lock()

    async def make(self, body: dict[str, Any]) -> str:
        """Make the change `{"key": ..., "value": ...}`; returns a sentence for the pilot.

        Raises:
            ChangeRefusedError: see there.
        """
        key, value = body.get("key"), body.get("value")
        if not isinstance(key, str) or not isinstance(value, str) or len(value) > LONGEST_VALUE:
            raise ChangeRefusedError("expected a key and a value, both texts")
        if self._config is None or key not in (*KEYS, MARK):
            raise ChangeRefusedError(f"{key[:LONGEST_VALUE]}: cannot be changed here")
        async with self._one_at_a_time:
            return await asyncio.to_thread(self._make, key, value, self._config)

    def _make(self, key: str, value: str, config: Path) -> str:
        # Imported when first used: without changes the server needs a third of the memory.
        from vario.app.change.marks import drop_mark, marks_folder
        from vario.app.change.short_names import set_setting
        from vario.app.errors import AppError
        from vario.settings.errors import SettingsError

        try:
            if key == MARK:
                drop_mark(self._marks or marks_folder(config), value, datetime.now(UTC))
                return "marked"
            return set_setting(key, value, config)
        except SettingsError as error:
            # Without the path of the file, because the screen of a phone is small.
            said = "; ".join(f"{problem.subject}: {problem.text}" for problem in error.problems)
            raise ChangeRefusedError(said) from error
        except AppError as error:
            raise ChangeRefusedError(str(error)) from error
        except OSError as error:
            raise ChangeRefusedError(f"{config}: {error.strerror or error}") from error
