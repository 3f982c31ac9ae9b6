"""Read a TOML file or text for any schema. If it is not valid TOML, read as much of it as possible.

Reading continues after a faulty line, so that all faults of a file are reported together.
"""

from __future__ import annotations

import os
import pathlib
import re
import tomllib
from collections.abc import Iterator
from typing import Any

from hw_replay.bounded_toml import parse_toml
from hw_replay.regular_file import open_regular, why_unreadable
from vario.settings.errors import Problem, SettingsError
from vario.settings.near import nearest
from vario.settings.toml_text import Path, TomlFile, write_value

LARGEST_FILE_BYTES = 256 * 1024
_LONGEST_LINE = 2_000
"""Maximum length in characters. The time to read a dotted key grows with the square of its length."""

_MOST_MENDED = 12
_LARGEST_MENDED = 64 * 1024
"""Limits for the repair of faulty texts: lines and characters. Each repair parses the text again."""

_UNREAD = "\0"
"""Replaces a value that could not be read."""

_QUOTED = r"'([^']*)'"
# Texts and not compiled patterns: only faulty files need them.
_CURLY = "[“”„‟«»‘’‚‹›]"
_ASSIGNMENT = r"(\s*[^=\s#\[][^=#]*?)\s*=\s*(.*?)\s*"
_KEY = r"\s*([A-Za-z0-9_.-]*[A-Za-z0-9_-])"
_WITH_UNIT = r"[-+]?[.0-9]+\s*[A-Za-z°][\w/²]*"
_WORDS = r"[A-Za-z_][\w ./-]*"
_COMMA = r"[-+]?[0-9]+,[0-9]+"


class UnreadableError(SettingsError):
    """The file or text is not valid TOML, and nothing of it can be used."""


def read_toml(path: str | os.PathLike[str]) -> TomlFile:
    """Read a TOML file of any schema, with its text for messages.

    Raises:
        SettingsError: if it cannot be read or is not valid TOML.
    """
    file = from_disk(pathlib.Path(path))
    if file.problems:
        raise SettingsError(file.problems)
    return file


def top_keys(path: pathlib.Path) -> set[str]:
    """The keys and sections at the top level of a TOML file, as far as it can be read."""
    try:
        return set(from_disk(path).table)
    except UnreadableError:
        return set()


