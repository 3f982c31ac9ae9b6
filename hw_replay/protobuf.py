"""Messages in Protocol Buffers: encoding, decoding, and the description of a message for other programs.

A recording holds a few flat messages of numbers and texts. They are packed with `struct`, which takes a
fraction of the time of message objects on the computer of the instrument. The description of a message is a
`FileDescriptorSet`, which the registry of MCAP asks for, so that a viewer needs no other file.

Sources: https://protobuf.dev/programming-guides/encoding/ (wire format), `google/protobuf/descriptor.proto`
(numbers of the fields of a description).
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from enum import IntEnum
from typing import Any

from drivers.quick import dataclass

PROTOBUF = "protobuf"
"""The name of the encoding of messages and of schemas in the registry of MCAP."""

_VARINT, _FIXED64, _BYTES, _FIXED32 = 0, 1, 2, 5
_DOUBLE = struct.Struct("<d")
_OPTIONAL = 1  # the label of a field
_MOST_IN_A_BYTE = 15  # the highest field number whose tag is one byte


class FieldType(IntEnum):
    """The types of fields in use, with their numbers in `FieldDescriptorProto.Type`."""

    DOUBLE = 1
    INT64 = 3
    INT32 = 5
    STRING = 9
    MESSAGE = 11
    ENUM = 14


_WIRE = {
    FieldType.DOUBLE: _FIXED64,
    FieldType.INT64: _VARINT,
    FieldType.INT32: _VARINT,
    FieldType.ENUM: _VARINT,
    FieldType.STRING: _BYTES,
    FieldType.MESSAGE: _BYTES,
}


@dataclass(frozen=True, slots=True)
class Field:
    """A field of a message.

    Attributes:
        name: its name in the description.
        number: its number in the encoded message.
        kind: its type.
        of: with `FieldType.MESSAGE`: the type of the inner message.
        words: with `FieldType.ENUM`: the names of the values 0, 1, …; the name of the type is `Level`.
    """

    name: str
    number: int
    kind: FieldType = FieldType.DOUBLE
    of: MessageType | None = None
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MessageType:
    """A type of message.

    Attributes:
        name: package and name, such as "vario.Baro".
        fields: its fields.
        syntax: "proto2" tells a missing value from zero; "proto3" is that of the well-known types.
    """

    name: str
    fields: tuple[Field, ...]
    syntax: str = "proto2"


def encoded(kind: MessageType, values: Mapping[str, Any]) -> bytes:
    """A message with these values by field name. A missing value or None is left out."""
    parts = []
    for field in kind.fields:
        value = values.get(field.name)
        if value is None:
            continue
        if field.kind is FieldType.DOUBLE:
            parts.append(_key(field.number, _FIXED64) + _DOUBLE.pack(value))
        elif field.kind is FieldType.STRING:
            parts.append(_bytes(field.number, value.encode()))
        elif field.of is not None:
            parts.append(_bytes(field.number, encoded(field.of, value)))
        else:
            parts.append(_number(field.number, value))
    return b"".join(parts)


def doubles_tags(kind: MessageType) -> list[int]:
    """The tags of a message of doubles, a byte each."""
    assert all(f.kind is FieldType.DOUBLE and f.number <= _MOST_IN_A_BYTE for f in kind.fields)  # noqa: S101  (ours)
    return [field.number << 3 | _FIXED64 for field in kind.fields]


def doubles_packer(kind: MessageType) -> Callable[[Sequence[float | None]], bytes]:
    """A function that encodes messages of doubles, given in the order of the fields; None is left out.

    It raises ValueError for a value that is not finite.
    """
    tags = doubles_tags(kind)
    not_finite = f"{kind.name}: a value is not a finite number"
    one = struct.Struct("<Bd").pack

    def pack(values: Sequence[float | None]) -> bytes:
        parts = []
        for tag, value in zip(tags, values, strict=True):
            if value is not None:
                if not math.isfinite(value):
                    raise ValueError(not_finite)
                parts.append(one(tag, value))
        return b"".join(parts)

    if len(tags) == 1:

        def pack_one(values: Sequence[float | None]) -> bytes:
            value = values[0]
            if value is None:
                return b""
            if not math.isfinite(value):
                raise ValueError(not_finite)
            return one(tags[0], value)

        return pack_one
    if len(tags) != 3:
        return pack
    a, b, c = tags
    three = struct.Struct("<BdBdBd").pack

    def pack_three(values: Sequence[float | None]) -> bytes:
        x, y, z = values
        if x is None or y is None or z is None:
            return pack(values)
        if not math.isfinite(x + y + z):
            raise ValueError(not_finite)
        return three(a, x, b, y, c, z)

    return pack_three


def decoded(kind: MessageType, data: bytes) -> dict[str, Any]:
    """The doubles, numbers and texts of a message by field name. Other fields are skipped.

    Raises:
        ValueError: if the bytes are not such a message.
    """
    names = {field.number: field for field in kind.fields}
    values: dict[str, Any] = {}
    for number, wire, value in _wire(data):
        field = names.get(number)
        if field is None or field.kind is FieldType.MESSAGE:
            continue
        if wire != _WIRE[field.kind]:
            raise ValueError(f"field {number} has wire type {wire}")
        values[field.name] = str(value, "utf-8") if isinstance(value, bytes) else value
    return values


def _wire(data: bytes) -> Iterator[tuple[int, int, float | int | bytes]]:
    """Number, wire type and value of each field."""
    position, end = 0, len(data)
    while position < end:
        key, position = _varint(data, position)
        number, wire = key >> 3, key & 7
        if not number:
            raise ValueError("a field has the number 0")
        if wire == _VARINT:
            value, position = _varint(data, position)
            yield number, wire, value
            continue
        if wire == _BYTES:
            length, position = _varint(data, position)
        elif wire in {_FIXED64, _FIXED32}:
            length = 8 if wire == _FIXED64 else 4
        else:
            raise ValueError(f"wire type {wire} is unknown")
        if position + length > end:
            raise ValueError("the message is truncated")
        content = data[position : position + length]
        position += length
        yield number, wire, _DOUBLE.unpack(content)[0] if wire == _FIXED64 else content


def _varint(data: bytes, position: int) -> tuple[int, int]:
    """The whole number at a position, and the position after it."""
    value = 0
    for count in range(10):  # 64 bits take ten bytes at most
        if position + count >= len(data):
            raise ValueError("the message is truncated")
        byte = data[position + count]
        value |= (byte & 0x7F) << (7 * count)
        if byte < 0x80:
            return value, position + count + 1
    raise ValueError("a number is too long")


def _varint_bytes(value: int) -> bytes:
    value &= (1 << 64) - 1  # negative numbers are written as 64 bits
    parts = bytearray()
    while value > 0x7F:
        parts.append(value & 0x7F | 0x80)
        value >>= 7
    parts.append(value)
    return bytes(parts)


def _key(number: int, wire: int) -> bytes:
    return _varint_bytes(number << 3 | wire)


def _bytes(number: int, data: bytes) -> bytes:
    return _key(number, _BYTES) + _varint_bytes(len(data)) + data


def _text(number: int, text: str) -> bytes:
    return _bytes(number, text.encode())


def _number(number: int, value: int) -> bytes:
    return _key(number, _VARINT) + _varint_bytes(value)


def descriptor_set(kind: MessageType) -> bytes:
    """The `FileDescriptorSet` of a message and of the messages inside it: one file per package."""
    packages: dict[str, list[MessageType]] = {}
    for each in _with_inner(kind):
        packages.setdefault(each.name.rpartition(".")[0], []).append(each)
    return b"".join(_bytes(1, _file(package, kinds)) for package, kinds in packages.items())


def _with_inner(kind: MessageType) -> list[MessageType]:
    """The messages inside, each once, before those that contain them."""
    found: list[MessageType] = []
    for field in kind.fields:
        if field.of is not None:
            found += [inner for inner in _with_inner(field.of) if inner not in found]
    return [*found, kind]


def _file(package: str, kinds: Sequence[MessageType]) -> bytes:
    outside = {
        field.of.name.rpartition(".")[0]
        for kind in kinds
        for field in kind.fields
        if field.of is not None and not field.of.name.startswith(f"{package}.")
    }
    return (
        _text(1, _file_name(package))
        + _text(2, package)
        + b"".join(_text(3, _file_name(other)) for other in sorted(outside))
        + b"".join(_bytes(4, _message(kind)) for kind in kinds)
        + _text(12, kinds[0].syntax)
    )


def _file_name(package: str) -> str:
    """The name of the file of a package. Readers look for the files of Google under their usual name."""
    return "google/protobuf/timestamp.proto" if package == "google.protobuf" else f"{package}.proto"


def _message(kind: MessageType) -> bytes:
    return (
        _text(1, kind.name.rpartition(".")[2])
        + b"".join(_bytes(2, _field(kind, field)) for field in kind.fields)
        + b"".join(_bytes(4, _enum(field.words)) for field in kind.fields if field.words)
    )


def _field(kind: MessageType, field: Field) -> bytes:
    inner = f".{field.of.name}" if field.of is not None else f".{kind.name}.Level" if field.words else ""
    return (
        _text(1, field.name)
        + _number(3, field.number)
        + _number(4, _OPTIONAL)
        + _number(5, field.kind)
        + (_text(6, inner) if inner else b"")
    )


def _enum(words: Sequence[str]) -> bytes:
    values = (_bytes(2, _text(1, word) + _number(2, value)) for value, word in enumerate(words))
    return _text(1, "Level") + b"".join(values)
