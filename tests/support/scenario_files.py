"""Scenario files for tests."""

from __future__ import annotations

from pathlib import Path

LINE = {
    "phase": '[[phase]]\nname = "go"\nspeed = "100 km/h"\n',
    "start": '[start]\nheight = "900 m"\nspeed = "100 km/h"\n',
}


def scenario_file(folder: Path, *parts: str) -> Path:
    path = folder / "mine.toml"
    path.write_text("\n".join(parts), encoding="utf-8")
    return path
