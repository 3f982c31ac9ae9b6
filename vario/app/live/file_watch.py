"""Read changed settings and dropped marks in a separate thread, because file access may be slow."""

from __future__ import annotations

import logging
import queue
import threading
import time
from pathlib import Path

from drivers.events import SAY, Event, Mark, PilotAction
from vario.app.change.changes import SettingsWatch
from vario.app.change.marks import MARK_ENDING, REQUEST_ENDING, dropped_text
from vario.app.change.watched import WatchedFolder
from vario.app.outlet import Seldom

LOG = logging.getLogger("vario.live")

LOOK_EVERY_S = 0.5
SOON_S = 0.05
SOON_LOOKS = 4
"""After `soon`, the next checks are closer together: a file must be unchanged from one to the next."""


class FileWatch:
    """Checks the files periodically in a separate thread.

    The events have no time: the loop sets it when it takes them.

    Args:
        settings: the settings file in force; None: none.
        marks: folder with marks; None: none.
        every_s: interval of the checks.
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
        self._soon = threading.Event()
        self._thread = threading.Thread(target=self._work, name="files", daemon=True)

    def start(self) -> None:
        """Start the thread."""
        if self._watched is not None:
            self._watched.hold()
        self._thread.start()

    def take(self) -> Event | None:
        """The next event, if there is one."""
        try:
            return self._found.get_nowait()
        except queue.Empty:
            return None

    def look(self) -> None:
        """Check once."""
        if self._watched is not None:
            self._watched.hold()
        if self._watch is not None:
            change = self._watch.poll(0.0)
            if change is not None:
                self._found.put(change)
            if self._watch.problem is not None:
                self._complain("%s", self._watch.problem)
        if self._marks is not None and self._marks.exists() and not self._marks.is_dir():
            self._complain("marks: %s is not a folder; no mark is read", self._marks)
        for path in self._mark_files():
            try:
                text = dropped_text(path)
            except OSError as error:
                LOG.warning("mark %s: %s", path, error.strerror)
                self._seen.add(path)
                continue
            if text:  # an empty file may not be complete yet
                self._seen.add(path)
                is_request = path.suffix == REQUEST_ENDING
                self._found.put(PilotAction(0.0, SAY, text) if is_request else Mark(0.0, text))

    def soon(self) -> None:
        """A file has just been changed: read it without waiting for the next check."""
        self._soon.set()

    def close(self) -> None:
        """Stop the thread."""
        self._ends.set()
        self._soon.set()
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
        dropped = (path for end in (MARK_ENDING, REQUEST_ENDING) for path in self._marks.glob(f"*{end}"))
        new = (path for path in dropped if path not in self._seen)
        # Reading something other than a regular file, such as a pipe, may never end.
        return sorted(path for path in new if path.is_file())

    def _work(self) -> None:
        said = ""
        looks = 0
        while True:
            # A step of a knob must be in force soon after it. It wakes this thread.
            if self._soon.wait(SOON_S if looks else self._every_s):
                self._soon.clear()
                looks = SOON_LOOKS
            if self._ends.is_set():
                return
            looks = max(looks - 1, 0)
            try:
                self.look()
            except Exception as error:  # after any error, later marks and settings must still be found
                if repr(error) != said:
                    LOG.exception("reading marks and changed settings failed; it continues")
                said = repr(error)
