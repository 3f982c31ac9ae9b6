"""A digest of readings that is equal only if every number is equal to the last bit."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Callable, Iterable
from dataclasses import fields, is_dataclass
from enum import Enum
from operator import attrgetter
from typing import Any

_MOST_KEPT = 500
"""Number of objects whose bytes are cached: those of some ten readings."""

_bytes_of = struct.Struct("<cd").pack


class Digest:
    """SHA-256 (FIPS 180-4) over the exact bytes of everything in the readings given.

    It does not depend on the interpreter or the machine: a number is represented by its eight bytes (IEEE 754
    binary64, little-endian), everything else by a short text.

    Attributes:
        readings: number of readings.
        not_finite: number of values that were infinite or NaN.
    """

    def __init__(self) -> None:
        self._hash = hashlib.sha256()
        self._parts_of: dict[type, Callable[[Any], Iterable[Any]]] = {}
        self._words: dict[tuple[type, Any], bytes] = {}
        self._kept: dict[int, tuple[Any, bytes]] = {}
        self.readings = 0
        self.not_finite = 0

    def add(self, reading: object) -> None:
        """Add a reading.

        Raises:
            TypeError: if it contains an object without a byte representation.
        """
        found: list[bytes] = []
        self._take(reading, found)
        self._hash.update(b"".join(found))
        self.readings += 1

    @property
    def text(self) -> str:
        """The digest so far, in hexadecimal."""
        return self._hash.hexdigest()

    def _take(self, value: Any, found: list[bytes]) -> None:
        kind = type(value)
        if kind is float or value is None:
            self._take_all((value,), found)
        elif (parts_of := self._parts_of.get(kind)) is not None:
            found.append(b"(")
            self._take_all(parts_of(value), found)
            found.append(b")")
        elif kind is tuple or kind is list:
            found.append(b"[")
            self._take_all(value, found)
            found.append(b"]")
        else:
            self._take_rare(value, found)

    def _take_all(self, values: Iterable[Any], found: list[bytes]) -> None:
        for value in values:  # a few hundred times a reading: numbers, mostly, are dealt with on the spot
            if type(value) is float:
                found.append(_bytes_of(b"f", value))
                if value - value != 0.0:
                    self.not_finite += 1
            elif value is None:
                found.append(b"-")
            else:
                kept = self._kept.get(id(value))
                found.append(kept[1] if kept is not None and kept[0] is value else self._keep(value))

    def _keep(self, value: Any) -> bytes:
        """The bytes of an object; objects that stay the same between readings are cached."""
        found: list[bytes] = []
        self._take(value, found)
        whole = b"".join(found)
        if not isinstance(value, dict):  # all else in a reading never changes
            if len(self._kept) >= _MOST_KEPT:
                self._kept.clear()
            self._kept[id(value)] = value, whole
        return whole

    def _take_rare(self, value: Any, found: list[bytes]) -> None:
        if isinstance(value, float):  # NumPy's
            self._take(float(value), found)
        elif isinstance(value, Enum | bool | int | str):
            found.append(self._word(value))
        elif isinstance(value, dict):
            self._take([part for pair in value.items() for part in pair], found)
        elif is_dataclass(value):
            self._parts_of[type(value)] = _parts_of(type(value))
            self._take(value, found)
        else:
            raise TypeError(f"{value!r}: expected a number, a text, or a dataclass of such")

    def _word(self, value: Any) -> bytes:
        word = self._words.get((type(value), value))
        if word is None:
            word = f"{value.value if isinstance(value, Enum) else value!r};".encode()
            self._words[type(value), value] = word
        return word


def _parts_of(kind: type[Any]) -> Callable[[Any], Iterable[Any]]:
    names = [field.name for field in fields(kind)]
    if not names:
        return lambda _: ()
    get = attrgetter(*names)
    return get if len(names) > 1 else lambda value: (get(value),)
