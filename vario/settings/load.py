"""Settings and glider from their TOML files, or one exception with everything that is wrong in them."""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from shlex import quote
from typing import Any, TypeVar

from pydantic import ValidationError

from vario.settings.errors import Broken, Problem, SettingsError
from vario.settings.explain import explain, explain_rule
from vario.settings.fields import Section
from vario.settings.glider import Glider
from vario.settings.quantity import MASS, show
from vario.settings.schema import Flight, Settings
from vario.settings.toml_text import TomlFile, write_value

_LARGEST_FILE = 256 * 1024
_LONGEST_LINE = 20_000
"""Characters. The time to read a dotted key grows with the square of its length."""

_MOST_PROBLEMS = 100
"""Told of one file: whoever has more to mend than this has given another program's file."""

_QUOTED = r"'([^']*)'"

_Model = TypeVar("_Model", bound=Section)


@dataclass(frozen=True, slots=True)
class LoadedSettings:
    """Settings that are valid, and the text they came from (it goes into recordings).

    Attributes:
        settings: all settings, with defaults filled in.
        glider: the glider named in the settings; None if none is named.
        settings_toml: text of the settings file.
        glider_toml: text of the glider file.
        settings_name: the settings file's name, for messages.
        glider_name: the glider file's name, for messages.
    """

    settings: Settings
    glider: Glider | None
    settings_toml: str
    glider_toml: str | None
    settings_name: str
    glider_name: str | None


def load_settings(path: str | os.PathLike[str]) -> LoadedSettings:
    """The settings in a file, with the glider file they name (its path is relative to that file).

    Raises:
        SettingsError: with every problem found in both files.
    """
    path = Path(path)
    file = _from_disk(path, absent(path))
    named = file.table.get("glider")
    if not isinstance(named, str):
        return _checked(file, None, [])
    glider_path = path.parent / named
    if not named or not os.path.exists(glider_path):
        return _checked(file, None, [_no_glider(file, named, glider_path)])
    if not may_be_glider(glider_path):
        text = f"{glider_path}: expected a file whose name, also where a link leads, ends in .toml"
        subject = f"glider = {write_value(named)}"
        return _checked(file, None, [Problem(file.name, file.line(("glider",)), subject, text)])
    try:
        return _checked(file, _from_disk(glider_path), [])
    except _UnreadableError as error:
        return _checked(file, None, list(error.problems))


def may_be_glider(path: Path) -> bool:
    """Whether a path that settings name may be read as a glider file.

    A message about a wrong line quotes it. Whoever may write settings for another user, such as root, must
    not have any file of that user quoted; and to open a pipe waits for its writer.
    """
    try:
        resolved = path.resolve()
        return resolved.is_file() and resolved.suffix == ".toml"
    except (OSError, RuntimeError):  # the second: a loop of links, up to Python 3.12
        return False


def absent(path: Path) -> str:
    """What to say where there is no settings file."""
    begin = f"vario config show > {quote(str(path))}"
    return f"there is no such file; one with every default to begin with: {begin}"


def parse_settings(
    text: str, name: str, glider_text: str | None = None, glider_name: str = "the glider file"
) -> LoadedSettings:
    """The settings in a TOML text, such as the one a recording carries.

    Args:
        text: the settings.
        name: what to call the text in messages.
        glider_text: the glider; must be there if the settings name one.
        glider_name: what to call that in messages.

    Raises:
        SettingsError: with every problem found in both texts.
    """
    file = _decoded(name, text)
    problems: list[Problem] = []
    glider = None
    if glider_text is not None:
        try:
            glider = _decoded(glider_name, glider_text)
        except _UnreadableError as error:
            problems += error.problems
    elif isinstance(file.table.get("glider"), str):
        subject = f"glider = {write_value(file.table['glider'])}"
        problems.append(Problem(name, file.line(("glider",)), subject, "the glider file itself is missing"))
    return _checked(file, glider, problems)


def read_toml(path: str | os.PathLike[str]) -> TomlFile:
    """A TOML file of any schema of ours, with its text for messages.

    Raises:
        SettingsError: if it cannot be read or is no TOML.
    """
    return _from_disk(Path(path))


class _UnreadableError(SettingsError):
    """A file or text that is no TOML at all."""


