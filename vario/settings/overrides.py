"""Settings given in addition to a settings file: KEY=VALUE on the command line, or a mapping from Python.

They are applied over the settings in force. The result is then validated like a settings file.
"""

from __future__ import annotations

import pathlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from drivers.quick import dataclass
from hw_replay.bounded_toml import parse_toml
from vario.settings.edit import NotEditableError, set_value, with_value
from vario.settings.errors import Problem, SettingsError
from vario.settings.fields import Hex
from vario.settings.keys import keys, sections
from vario.settings.read import from_disk
from vario.settings.schema import Settings
from vario.settings.short_names import SHORT_NAMES, ShortNameError, goal_values, suggestion
from vario.settings.toml_text import Path, TomlFile, dotted, write_key, write_value

OPTION = "--set"
NONE = "none"
"""Written as a value, this removes the key, so that its default is in force."""

GLIDER = ("glider",)


@dataclass(frozen=True, slots=True)
class Overrides:
    """Values to apply over settings. Plain data, so it can be sent to another process.

    Attributes:
        values: keys and values; None removes the key; later ones replace earlier ones.
        name: where they were given, for messages.
        problems: faults in the way they were given.
    """

    values: tuple[tuple[Path, Any], ...] = ()
    name: str = OPTION
    problems: tuple[Problem, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.values or self.problems)

    def __str__(self) -> str:
        """The values on one line, as written in a file."""
        return ", ".join(
            f"{dotted(path)} = {NONE if value is None else write_value(value)}" for path, value in self.values
        )

    @property
    def names_glider(self) -> bool:
        """Whether the overrides set or remove the glider."""
        return any(path == GLIDER for path, _ in self.values)


NOTHING = Overrides()


def from_words(words: Iterable[str], name: str = OPTION) -> Overrides:
    """Parse the KEY=VALUE arguments of a command line.

    A key is dotted ("tone.beep_rate_full") or a short name. A value is written as in a settings file, but a
    text needs no quotes; "none" removes the key.
    """
    found: list[tuple[Path, Any]] = []
    problems = []
    for word in words:
        key, sign, text = word.partition("=")
        if not (sign and key.strip() and text.strip()):
            wanted = 'expected KEY=VALUE, such as maccready="2 kt" or tone.beep_rate_full="5 Hz"'
            problems.append(Problem(name, None, word, wanted))
            continue
        _add(found, problems, key.strip(), _value(text.strip()), name)
    return Overrides(tuple(found), name, tuple(problems))


def from_mapping(values: Mapping[str, Any]) -> Overrides:
    """Overrides from a mapping of dotted keys or short names to values; None removes a key."""
    found: list[tuple[Path, Any]] = []
    problems: list[Problem] = []
    for key, value in values.items():
        _add(found, problems, key, value, "set")
    return Overrides(tuple(found), "set", tuple(problems))


def lay_over(file: TomlFile, overrides: Overrides) -> TomlFile:
    """The table of the file with the values applied."""
    if not overrides.values:
        return file
    text, table = file.text, file.table
    for path, value in overrides.values:
        table = with_value(table, path, value)
        text = _text_with(text, table, path, value)
    return replace(
        file,
        table=table,
        full_text=text,
        overridden=frozenset(path for path, _ in overrides.values),
        overridden_by=overrides.name,
        unread=file.unread - {path for path, _ in overrides.values},
    )


def lay_over_text(text: str, overrides: Overrides) -> str:
    """The settings text with the values applied. A text that is not valid TOML is returned unchanged."""
    try:
        table = parse_toml(text)
    except ValueError:
        return text
    return lay_over(TomlFile("", text, table), overrides).full_text or text


def override_glider(overrides: Overrides) -> TomlFile | None:
    """The glider file that the overrides name, relative to the working directory; None if they name none.

    Raises:
        SettingsError: if it cannot be read.
    """
    named = dict(overrides.values).get(GLIDER)
    if not isinstance(named, str):
        return None
    path = pathlib.Path(named)
    if not path.exists():
        text = f"there is no file {path.absolute()}; expected the path of a glider file"
        raise SettingsError([Problem(overrides.name, None, f"glider = {write_value(named)}", text)])
    return from_disk(path)


def _add(found: list[tuple[Path, Any]], problems: list[Problem], key: str, value: Any, name: str) -> None:
    if key == "goal" and (value is None or isinstance(value, str)):
        try:
            found += goal_values(NONE if value is None else value).items()
        except ShortNameError as error:
            problems.append(Problem(name, None, f"goal = {write_value(value)}", str(error)))
        return
    path = SHORT_NAMES.get(key) or _path(key)
    if path is None:
        problems.append(Problem(name, None, key, f"no such setting; {suggestion(key)}"))
        return
    found += _leaves(path, value)


def _path(key: str) -> Path | None:
    """Split a dotted key; None for a single word that is not a key of the top level."""
    path = tuple(step.strip() for step in key.split("."))
    at_top = (*sections(Settings), *keys(Settings))
    return path if len(path) > 1 or path in at_top else None


def _leaves(path: Path, value: Any) -> Iterator[tuple[Path, Any]]:
    """Convert a value, or each value of a whole section."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _leaves((*path, key), inner)
    else:
        yield path, value


def _value(text: str) -> Any:
    """Read a value as in a settings file; a text may be written without quotes."""
    if text == NONE:
        return None
    try:
        table = parse_toml(f"v = {text}")
    except ValueError:
        return text
    value = table["v"]
    if len(table) > 1:
        return text
    return Hex(value) if isinstance(value, int) and text.lower().startswith("0x") else value


def _text_with(text: str, table: dict[str, Any], path: Path, value: Any) -> str:
    """The text with one value changed. If `set_value` cannot edit it, the whole table without comments."""
    try:
        return set_value(text, path, value)
    except NotEditableError:
        return "".join(f"{write_key(key)} = {write_value(inner)}\n" for key, inner in table.items())
