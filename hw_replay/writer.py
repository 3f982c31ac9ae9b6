"""Write recordings: an MCAP file with one channel per sensor, its messages in Protocol Buffers.

The container is the open standard MCAP (https://mcap.dev/spec), so general viewers can open a recording. The
metadata is at the start of the file, so that a file truncated by a power failure contains it. A chunk is
closed and passed to the operating system after `chunk_s` seconds of recorded time; a process that is killed
loses at most that much.

An index of the messages (16 bytes each) follows each chunk, and an index of the chunks is at the end of the
file. General viewers need both: without the second many show nothing, and some reject the second without the
first. With the indexes a file is about twice as large, 38 MB per hour with an inertial sensor at 100 Hz.
After a power failure the second index is missing; `vario import` makes a copy that has it.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from mcap.data_stream import RecordBuilder
from mcap.records import ChunkIndex
from mcap.writer import IndexType, Writer

from drivers.events import EVENTS
from drivers.samples import CHANNEL_OF, CHANNELS, Reference, Sample
from hw_replay.chunk import Chunk
from hw_replay.disk import SYSTEM_DISK, Disk
from hw_replay.errors import UnwritableRecording
from hw_replay.event_messages import KIND_OF, encode_event
from hw_replay.messages import (
    LATEST_T_S,
    REFERENCE,
    Encoder,
    encode_reference,
    encoder,
    message_type,
    unit_of,
    units,
)
from hw_replay.metadata import CLOCK, metadata_of
from hw_replay.protobuf import PROTOBUF, MessageType, descriptor_set
from hw_replay.source import RecordingInfo

LIBRARY = "glider-vario"

_CHUNK_INDEXES = "_Writer__chunk_indices"
_CHUNK = "_Writer__chunk_builder"
_STATISTICS = "_Writer__statistics"


class RecordingWriter:
    """Writes samples to a recording in order of arrival.

    The resolution of times is 1 ns: a `t_s` that is a whole number of nanoseconds (below 26 days) and every
    value are read back exactly.

    Args:
        path: file to write; an existing file is replaced.
        info: metadata of the recording.
        chunk_s: length of a chunk in recorded seconds. With short chunks a power failure loses less data;
            long chunks compress slightly better.
        indexed: whether to write both indexes; without them the file is smaller.
        new: reject the name of an existing file.
        disk: the disk to write to.

    Raises:
        FileExistsError: with `new`, if the file exists.
        UnwritableRecording: if the file cannot be written.
    """

    CHUNK_BYTES = 1 << 20
    """Largest size of a chunk, which limits the memory use of readers."""

    def __init__(
        self,
        path: str | os.PathLike[str],
        info: RecordingInfo,
        chunk_s: float = 2.0,
        *,
        indexed: bool = True,
        new: bool = False,
        disk: Disk = SYSTEM_DISK,
    ) -> None:
        self._path = Path(path)
        self._disk = disk
        try:
            self._file = disk.create(self._path, new=new)
        except FileExistsError:
            raise
        except OSError as error:
            raise UnwritableRecording(self._path, error) from error
        index = IndexType.ALL if indexed else IndexType.ATTACHMENT | IndexType.METADATA
        self._writer = Writer(self._file, chunk_size=self.CHUNK_BYTES, index_types=index)
        # Names in the library. Without them it needs more memory and time.
        self._chunk: Chunk | None = None
        self._indexes = _PackedIndexes()
        if {_CHUNK_INDEXES, _CHUNK, _STATISTICS} <= vars(self._writer).keys():
            self._chunk = Chunk()
            vars(self._writer).update({_CHUNK_INDEXES: self._indexes, _CHUNK: self._chunk})
        self._chunk_ns = round(chunk_s * 1e9)
        self._chunk_from_ns = 0
        self.chunks = 0
        """Number of chunks closed after `chunk_s` and passed to the operating system so far."""
        self._ids: dict[str, int] = {}
        self._schemas: dict[str, int] = {}
        self._encoders: dict[type[Sample], tuple[str, int, Encoder]] = {}
        self.counts: Counter[str] = Counter()
        """Number of samples written so far, by topic without its slash ("baro", "reference/vat_mps")."""
        try:
            self._writer.start(library=LIBRARY)
            for name, data in metadata_of(info):
                self._writer.add_metadata(name, data)
            self._file.flush()
        except OSError as error:
            self._discard()
            raise UnwritableRecording(self._path, error) from error

    def write(self, sample: Sample) -> None:
        """Append one sample.

        Raises:
            ValueError: if its time is negative or beyond `LATEST_T_S`, or a value is not finite.
        """
        if not 0.0 <= sample.t_s <= LATEST_T_S:
            raise ValueError(f"sample time {sample.t_s} s: expected 0 to {LATEST_T_S:g} s")
        time_ns = round(sample.t_s * 1e9)
        topic, channel_id, encode = self._encoders.get(type(sample)) or self._encoding(sample)
        data = encode(sample)
        if abs(time_ns - self._chunk_from_ns) >= self._chunk_ns:
            self._writer.flush()  # type: ignore[no-untyped-call] # so in the library
            self._chunk_from_ns = time_ns
            self.chunks += 1
        self.counts[topic] += 1
        chunk = self._chunk
        if chunk is None:
            self._writer.add_message(channel_id, time_ns, data, time_ns)
            return
        if chunk.add(channel_id, time_ns, data) > self.CHUNK_BYTES:
            self._writer.flush()  # type: ignore[no-untyped-call] # likewise

    def note_start_utc(self, start_utc: datetime) -> None:
        """Record UTC at `t_s` = 0, if it was not known at the start of the file."""
        self._writer.add_metadata(CLOCK, {"start_utc": start_utc.isoformat()})

    def sync(self) -> None:
        """Flush the chunks closed so far to the disk; this may take long.

        Raises:
            OSError: if the disk fails.
        """
        self._disk.sync(self._file)

    def close(self) -> None:
        """Finish the file. A second call does nothing."""
        if not self._file.closed:
            try:
                self._state_statistics()
                self._writer.finish()  # type: ignore[no-untyped-call] # likewise
            finally:
                self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _discard(self) -> None:
        """Close and delete a file whose start could not be written."""
        with suppress(OSError):  # closing writes the remaining data, which fails again
            self._file.close()
        with suppress(OSError):
            if self._path.is_file():  # a device is not deleted
                self._disk.remove(self._path)

    def _state_statistics(self) -> None:
        """Tell the library what it would have counted with each message."""
        if self._chunk is None:
            return
        self._writer.flush()  # type: ignore[no-untyped-call] # likewise
        statistics = vars(self._writer)[_STATISTICS]
        statistics.message_count = sum(self.counts.values())
        statistics.message_start_time, statistics.message_end_time = (
            self._indexes.first_ns,
            self._indexes.last_ns,
        )
        statistics.channel_message_counts.update({self._ids[topic]: n for topic, n in self.counts.items()})

    def _encoding(self, sample: Sample) -> tuple[str, int, Encoder]:
        """Topic, channel and encoder of a sample; those of a sensor are kept."""
        kind = type(sample)
        if isinstance(sample, Reference):
            topic = f"reference/{sample.name}"
            unit = {"value": unit_of(sample.name) or "1"}
            return topic, self._ids.get(topic) or self._register(topic, REFERENCE, unit), encode_reference
        if isinstance(sample, EVENTS):
            event = KIND_OF[type(sample)]
            return (
                event.topic,
                self._ids.get(event.topic) or self._register(event.topic, event.message, {}),
                encode_event,
            )
        channel = CHANNELS[CHANNEL_OF[kind]]
        channel_id = self._register(channel.name, message_type(channel), units(channel))
        self._encoders[kind] = channel.name, channel_id, encoder(channel)
        return self._encoders[kind]

    def _register(self, topic: str, message: MessageType, metadata: dict[str, str]) -> int:
        schema_id = self._schemas.get(message.name)
        if schema_id is None:
            schema_id = self._writer.register_schema(message.name, PROTOBUF, descriptor_set(message))
            self._schemas[message.name] = schema_id
        self._ids[topic] = self._writer.register_channel(f"/{topic}", PROTOBUF, schema_id, metadata)
        return self._ids[topic]


class _PackedIndexes:
    """The index of the chunks, kept as the bytes for the end of the file, about 200 bytes per chunk.

    The objects of the library are ten times as large: 100 MB for a day with chunks of 1 s.
    """

    def __init__(self) -> None:
        self._packed = bytearray()
        self.first_ns = self.last_ns = 0
        """The earliest and the latest message of the file so far."""

    def append(self, index: ChunkIndex) -> None:
        start_ns = index.message_start_time
        self.first_ns = min(start_ns, self.first_ns) if self._packed else start_ns
        self.last_ns = max(index.message_end_time, self.last_ns)
        builder = RecordBuilder()
        index.write(builder)
        self._packed += builder.end()  # type: ignore[no-untyped-call] # so in the library

    def __iter__(self) -> Iterator[Self]:
        """All entries together, as one object that can be written."""
        yield self

    def write(self, builder: RecordBuilder) -> None:
        builder.write(self._packed)
