"""Events as messages: types, encoder and decoder. Messages of sensors are in `hw_replay.messages`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from types import MappingProxyType
from typing import Any

from drivers.events import Event, Mark, PilotAction, SettingsChange
from drivers.quick import dataclass
from hw_replay.protobuf import Field, FieldType, MessageType, decoded, encoded
from hw_replay.text import encodable, one_line
from hw_replay.well_known import INFO, LOG, timestamp

EVENT_TOPIC = "event/"
SETTINGS_TOPIC = f"{EVENT_TOPIC}settings"


@dataclass(frozen=True, slots=True)
class EventKind:
    """The message format of one kind of event: topic, message, and the largest length of each text.

    A text in `optional` may be missing, which is None in the event.
    """

    topic: str
    event: type[Event]
    message: MessageType
    longest: Mapping[str, int]
    optional: frozenset[str] = frozenset()


_KINDS = (
    EventKind(
        SETTINGS_TOPIC,
        SettingsChange,
        MessageType(
            "vario.SettingsChange",
            (Field("settings_toml", 1, FieldType.STRING), Field("glider_toml", 2, FieldType.STRING)),
        ),
        MappingProxyType({"settings_toml": 256 * 1024, "glider_toml": 256 * 1024}),
        frozenset({"glider_toml"}),
    ),
    EventKind(f"{EVENT_TOPIC}mark", Mark, LOG, MappingProxyType({"text": 500})),
    EventKind(
        f"{EVENT_TOPIC}action",
        PilotAction,
        MessageType(
            "vario.PilotAction", (Field("kind", 1, FieldType.STRING), Field("text", 2, FieldType.STRING))
        ),
        MappingProxyType({"kind": 20, "text": 200}),
    ),
)

FIT_OF: Mapping[type[Event], Callable[[str], str]] = MappingProxyType(
    {SettingsChange: encodable, Mark: one_line, PilotAction: one_line}
)
"""The function that cleans the texts of each kind, for writing and for reading."""

KIND_OF: Mapping[type[Event], EventKind] = MappingProxyType({kind.event: kind for kind in _KINDS})
KIND_BY_TOPIC: Mapping[str, EventKind] = MappingProxyType({kind.topic: kind for kind in _KINDS})


class RejectedEventError(ValueError):
    """A message is not a valid event; the message of the error is the reason."""


def encode_event(event: Event) -> bytes:
    """The message of an event."""
    texts = {field.name: getattr(event, field.name) for field in fields(event) if field.name != "t_s"}
    fit = FIT_OF[type(event)]
    values: dict[str, Any] = {name: fit(text) for name, text in texts.items() if text is not None}
    if isinstance(event, Mark):  # viewers list it among the log messages
        stamp = timestamp(round(event.t_s * 1e9))
        values = {"timestamp": stamp, "level": INFO, "message": values["text"], "name": "mark"}
    return encoded(KIND_OF[type(event)].message, values)


def event_values(kind: EventKind, data: bytes) -> dict[str, Any]:
    """The texts of a message, by the names in the event.

    Raises:
        ValueError: if the bytes are not such a message.
    """
    values = decoded(kind.message, data)
    return {"text": values.get("message")} if kind.event is Mark else values


def decode_event(kind: EventKind, t_s: float, values: Mapping[str, Any]) -> Event:
    """The event of a message.

    Raises:
        RejectedEventError: if a text is missing, not a string, or too long.
    """
    texts: dict[str, str | None] = {}
    for name, most in kind.longest.items():
        text = values.get(name)
        if text is None and name in kind.optional:
            texts[name] = None
        elif not isinstance(text, str) or len(text) > most:
            raise RejectedEventError(f"{kind.topic}: {name}: expected a text of up to {most} characters")
        else:
            texts[name] = FIT_OF[kind.event](text)
    make: Any = kind.event
    event: Event = make(t_s, **texts)
    return event