def _from_disk(path: Path, if_absent: str = "there is no such file") -> TomlFile:
    name = str(path)
    try:
        with path.open("rb") as stream:
            content = stream.read(_LARGEST_FILE + 1)
    except FileNotFoundError:
        raise _unreadable(name, if_absent) from None
    except IsADirectoryError:
        raise _unreadable(name, "this is a directory; expected a TOML file") from None
    except PermissionError:
        raise _unreadable(name, "no permission to read this file") from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise _unreadable(name, f"cannot be read ({reason})") from None
    if len(content) > _LARGEST_FILE:
        raise _unreadable(name, f"larger than {_LARGEST_FILE // 1024} kB; expected a TOML file of a few kB")
    try:
        # Some editors put a byte-order mark first, which TOML does not know.
        return _decoded(name, content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise _unreadable(name, "not UTF-8 text; save the file as UTF-8", line) from None


def _decoded(name: str, text: str) -> TomlFile:
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > _LONGEST_LINE:
            raise _unreadable(name, f"a line longer than {_LONGEST_LINE} characters", number)
    try:
        return TomlFile(name, text, tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(name, text, str(error)) from None
    except (ValueError, RecursionError):
        # A number of thousands of digits, or arrays nested a thousand deep.
        raise _unreadable(name, "too long a number or too deeply nested for a settings file") from None


def _syntax_error(name: str, text: str, message: str) -> _UnreadableError:
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
    bare = re.match(r"(\S+) *= *([-+.0-9]+) *([A-Za-z°][\w/²]*)", subject)
    if bare:
        reason = f'a value with a unit stands in quotes: {bare[1]} = "{bare[2]} {bare[3]}"'
    return _unreadable(name, f"not valid TOML{column}: {reason}", line, subject[:80])


def _unreadable(name: str, text: str, line: int | None = None, subject: str = "") -> _UnreadableError:
    return _UnreadableError([Problem(name, line, subject, text)])


def _no_glider(file: TomlFile, named: str, tried: Path) -> Problem:
    text = f"there is no file {tried}; expected the path of a glider file, relative to this file"
    try:
        beside = [path.name for path in tried.parent.glob("*.toml")]
    except (OSError, ValueError):
        beside = []
    near = difflib.get_close_matches(tried.name, beside, n=1)
    if near:
        text += f'; did you mean "{Path(named).with_name(near[0]).as_posix()}"?'
    return Problem(file.name, file.line(("glider",)), f"glider = {write_value(named)}", text)


def _checked(file: TomlFile, glider_file: TomlFile | None, problems: list[Problem]) -> LoadedSettings:
    settings = _valid(Settings, file, problems)
    glider = _valid(Glider, glider_file, problems) if glider_file else None
    if glider:
        problems += _loading_problems(file, glider)
    if settings is None or problems:
        # In the order of the lines; what has no line comes after.
        raise SettingsError(
            sorted(problems, key=lambda p: (p.file != file.name, p.line or len(file.text) + 1))
        )
    return LoadedSettings(
        settings=settings,
        glider=glider,
        settings_toml=file.text,
        glider_toml=glider_file.text if glider_file else None,
        settings_name=file.name,
        glider_name=glider_file.name if glider_file else None,
    )


def _valid(model: type[_Model], file: TomlFile, problems: list[Problem]) -> _Model | None:
    try:
        return model.model_validate(file.table)
    except ValidationError as error:
        problems += islice(explain(error, file, model), _MOST_PROBLEMS)
        if error.error_count() > _MOST_PROBLEMS:
            more = error.error_count() - _MOST_PROBLEMS
            problems.append(
                Problem(file.name, None, "", f"and {more} more; is this a file for this program?")
            )
        return None


def _loading_problems(file: TomlFile, glider: Glider) -> Iterator[Problem]:
    """What is wrong with the flying mass for this glider; nothing if [flight] itself is wrong."""
    table: Any = file.table.get("flight", {})
    try:
        flight = Flight.model_validate(table)
    except ValidationError:
        return
    reference = glider.reference_mass_kg
    mass = (reference if flight.mass_kg is None else flight.mass_kg) + flight.ballast_kg
    low, high = 0.5 * reference, 2.0 * reference
    if not low <= mass <= high:
        text = (
            f"together {show(mass, MASS)}; expected {show(low, MASS)} to {show(high, MASS)}, "
            f"half to twice the reference mass of {glider.name}"
        )
        yield explain_rule(Broken(("mass", "ballast"), text), ("flight",), file, Settings)
