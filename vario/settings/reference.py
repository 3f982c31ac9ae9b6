"""The reference of all settings as a page: `python -m vario.settings.reference > docs/settings.md`."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from vario.settings.fields import Section
from vario.settings.glider import Glider
from vario.settings.keys import Key, header, keys, sections
from vario.settings.schema import Settings
from vario.settings.toml_text import write_value

_HEAD = """# Settings

Every key of the settings file and of a glider file, made from the schema the program checks them with:
`python -m vario.settings.reference > docs/settings.md`. `config/vario.toml` is the same as a file to copy;
`vario config check FILE` says everything that is wrong with yours at once.

Relative paths are relative to the file they stand in.

`--set KEY=VALUE` gives single values to `vario replay`, `compare`, `batch`, `report`, `export` and `tone`,
over the settings in force. KEY is dotted (`tone.beeps_full`) or one of the short names `maccready`,
`ballast`, `bugs`, `mode`, `volume` and `goal`. VALUE is written as below; a text needs no quotes of its own
(`--set tone.beeps_full="5 Hz"`), and `none` takes the key out, so that its default is in force. A path is
relative to where the command runs.

A value with a unit stands in quotes together with it (`maccready = "2 kt"`), in any unit of its kind:
"""

_GLIDER = """
# Glider file

The settings name it as `glider`; its path is relative to them. Write one for your own glider, from its
flight manual: it decides every speed this instrument proposes. The gliders in `config/gliders/` are invented
and fit no aircraft.
"""


def settings_reference() -> str:
    """The page, as Markdown."""
    return (
        "\n".join(
            [_HEAD, *units_table(Settings, Glider), *key_tables(Settings), _GLIDER, *key_tables(Glider)]
        )
        + "\n"
    )


def units_table(*models: type[Section]) -> Iterator[str]:
    """Every kind of quantity in use and its units, in the order they are met."""
    yield "| quantity | units |"
    yield "|---|---|"
    kinds = [key.dimension for model in models for key in keys(model).values() if key.dimension]
    for kind in dict.fromkeys(kind.name for kind in kinds):
        units = next(dimension.units for dimension in kinds if dimension.name == kind)
        yield f"| {kind.partition(' ')[2]} | {', '.join(f'`{unit}`' for unit in units)} |"


def key_tables(model: type[Section], repeated: str | None = None) -> Iterator[str]:
    """A table a section, in the order of the schema.

    Args:
        model: what a file may say.
        repeated: the model is not a whole file but a table of this name that may come more than once.
    """
    for path, section in sections(model).items():
        inside = [key for where, key in keys(model).items() if where[:-1] == path]
        if not inside:
            continue
        title = f"`[[{repeated}]]`" if repeated else f"`{header(path)}`" if path else "At the top"
        yield f"\n## {title}\n"
        if path or repeated:
            yield f"{_one_line(section.__doc__)}\n"
        yield "| key | what it does | range | default |"
        yield "|---|---|---|---|"
        yield from map(_row, inside)


def _row(key: Key) -> str:
    default = {
        "default": f"`{write_value(key.example)}`",
        "optional": f"not set; such as `{write_value(key.example)}`",
        "required": f"required; such as `{write_value(key.example)}`",
    }[key.presence]
    cells = (f"`{key.path[-1]}`", f"{key.doc}.", key.range or "", default)
    return f"| {' | '.join(_one_line(cell).replace('|', chr(92) + '|') for cell in cells)} |"


def _one_line(text: str | None) -> str:
    return " ".join((text or "").split())


if __name__ == "__main__":
    sys.stdout.write(settings_reference())
