"""Read recordings: MCAP files with one channel per sensor, as written by `hw_replay.writer`."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from mcap.records import Channel, Chunk, Message, Schema

from drivers.samples import Sample
from hw_replay.container import (
    DAMAGE,
    chunk_content,
    read_late_metadata,
    read_metadata,
    read_summary,
    records,
)
from hw_replay.decoding import Decoding
from hw_replay.files import open_binary
from hw_replay.metadata import CLOCK, info_of, with_late_start
from hw_replay.source import RecordingInfo


class Recording:
    """A recording opened for reading: a `Source` that yields the samples in order of arrival.

    Reading is sequential, with one chunk in memory at a time. The checksum of a chunk is verified before its
    samples are used. A truncated file yields all samples up to its last complete chunk.

    Args:
        path: an MCAP file, from this project or with the same topics and messages.

    Raises:
        RecordingError: if it cannot be opened, or a later version of this project wrote it.
        CorruptRecording: if the file ends before its metadata is complete.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._path = Path(path)
        with open_binary(self._path) as file:
            self._info = info_of(read_metadata(file, self._path), self._path)
            if self._info.start_utc is None:
                self._info = with_late_start(self._info, read_late_metadata(file, CLOCK) or {})
            self._duration_s, self._known, self._count = read_summary(file)
        self._reached_s = 0.0
        self._begin()

    @property
    def info(self) -> RecordingInfo:
        """The metadata of the recording."""
        return self._info

    @property
    def duration_s(self) -> float | None:
        """Last minus first sample time, s; None if the recording was not closed."""
        return self._duration_s

    def rejected(self) -> int:
        """Number of messages rejected so far."""
        return self._decoding.rejects.total

    def warnings(self) -> list[str]:
        """Rejected or damaged data so far, one sentence each."""
        sentences = [*self._info.doubts, *self._decoding.rejects.messages()]
        if self._decoding.ignored:
            topics = ", ".join(f"{topic} ({count})" for topic, count in self._decoding.ignored.most_common(5))
            more = ", …" if len(self._decoding.ignored) > 5 else ""
            sentences.append(f"messages on unknown topics were ignored: {topics}{more}")
        if self._bad_chunks:
            where = f"after {self._bad_chunk_after_s:.1f} s" if self._bad_chunk_after_s else "at the start"
            plural = "s" if self._bad_chunks > 1 else ""
            sentences.append(f"{self._bad_chunks} damaged chunk{plural} left out, the first {where}")
        missing = self._count - self._decoding.messages
        if self._ended and missing > 0 and not self._bad_chunks and not self._truncated:
            sentences.append(f"{missing} messages are missing: a damaged part was skipped")
        if self._truncated:
            sentences.append(f"the recording is truncated; everything up to {self._reached_s:.1f} s was read")
        return sentences

    def __iter__(self) -> Iterator[Sample]:
        self._begin()
        with open_binary(self._path) as file:
            try:
                for record in records(file):
                    if isinstance(record, Chunk):
                        yield from self._chunk(record)
                    elif isinstance(record, Schema | Channel):
                        self._decoding.register(record)
                    elif isinstance(record, Message):  # other writers may write no chunks
                        sample = self._decoding.sample(record.channel_id, record.log_time, record.data)
                        if sample is not None:
                            self._reached_s = max(self._reached_s, sample.t_s)
                            yield sample
                self._ended = True
            except DAMAGE:
                self._truncated = True

    def _begin(self) -> None:
        self._bad_chunks = 0
        self._bad_chunk_after_s: float | None = None
        self._truncated = self._ended = False
        self._reached_s = 0.0
        self._decoding: Decoding = Decoding(self._known)

    def _chunk(self, chunk: Chunk) -> list[Sample]:
        """The samples of a chunk; none if it is damaged."""
        try:
            content = chunk_content(chunk)
        except DAMAGE:
            self._bad_chunks += 1
            if self._bad_chunks == 1:
                self._bad_chunk_after_s = self._reached_s
            return []
        samples = self._decoding.samples(content)
        self._reached_s = max([self._reached_s, *[sample.t_s for sample in samples]])
        return samples
