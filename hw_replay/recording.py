"""Recordings, written and read: an MCAP file with one JSON channel a sensor.

The container is the open standard MCAP (https://mcap.dev/spec), so general viewers open a recording
too. What the recording says about itself comes first, so that a file cut off by a power failure
still has it. A chunk is closed, and handed to the operating system, after `chunk_s` seconds of
recorded time: a cut costs at most that much.

The index of a recording is all or nothing. Some general readers show nothing of a file without an index of
its chunks; others refuse one that has it but no index of the messages in each. With both every reader
opens it, at 2.3 times the size.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from mcap.records import Channel, Chunk, Message
from mcap.writer import IndexType, Writer

from drivers.events import Mark, SettingsChange
from drivers.samples import CHANNEL_OF, CHANNELS, Reference, Sample
from hw_replay.container import (
    DAMAGE,
    chunk_content,
    read_late_metadata,
    read_metadata,
    read_summary,
    records,
)
from hw_replay.disk import SYSTEM_DISK, Disk
from hw_replay.errors import RecordingError, RejectLog
from hw_replay.event_messages import KIND_OF, encode_event, event_schema
from hw_replay.files import open_binary
from hw_replay.messages import (
    LATEST_T_S,
    Decoder,
    Encoder,
    RejectedValueError,
    decoder_of_topic,
    encode_reference,
    encoder,
    json_schema,
    parsed,
    reference_schema,
    schema_name,
)
from hw_replay.metadata import CLOCK, info_of, late_start_utc, metadata_of
from hw_replay.source import RecordingInfo

LIBRARY = "glider-vario"


class RecordingWriter:
    """Writes samples to a recording, in the order they arrive.

    Times are kept to the nanosecond: a `t_s` that is a whole number of nanoseconds (below 26 days)
    and every value are read back exactly.

    Args:
        path: file to write; an existing one is replaced.
        info: what the recording says about itself.
        chunk_s: recorded seconds a chunk holds. Short ones lose less in a power cut, long ones
            compress slightly better.
        indexed: end the file with an index of all messages. Without it the file is less than half as large,
            and writing it takes the same memory however long it becomes.
        disk: where it goes.

    Raises:
        RecordingError: if the file cannot be written.
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
        disk: Disk = SYSTEM_DISK,
    ) -> None:
        self._path = Path(path)
        self._indexed = indexed
        self._disk = disk
        try:
            self._file = disk.create(self._path)
        except OSError as error:
            raise RecordingError(f"{self._path}: cannot be written: {error.strerror}") from error
        self._writer = Writer(
            self._file,
            chunk_size=self.CHUNK_BYTES,
            index_types=IndexType.ALL if indexed else IndexType.ATTACHMENT | IndexType.METADATA,
        )
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
            raise RecordingError(f"{self._path}: cannot be written: {error.strerror}") from error

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
            if not self._indexed:
                # The library keeps an index of chunks even so, and it would grow all flight long.
                vars(self._writer).get("_Writer__chunk_indices", []).clear()
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


