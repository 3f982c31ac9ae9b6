"""Settings that a recording carries say how to fly; where to write, listen or send is not theirs to say.

A recording is data from anywhere. What makes the instrument act outside the flight logic is the machine's
own: folders, devices, network addresses. The list below names what is taken; anything else, also what later
versions may add, is left out.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import PurePosixPath
from types import MappingProxyType
from typing import Any

from vario.settings.toml_text import write_key, write_value

EVERYTHING = frozenset({"*"})

FLYING: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "flight": EVERYTHING,
        "vario": EVERYTHING,
        "average": EVERYTHING,
        "circling": EVERYTHING,
        "centring": EVERYTHING,
        "expected_climb": EVERYTHING,
        "speed_to_fly": EVERYTHING,
        "goal": EVERYTHING,
        "tone": EVERYTHING,
        "trace": EVERYTHING,
        "sensors": EVERYTHING,  # chips by name and bus by number: a rehearsal has its own of both
        "gnss": frozenset({"baud"}),
        "nmea": frozenset({"rate"}),
    }
)
"""The keys that are taken, by section. `glider` is taken as a name without its folder."""

RECORDED_PORT = "recorded"
"""Stands for the device of a receiver: that there was one belongs to the flight."""


def flying_settings(table: Mapping[str, Any]) -> dict[str, Any]:
    """What of a table of settings may be taken from a recording; the table itself stays as it is.

    A value that is no table where a section should be is kept, so that it is told as an error.
    """
    taken: dict[str, Any] = {}
    if isinstance(table.get("glider"), str):
        taken["glider"] = PurePosixPath(table["glider"]).name
    elif "glider" in table:
        taken["glider"] = table["glider"]
    for name, keys in FLYING.items():
        if name not in table:
            continue
        section = table[name]
        if keys is EVERYTHING or not isinstance(section, Mapping):
            taken[name] = section
            continue
        taken[name] = {key: value for key, value in section.items() if key in keys}
        if name == "gnss" and section.get("port") is not None:
            taken[name]["port"] = RECORDED_PORT
    return taken


def flying_text(text: str) -> str:
    """A TOML text with what `flying_settings` takes; the text itself if that is all, or if it is no TOML."""
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError):
        return text
    taken = flying_settings(table)
    return text if taken == table else "\n".join(_lines((), taken)) + "\n"


def _lines(path: tuple[str, ...], table: Mapping[str, Any]) -> Iterator[str]:
    """A table as TOML: its values, then its tables, each under its header."""
    if path:
        yield f"[{'.'.join(map(write_key, path))}]"
    for key, value in table.items():
        if not isinstance(value, dict):
            yield f"{write_key(key)} = {write_value(value)}"
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _lines((*path, key), value)
