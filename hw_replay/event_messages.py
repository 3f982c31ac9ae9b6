"""Events as JSON messages: encoder and decoder. Messages of sensors are in `hw_replay.messages`."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from types import MappingProxyType
from typing import Any

from drivers.events import Event, Mark, SettingsChange
from hw_replay.text import encodable, one_line

EVENT_TOPIC = "event/"
SETTINGS_TOPIC = f"{EVENT_TOPIC}settings"

_to_json = json.JSONEncoder(separators=(",", ":")).encode


@dataclass(frozen=True, slots=True)
class EventKind:
    """The message format of one kind of event: topic, and the largest length of each text.

    A text in `optional` may be missing, which is None in the event.
    """

    topic: str
    event: type[Event]
    longest: Mapping[str, int]
    optional: frozenset[str] = frozenset()


_KINDS = (
    EventKind(
        SETTINGS_TOPIC,
        SettingsChange,
        MappingProxyType({"settings_toml": 256 * 1024, "glider_toml": 256 * 1024}),
        frozenset({"glider_toml"}),
    ),
    EventKind(f"{EVENT_TOPIC}mark", Mark, MappingProxyType({"text": 500})),
)

FIT_OF: Mapping[type[Event], Callable[[str], str]] = MappingProxyType(
    {SettingsChange: encodable, Mark: one_line}
)
"""The function that cleans the texts of each kind, for writing and for reading."""

KIND_OF: Mapping[type[Event], EventKind] = MappingProxyType({kind.event: kind for kind in _KINDS})
KIND_BY_TOPIC: Mapping[str, EventKind] = MappingProxyType({kind.topic: kind for kind in _KINDS})


class RejectedEventError(ValueError):
    """A message is not a valid event; the message of the error is the reason."""


def event_schema(kind: EventKind) -> dict[str, Any]:
    """The JSON schema of the messages of a kind."""
    return {
        "title": kind.topic,
        "description": (kind.event.__doc__ or "").strip(),
        "type": "object",
        "properties": {name: {"type": "string", "maxLength": most} for name, most in kind.longest.items()},
        "required": [name for name in kind.longest if name not in kind.optional],
    }


def encode_event(event: Event) -> bytes:
    """The message of an event: its texts without the time."""
    texts = {field.name: getattr(event, field.name) for field in fields(event) if field.name != "t_s"}
    fit = FIT_OF[type(event)]
    return _to_json({name: fit(text) for name, text in texts.items() if text is not None}).encode()


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
