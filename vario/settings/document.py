"""Write settings as text: the commented file with all defaults, or the settings in force.

`python -m vario.settings.document > config/vario.toml` regenerates the bundled file.
"""

from __future__ import annotations

import sys
import textwrap
import tomllib
from collections.abc import Callable

from hw_replay.text import escaped
from vario.settings.keys import Key, keys, sections
from vario.settings.load import LoadedSettings
from vario.settings.quantity import show
from vario.settings.schema import Settings
from vario.settings.toml_text import TomlFile, dotted, header, write_value

_WIDTH = 100
_HEADER = (
    "Settings of the variometer.",
    "Every value in this file is the default, so you may delete any line. A key after a # is not in "
    "force; remove the # to set it. Write a value that has a unit in quotes, together with the unit.",
    "Caution: all speeds that this instrument proposes depend on the glider and its mass. The gliders "
    "that come with it are invented. Write a file for your glider from its flight manual, and name it "
    "here.",
    "After editing, run: vario config check FILE",
)


def settings_document() -> str:
    """A settings file with all keys; a comment on each gives its function, units, range and default."""

    def lines(key: Key) -> list[str]:
        assignment = f"{key.path[-1]} = {write_value(key.example)}"
        return [
            "",
            *_comment(f"{key.doc}."),
            *_comment(_facts(key)),
            assignment if key.presence == "default" else f"# {assignment}",
        ]

    top = [line for paragraph in _HEADER for line in [*_comment(paragraph), "#"]][:-1]
    return "\n".join([*top, *_body(lines)]) + "\n"


def show_settings(loaded: LoadedSettings) -> str:
    """The settings in force as TOML. A comment gives the default of each value that differs from it."""
    file = TomlFile(loaded.settings_name, loaded.settings_toml, tomllib.loads(loaded.settings_toml))

    def lines(key: Key) -> list[str]:
        written = file.value(key.path)
        if written is None and key.presence == "optional":
            return [f"# {key.path[-1]} is not set"]
        value = write_value(key.example if written is None else written)
        if _in_force(loaded.settings, key) == _in_force(Settings(), key):
            return [f"{key.path[-1]} = {value}"]
        default = "not set" if key.presence == "optional" else write_value(key.example)
        return [f"{key.path[-1]} = {value}  # default: {default}"]

    glider = loaded.glider
    about = f"glider: {glider.name}, from {loaded.glider_name}" if glider else "no glider"
    # Text after a line break in a name would be read as a setting.
    return "\n".join([escaped(f"# {loaded.settings_name}; {about}"), *_body(lines)]) + "\n"


def differing(settings: Settings) -> dict[str, object]:
    """The settings that differ from their defaults: dotted key → value as written in a settings file."""
    found: dict[str, object] = {}
    for path, key in keys(Settings).items():
        value = _in_force(settings, key)
        if value is not None and value != _in_force(Settings(), key):
            found[dotted(path)] = show(float(value), key.dimension) if key.dimension else value  # type: ignore[arg-type]
    return found


def _body(lines: Callable[[Key], list[str]]) -> list[str]:
    """All keys in the order of the schema, under the headers of their sections; `lines` writes each key."""
    body: list[str] = []
    for section_path, section in sections(Settings).items():
        inside = [key for path, key in keys(Settings).items() if path[:-1] == section_path]
        if section_path and inside:
            body += ["", *_comment(" ".join((section.__doc__ or "").split())), header(section_path)]
        for key in inside:
            body += lines(key)
    return body


def _facts(key: Key) -> str:
    facts = []
    if key.dimension:
        units = list(key.dimension.units)
        facts.append(f"{'Units' if len(units) > 1 else 'Unit'}: {', '.join(units)}")
    if key.range:
        facts.append(f"{'Choices' if key.choices else 'Range'}: {key.range}")
    default = "not set" if key.presence == "optional" else write_value(key.example).strip('"')
    facts.append(f"Default: {default}")
    return ". ".join(facts) + "."


def _comment(text: str) -> list[str]:
    return [f"# {line}" for line in textwrap.wrap(text, _WIDTH - 2)]


def _in_force(settings: Settings, key: Key) -> object:
    value: object = settings
    for field in key.fields:
        value = getattr(value, field)
    return value


if __name__ == "__main__":
    sys.stdout.write(settings_document())
