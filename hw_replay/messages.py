"""Samples as JSON messages: schema, encoder and validating decoder of each channel."""

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
"""Latest possible time of a sample; on a clock that counts from 1970 it is the year 2096."""

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
    """A message schema that viewers know by name, and its names for the values of a sample."""

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
"""Channels whose messages use a schema that viewers of the container show on a map. Older recordings use our
own field names, which are also read."""

Decoder = Callable[[float, Mapping[str, Any]], Sample]
Encoder = Callable[[Any], bytes]

_from_json = json.JSONDecoder().decode
_from_plain_json = orjson.loads

to_json = json.JSONEncoder(allow_nan=False, separators=(",", ":")).encode


class RejectedValueError(ValueError):
    """A value that no working sensor reports; the message names the value and the expectation."""


@dataclass(frozen=True, slots=True)
class ValueRule:
    """The limits of one value of a channel."""

    name: str
    low: float
    high: float
    optional: bool

    @property
    def unit(self) -> str:
        """The unit of the value in readable form, from the end of the name; "" for a plain number."""
        return unit_of(self.name)


def unit_of(name: str) -> str:
    """The unit at the end of the name of a value, in readable form: "static_pa" -> "Pa"; "" for none."""
    _, _, suffix = name.rpartition("_")
    return _UNITS.get(suffix, "")


def value_rules(channel: Channel) -> tuple[ValueRule, ...]:
    """The rules for the values of a channel, in the order of the fields of the sample."""
    return tuple(
        ValueRule(name, *channel.limits[name], optional=name in channel.optional)
        for name in channel.value_fields
    )


def outside(rule: ValueRule) -> str:
    """The reason for the rejection of a value outside the limits of a rule."""
    unit = f" {rule.unit}" if rule.unit else ""
    return f"{rule.name} outside {rule.low:g} to {rule.high:g}{unit}"


def json_schema(channel: Channel) -> dict[str, Any]:
    """The JSON schema of the messages of a channel, from the sample and its limits."""
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
    """The name of the message schema of a channel: the name of the channel, or a well-known schema."""
    known = WELL_KNOWN.get(channel.name)
    return known.schema if known else channel.name


def _names(channel: Channel) -> Mapping[str, str]:
    """The name of each field of the sample in the messages of a channel."""
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
    """A function that encodes a sample of this channel as its message: the values without the time.

    It raises ValueError for a value that is not finite, which JSON cannot represent.
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

    The fast parser reads every number to the same bits, but rejects NaN and numbers that are too large
    (1e999). In this case the standard parser reads the message.
    """
    try:
        return _from_plain_json(data)
    except orjson.JSONDecodeError:
        return _from_json(str(data, "utf-8"))


def decoder(channel: Channel) -> Decoder:
    """A function that makes a sample from a time and the values of a message.

    It raises RejectedValueError for an invalid value.
    """
    rules = tuple((rule.name, rule.low, rule.high, rule) for rule in value_rules(channel))
    make: Callable[..., Sample] = channel.sample

    def decode(t_s: float, values: Mapping[str, Any]) -> Sample:
        """Decode value by value, and raise with the reason for the first invalid value."""
        checked: list[float | None] = []
        for name, low, high, rule in rules:
            value = values.get(name)
            if type(value) is not float:
                value = number(value, rule)
            if value is not None and not low <= value <= high:  # also false for NaN
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
    """The same decoder with a fast path for messages whose values are all present, floats and within range.

    Nine of ten messages have one or three values, and reading them takes a large part of a replay.
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
    """A value of a message as a float: infinite if it is too large; None if it is not a number."""
    if isinstance(value, float):
        return value
    if not isinstance(value, int) or isinstance(value, bool):
        return None
    try:
        return float(value)
    except OverflowError:
        return math.inf


def reference_decoder(name: str) -> Decoder:
    """The decoder for a reference, which has no limits but must be a finite number."""

    def decode(t_s: float, values: Mapping[str, Any]) -> Sample:
        number = _number_of(values.get("value"))
        if number is None or not abs(number) <= 1e300:
            raise RejectedValueError(f"reference {name}: value is not a finite number")
        return Reference(t_s, name, number)

    return decode
