"""Samples as JSON messages and back: the schema, the encoder and the checking decoder of a channel."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from operator import attrgetter
from types import MappingProxyType
from typing import Any

import orjson

from drivers.samples import Channel, Reference, Sample

LATEST_T_S = 4e9
"""No sample is later than this: even on a clock that counts from 1970 it is the year 2096."""

REFERENCE_TOPIC = "/reference/"

_UNITS = {
    "pa": "Pa",
    "mps": "m/s",
    "mps2": "m/s^2",
    "radps": "rad/s",
    "rad": "rad",
    "deg": "degrees",
    "m": "m",
    "k": "K",
    "s": "s",
    "v": "V",
    "hz": "Hz",
}


@dataclass(frozen=True, slots=True)
class WellKnown:
    """A message schema that viewers know by name, and what it calls the values of a sample."""

    schema: str
    names: Mapping[str, str]


WELL_KNOWN: Mapping[str, WellKnown] = MappingProxyType(
    {
        # https://docs.foxglove.dev/docs/visualization/message-schemas/location-fix; all fields are optional.
        "gnss_pos": WellKnown(
            "foxglove.LocationFix",
            MappingProxyType({"lat_deg": "latitude", "lon_deg": "longitude", "altitude_m": "altitude"}),
        )
    }
)
"""Channels written so that any viewer of the container puts them on a map. The messages of recordings made
before this was so carry our own names, and are read as well."""

Decoder = Callable[[float, Mapping[str, Any]], Sample]
Encoder = Callable[[Any], bytes]

_from_json = json.JSONDecoder().decode
_from_plain_json = orjson.loads

to_json = json.JSONEncoder(allow_nan=False, separators=(",", ":")).encode


class RejectedValueError(ValueError):
    """A value no working sensor reports; the message says which and what was expected."""


@dataclass(frozen=True, slots=True)
class ValueRule:
    """What one value of a channel must be."""

    name: str
    low: float
    high: float
    optional: bool

    @property
    def unit(self) -> str:
        """The unit the name ends in, for people; empty for a plain number."""
        return unit_of(self.name)


def unit_of(name: str) -> str:
    """The unit a value's name ends in, written for people: "static_pa" -> "Pa"; "" if it has none."""
    _, _, suffix = name.rpartition("_")
    return _UNITS.get(suffix, "")


def value_rules(channel: Channel) -> tuple[ValueRule, ...]:
    """The rules of a channel's values, in the order of the sample's fields."""
    return tuple(
        ValueRule(name, *channel.limits[name], optional=name in channel.optional)
        for name in channel.value_fields
    )


def outside(rule: ValueRule) -> str:
    """The reason for leaving out a value beyond the rule's limits."""
    unit = f" {rule.unit}" if rule.unit else ""
    return f"{rule.name} outside {rule.low:g} to {rule.high:g}{unit}"


def json_schema(channel: Channel) -> dict[str, Any]:
    """The JSON schema of a channel's messages, made from the sample and its limits."""
    names = _names(channel)
    properties = {
        names[rule.name]: {
            "type": "number",
            "minimum": rule.low,
            "maximum": rule.high,
            "description": f"unit: {rule.unit or '1'}",
        }
        for rule in value_rules(channel)
    }
    return {
        "title": schema_name(channel),
        "description": (channel.sample.__doc__ or "").strip(),
        "type": "object",
        "properties": properties,
        "required": [names[rule.name] for rule in value_rules(channel) if not rule.optional],
    }


def schema_name(channel: Channel) -> str:
    """The name of the schema of a channel's messages: the channel's own, or a well-known one."""
    known = WELL_KNOWN.get(channel.name)
    return known.schema if known else channel.name


def _names(channel: Channel) -> Mapping[str, str]:
    """What the messages of a channel call each field of the sample."""
    known = WELL_KNOWN.get(channel.name)
    return known.names if known else {name: name for name in channel.value_fields}


def reference_schema(name: str) -> dict[str, Any]:
    """The JSON schema of the messages of one reference."""
    return {
        "title": f"reference {name}",
        "description": "A value to compare with, never an input.",
        "type": "object",
        "properties": {"value": {"type": "number", "description": f"unit: {unit_of(name) or '1'}"}},
        "required": ["value"],
    }


