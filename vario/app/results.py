"""Where the results of a recording go when nobody says."""

from __future__ import annotations

from pathlib import Path


def stem(recording: Path) -> str:
    """Name of the recording without its endings, of which .csv.gz has two."""
    return recording.name.split(".")[0]


def folder_for(recording: Path, chosen: Path | None = None) -> Path:
    """The folder as chosen, else one named after the recording."""
    return chosen or Path("out") / stem(recording)
