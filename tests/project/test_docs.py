"""The pages in docs/: agreement with the program, and no dead links."""

import re
import runpy
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest

from tests.documents.scenarios import scenario_reference
from tests.documents.settings import settings_reference
from tests.documents.state_machines import TABLES as STATE_TABLES
from tests.documents.state_machines import diagram, state_machines
from tests.documents.trace import trace_reference
from tests.support import missing
from tests.support.compiled import interpreted_only
from vario.app.simulate.schema import ScenarioFile
from vario.app.simulate.tables import TABLES
from vario.flight.core.state_table import Transition
from vario.settings.fields import Section
from vario.settings.glider import Glider
from vario.settings.keys import keys
from vario.settings.schema import Settings

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
pytestmark = pytest.mark.skipif(not DOCS.is_dir(), reason=missing.CHECKOUT)

PAGES = sorted(DOCS.glob("*.md"))


def test_the_settings_reference_is_in_step_with_the_schema() -> None:
    # If this fails: python -m tests.documents.settings > docs/settings.md
    assert (DOCS / "settings.md").read_text(encoding="utf-8") == settings_reference()


def test_the_scenario_reference_is_in_step_with_the_schema() -> None:
    # If this fails: python -m tests.documents.scenarios > docs/scenarios.md
    assert (DOCS / "scenarios.md").read_text(encoding="utf-8") == scenario_reference()


def test_the_columns_of_the_trace_are_in_step_with_the_catalogue() -> None:
    # If this fails: python -m tests.documents.trace > docs/trace.md
    assert (DOCS / "trace.md").read_text(encoding="utf-8") == trace_reference()


@interpreted_only
def test_the_state_machines_are_in_step_with_their_tables() -> None:
    # If this fails: python -m tests.documents.state_machines > docs/state-machines.md
    assert (DOCS / "state-machines.md").read_text(encoding="utf-8") == state_machines()


@pytest.mark.parametrize("rows", [rows for _, _, rows in STATE_TABLES])
def test_a_state_diagram_has_every_state_and_transition(rows: tuple[Transition[Any, Any], ...]) -> None:
    drawn = [line.split(":")[0].split(" --> ") for line in diagram(rows).splitlines() if " --> " in line]
    pairs = {(start.strip(), end.strip()) for start, end in drawn[1:]}
    assert pairs == {(row.start.name.lower(), row.end.name.lower()) for row in rows}
    states = {state.name.lower() for state in type(rows[0].start)}
    assert {start for start, _ in pairs} == {end for _, end in pairs} == states


@pytest.mark.parametrize(
    ("page", "model"),
    [
        ("settings.md", Settings),
        ("settings.md", Glider),
        ("scenarios.md", ScenarioFile),
        *(("scenarios.md", table) for table in TABLES.values()),
    ],
)
def test_every_key_is_in_its_reference_with_its_range(page: str, model: type[Section]) -> None:
    lines = (DOCS / page).read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines if line.startswith("| `")]
    for key in keys(model).values():
        with_key = [row for row in rows if row.startswith(f"| `{key.path[-1]}` |")]
        assert with_key, key.path
        assert any((key.range or "") in row for row in with_key), key.path
    assert all(len(re.split(r"(?<!\\)\|", row)) == 6 for row in rows)


@pytest.mark.parametrize("page", [*PAGES, *sorted(ROOT.glob("*.md"))], ids=lambda page: page.name)
def test_links_and_pictures_lead_somewhere(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#\s]+)[^)]*\)", text):
        if not re.match(r"[a-z]+:", target):
            assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_the_index_names_every_page(page: Path) -> None:
    index = (DOCS / "index.md").read_text(encoding="utf-8")
    assert page.name == "index.md" or f"({page.name})" in index


def test_pictures_are_as_their_script_draws_them() -> None:
    # If this fails: python docs/pictures/draw.py
    for name, draw in runpy.run_path(str(DOCS / "pictures" / "draw.py"))["PICTURES"].items():
        assert (DOCS / "pictures" / name).read_text(encoding="utf-8") == draw(), name


@pytest.mark.parametrize("picture", sorted((DOCS / "pictures").glob("*.svg")), ids=lambda path: path.name)
def test_pictures_are_whole_and_need_nothing_else(picture: Path) -> None:
    root = ET.parse(picture).getroot()  # noqa: S314  (our own file)
    assert root.get("viewBox")
    for element in root.iter():
        assert not [name for name in element.attrib if name.endswith("href")]
