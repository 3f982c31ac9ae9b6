"""Decode the messages of a recording into samples; count and explain the rejected ones."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from functools import partial
from typing import Any

from mcap.records import Channel

from drivers.samples import CHANNELS, Sample
from hw_replay.errors import RejectLog
from hw_replay.event_messages import (
    KIND_BY_TOPIC,
    SETTINGS_TOPIC,
    EventKind,
    RejectedEventError,
    decode_event,
)
from hw_replay.messages import (
    LATEST_T_S,
    REFERENCE_TOPIC,
    WELL_KNOWN,
    Decoder,
    RejectedValueError,
    decoder,
    parsed,
    reference_decoder,
)
from hw_replay.text import escaped, one_line

MOST_CHANGES = 10_000
"""Largest number of changes of settings that are read of a recording: one every 2 s for over five hours."""

MOST_CHANGED_BYTES = 64 << 20
"""Largest length of their messages together. Reading settings takes milliseconds, and more for long texts."""

MOST_IGNORED = 1000
"""Largest number of unknown topics that are counted one by one."""

LONGEST_TOPIC = 100
"""Largest number of characters kept of a name in a file; our own names are much shorter."""


class Decoding:
    """One pass through a recording.

    Args:
        known: channels that the recording declares before its first message.

    Attributes:
        messages: number of messages so far.
        ignored: number of messages on unknown topics, by topic.
        rejects: rejected messages and the reasons.
    """

    def __init__(self, known: Iterable[Channel]) -> None:
        self.messages = 0
        self.ignored: Counter[str] = Counter()
        self.rejects = RejectLog("message")
        self._decoders: dict[int, Decoder] = {}
        self._change_channels: set[int] = set()
        self._changes = self._changed_bytes = 0
        self._foreign: dict[int, str] = {}
        for channel in known:
            self.meet(channel)

    def meet(self, channel: Channel) -> None:
        """Register a channel that the file declares."""
        decode = decoder_of_topic(channel.topic)
        topic = escaped(channel.topic[:LONGEST_TOPIC])
        if decode is None:
            self._foreign[channel.id] = topic
        elif channel.message_encoding != "json":
            encoding = channel.message_encoding[:LONGEST_TOPIC]
            self._foreign[channel.id] = f"{topic} as {encoding!r} instead of 'json'"
        else:
            self._decoders[channel.id] = decode
            if channel.topic.removeprefix("/") == SETTINGS_TOPIC:
                self._change_channels.add(channel.id)

    def samples(self, content: list[Channel | tuple[int, int, bytes]]) -> list[Sample]:
        """The samples of a chunk, which is given as by `container.chunk_content`."""
        samples: list[Sample] = []
        for item in content:
            if isinstance(item, tuple):
                sample = self.sample(item[0], item[1], item[2])
                if sample is not None:
                    samples.append(sample)
            else:
                self.meet(item)
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
            values = parsed(data)
            if type(values) is not dict:
                raise RejectedValueError("the message is not a JSON object")
            if t_s > LATEST_T_S:
                raise RejectedValueError(f"time beyond {LATEST_T_S:g} s")
            return decode(t_s, values)
        except RejectedValueError as reason:
            self.rejects.add(str(reason), self.messages)
            return None
        except (ValueError, RecursionError):
            self.rejects.add("the message is not JSON", self.messages)
            return None

    def _bound_changes(self, size: int) -> None:
        """Count a change of settings, whose message has so many bytes; reject it beyond the bounds."""
        self._changes += 1
        self._changed_bytes += size
        if self._changes > MOST_CHANGES or self._changed_bytes > MOST_CHANGED_BYTES:
            raise RejectedValueError(
                f"{SETTINGS_TOPIC}: beyond the first {MOST_CHANGES} changes or {MOST_CHANGED_BYTES >> 20} MB"
            )


def decoder_of_topic(topic: str) -> Decoder | None:
    """The decoder of a topic ("/baro", "/reference/vat_mps"), or None for an unknown topic."""
    if topic.startswith(REFERENCE_TOPIC) and len(topic) > len(REFERENCE_TOPIC):
        return reference_decoder(one_line(topic.removeprefix(REFERENCE_TOPIC))[:LONGEST_TOPIC])
    kind = KIND_BY_TOPIC.get(topic.removeprefix("/"))
    if kind is not None:
        return partial(_decode_event, kind)
    channel = CHANNELS.get(topic.removeprefix("/")) if topic.startswith("/") else None
    if channel is None:
        return None
    known = WELL_KNOWN.get(channel.name)
    return decoder(channel) if known is None else _renaming(decoder(channel), known.names)


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
