"""The attacks as a page: what was done, what must happen, and what was seen."""

from __future__ import annotations

import re
from collections.abc import Mapping

from tests.siege.attacks import GROUPS, Seen

INTRODUCTION = """# What hostile input does

<!-- Written by `make siege`; the tests check that every attack is on it. -->

A recording is data from anywhere, and so are the names of files and the state of a disk. Each line below is
an attack that `make siege` makes with the commands themselves, what must happen, and what happened when this
page was written. The rules behind them:

* A recording says how to fly, never where to write, listen or send. Settings of folders, devices and
  addresses inside it are left out.
* Text from outside is kept on one line and in UTF-8. Nothing in it acts on a terminal, a page, a table or a
  file.
* An input is a regular file. Anything else is one line of complaint.
* A result appears under its name when it is whole, and never over what is read.
* In a batch the failure of one flight is one row.
"""


def page(seen: Mapping[tuple[str, str], Seen]) -> str:
    """The whole page."""
    parts = [INTRODUCTION]
    for group, attacks in GROUPS.items():
        if not attacks:
            continue
        parts += [f"## {group}", "", "| attack | expectation | seen |", "|---|---|---|"]
        for attack, expectation, _ in attacks:
            found = seen[group, attack]
            text = _cell(found.text) if found.held else f"**{_cell(found.text)}**"
            parts.append(f"| {_cell(attack)} | {_cell(expectation)} | {text} |")
        parts.append("")
    held = sum(found.held for found in seen.values())
    return "\n".join(parts) + f"\n{len(seen)} attacks made, {held} repelled.\n"


def _cell(text: str) -> str:
    return re.sub(r"\s+", " ", text).replace("|", "\\|").replace("<", "&lt;").strip()
