"""Select the settings that may be taken from a recording.

A recording can come from any source. Its settings may control the flight logic. They may not control
where the program writes, listens or sends: folders, devices and network addresses belong to the machine.
The table below lists what is taken. Everything else is ignored, including keys that later versions may
add.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import PurePosixPath
from types import MappingProxyType
from typing import Any

from vario.settings.renamed import text_with, with_new_names

EVERY_KEY = frozenset({"*"})

FLYING: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "flight": EVERY_KEY,
        "vario": EVERY_KEY,
        "average": EVERY_KEY,
        "circling": EVERY_KEY,
        "centring": EVERY_KEY,
        "expected_climb": EVERY_KEY,
        "speed_to_fly": EVERY_KEY,
        "goal": EVERY_KEY,
        "tone": EVERY_KEY,
        "voice": frozenset({"language", "each_turn", "on_request"}),
        "display": EVERY_KEY,
        "trace": EVERY_KEY,
        # Chips by name, bus by number: an emulation replaces both by its own fake ones.
        "sensors": EVERY_KEY,
        "gnss": frozenset({"baud"}),
        "nmea": frozenset({"rate"}),
        "declaration": EVERY_KEY,  # for an export of the recording
    }
)
"""The keys that are taken, by section. Of `glider`, only the file name is taken, without its folder."""

RECORDED_PORT = "recorded"
"""Replaces the device name of the receiver: the flight had a receiver, but its device is not used."""


def flying_settings(table: Mapping[str, Any]) -> dict[str, Any]:
    """The part of a table of settings that may be taken from a recording. `table` is not changed.

    Keys of earlier versions get their present names. A value that stands in place of a section is kept, so
    that validation reports it as an error.
    """
    table = with_new_names(table)
    taken: dict[str, Any] = {}
    if isinstance(table.get("glider"), str):
        taken["glider"] = PurePosixPath(table["glider"]).name
    elif "glider" in table:
        taken["glider"] = table["glider"]
    for name, keys in FLYING.items():
        if name not in table:
            continue
        section = table[name]
        if keys is EVERY_KEY or not isinstance(section, Mapping):
            taken[name] = section
            continue
        taken[name] = {key: value for key, value in section.items() if key in keys}
        if name == "gnss" and section.get("port") is not None:
            taken[name]["port"] = RECORDED_PORT
    return taken


def flying_text(text: str) -> str:
    """The TOML text reduced to what `flying_settings` takes.

    The text is returned unchanged if nothing has to be removed or renamed, or if it is not valid TOML.
    """
    return text_with(flying_settings, text)