def encoder(channel: Channel) -> Encoder:
    """A function from a sample of this channel to its message: the values without the time.

    It raises ValueError for a value that is not finite: JSON has no word for it.
    """
    fields = channel.value_fields
    if not fields:
        return lambda _: b"{}"
    names = tuple(_names(channel)[field] for field in fields)
    if len(fields) == 1:
        get_one = attrgetter(*fields)
        return lambda sample: to_json({names[0]: get_one(sample)}).encode()
    get = attrgetter(*fields)
    if not channel.optional:
        return lambda sample: to_json(dict(zip(names, get(sample), strict=True))).encode()

    def encode(sample: Sample) -> bytes:
        pairs = zip(names, get(sample), strict=True)
        return to_json({name: value for name, value in pairs if value is not None}).encode()

    return encode


def encode_reference(sample: Reference) -> bytes:
    """The message of a reference sample."""
    return to_json({"value": sample.value}).encode()


def parsed(data: bytes) -> object:
    """The content of a message.

    The quick parser reads every number to the same bits, but refuses what JSON has no word for (NaN) or no
    room for (1e999); the thorough one then says what it is.
    """
    try:
        return _from_plain_json(data)
    except orjson.JSONDecodeError:
        return _from_json(str(data, "utf-8"))


def decoder(channel: Channel) -> Decoder:
    """A function from a time and the values of a message to a sample, or RejectedValueError."""
    rules = tuple((rule.name, rule.low, rule.high, rule) for rule in value_rules(channel))
    make: Callable[..., Sample] = channel.sample

    def decode(t_s: float, values: Mapping[str, Any]) -> Sample:
        """Value by value, with the reason where one will not do."""
        checked: list[float | None] = []
        for name, low, high, rule in rules:
            value = values.get(name)
            if type(value) is not float:
                value = number(value, rule)
            if value is not None and not low <= value <= high:  # false for NaN too
                raise RejectedValueError(f"{channel.name}: {outside(rule)}")
            checked.append(value)
        return make(t_s, *checked)

    def number(value: object, rule: ValueRule) -> float | None:
        if value is None:
            if rule.optional:
                return None
            raise RejectedValueError(f"{channel.name}: {rule.name} missing")
        found = _number_of(value)
        if found is None:
            raise RejectedValueError(f"{channel.name}: {rule.name} is not a number")
        return found

    return _quick(channel, make, decode)


def _quick(channel: Channel, make: Callable[..., Sample], careful: Decoder) -> Decoder:
    """The same decoder with a short way for the usual message: all values there, floats and within range.

    Nine messages in ten hold one number or three, and reading them is a large part of a replay.
    """
    rules = value_rules(channel)
    if len(rules) == 1:
        ((name, low, high),) = ((rule.name, rule.low, rule.high) for rule in rules)

        def one(t_s: float, values: Mapping[str, Any]) -> Sample:
            value = values.get(name)
            if type(value) is float and low <= value <= high:
                return make(t_s, value)
            return careful(t_s, values)

        return one
    if len(rules) == 3:
        (a, a_low, a_high), (b, b_low, b_high), (c, c_low, c_high) = (
            (rule.name, rule.low, rule.high) for rule in rules
        )

        def three(t_s: float, values: Mapping[str, Any]) -> Sample:
            x, y, z = values.get(a), values.get(b), values.get(c)
            if (
                type(x) is type(y) is type(z) is float
                and a_low <= x <= a_high
                and b_low <= y <= b_high
                and c_low <= z <= c_high
            ):
                return make(t_s, x, y, z)
            return careful(t_s, values)

        return three
    return careful


def _number_of(value: object) -> float | None:
    """A value of a message as a float, infinite where it is too large for one; None if it is no number."""
    if isinstance(value, float):
        return value
    if not isinstance(value, int) or isinstance(value, bool):
        return None
    try:
        return float(value)
    except OverflowError:
        return math.inf


def reference_decoder(name: str) -> Decoder:
    """The same for a reference, which has no limits but must be a finite number."""

    def decode(t_s: float, values: Mapping[str, Any]) -> Sample:
        number = _number_of(values.get("value"))
        if number is None or not abs(number) <= 1e300:
            raise RejectedValueError(f"reference {name}: value is not a finite number")
        return Reference(t_s, name, number)

    return decode
