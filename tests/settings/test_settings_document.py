"""The commented settings file and the view of the settings in force."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from vario.settings.document import settings_document, show_settings
from vario.settings.keys import Key, keys
from vario.settings.load import load_settings, parse_settings
from vario.settings.schema import Settings
from vario.settings.toml_text import header

CONFIG = Path(__file__).parents[2] / "config"
DEMO_GLIDER = "gliders/quendel_2.toml"


def test_the_bundled_file_is_in_step_with_the_schema() -> None:
    # If this fails: python -m vario.settings.document > config/vario.toml
    assert (CONFIG / "vario.toml").read_text(encoding="utf-8") == settings_document()


def test_the_bundled_file_loads_and_changes_nothing() -> None:
    loaded = load_settings(CONFIG / "vario.toml")
    assert loaded.settings == Settings()
    assert loaded.glider is None  # never an invented glider for somebody's real one


def test_the_demo_settings_differ_by_the_glider_only() -> None:
    loaded = load_settings(CONFIG / "demo.toml")
    assert loaded.settings == Settings().model_copy(update={"glider": DEMO_GLIDER})
    assert loaded.glider is not None


@pytest.mark.parametrize("key", keys(Settings).values(), ids=lambda key: ".".join(key.path))
def test_every_key_stands_in_its_section_with_its_units_range_and_default(key: Key) -> None:
    text = "\n" + (CONFIG / "vario.toml").read_text(encoding="utf-8")
    if len(key.path) > 1:
        text = text.partition(f"\n{header(key.path[:-1])}\n")[2]
    section = re.split(r"\n\[", text)[0]
    comment, assignment = re.split(rf"(?m)^(?:# )?{key.path[-1]} = ", section, maxsplit=1)
    assert assignment
    comment = " ".join(line.removeprefix("# ") for line in comment.rpartition("\n\n")[2].splitlines())
    assert key.doc in comment
    assert "Default: " in comment
    if key.low is not None:
        assert f"Range: {key.low} to {key.high}." in comment
    for unit in key.dimension.units if key.dimension else ():
        assert re.search(rf"Units?: .*\b{unit}[,.]", comment)
    for option in key.choices:
        assert f'"{option}"' in comment


def test_taking_away_the_hash_before_an_optional_key_gives_valid_settings() -> None:
    text = re.sub(r"(?m)^# (\w+ = )", r"\1", settings_document())
    loaded = parse_settings(text, "all", (CONFIG / DEMO_GLIDER).read_text(encoding="utf-8")).settings
    assert loaded.glider == DEMO_GLIDER
    assert loaded.flight.mass_kg is not None
    assert loaded.sensors.baro.noise_pa is not None
    assert loaded.sensors.pitot.noise_pa is not None


def test_lines_of_the_bundled_files_fit_a_small_screen() -> None:
    for path in CONFIG.rglob("*.toml"):
        assert max(map(len, path.read_text(encoding="utf-8").splitlines())) <= 105


def test_changed_settings_are_marked() -> None:
    text = """
        [flight]
        maccready = "3 kt"
        ballast = "0 lb"
        mass = "500 kg"
        [speed_to_fly]
        mode = "block"
        [average]
        window = "20000 ms"
    """
    shown = show_settings(parse_settings(text, "my.toml"))
    marked = [line for line in shown.splitlines() if "default:" in line]
    assert marked == [
        'maccready = "3 kt"  # default: "1 m/s"',
        'mass = "500 kg"  # default: not set',
        'mode = "block"  # default: "dolphin"',
    ]
    assert 'window = "20000 ms"' in shown.splitlines()
    assert shown.startswith("# my.toml; no glider\n")
    assert "# glider is not set" in shown


def test_what_is_shown_is_toml_that_gives_the_same_settings() -> None:
    loaded = load_settings(CONFIG / "demo.toml")
    shown = show_settings(loaded)
    assert "glider: Quendel 2, from" in shown.splitlines()[0]
    assert tomllib.loads(shown)["flight"]["maccready"] == "1 m/s"
    assert parse_settings(shown, "shown", loaded.glider_toml).settings == loaded.settings
