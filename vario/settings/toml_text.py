"""TOML as text: how a value is written, and on which line a key stands (`tomllib` tells neither)."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

_DEEPEST = 20
"""Levels of a dotted key that are listed: no key of ours has as many, and each costs all those above it."""

_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def _escaped(character: str) -> str:
    if character in _ESCAPES:
        return _ESCAPES[character]
    return character if character.isprintable() else f"\\U{ord(character):08X}"


def write_value(value: Any) -> str:
    """A value as it stands in a file, on one line; tables inline."""
    if isinstance(value, str):
        return '"' + "".join(map(_escaped, value)) + '"'
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(write_value, value)) + "]"
    if isinstance(value, dict):
        pairs = ", ".join(f"{write_key(key)} = {write_value(inner)}" for key, inner in value.items())
        return "{ " + pairs + " }" if pairs else "{}"
    if isinstance(value, int | float):
        return _number(value)
    # What is left in TOML are dates and times.
    return str(value.isoformat())


def _number(value: float) -> str:
    try:
        return str(value)
    except ValueError:
        # Python refuses to write out whole numbers of thousands of digits (they come in as hexadecimal).
        return hex(int(value))


def write_key(key: str) -> str:
    """A key as it stands in a file, in quotes if it needs them."""
    bare = key.isascii() and key.replace("-", "").replace("_", "").isalnum()
    return key if bare else write_value(key)


@lru_cache(maxsize=4)
def lines_of(text: str) -> dict[tuple[str, ...], int]:
    """The 1-based line of each key and section header of a valid TOML text.

    Keys inside inline tables are not listed. A text with multi-line strings gives nothing at all,
    because a line inside one may look like a key: rather no line than a wrong one.
    """
    lines: dict[tuple[str, ...], int] = {}
    if '"""' in text or "'''" in text:
        return lines
    section: tuple[str, ...] = ()
    for number, line in enumerate(text.split("\n"), start=1):
        if line.lstrip().startswith("["):
            section = _path_of(line) or section
            path = section
        else:
            path = section + _path_of(line.partition("=")[0] + "= 0")
        for end in range(1, min(len(path), _DEEPEST) + 1):
            lines.setdefault(path[:end], number)
    return lines


def _path_of(line: str) -> tuple[str, ...]:
    """The dotted key a single line declares, empty if it is no such line (such as a row of an array)."""
    try:
        inner: Any = tomllib.loads(line)
    except (ValueError, RecursionError):  # the second: nested deeper than can be read from here
        return ()
    path = []
    while inner:
        if isinstance(inner, list):
            inner = inner[0]
            continue
        ((key, inner),) = inner.items()
        path.append(key)
    return tuple(path)


@dataclass(frozen=True, slots=True)
class TomlFile:
    """A TOML text that has been read, with the name the user knows it by.

    Attributes:
        name: for messages.
        text: as it stands in the file.
        table: what it says.
    """

    name: str
    text: str
    table: dict[str, Any]

    def value(self, path: tuple[str, ...]) -> Any:
        """The value at a dotted key, None if there is none."""
        inner: Any = self.table
        for key in path:
            inner = inner.get(key) if isinstance(inner, dict) else None
        return inner

    def line(self, path: tuple[str, ...]) -> int | None:
        """The line of a dotted key, or of the innermost section around it that has one."""
        lines = lines_of(self.text)
        return next((lines[path[:end]] for end in range(len(path), 0, -1) if path[:end] in lines), None)
