"""What may wait for the card, beside the loop: settings changed in their file, marks dropped in a folder."""

from __future__ import annotations

import logging
import queue
import threading
from pathlib import Path

from drivers.events import Event, Mark
from vario.app.changes import SettingsWatch

LOG = logging.getLogger("vario.live")

LOOK_EVERY_S = 0.5


class SideWatch:
    """Looks at the files twice a second, in a thread of its own.

    The events it finds carry no time: the loop stamps them when it takes them.

    Args:
        settings: the settings file in force; None: there is none.
        marks: folder with dropped marks; None: none are looked for.
    """

    def __init__(self, settings: Path | None, marks: Path | None) -> None:
        self._watch = None if settings is None else SettingsWatch(settings)
        self._marks = marks
        self._seen = set(self._mark_files())
        self._found: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._work, name="side", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def take(self) -> Event | None:
        """The next event found, if there is one."""
        try:
            return self._found.get_nowait()
        except queue.Empty:
            return None

    def look(self) -> None:
        """Look once."""
        change = None if self._watch is None else self._watch.poll(0.0)
        if change is not None:
            self._found.put(change)
        for path in self._mark_files():
            if path in self._seen:
                continue
            self._seen.add(path)
            try:
                text = " ".join(path.read_text(encoding="utf-8", errors="replace").split())
            except OSError as error:
                LOG.warning("mark %s: %s", path, error.strerror)
                continue
            self._found.put(Mark(0.0, text))

    def close(self) -> None:
        """Look no more."""
        self._ends.set()
        if self._thread.is_alive():
            self._thread.join()

    def _mark_files(self) -> list[Path]:
        return [] if self._marks is None else sorted(self._marks.glob("*.mark"))

    def _work(self) -> None:
        while not self._ends.wait(LOOK_EVERY_S):
            self.look()
