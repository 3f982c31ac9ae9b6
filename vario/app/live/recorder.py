"""The recorder writes every sample to the card in a separate thread, so that the loop never waits for it.

A file contains one flight. It is written in chunks of one second, each readable by itself, and flushed to
the card at the interval of the settings. A power failure loses the current chunk. If the card is full,
missing or read-only, the flight continues: the samples are counted as lost, and a new file is tried at
intervals.
"""

from __future__ import annotations

import logging
import queue
import re
import threading
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from drivers.quick import dataclass
from drivers.samples import Reference, Sample
from hw_replay.disk import SYSTEM_DISK, Disk
from hw_replay.errors import RecordingError
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from vario.app.outlet import Seldom

LOG = logging.getLogger("vario.live")

CHUNK_S = 1.0

UTC_OFFSET = "utc_offset_s"
"""The reference with the date: seconds from 1970 to `t_s` = 0."""

RETRY_S = 10.0
"""Interval between attempts after a failure of the card."""

LEAST_FREE_BYTES = 4 << 20
"""With less free space than this no new file is begun, because it would contain only a few seconds."""

MOST_WAITING = 60_000
"""Maximum number of samples that wait for a slow card (about three minutes). More are counted as lost."""

_NUMBERED = re.compile(r"(\d{5})(?:_.*)?\.mcap")


@dataclass(frozen=True, slots=True)
class RecorderStatus:
    """The status of the recorder for display.

    Attributes:
        file: the current file; None: none.
        written: samples passed on to the card so far.
        lost: samples that could not be written.
        problem: why nothing is written.
        waiting: samples that wait for a slow card.
        memory: the file system of the folder, if its files are lost at power-off.
    """

    file: Path | None
    written: int
    lost: int
    problem: str | None
    waiting: int = 0
    memory: str | None = None


