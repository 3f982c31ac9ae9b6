"""Decode the messages of a recording into samples; count and explain the rejected ones."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import orjson
from mcap.records import Channel, Schema

from drivers.samples import CHANNELS, Sample
from drivers.samples import Channel as SampleChannel
from hw_replay.errors import RejectLog
from hw_replay.event_messages import (
    KIND_BY_TOPIC,
    SETTINGS_TOPIC,
    EventKind,
    RejectedEventError,
    decode_event,
    event_values,
)
from hw_replay.messages import (
    LATEST_T_S,
    NOT_PROTOBUF,
    REFERENCE,
    REFERENCE_TOPIC,
    WELL_KNOWN,
    Decoder,
    RejectedValueError,
    bytes_decoder,
    decoder,
    doubles_decoder,
    message_type,
    reference_decoder,
)
from hw_replay.protobuf import PROTOBUF, MessageType
from hw_replay.text import escaped, one_line

MOST_CHANGES = 10_000
"""Largest number of changes of settings that are read of a recording: one every 2 s for over five hours."""

MOST_CHANGED_BYTES = 64 << 20
"""Largest length of their messages together. Reading settings takes milliseconds, and more for long texts."""

MOST_IGNORED = 1000
"""Largest number of unknown topics that are counted one by one."""

LONGEST_TOPIC = 100
"""Largest number of characters kept of a name in a file; our own names are much shorter."""


_Decode = Callable[[float, bytes], Sample]


class Decoding:
    """One pass through a recording.

    Args:
        known: schemas and channels that the recording declares before its first message.

    Attributes:
        messages: number of messages so far.
        ignored: number of messages on unknown topics, by topic.
        rejects: rejected messages and the reasons.
    """

    def __init__(self, known: Iterable[Schema | Channel]) -> None:
        self.messages = 0
        self.ignored: Counter[str] = Counter()
        self.rejects = RejectLog("message")
        self._decoders: dict[int, _Decode] = {}
        self._change_channels: set[int] = set()
        self._changes = self._changed_bytes = 0
        self._foreign: dict[int, str] = {}
        self._schemas: dict[int, str] = {}
        for record in known:
            self.register(record)

    def register(self, record: Schema | Channel) -> None:
        """Register a schema or a channel that the file declares."""
        if isinstance(record, Schema):
            self._schemas[record.id] = record.name
            return
        if record.topic.removeprefix("/") == SETTINGS_TOPIC:
            self._change_channels.add(record.id)
        topic = escaped(record.topic[:LONGEST_TOPIC])
        form = _form_of(record.topic)
        if form is None:
            self._foreign[record.id] = topic
        elif record.message_encoding == "json":
            self._decoders[record.id] = partial(_from_json, form.from_values)
        elif record.message_encoding != PROTOBUF:
            encoding = record.message_encoding[:LONGEST_TOPIC]
            self._foreign[record.id] = f"{topic} as {encoding!r} instead of {PROTOBUF!r} or 'json'"
        elif self._schemas.get(record.schema_id) != form.message.name:
            schema = escaped(self._schemas.get(record.schema_id, "no schema")[:LONGEST_TOPIC])
            self._foreign[record.id] = f"{topic} as {schema!r} instead of {form.message.name!r}"
        else:
            self._decoders[record.id] = form.from_bytes

    def samples(self, content: list[Schema | Channel | tuple[int, int, bytes]]) -> list[Sample]:
        """The samples of a chunk, which is given as by `container.chunk_content`."""
        samples: list[Sample] = []
        for item in content:
            if isinstance(item, tuple):
                sample = self.sample(item[0], item[1], item[2])
                if sample is not None:
                    samples.append(sample)
            else:
                self.register(item)
        return samples

    def sample(self, channel_id: int, time_ns: int, data: bytes) -> Sample | None:
        """The sample of one message; None if it is rejected, with the reason in `rejects`."""
        self.messages += 1
        decode = self._decoders.get(channel_id)
        if decode is None:
            topic = self._foreign.get(channel_id, "(not declared)")
            # One number may be declared again and again with another name.
            self.ignored[topic if len(self.ignored) < MOST_IGNORED else "(others)"] += 1
            return None
        t_s = time_ns / 1e9
        try:
            if channel_id in self._change_channels:
                self._bound_changes(len(data))
            if t_s > LATEST_T_S:
                raise RejectedValueError(f"time beyond {LATEST_T_S:g} s")
            return decode(t_s, data)
        except RejectedValueError as reason:
            self.rejects.add(str(reason), self.messages)
            return None

    def _bound_changes(self, size: int) -> None:
        """Count a change of settings and the bytes of its message; reject it beyond the bounds."""
        self._changes += 1
        self._changed_bytes += size
        if self._changes > MOST_CHANGES or self._changed_bytes > MOST_CHANGED_BYTES:
            raise RejectedValueError(
                f"{SETTINGS_TOPIC}: beyond the first {MOST_CHANGES} changes or {MOST_CHANGED_BYTES >> 20} MB"
            )


@dataclass(frozen=True, slots=True)
class _Form:
    """How the messages of a topic are read: in Protocol Buffers, and as values by name from JSON."""

    message: MessageType
    from_bytes: _Decode
    from_values: Decoder


def _form_of(topic: str) -> _Form | None:
    """How a topic ("/baro", "/reference/vat_mps") is read, or None for an unknown topic."""
    if topic.startswith(REFERENCE_TOPIC) and len(topic) > len(REFERENCE_TOPIC):
        decode = reference_decoder(one_line(topic.removeprefix(REFERENCE_TOPIC))[:LONGEST_TOPIC])
        return _Form(REFERENCE, doubles_decoder(REFERENCE, ("value",), decode), decode)
    kind = KIND_BY_TOPIC.get(topic.removeprefix("/"))
    if kind is not None:
        return _Form(kind.message, partial(_event_from_bytes, kind), partial(_decode_event, kind))
    channel = CHANNELS.get(topic.removeprefix("/")) if topic.startswith("/") else None
    return None if channel is None else _sensor_form(channel)


def _sensor_form(channel: SampleChannel) -> _Form:
    decode = decoder(channel)
    names = WELL_KNOWN.get(channel.name)
    from_values = decode if names is None else _renaming(decode, names)
    return _Form(message_type(channel), bytes_decoder(channel), from_values)


def _from_json(decode: Decoder, t_s: float, data: bytes) -> Sample:
    """The sample of a message.

    The fast parser reads every number to the same bits, but rejects NaN and numbers that are too large
    (1e999). In this case the standard parser reads the message.
    """
    try:
        values = orjson.loads(data)
    except orjson.JSONDecodeError:
        try:
            values = json.loads(str(data, "utf-8"))
        except (ValueError, RecursionError):
            raise RejectedValueError("the message is not JSON") from None
    if type(values) is not dict:
        raise RejectedValueError("the message is not a JSON object")
    return decode(t_s, values)


def _renaming(decode: Decoder, names: Mapping[str, str]) -> Decoder:
    """The decoder for messages with our own field names or with the given ones."""

    def decode_either(t_s: float, values: Mapping[str, Any]) -> Sample:
        own = {field: values[name] for field, name in names.items() if name in values}
        return decode(t_s, own or values)

    return decode_either


def _decode_event(kind: EventKind, t_s: float, values: Mapping[str, Any]) -> Sample:
    try:
        return decode_event(kind, t_s, values)
    except RejectedEventError as reason:
        raise RejectedValueError(str(reason)) from None


def _event_from_bytes(kind: EventKind, t_s: float, data: bytes) -> Sample:
    try:
        values = event_values(kind, data)
    except ValueError:
        raise RejectedValueError(NOT_PROTOBUF) from None
    return _decode_event(kind, t_s, values)
