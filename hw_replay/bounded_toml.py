"""Parse TOML whose nesting is bounded, so that no code that follows the levels runs out of stack."""

from __future__ import annotations

import tomllib
from typing import Any

DEEPEST = 32
"""Maximum number of levels. The settings, gliders, scenarios and maps of this project have up to 4."""

_TOO_DEEP = f"too deeply nested; expected at most {DEEPEST} levels"


def parse_toml(text: str) -> dict[str, Any]:
    """The table in a TOML text.

    Raises:
        tomllib.TOMLDecodeError: if the text is not valid TOML.
        ValueError: if the text has too many levels, or a number of thousands of digits.
    """
    try:
        table = tomllib.loads(text)
    except RecursionError:  # arrays nested a thousand deep
        raise ValueError(_TOO_DEEP) from None
    level: list[Any] = [table]
    for _ in range(DEEPEST):
        level = [
            inner
            for outer in level
            for inner in (outer.values() if isinstance(outer, dict) else outer)
            if isinstance(inner, dict | list)
        ]
        if not level:
            return table
    raise ValueError(_TOO_DEEP)