def from_disk(path: pathlib.Path, if_absent: str = "there is no such file") -> TomlFile:
    """Read a TOML file; its faults are in `problems`.

    Raises:
        UnreadableError: if nothing of it can be used.
    """
    name = str(path)
    try:
        with open_regular(path) as stream:
            content = stream.read(LARGEST_FILE_BYTES + 1)
    except FileNotFoundError:
        raise _unreadable(name, if_absent) from None
    except (OSError, ValueError) as error:
        raise _unreadable(name, why_unreadable(error, "a TOML file")) from None
    if len(content) > LARGEST_FILE_BYTES:
        raise _unreadable(
            name, f"larger than {LARGEST_FILE_BYTES // 1024} kB; expected a TOML file of a few kB"
        )
    try:
        # Some editors write a byte-order mark first. TOML does not allow it.
        return toml_of_text(name, content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise _unreadable(name, "not UTF-8 text; save the file as UTF-8", line) from None


def no_glider(file: TomlFile, key: Path, tried: pathlib.Path) -> Problem:
    """The problem if there is no glider file `tried`, which the key names relative to `file`."""
    named = str(file.value(key))
    text = f"there is no file {tried}; expected the path of a glider file, relative to this file"
    try:
        beside = [path.name for path in tried.parent.glob("*.toml")]
    except (OSError, ValueError):
        beside = []
    if named.startswith("~"):
        text += '; "~" is not replaced by a home folder here'
    near = nearest(tried.name, beside)
    if near:
        text += f'; did you mean "{pathlib.Path(named).with_name(near).as_posix()}"?'
    return file.problem(key, file.assignment(key), text)


def toml_of_text(name: str, text: str) -> TomlFile:
    """Read a TOML text; its faults are in `problems`.

    Raises:
        UnreadableError: if nothing of it can be used.
    """
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > _LONGEST_LINE:
            raise _unreadable(name, f"a line longer than {_LONGEST_LINE} characters", number)
    problems: list[Problem] = []
    mended, table = text, None
    while table is None:
        try:
            table = parse_toml(mended)
        except tomllib.TOMLDecodeError as error:
            problem = _syntax_error(name, text, str(error))
            if problem.line not in [known.line for known in problems]:
                problems.append(problem)
            further = _mended(mended, text, problem.line or 1) if len(problems) <= _MOST_MENDED else None
            if further is None or len(text) > _LARGEST_MENDED:
                raise UnreadableError(problems) from None
            mended = further
        except ValueError:
            # Cause: a number of thousands of digits, or too many levels.
            too_much = "too long a number or too deeply nested for a settings file"
            raise UnreadableError([*problems, Problem(name, None, "", too_much)]) from None
    unread = frozenset(_unread(table)) if problems else frozenset()
    return TomlFile(name, text, table, tuple(problems), unread)


def _mended(text: str, original: str, number: int) -> str | None:
    """The text with the value on one line corrected or removed; None if that is not possible."""
    lines = text.split("\n")
    line = lines[number - 1]
    try:
        # The fault must begin on this line, and not in an array or text above that does not end.
        parse_toml("\n".join(lines[: number - 1]))
    except ValueError:
        return None
    if line.lstrip().startswith("[") or line.rstrip().endswith(f"= {write_value(_UNREAD)}"):
        return None
    lines[number - 1] = _line_as_meant(line, is_first_try=line == original.split("\n")[number - 1])
    if _says_twice("\n".join(lines[:number])):
        lines[number - 1] = ""
    return "\n".join(lines)


def _line_as_meant(line: str, *, is_first_try: bool) -> str:
    match = re.fullmatch(_ASSIGNMENT, line)
    if match is None:
        word = re.match(_KEY, line)
        return f"{word[1]} = {write_value(_UNREAD)}" if word else ""
    key, value = match[1], re.sub(_CURLY, '"', match[2])
    if is_first_try and value != match[2]:
        return f"{key} = {value}"
    if is_first_try and (re.fullmatch(_WITH_UNIT, value) or re.fullmatch(_WORDS, value)):
        return f"{key} = {write_value(value)}"
    return f"{key} = {write_value(_UNREAD)}"


def _says_twice(text: str) -> bool:
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return str(error).startswith("Cannot overwrite a value")
    return False


def _unread(table: dict[str, Any], path: Path = ()) -> Iterator[Path]:
    for key, value in table.items():
        if value == _UNREAD:
            yield (*path, key)
        elif isinstance(value, dict):
            yield from _unread(value, (*path, key))


def _syntax_error(name: str, text: str, message: str) -> Problem:
    lines = text.split("\n")
    place = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", message, re.DOTALL)
    if place:
        reason, line, column = place[1], int(place[2]), f", column {place[3]}"
    else:
        reason, line, column = message.removesuffix(" (at end of document)"), len(lines), ""
    # The parser writes the section [a.b] as ('a', 'b').
    reason = re.sub(r"\('.*\)", lambda m: f"[{'.'.join(re.findall(_QUOTED, m[0]))}]", reason)
    if reason == "Cannot overwrite a value":
        reason = "this key has a value already"
    subject = " ".join(lines[line - 1].split())
    match = re.fullmatch(_ASSIGNMENT, subject.partition("#")[0])
    if match:
        reason = _meant(match[1], match[2]) or reason
    return Problem(name, line, subject[:80], f"not valid TOML{column}: {reason}")


def _meant(key: str, value: str) -> str | None:
    """The correct form, if it can be determined."""
    if re.search(_CURLY, value):
        straight = re.sub(_CURLY, '"', value)
        return (
            f"curly quotes; expected straight quotes, as a plain text editor writes them: {key} = {straight}"
        )
    if re.fullmatch(_COMMA, value):
        return f"the decimal sign is a point, not a comma: {key} = {value.replace(',', '.')}"
    if re.fullmatch(_WITH_UNIT, value):
        number, unit = re.fullmatch(r"([-+.0-9]+)\s*(.*)", value, re.DOTALL).groups()  # type: ignore[union-attr]
        return f'a value with a unit is written in quotes: {key} = "{number} {unit}"'
    if re.fullmatch(_WORDS, value) and value not in ("true", "false", "inf", "nan"):
        return f"a text is written in quotes: {key} = {write_value(value)}"
    return None


def _unreadable(name: str, text: str, line: int | None = None) -> UnreadableError:
    return UnreadableError([Problem(name, line, "", text)])