class Recording:
    """A recording opened for reading: a `Source` that yields the samples in the order they arrived.

    Reading is sequential and holds one chunk at a time. Every chunk's checksum is checked before any
    of its samples is used. A file that breaks off yields everything up to its last whole chunk.

    Args:
        path: an MCAP file, ours or one with the same topics and messages.

    Raises:
        RecordingError: if it cannot be opened, or a later version of this project wrote it.
        CorruptRecording: if it breaks off before it says what it is.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._path = Path(path)
        with open_binary(self._path) as file:
            self._info = info_of(read_metadata(file, self._path), self._path)
            if self._info.start_utc is None:
                late = read_late_metadata(file, CLOCK)
                self._info = replace(self._info, start_utc=late_start_utc(late or {}))
            self._duration_s, self._known, self._count = read_summary(file)
        self._reached_s = 0.0
        self._begin()

    @property
    def info(self) -> RecordingInfo:
        """What the recording says about itself."""
        return self._info

    @property
    def duration_s(self) -> float | None:
        """Last minus first sample time; None if the recording was not closed properly."""
        return self._duration_s

    def rejected(self) -> int:
        """How many messages were left out so far."""
        return self._rejects.total

    def warnings(self) -> list[str]:
        """What was left out or damaged so far, one sentence each."""
        sentences = list(self._rejects.messages())
        if self._ignored:
            topics = ", ".join(f"{topic} ({count})" for topic, count in self._ignored.most_common(5))
            more = ", …" if len(self._ignored) > 5 else ""
            sentences.append(f"messages on unknown topics were ignored: {topics}{more}")
        if self._bad_chunks:
            where = f"after {self._bad_chunk_after_s:.1f} s" if self._bad_chunk_after_s else "at the start"
            plural = "s" if self._bad_chunks > 1 else ""
            sentences.append(f"{self._bad_chunks} damaged chunk{plural} left out, the first {where}")
        missing = self._count - self._messages
        if self._ended and missing > 0 and not self._bad_chunks and not self._broken_off:
            sentences.append(f"{missing} messages are missing: a damaged part was passed over")
        if self._broken_off:
            sentences.append(f"the recording breaks off; everything up to {self._reached_s:.1f} s was read")
        return sentences

    def __iter__(self) -> Iterator[Sample]:
        self._begin()
        with open_binary(self._path) as file:
            try:
                for record in records(file):
                    if isinstance(record, Chunk):
                        yield from self._chunk(record)
                    elif isinstance(record, Channel):
                        self._meet(record)
                    elif isinstance(record, Message):  # other writers may leave chunks out
                        sample = self._sample(record.channel_id, record.log_time, record.data)
                        if sample is not None:
                            self._reached_s = max(self._reached_s, sample.t_s)
                            yield sample
                self._ended = True
            except DAMAGE:
                self._broken_off = True

    def _begin(self) -> None:
        self._rejects = RejectLog("message")
        self._ignored: Counter[str] = Counter()
        self._bad_chunks = 0
        self._bad_chunk_after_s: float | None = None
        self._broken_off = self._ended = False
        self._reached_s = 0.0
        self._messages = 0
        self._decoders: dict[int, Decoder] = {}
        self._foreign: dict[int, str] = {}
        for channel in self._known.values():
            self._meet(channel)

    def _chunk(self, chunk: Chunk) -> list[Sample]:
        """The samples of a chunk; none if it is damaged."""
        try:
            content = chunk_content(chunk)
        except DAMAGE:
            self._bad_chunks += 1
            if self._bad_chunks == 1:
                self._bad_chunk_after_s = self._reached_s
            return []
        samples: list[Sample] = []
        for item in content:
            if isinstance(item, Channel):
                self._meet(item)
                continue
            channel_id, time_ns, data = item
            sample = self._sample(channel_id, time_ns, data)
            if sample is not None:
                samples.append(sample)
        self._reached_s = max([self._reached_s, *[sample.t_s for sample in samples]])
        return samples

    def _sample(self, channel_id: int, time_ns: int, data: bytes) -> Sample | None:
        """The sample of one message, or None with the reason noted."""
        self._messages += 1
        decode = self._decoders.get(channel_id)
        if decode is None:
            self._ignored[self._foreign.get(channel_id, "(not declared)")] += 1
            return None
        t_s = time_ns / 1e9
        try:
            values = parsed(data)
            if type(values) is not dict:
                raise RejectedValueError("the message is no JSON object")
            if t_s > LATEST_T_S:
                raise RejectedValueError(f"time beyond {LATEST_T_S:g} s")
            return decode(t_s, values)
        except RejectedValueError as reason:
            self._rejects.add(str(reason), self._messages)
            return None
        except (ValueError, RecursionError):
            self._rejects.add("the message is no JSON", self._messages)
            return None

    def _meet(self, channel: Channel) -> None:
        """Take note of a channel the file declares."""
        decode = decoder_of_topic(channel.topic)
        if decode is None:
            self._foreign[channel.id] = channel.topic
        elif channel.message_encoding != "json":
            self._foreign[channel.id] = f"{channel.topic} as {channel.message_encoding!r} instead of 'json'"
        else:
            self._decoders[channel.id] = decode
