"""Default paths of results, and a check that no result replaces an input."""

from __future__ import annotations

import os
from collections.abc import Iterable
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from vario.app.errors import AppError

if TYPE_CHECKING:
    from vario.settings.load import LoadedSettings


def stem(recording: Path) -> str:
    """Name of the recording without its ending (.csv.gz counts as one ending)."""
    name = Path(recording.name)
    return Path(name.stem).stem if name.suffix == ".gz" else name.stem


def folder_for(recording: Path, chosen: Path | None = None) -> Path:
    """The folder given by the user, otherwise one named after the recording."""
    return chosen or Path("out") / stem(recording)


def kept_name(path: Path) -> Path:
    """A free name for a former file at `path`: NAME.1, NAME.2 and so on."""
    places = (path.with_name(f"{path.name}.{number}") for number in count(1))
    return next(place for place in places if not place.exists())


PRECIOUS = frozenset({".toml", ".mcap"})
"""Endings of settings, gliders, scenarios and recordings. No other result may replace such a file."""


def inputs(recording: Path, config: Path | None, loaded: LoadedSettings) -> list[Path]:
    """The input files of a command: the recording; with `config`, also the settings and glider files."""
    named = [config, loaded.glider_name] if config is not None else []
    return [recording, *(Path(name) for name in named if name is not None)]


def refuse_overwrite(read: Iterable[Path], *outs: Path, writes: str = "") -> None:
    """Check that no result replaces an input, a file of another kind, or another result.

    Args:
        read: the files that are read.
        outs: the files to be written.
        writes: the one ending of `PRECIOUS` that is permitted.

    Raises:
        AppError: if one of `outs` is one of the files read, has such an ending itself or where a link leads,
            or is the same file as another one of `outs`.
    """
    read = list(read)
    places: dict[str, Path] = {}
    for out in outs:
        for path in read:
            if os.path.exists(out) and os.path.exists(path) and os.path.samefile(out, path):
                raise AppError(f"{out}: this file is an input; name another with --out")
        place = os.path.realpath(out)
        for suffix in (out.suffix, Path(place).suffix):
            if suffix.lower() in PRECIOUS - {writes}:
                raise AppError(f"{out}: expected a name for a result; {suffix} is the ending of input files")
        other = places.setdefault(place, out)
        if other != out and (os.path.isfile(place) or not os.path.exists(place)):
            raise AppError(f"{out}: leads to the same file as {other}; expected two files")
