"""TOML as text: how a value is written, and on which line a key stands (`tomllib` tells neither)."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from vario.settings.errors import Problem

Path = tuple[str, ...]
"""A dotted key, taken apart: ("flight", "maccready")."""

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
def lines_of(text: str) -> dict[Path, int]:
    """The 1-based line of each key and section header of a valid TOML text.

    Keys inside inline tables are not listed. A text with multi-line strings gives nothing at all,
    because a line inside one may look like a key: rather no line than a wrong one.
    """
    lines: dict[Path, int] = {}
    if '"""' in text or "'''" in text:
        return lines
    section: Path = ()
    for number, line in enumerate(text.split("\n"), start=1):
        if line.lstrip().startswith("["):
            section = _path_of(line) or section
            path = section
        else:
            path = section + _path_of(line.partition("=")[0] + "= 0")
        for end in range(1, min(len(path), _DEEPEST) + 1):
            lines.setdefault(path[:end], number)
    return lines


def _path_of(line: str) -> Path:
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


_LONGEST_VALUE = 60
"""Characters of a value that a message shows."""


@dataclass(frozen=True, slots=True)
class TomlFile:
    """A TOML text that has been read, with the name the user knows it by.

    Attributes:
        name: for messages.
        text: as it stands in the file.
        table: what it says, with the values given beside the file in it.
        problems: what is wrong with the text as TOML; the table holds what could be read all the same.
        unread: keys whose values could not be read, for one of these problems.
        beside: keys whose values were given beside the file, on the command line.
        beside_name: what to call that place in messages.
        full_text: `text` with those values in it, if there are any.
    """

    name: str
    text: str
    table: dict[str, Any]
    problems: tuple[Problem, ...] = ()
    unread: frozenset[Path] = frozenset()
    beside: frozenset[Path] = frozenset()
    beside_name: str = ""
    full_text: str | None = None

    def value(self, path: Path) -> Any:
        """The value at a dotted key, None if there is none."""
        inner: Any = self.table
        for key in path:
            inner = inner.get(key) if isinstance(inner, dict) else None
        return inner

    def line(self, path: Path) -> int | None:
        """The line of a dotted key, or of the innermost section around it that has one."""
        lines = lines_of(self.text)
        return next((lines[path[:end]] for end in range(len(path), 0, -1) if path[:end] in lines), None)

    def problem(self, path: Path, subject: str, text: str) -> Problem:
        """A problem with what stands at a dotted key, with the place where it stands."""
        if self.is_beside(path):
            return Problem(self.beside_name, None, subject, text)
        return Problem(self.name, self.line(path), subject, text)

    def is_beside(self, path: Path) -> bool:
        """Whether a key, or a section of which the file says nothing, was given beside the file."""
        return any(
            path[: len(given)] == given or (given[: len(path)] == path and path not in lines_of(self.text))
            for given in self.beside
        )

    def assignment(self, path: Path) -> str:
        """A key with its value, as somebody writes them; a number in the form it was written in."""
        value = self.value(path)
        shown = self._as_written(path) or write_value(value)
        if len(shown) > _LONGEST_VALUE:
            shown = f"{shown[: _LONGEST_VALUE - 1]}…"
        return f"{'.'.join(map(write_key, path))} = {shown}"

    def _as_written(self, path: Path) -> str | None:
        """A number as it stands in the file, such as 0x77; None for anything else."""
        value, number = self.value(path), lines_of(self.text).get(path)
        if number is None or not isinstance(value, int | float) or isinstance(value, bool):
            return None
        right = self.text.split("\n")[number - 1].partition("=")[2].partition("#")[0].strip()
        try:
            same = tomllib.loads(f"v = {right}")["v"] == value
        except ValueError:
            return None
        return right if same and len(right) <= _LONGEST_VALUE else None
