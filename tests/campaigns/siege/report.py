"""Write the page of the attacks: description, expectation and observation."""

from __future__ import annotations

import re
from collections.abc import Mapping

from tests.campaigns.siege.attacks import GROUPS, Seen

INTRODUCTION = """# What hostile input does

<!-- Written by `make siege`; the tests check that every attack is on it. -->

A recording can come from any source, and so can file names and the state of a disk. Each row below is an
attack that `make siege` makes with the commands of the program. It gives the expectation, and the observation
when this page was written. The program follows these rules:

* Settings in a recording control the flight logic. They never control where the program writes, listens or
  sends: folders, devices and addresses in them are ignored.
* Text from outside is reduced to one line of valid UTF-8. It has no effect on a terminal, a page, a table or
  a file.
* An input must be a regular file. Anything else causes an error message of one line.
* A result gets its name only when it is complete, and never replaces an input.
* In a batch, the failure of one flight is one row.
"""


def page(seen: Mapping[tuple[str, str], Seen]) -> str:
    """The page in Markdown."""
    parts = [INTRODUCTION]
    for group, attacks in GROUPS.items():
        parts += [f"## {group}", "", "| attack | expectation | observation |", "|---|---|---|"]
        for attack, expectation, _ in attacks:
            found = seen[group, attack]
            text = _cell(found.text) if found.held else f"**{_cell(found.text)}**"
            parts.append(f"| {_cell(attack)} | {_cell(expectation)} | {text} |")
        parts.append("")
    held = sum(found.held for found in seen.values())
    return "\n".join(parts) + f"\n{len(seen)} attacks made; {held} had the expected result.\n"


def _cell(text: str) -> str:
    return re.sub(r"\s+", " ", text).replace("|", "\\|").replace("<", "&lt;").strip()
