"""Samples as messages: type, encoder and validating decoder of each channel.

Messages are written in Protocol Buffers. Messages in JSON are read too: older recordings and files of other
programs have them.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Mapping
from operator import attrgetter
from types import MappingProxyType
from typing import Any

from drivers.quick import dataclass
from drivers.samples import CHANNELS, Channel, GnssPos, Reference, Sample
from hw_replay.protobuf import Field, MessageType, decoded, doubles_packer, doubles_tags
from hw_replay.well_known import LOCATION_FIX

LATEST_T_S = 4e9
"""Latest possible time of a sample; on a clock that counts from 1970 it is the year 2096."""

REFERENCE_TOPIC = "/reference/"
REFERENCE_NAME = r"[A-Za-z0-9_.-]{1,64}"
"""The names of references that imported tables may use, as a regular expression."""

NOT_PROTOBUF = "the message cannot be decoded"

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


WELL_KNOWN: Mapping[str, Mapping[str, str]] = MappingProxyType(
    {"gnss_pos": MappingProxyType({"lat_deg": "latitude", "lon_deg": "longitude", "altitude_m": "altitude"})}
)
"""The names of the values of channels whose message is a well-known one. Older recordings in JSON have either
these names or those of the sample."""

Decoder = Callable[[float, Mapping[str, Any]], Sample]
Encoder = Callable[[Any], bytes]


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


def message_type(channel: Channel) -> MessageType:
    """The message of a channel: a well-known one, or one of ours with the fields of the sample."""
    if channel.sample is GnssPos:
        return LOCATION_FIX
    fields = tuple(Field(name, number) for number, name in enumerate(channel.value_fields, start=1))
    return MessageType(f"vario.{channel.sample.__name__}", fields)


def units(channel: Channel) -> dict[str, str]:
    """The unit of each field of the messages of a channel, for viewers."""
    names = WELL_KNOWN.get(channel.name, {})
    return {names.get(rule.name, rule.name): rule.unit or "1" for rule in value_rules(channel)}


def encoder(channel: Channel) -> Encoder:
    """A function that encodes a sample of this channel as its message: the values without the time.

    It raises ValueError for a value that is not finite, which no reader could use.
    """
    fields = channel.value_fields
    if not fields:
        return lambda _: b""
    pack = doubles_packer(message_type(channel))
    get: Callable[[Any], Any] = attrgetter(*fields)
    if len(fields) == 1:
        return lambda sample: pack((get(sample),))
    return lambda sample: pack(get(sample))


REFERENCE = MessageType("vario.Reference", (Field("value", 1),))
"""The message of a reference: a value to compare with, never an input."""

_pack_reference = doubles_packer(REFERENCE)


def encode_reference(sample: Reference) -> bytes:
    """The message of a reference sample."""
    return _pack_reference((sample.value,))


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

    return decode


DECODE: Mapping[str, Decoder] = {name: decoder(channel) for name, channel in CHANNELS.items()}
"""The decoder of each channel by its name."""


def bytes_decoder(channel: Channel) -> Callable[[float, bytes], Sample]:
    """A function that makes a sample of a channel from a time and an encoded message.

    It raises RejectedValueError for an invalid message or value.
    """
    careful = doubles_decoder(message_type(channel), channel.value_fields, decoder(channel))
    rules = value_rules(channel)
    tags = tuple(doubles_tags(message_type(channel)))
    make: Callable[..., Sample] = channel.sample
    if len(rules) == 1:
        (only,), (rule,), one = tags, rules, struct.Struct("<Bd").unpack
        low, high = rule.low, rule.high

        def decode_one(t_s: float, data: bytes) -> Sample:
            if len(data) == 9:
                tag, value = one(data)
                if tag == only and low <= value <= high:
                    return make(t_s, value)
            return careful(t_s, data)

        return decode_one
    if len(rules) == 3:
        tag_a, tag_b, tag_c = tags
        (a_low, a_high), (b_low, b_high), (c_low, c_high) = ((rule.low, rule.high) for rule in rules)
        three = struct.Struct("<BdBdBd").unpack

        def decode_three(t_s: float, data: bytes) -> Sample:
            if len(data) == 27:
                a, x, b, y, c, z = three(data)
                if (
                    (a == tag_a and b == tag_b and c == tag_c)
                    and a_low <= x <= a_high
                    and b_low <= y <= b_high
                    and c_low <= z <= c_high
                ):
                    return make(t_s, x, y, z)
            return careful(t_s, data)

        return decode_three
    return careful


def doubles_decoder(
    message: MessageType, names: tuple[str, ...], decode: Decoder
) -> Callable[[float, bytes], Sample]:
    """The decoder of encoded messages whose fields are doubles.

    Args:
        message: its type.
        names: the names of its fields in the sample, in the order of the fields.
        decode: makes a sample from values by name.
    """
    renamed = {field.name: name for field, name in zip(message.fields, names, strict=True)}

    def decode_bytes(t_s: float, data: bytes) -> Sample:
        try:
            values = decoded(message, data)
        except ValueError:
            raise RejectedValueError(NOT_PROTOBUF) from None
        return decode(t_s, {renamed[name]: value for name, value in values.items()})

    return decode_bytes


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
