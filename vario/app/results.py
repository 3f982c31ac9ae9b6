"""Where the results of a recording go when nobody says, and that they never go over the recording itself."""

from __future__ import annotations

from pathlib import Path

from vario.app.errors import AppError


def stem(recording: Path) -> str:
    """Name of the recording without its ending, of which .csv.gz has two."""
    name = Path(recording.name)
    return Path(name.stem).stem if name.suffix == ".gz" else name.stem


def folder_for(recording: Path, chosen: Path | None = None) -> Path:
    """The folder as chosen, else one named after the recording."""
    return chosen or Path("out") / stem(recording)


def not_over(recording: Path, *outs: Path) -> None:
    """Make sure that nothing is written over what is being read.

    Raises:
        AppError: if one of `outs` is the recording.
    """
    for out in outs:
        if out.exists() and out.samefile(recording):
            raise AppError(f"{out}: this is the file to be read; name another with --out")
