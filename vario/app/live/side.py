"""What may wait for the card, beside the loop: settings changed in their file, marks dropped in a folder."""

from __future__ import annotations

import logging
import queue
import threading
import time
from pathlib import Path

from drivers.events import Event, Mark
from vario.app.change.changes import SettingsWatch
from vario.app.change.marks import dropped_text
from vario.app.change.watched import WatchedFolder
from vario.outlet import Seldom

LOG = logging.getLogger("vario.live")

LOOK_EVERY_S = 0.5


class SideWatch:
    """Looks at the files now and then, in a thread of its own.

    The events it finds carry no time: the loop stamps them when it takes them.

    Args:
        settings: the settings file in force; None: there is none.
        marks: folder with dropped marks; None: none are looked for.
        every_s: how often.
    """

    def __init__(self, settings: Path | None, marks: Path | None, every_s: float = LOOK_EVERY_S) -> None:
        self._every_s = every_s
        self._watch = None if settings is None else SettingsWatch(settings)
        self._marks = marks
        self._watched = None if marks is None else WatchedFolder(marks)
        self._seen: set[Path] = set()
        self._seen.update(self._mark_files())
        self._seldom = Seldom()
        self._found: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._work, name="side", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        if self._watched is not None:
            self._watched.hold()
        self._thread.start()

    def take(self) -> Event | None:
        """The next event found, if there is one."""
        try:
            return self._found.get_nowait()
        except queue.Empty:
            return None

    def look(self) -> None:
        """Look once."""
        if self._watched is not None:
            self._watched.hold()
        if self._watch is not None:
            change = self._watch.poll(0.0)
            if change is not None:
                self._found.put(change)
            if self._watch.problem is not None:
                self._complain("%s", self._watch.problem)
        if self._marks is not None and self._marks.exists() and not self._marks.is_dir():
            self._complain("marks: %s is not a folder; no mark is taken", self._marks)
        for path in self._mark_files():
            try:
                text = dropped_text(path)
            except OSError as error:
                LOG.warning("mark %s: %s", path, error.strerror)
                self._seen.add(path)
                continue
            if text:  # an empty file may still be written to
                self._seen.add(path)
                self._found.put(Mark(0.0, text))

    def close(self) -> None:
        """Look no more."""
        self._ends.set()
        if self._thread.is_alive():
            self._thread.join()
        if self._watched is not None:
            self._watched.release()

    def _complain(self, words: str, about: object) -> None:
        if self._seldom.may_say(words, time.monotonic()):
            LOG.warning(words, about)

    def _mark_files(self) -> list[Path]:
        if self._marks is None:
            return []
        new = (path for path in self._marks.glob("*.mark") if path not in self._seen)
        # Reading anything but a file, such as a pipe, might never end.
        return sorted(path for path in new if path.is_file())

    def _work(self) -> None:
        said = ""
        while not self._ends.wait(self._every_s):
            try:
                self.look()
            except Exception as error:  # whatever it is, later marks and settings must still be found
                if repr(error) != said:
                    LOG.exception("looking for marks and changed settings failed; it goes on")
                said = repr(error)
