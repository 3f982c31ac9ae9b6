"""The fake of each chip."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from drivers.discovery import classes_in
from drivers.fakes import chips
from drivers.fakes.bus import FakeChip
from drivers.fakes.world import World
from drivers.registry import CHIPS

FAKES: Mapping[str, type[FakeChip]] = MappingProxyType(
    {name: fake for fake in classes_in(chips, FakeChip) for name in fake.STANDS_FOR}
)
"""The classes that imitate chips, by the name of the chip."""


def fake(chip: str, world: World, clock: Callable[[], float]) -> FakeChip:
    """A fake of a chip.

    Raises:
        KeyError: if there is none of that name.
    """
    return FAKES[chip](CHIPS[chip], world, clock)
