"""Write the reference of all settings: `python -m tests.documents.settings > docs/settings.md`."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from vario.settings.fields import Section
from vario.settings.glider import Glider
from vario.settings.keys import Key, keys, sections
from vario.settings.schema import Settings
from vario.settings.toml_text import header, write_value

_HEAD = """# Settings

All keys of the settings file and of the glider file. This page is generated from the schema that the program
validates them with: `python -m tests.documents.settings > docs/settings.md`. `config/vario.toml` has the same
content as a file that you can copy. `vario config check FILE` reports all faults of your file together.

Relative paths are relative to the folder of the file that contains them.

`--set KEY=VALUE` sets a single value over the settings in force, for `vario replay`, `compare`, `batch`,
`report`, `export` and `tone`. KEY is dotted (`tone.beep_rate_full`) or one of the short names `maccready`,
`ballast`, `bugs`, `mode`, `volume`, `qnh` and `goal`. VALUE is written as below, but a text needs no quotes
(`--set tone.beep_rate_full="5 Hz"`). `none` removes the key, so that its default is in force. A path is
relative to the working directory of the command.

Write a value that has a unit in quotes, together with the unit (`maccready = "2 kt"`). The units of each
quantity:
"""

_GLIDER = """
# Glider file

The key `glider` of the settings names this file; its path is relative to the settings file. Write a glider
file for your own glider from its flight manual: all speeds that this instrument proposes depend on it. The
gliders in `config/gliders/` are invented and match no aircraft.
"""


def settings_reference() -> str:
    """The page in Markdown."""
    return (
        "\n".join(
            [_HEAD, *units_table(Settings, Glider), *key_tables(Settings), _GLIDER, *key_tables(Glider)]
        )
        + "\n"
    )


def units_table(*models: type[Section]) -> Iterator[str]:
    """A table of all quantities in use and their units, in the order in which they occur."""
    yield "| quantity | units |"
    yield "|---|---|"
    kinds = [key.dimension for model in models for key in keys(model).values() if key.dimension]
    for kind in dict.fromkeys(kind.name for kind in kinds):
        units = next(dimension.units for dimension in kinds if dimension.name == kind)
        yield f"| {kind.partition(' ')[2]} | {', '.join(f'`{unit}`' for unit in units)} |"


def key_tables(model: type[Section], repeated: str | None = None) -> Iterator[str]:
    """One table for each section, in the order of the schema.

    Args:
        model: the schema of a file.
        repeated: name of the table if the model is a table that may occur more than once.
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
