"""Short names of settings that a pilot changes often, and suggestions for unknown names."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from types import MappingProxyType
from typing import Any

from vario.settings.keys import keys
from vario.settings.near import nearest
from vario.settings.renamed import RENAMED
from vario.settings.schema import Settings
from vario.settings.toml_text import Path, dotted

SHORT_NAMES: Mapping[str, Path] = MappingProxyType(
    {
        "maccready": ("flight", "maccready"),
        "ballast": ("flight", "ballast"),
        "bugs": ("flight", "bugs"),
        "mode": ("flight", "mode"),
        "volume": ("tone", "volume"),
        "qnh": ("display", "qnh"),
    }
)
"""In addition, `goal` sets three keys together."""

GOAL = ("latitude", "longitude", "elevation")
GOAL_WANTED = 'goal expects "LATITUDE LONGITUDE ELEVATION", such as "50.12 10.34 420 m", or none'


class ShortNameError(ValueError):
    """The short name does not accept this value. The message says what it accepts."""


def goal_values(text: str) -> dict[Path, Any]:
    """The keys and values of a goal written as one text; all values are None for "none".

    Raises:
        ShortNameError: if the text is not a goal.
    """
    if text.strip() == "none":
        return {("goal", name): None for name in GOAL}
    parts = text.replace(",", " ").split(maxsplit=2)
    try:
        latitude, longitude, elevation = parts
        place = float(latitude), float(longitude)
    except ValueError:
        raise ShortNameError(GOAL_WANTED) from None
    if not all(map(isfinite, place)):
        raise ShortNameError(GOAL_WANTED)
    return dict(zip((("goal", name) for name in GOAL), (*place, elevation), strict=True))


def suggestion(name: str) -> str:
    """A suggestion for a name that is neither a short name nor a complete key."""
    same = [dotted(path) for path in keys(Settings) if path[-1] == name]
    same += [dotted(new) for old, new in RENAMED.items() if old[-1] == name]
    if same:
        return f"did you mean {' or '.join(same)}?"
    near = nearest(name, [*SHORT_NAMES, "goal"])
    if near:
        return f"did you mean {near}?"
    near = nearest(name, [path[-1] for path in keys(Settings)])
    if near:
        return suggestion(near)
    return (
        f"expected a key such as tone.beep_rate_full (docs/settings.md), or {', '.join(SHORT_NAMES)} or goal"
    )
