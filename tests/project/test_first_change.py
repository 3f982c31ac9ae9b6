"""The first change of a newcomer: the commands of DEVELOPERS.md have the stated effect."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

from hw_replay.simulate.demo import BUNDLED
from tests.support import missing
from tests.support.page_flights import beginning
from vario.app.cli import main

ROOT = Path(__file__).parents[2]
PAGE, MAKEFILE = ROOT / "DEVELOPERS.md", ROOT / "Makefile"
pytestmark = pytest.mark.skipif(not (PAGE.exists() and MAKEFILE.exists()), reason=missing.CHECKOUT)

CHANGED = {"tone_beep_rate_hz"}
"""The columns that the recipe changes."""

LONG_ENOUGH_S = 420.0
"""The first climb of the demo is in full lift by then."""


def commands() -> list[list[str]]:
    """The commands of the recipe, in order: `make demo`, then what stands indented on the page."""
    demo = re.search(r"^demo:.*\n\t\$\(BIN\)/vario (.*)$", MAKEFILE.read_text(encoding="utf-8"), re.MULTILINE)
    assert demo is not None
    page = PAGE.read_text(encoding="utf-8")
    section = page.partition("## First change in 15 minutes\n")[2].partition("\n## ")[0]
    assert "`make demo`" in section
    found = re.findall(r"^ {4,}\.venv/bin/vario (.*)$", section, re.MULTILINE)
    return [shlex.split(line) for line in (demo[1], *found)]


@pytest.mark.long
def test_the_recipe_changes_what_it_says_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun = tmp_path / "hw_replay" / "demo" / BUNDLED.name
    begun.parent.mkdir(parents=True)
    beginning(LONG_ENOUGH_S, begun)
    monkeypatch.chdir(tmp_path)
    *replays, comparison = commands()
    assert [words[0] for words in (*replays, comparison)] == ["replay", "replay", "compare"]
    for words in replays:
        assert main(words) == 0
    assert main(comparison) in {0, 1}

    found = json.loads(Path("out/compare/compare.json").read_text(encoding="utf-8"))
    differing = {name for name, column in found["columns"].items() if column["differs"]}
    assert differing == CHANGED & set(found["columns"])
    assert not found["missing"]
    settings = [
        json.loads((Path("out") / name / "summary.json").read_text(encoding="utf-8"))["settings"]
        for name in ("demo", "mine")
    ]
    assert settings[1] == {**settings[0], "tone.beep_rate_full": "5 Hz"}
    (before,), (after,) = (list((Path("out") / name).glob("tone.*")) for name in ("demo", "mine"))
    assert before.read_bytes() != after.read_bytes()
