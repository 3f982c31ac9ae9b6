"""Keys of the settings file that had another name in an earlier version.

A recording contains the settings of its flight, so its old keys are read under their new names. A settings
file belongs to its user: an old key in it is an error, and the message gives the new name.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from hw_replay.bounded_toml import parse_toml
from vario.settings.edit import with_value
from vario.settings.toml_text import Path, value_at, write_table

RENAMED: Mapping[Path, Path] = MappingProxyType(
    {
        ("sensors", "baro", "sits"): ("sensors", "baro", "location"),
    }
)
"""Old key → new key. The values keep their meaning."""


def with_new_names(table: Mapping[str, Any]) -> dict[str, Any]:
    """The settings with new names. If a key is given by both names, the value of the new name is kept.

    `table` is not changed.
    """
    renamed = dict(table)
    for old, new in RENAMED.items():
        value = value_at(renamed, old)
        if value is not None:
            renamed = with_value(renamed, old, None)
            if value_at(renamed, new) is None:
                renamed = with_value(renamed, new, value)
    return renamed


def text_with_new_names(text: str) -> str:
    """The TOML text with new names; unchanged if it contains no old name or is not valid TOML."""
    try:
        table = parse_toml(text)
    except ValueError:
        return text
    renamed = with_new_names(table)
    return text if renamed == table else write_table(renamed)
