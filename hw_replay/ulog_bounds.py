"""How many values a message of a PX4 ULog file has, whose formats may contain each other.

`pyulog` writes nested formats out as one list. A file of a hundred bytes can nest arrays of 65,535 elements,
and this list would then need any amount of memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

MOST_VALUES = 10_000
"""Largest number of values in one message. The largest messages of PX4 have some hundreds."""

MOST_DEPTH = 20
"""Largest number of formats within each other."""

_Fields = list[tuple[str, int, str]]
"""Type, number of elements (0: no array) and name of each field."""


def bounded(ulog: Any) -> Any:
    """The class `pyulog.ULog`, given as `ulog`, with a check that raises ValueError for too many values."""

    class Bounded(ulog):  # type: ignore[misc]  # a class of a library without types
        def _read_file_definitions(self) -> None:
            super()._read_file_definitions()
            check_formats({name: one.fields for name, one in self._message_formats.items()})

    return Bounded


def check_formats(formats: Mapping[str, _Fields]) -> None:
    """Check every format of a file.

    Raises:
        ValueError: if a format contains itself, or a message of it has too many values.
    """
    counts: dict[str, int] = {}

    def count(name: str, depth: int) -> int:
        if name not in formats:
            return 1  # a plain number
        if depth > MOST_DEPTH:
            raise ValueError(f"the format {name:.50} contains itself, or is nested too deeply")
        if name not in counts:
            total = 0
            for kind, elements, _ in formats[name]:
                total += max(elements, 1) * count(kind, depth + 1)
                if total > MOST_VALUES:
                    raise ValueError(f"a message {name:.50} has more than {MOST_VALUES} values")
            counts[name] = total
        return counts[name]

    for name in formats:
        count(name, 1)