class FlightFiles:
    """The recording files, numbered consecutively. Time is that of the samples.

    Args:
        folder: where to write; created if missing.
        sync_s: interval between flushes to the card; 0: decided by the system.
        disk: the disk of the folder.
    """

    def __init__(
        self,
        folder: Path,
        sync_s: float,
        disk: Disk = SYSTEM_DISK,
    ) -> None:
        self._folder = folder
        self._sync_s = sync_s
        self._disk = disk
        self._writer: RecordingWriter | None = None
        self._info: RecordingInfo | None = None
        self._path: Path | None = None
        self._last_sync_s = 0.0
        self._chunks = 0
        self._retry_s = 0.0
        self._written = 0
        self._lost = 0
        self._unsure = 0
        self._problem: str | None = None
        self._memory: str | None = None
        self._seldom = Seldom()

    @property
    def status(self) -> RecorderStatus:
        """The present status."""
        return RecorderStatus(self._path, self._written, self._lost, self._problem, memory=self._memory)

    def begin(self, info: RecordingInfo) -> None:
        """Begin a file with this header at the next sample."""
        self.end()
        self._info = info
        self._retry_s = 0.0

    def write(self, sample: Sample) -> None:
        """Write one sample into the file, or count it as lost."""
        writer = self._writer or self._open(sample.t_s)
        if writer is None:
            self._lost += 1
            return
        try:
            if type(sample) is Reference and sample.name == UTC_OFFSET:
                self._date(writer, datetime.fromtimestamp(sample.value, UTC))
            writer.write(sample)
            self._written += 1
            self._unsure += 1
            if writer.chunks != self._chunks:
                self._chunks = writer.chunks
                self._unsure = 1  # this sample belongs to the next chunk
                # Half a chunk of tolerance: "every second" must mean every chunk, not every other one.
                if self._sync_s and sample.t_s - self._last_sync_s >= self._sync_s - CHUNK_S / 2:
                    self._last_sync_s = sample.t_s
                    writer.sync()
        except OSError as error:
            # The current chunk is lost with it.
            self._lost += 1 + self._unsure
            self._written -= self._unsure
            self._refused(f"{self._path}: {error.strerror or error}", sample.t_s)

    def end(self) -> None:
        """Complete the file."""
        writer, path = self._writer, self._path
        self._writer = self._path = None
        if writer is None or path is None:
            return
        try:
            writer.close()
            self._disk.sync_path(path)
            if self._info is not None and self._info.start_utc is not None:
                dated = path.with_name(f"{path.stem}_{self._info.start_utc:%Y-%m-%d}.mcap")
                self._disk.rename_free(path, dated)  # if this name is taken, the number alone is sufficient
            self._disk.sync_path(self._folder)
        except OSError as error:
            LOG.error("recorder: %s could not be finished: %s", path, error.strerror or error)

    def _date(self, writer: RecordingWriter, at_zero: datetime) -> None:
        """The date has become known, or known more exactly, while this file was being written."""
        if self._info is not None:
            self._info = replace(self._info, start_utc=at_zero)
        writer.note_start_utc(at_zero)

    def _open(self, t_s: float) -> RecordingWriter | None:
        if self._info is None or t_s < self._retry_s:
            return None
        try:
            self._disk.make_folder(self._folder)
            free = self._disk.free_bytes(self._folder)
            if free < LEAST_FREE_BYTES:
                self._refused(f"{self._folder}: {free >> 20} MB left, the card is full", t_s)
                return None
            self._writer = self._new_file(self._info)
            self._disk.sync_path(self._folder)  # otherwise a power failure may lose the name of the file
        except RecordingError as error:
            self._refused(str(error), t_s)
            return None
        except OSError as error:
            self._refused(f"{self._folder}: cannot be used: {error.strerror or error}", t_s)
            return None
        self._last_sync_s, self._chunks, self._unsure = t_s, 0, 0
        if self._problem is not None and self._seldom.may_say("again", t_s):
            LOG.warning("recorder: recording again")
        self._problem = None
        LOG.info("recorder: writing %s", self._path)
        self._memory = self._disk.file_system(self._folder).in_memory
        if self._memory is not None:
            LOG.error(
                "recorder: %s is in memory (%s): this recording is lost when the power is switched off. "
                "Name a folder on the card",
                self._folder,
                self._memory,
            )
        return self._writer

    def _new_file(self, info: RecordingInfo) -> RecordingWriter:
        """A file with the next free number; another program may have taken a number meanwhile."""
        number = _next_number(self._folder)
        while True:
            self._path = self._folder / f"{number:05}.mcap"
            numbered = replace(info, title=info.title.format(number=number))
            try:
                return RecordingWriter(self._path, numbered, CHUNK_S, new=True, disk=self._disk)
            except FileExistsError:
                number += 1

    def _refused(self, problem: str, t_s: float) -> None:
        if self._seldom.may_say("refused", t_s):
            LOG.error("recorder: %s. The flight continues without recording", problem)
        self._problem = problem
        self._retry_s = t_s + RETRY_S
        writer, self._writer, self._path = self._writer, None, None
        if writer is not None:
            with suppress(OSError):
                writer.close()


def _next_number(folder: Path) -> int:
    found = (_NUMBERED.fullmatch(path.name) for path in folder.iterdir())
    return max((int(match[1]) for match in found if match), default=0) + 1


class Recorder:
    """`FlightFiles` in a separate thread. No method except `close` waits for the card."""

    def __init__(self, files: FlightFiles) -> None:
        self._files = files
        self._queue: queue.SimpleQueue[Sample | RecordingInfo | None] = queue.SimpleQueue()
        self._dropped = 0
        self._thread = threading.Thread(target=self._work, name="recorder", daemon=True)
        self._thread.start()

    @property
    def status(self) -> RecorderStatus:
        """The present status."""
        status = self._files.status
        return replace(status, lost=status.lost + self._dropped, waiting=self.waiting)

    @property
    def waiting(self) -> int:
        """Number of samples that wait for the card."""
        return self._queue.qsize()

    def begin(self, info: RecordingInfo) -> None:
        """End the file and begin another one with this header."""
        self._queue.put(info)

    def put(self, sample: Sample) -> None:
        """Record one sample."""
        if self._queue.qsize() < MOST_WAITING:
            self._queue.put(sample)
        else:
            self._dropped += 1

    def close(self, timeout_s: float = 10.0) -> None:
        """Write the waiting samples and finish the file; stop waiting for the card after the time limit."""
        self._queue.put(None)
        self._thread.join(timeout_s)

    def _work(self) -> None:
        while True:
            item = self._queue.get()
            if item is None:
                self._files.end()
                return
            try:
                if isinstance(item, RecordingInfo):
                    self._files.begin(item)
                else:
                    self._files.write(item)
            except Exception:  # the thread must survive any error: the next file may work
                LOG.exception("recorder: failed")
