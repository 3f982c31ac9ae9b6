"""ULog files for the tests, byte by byte: the library only reads them.

Source: PX4 user guide, "ULog File Format": header (magic, version, timestamp uint64), flag bits 'B', format
'F', information 'I', subscription 'A' (multi id uint8, message id uint16, name), data 'D' (message id,
values), dropout 'O' (duration uint16 in ms). Every message begins with its size
(uint16) and its type; little-endian.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

HEADER = b"ULog\x01\x12\x35\x01"
_CODES = {"uint64_t": "Q", "float": "f", "double": "d", "int32_t": "i", "uint8_t": "B", "bool": "?"}


def message(kind: str, data: bytes) -> bytes:
    return struct.pack("<HB", len(data), ord(kind)) + data


class Topic:
    """One topic: its format, as "type name" for each field, and its number."""

    def __init__(self, name: str, number: int, fields: str) -> None:
        self.name, self.number = name, number
        self.fields = f"uint64_t timestamp;{fields};"
        codes = ""
        for field in self.fields.strip(";").split(";"):
            kind, _, size = field.split(" ")[0].partition("[")
            codes += (size.rstrip("]") or "") + _CODES[kind]
        self._struct = struct.Struct("<" + codes)

    def format(self) -> bytes:
        return message("F", f"{self.name}:{self.fields}".encode())

    def subscription(self) -> bytes:
        return message("A", struct.pack("<BH", 0, self.number) + self.name.encode())

    def data(self, time_us: int, *values: float) -> bytes:
        return message("D", struct.pack("<H", self.number) + self._struct.pack(time_us, *values))


def ulog(start_us: int, topics: Sequence[Topic], data: Sequence[bytes]) -> bytes:
    """A whole file."""
    definitions = [message("B", bytes(40)), *{topic.name: topic.format() for topic in topics}.values()]
    subscriptions = [topic.subscription() for topic in topics]
    return b"".join([HEADER, struct.pack("<Q", start_us), *definitions, *subscriptions, *data])
