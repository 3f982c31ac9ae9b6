"""Recordings, written: an MCAP file with one JSON channel a sensor.

The container is the open standard MCAP (https://mcap.dev/spec), so general viewers open a recording
too. What the recording says about itself comes first, so that a file cut off by a power failure
still has it. A chunk is closed, and handed to the operating system, after `chunk_s` seconds of
recorded time: a cut costs at most that much.

Behind each chunk stands an index of its messages, 16 bytes each, and at the end of the file an index of the
chunks. A general viewer needs both: without the second many show nothing, and some refuse the second without
the first. That makes a file 2.3 times as large, 34 MB an hour with an inertial sensor at 100 Hz. A power cut
costs the second; `vario import` makes a copy that has it.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from mcap.data_stream import RecordBuilder
from mcap.records import ChunkIndex
from mcap.writer import IndexType, Writer

from drivers.events import Mark, SettingsChange
from drivers.samples import CHANNEL_OF, CHANNELS, Reference, Sample
from hw_replay.disk import SYSTEM_DISK, Disk
from hw_replay.errors import UnwritableRecording
from hw_replay.event_messages import KIND_OF, encode_event, event_schema
from hw_replay.messages import (
    LATEST_T_S,
    Encoder,
    encode_reference,
    encoder,
    json_schema,
    reference_schema,
    schema_name,
)
from hw_replay.metadata import CLOCK, metadata_of
from hw_replay.source import RecordingInfo

LIBRARY = "glider-vario"

_CHUNK_INDEXES = "_Writer__chunk_indices"


class RecordingWriter:
    """Writes samples to a recording, in the order they arrive.

    Times are kept to the nanosecond: a `t_s` that is a whole number of nanoseconds (below 26 days)
    and every value are read back exactly.

    Args:
        path: file to write; an existing one is replaced.
        info: what the recording says about itself.
        chunk_s: recorded seconds a chunk holds. Short ones lose less in a power cut, long ones
            compress slightly better.
        indexed: with both indexes, or with neither, for a file that has to be small.
        new: refuse a name that is taken.
        disk: where it goes.

    Raises:
        FileExistsError: with `new`, if the name is taken.
        UnwritableRecording: if the file cannot be written.
    """

    CHUNK_BYTES = 1 << 20
    """A chunk ends here at the latest, so that no reader needs more memory than this."""

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
        if _CHUNK_INDEXES in vars(self._writer):  # the library's own name for them; without it, more memory
            vars(self._writer)[_CHUNK_INDEXES] = _PackedIndexes()
        self._chunk_ns = round(chunk_s * 1e9)
        self._chunk_from_ns = 0
        self.chunks = 0
        """Chunks closed and handed to the operating system so far."""
        self._ids: dict[str, int] = {}
        self._encoders: dict[type[Sample], tuple[int, Encoder]] = {}
        self.counts: Counter[str] = Counter()
        """Samples written so far, by topic without its slash ("baro", "reference/vat_mps")."""
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
        if isinstance(sample, Reference):
            topic = f"reference/{sample.name}"
            encode: Encoder = encode_reference
            channel_id = self._ids.get(topic) or self._register(topic, topic, reference_schema(sample.name))
        elif isinstance(sample, SettingsChange | Mark):
            kind = KIND_OF[type(sample)]
            topic, encode = kind.topic, encode_event
            channel_id = self._ids.get(topic) or self._register(topic, topic, event_schema(kind))
        else:
            topic = CHANNEL_OF[type(sample)]
            channel_id, encode = self._encoders.get(type(sample)) or self._new_channel(type(sample), topic)
        data = encode(sample)
        if abs(time_ns - self._chunk_from_ns) >= self._chunk_ns:
            self._writer.flush()  # type: ignore[no-untyped-call] # so in the library
            self._chunk_from_ns = time_ns
            self.chunks += 1
        self._writer.add_message(channel_id, time_ns, data, time_ns)
        self.counts[topic] += 1

    def note_start_utc(self, start_utc: datetime) -> None:
        """Say which UTC instant `t_s` = 0 was, where that was not known when the file was begun."""
        self._writer.add_metadata(CLOCK, {"start_utc": start_utc.isoformat()})

    def sync(self) -> None:
        """Force the chunks closed so far onto the disk; this may take long.

        Raises:
            OSError: if the disk refuses.
        """
        self._disk.sync(self._file)

    def close(self) -> None:
        """Finish the file. Closing twice does nothing."""
        if not self._file.closed:
            try:
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
        """Let go of a file that could not even be begun."""
        with suppress(OSError):  # closing writes what is left, which fails once more
            self._file.close()
        with suppress(OSError):
            if self._path.is_file():  # a device stays
                self._disk.remove(self._path)

    def _new_channel(self, kind: type[Sample], topic: str) -> tuple[int, Encoder]:
        channel = CHANNELS[topic]
        channel_id = self._register(topic, schema_name(channel), json_schema(channel))
        self._encoders[kind] = channel_id, encoder(channel)
        return self._encoders[kind]

    def _register(self, topic: str, name: str, schema: Mapping[str, object]) -> int:
        schema_id = self._writer.register_schema(name, "jsonschema", json.dumps(schema).encode())
        self._ids[topic] = self._writer.register_channel(f"/{topic}", "json", schema_id)
        return self._ids[topic]


class _PackedIndexes:
    """Where each chunk lies, kept as the bytes that close the file: some 200 a chunk.

    The library would keep objects of ten times the size, which over a day of chunks of a second is 100 MB.
    """

    def __init__(self) -> None:
        self._packed = bytearray()

    def append(self, index: ChunkIndex) -> None:
        builder = RecordBuilder()
        index.write(builder)
        self._packed += builder.end()  # type: ignore[no-untyped-call] # so in the library

    def __iter__(self) -> Iterator[Self]:
        """All of them at once, as one that can be written."""
        yield self

    def write(self, builder: RecordBuilder) -> None:
        builder.write(self._packed)
