"""Damage bytes quickly, in ways that resemble real damage and malicious input."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from random import Random

NUMBERS = (
    *(b"nan", b"NaN", b"inf", b"-inf", b"Infinity", b"1e308", b"1e309", b"-1e309", b"1e-320", b"5e-324"),
    *(b"0", b"-0", b"-0.0", b"-1", b"1", b"0.1", b"255", b"256", b"65536", b"2147483648", b"4294967296"),
    *(b"9223372036854775807", b"18446744073709551616", b"1e18", b"9" * 400, b"9" * 5000, b"0" * 300 + b"1"),
    *(b"1_000", b"0x10", b"1.", b".5", b"+3", b"--3", b"1,5", "٣".encode(), "１".encode(), b"", b" ", b"1 2"),
)
"""Texts in place of a number."""

TEXTS = (
    *(b"\xff", b"\xc0\x80", b"\xed\xa0\x80", b"\xef\xbb\xbf", b"\x00", b"\x1a", b"\r", b"\n", b"\x7f"),
    *("é".encode(), "\u202e".encode(), "\U0001f300".encode(), b'"', b"'", b"\\", b"#", b"[", b"]" * 40),
    *(b"[" * 2000, b'{"a":' * 1500, b"a" * 1200, b"null", b"true", b"{}", b"[]", b"%s%n", b"../../x"),
)
"""Invalid content: broken and unusual UTF-8, a thousand nested brackets, very long words."""

INTEGERS = tuple(
    number.to_bytes(size, "little")
    for size in (1, 2, 4, 8)
    for number in (0, 1, 2 ** (8 * size - 1) - 1, 2 ** (8 * size - 1), 2 ** (8 * size) - 1, 1 << (4 * size))
)
"""Lengths, counts and times that overflow something."""

_NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")

LARGEST = 20_000
"""Largest size of a case; `bombs` tests the effect of size."""


class Mutator:
    """Damages bytes.

    Args:
        random: source of random numbers.
        words: bytes that have a meaning for the reader.
    """

    def __init__(self, random: Random, words: Sequence[bytes] = ()) -> None:
        self._random = random
        self._words = (*words, *TEXTS) if words else TEXTS
        self._ways: tuple[Callable[[bytes, bytes], bytes], ...] = (
            self._flip,
            self._flip,
            self._overwrite,
            self._integer,
            self._number,
            self._number,
            self._scaled,
            self._scaled,
            self._word,
            self._cut,
            self._double,
            self._splice,
            self._line_away,
            self._line_again,
            self._lines_swapped,
            self._end,
        )

    def damaged(self, data: bytes, other: bytes) -> bytes:
        """The bytes with one to four kinds of damage, some of it from `other`."""
        for _ in range(1 + int(self._random.random() ** 3 * 4)):
            data = self._random.choice(self._ways)(data, other)
        return data[:LARGEST]

    def _at(self, data: bytes) -> int:
        return int(self._random.random() * (len(data) + 1))

    def _flip(self, data: bytes, _: bytes) -> bytes:
        if not data:
            return data
        changed = bytearray(data)
        changed[self._at(data) % len(data)] ^= 1 << int(self._random.random() * 8)
        return bytes(changed)

    def _overwrite(self, data: bytes, _: bytes) -> bytes:
        at = self._at(data)
        new = self._random.randbytes(1 + int(self._random.random() * 4))
        return data[:at] + new + data[at + len(new) :]

    def _integer(self, data: bytes, _: bytes) -> bytes:
        at = self._at(data)
        new = self._random.choice(INTEGERS)
        return data[:at] + new + data[at + len(new) :]

    def _number(self, data: bytes, _: bytes) -> bytes:
        """Replace a number in text by another number."""
        match = _NUMBER.search(data, self._at(data)) or _NUMBER.search(data)
        if match is None:
            return data
        return data[: match.start()] + self._random.choice(NUMBERS) + data[match.end() :]

    def _scaled(self, data: bytes, _: bytes) -> bytes:
        """Change a number in text slightly or strongly, or its sign: it may still be valid."""
        match = _NUMBER.search(data, self._at(data)) or _NUMBER.search(data)
        if match is None or len(match[0]) > 40:
            return data
        factor = self._random.choice((0.5, 0.9, 1.001, 1.1, 2.0, 10.0, 1e3, -1.0))
        new = f"{float(match[0]) * factor:g}" if b"." in match[0] else f"{float(match[0]) * factor:.0f}"
        return data[: match.start()] + new.encode() + data[match.end() :]

    def _word(self, data: bytes, _: bytes) -> bytes:
        at = self._at(data)
        return data[:at] + self._random.choice(self._words) + data[at:]

    def _cut(self, data: bytes, _: bytes) -> bytes:
        at = self._at(data)
        return data[:at] + data[at + 1 + int(self._random.random() ** 3 * len(data)) :]

    def _double(self, data: bytes, _: bytes) -> bytes:
        at = self._at(data)
        part = data[at : at + 1 + int(self._random.random() ** 3 * len(data))]
        return data[:at] + part * (1 + int(self._random.random() * 3)) + data[at:]

    def _splice(self, data: bytes, other: bytes) -> bytes:
        return data[: self._at(data)] + other[self._at(other) :]

    def _end(self, data: bytes, _: bytes) -> bytes:
        return data[: self._at(data)]

    def _lines(self, data: bytes) -> tuple[list[bytes], int]:
        lines = data.split(b"\n")
        return lines, int(self._random.random() * len(lines))

    def _line_away(self, data: bytes, _: bytes) -> bytes:
        lines, place = self._lines(data)
        del lines[place]
        return b"\n".join(lines)

    def _line_again(self, data: bytes, other: bytes) -> bytes:
        lines, place = self._lines(data)
        lines.insert(place, self._random.choice(other.split(b"\n")))
        return b"\n".join(lines)

    def _lines_swapped(self, data: bytes, _: bytes) -> bytes:
        lines, place = self._lines(data)
        lines[place], lines[-1 - place] = lines[-1 - place], lines[place]
        return b"\n".join(lines)
