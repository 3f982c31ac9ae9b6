"""TOML as text: write values, and find the lines of keys (`tomllib` offers neither)."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any

from drivers.quick import dataclass
from vario.settings.errors import Problem

Path = tuple[str, ...]
"""A dotted key, split: ("flight", "maccready")."""

_DEEPEST = 20
"""Maximum number of levels listed of a dotted key. No key has as many, and each level costs time."""

_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}


def _escaped(character: str) -> str:
    if character in _ESCAPES:
        return _ESCAPES[character]
    return character if character.isprintable() else f"\\U{ord(character):08X}"


def write_value(value: Any) -> str:
    """A value as written in a file, on one line; tables are written inline."""
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
    # The remaining types of TOML are dates and times.
    return str(value.isoformat())


def _number(value: float) -> str:
    try:
        return str(value)
    except ValueError:
        # Python refuses to write integers of thousands of digits in decimal (they can be read as
        # hexadecimal).
        return hex(int(value))


def write_key(key: str) -> str:
    """A key as written in a file, in quotes if it needs them."""
    bare = key.isascii() and key.replace("-", "").replace("_", "").isalnum()
    return key if bare else write_value(key)


def dotted(path: Path) -> str:
    """The key as the user writes it: "flight.maccready"."""
    return ".".join(map(write_key, path))


def header(path: Path) -> str:
    """The header of a section as the user writes it: "[sensors.baro]"."""
    return f"[{dotted(path)}]"


def write_toml_table(table: Mapping[str, Any]) -> str:
    """A table as a TOML text: first its values, then its sub-tables, each under its header."""
    return "\n".join(_lines((), table)) + "\n"


def _lines(path: Path, table: Mapping[str, Any]) -> Iterator[str]:
    if path:
        yield header(path)
    for key, value in table.items():
        if not isinstance(value, dict):
            yield f"{write_key(key)} = {write_value(value)}"
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _lines((*path, key), value)


def value_at(table: Mapping[str, Any], path: Path) -> Any:
    """The value at a dotted key; None if there is none."""
    inner: Any = table
    for key in path:
        inner = inner.get(key) if isinstance(inner, dict) else None
    return inner


def put_value(table: dict[str, Any], path: Path, value: Any) -> None:
    """Set the value at a dotted key; None removes the key."""
    for key in path[:-1]:
        if not isinstance(table.get(key), dict):
            if value is None:
                return
            table[key] = {}
        table = table[key]
    if value is None:
        table.pop(path[-1], None)
    else:
        table[path[-1]] = value


@lru_cache(maxsize=4)
def lines_of(text: str) -> dict[Path, int]:
    """The line number (from 1) of each key and section header of a valid TOML text.

    Keys inside inline tables are not listed. For a text with multi-line strings the result is empty,
    because a line inside such a string can look like a key, and a wrong line number is worse than none.
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
    """The dotted key on a line; empty if the line has none (for example a row of an array)."""
    try:
        inner: Any = tomllib.loads(line)
    except (ValueError, RecursionError):  # RecursionError: nested too deeply to parse here
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
"""Maximum number of characters of a value in a message."""


@dataclass(frozen=True, slots=True)
class TomlFile:
    """A TOML text that has been read.

    Attributes:
        name: for messages.
        text: as written in the file.
        table: its content, with overrides applied.
        problems: faults in the TOML syntax; the table contains what could be read.
        unread: keys whose values could not be read because of these faults.
        overridden: keys whose values were given on the command line.
        overridden_by: where they were given, for messages.
        full_text: `text` with overrides applied, if there are any.
    """

    name: str
    text: str
    table: dict[str, Any]
    problems: tuple[Problem, ...] = ()
    unread: frozenset[Path] = frozenset()
    overridden: frozenset[Path] = frozenset()
    overridden_by: str = ""
    full_text: str | None = None

    def value(self, path: Path) -> Any:
        """The value at a dotted key; None if there is none."""
        return value_at(self.table, path)

    def line(self, path: Path) -> int | None:
        """The line of a dotted key, or of the innermost section around it that has a line."""
        lines = lines_of(self.text)
        return next((lines[path[:end]] for end in range(len(path), 0, -1) if path[:end] in lines), None)

    def problem(self, path: Path, subject: str, text: str) -> Problem:
        """A problem with the value at a dotted key, with its place."""
        if self.is_overridden(path):
            return Problem(self.overridden_by, None, subject, text)
        return Problem(self.name, self.line(path), subject, text)

    def is_overridden(self, path: Path) -> bool:
        """Whether a key was given on the command line, or a section that is absent from the file."""
        return any(
            path[: len(given)] == given or (given[: len(path)] == path and path not in lines_of(self.text))
            for given in self.overridden
        )

    def assignment(self, path: Path) -> str:
        """A key with its value as users write them; a number keeps the form in which it was written."""
        value = self.value(path)
        shown = self._as_written(path) or write_value(value)
        if len(shown) > _LONGEST_VALUE:
            shown = f"{shown[: _LONGEST_VALUE - 1]}…"
        return f"{dotted(path)} = {shown}"

    def _as_written(self, path: Path) -> str | None:
        """A number as written in the file, such as 0x77; None for anything else."""
        value, number = self.value(path), lines_of(self.text).get(path)
        if number is None or not isinstance(value, int | float) or isinstance(value, bool):
            return None
        right = self.text.split("\n")[number - 1].partition("=")[2].partition("#")[0].strip()
        try:
            same = tomllib.loads(f"v = {right}")["v"] == value
        except ValueError:
            return None
        return right if same and len(right) <= _LONGEST_VALUE else None
