"""Valid settings files, and arbitrary input."""

from __future__ import annotations

import datetime
import math
import os
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import drawn
from vario.app.live.emulation import with_chips
from vario.settings.errors import QuantityError, SettingsError
from vario.settings.glider import Glider
from vario.settings.keys import Key, keys, sections
from vario.settings.load import load_settings, parse_settings
from vario.settings.quantity import SPEED, parse
from vario.settings.schema import Settings
from vario.settings.toml_text import lines_of, write_key, write_value
from vario.settings.tone import Tone

CONFIG = Path(__file__).parents[2] / "config"


def test_an_empty_file_gives_the_defaults() -> None:
    loaded = parse_settings("", "empty")
    assert loaded.settings == Settings()
    assert loaded.glider is None


def test_the_defaults_keep_the_rules_and_ranges() -> None:
    # Defaults of inner sections are not validated when a model is built, but they are when written out.
    lines = []
    for key in keys(Settings).values():
        if key.presence == "default":
            lines.append(f"{'.'.join(key.path)} = {write_value(key.example)}")
    assert parse_settings("\n".join(lines), "all defaults").settings == Settings()


def test_values_arrive_in_si_whatever_the_unit() -> None:
    loaded = parse_settings(
        """
        [flight]
        maccready = "4 kt"
        ballast = "100 lb"
        bugs = 0
        [circling]
        entry_angle = "90 deg"
        [vario]
        damping = "1500 ms"
        """,
        "units",
    ).settings
    assert loaded.flight.maccready_mps == pytest.approx(4 * 1852 / 3600)
    assert loaded.flight.ballast_kg == pytest.approx(45.359237)
    assert loaded.flight.bugs == 0.0
    assert loaded.circling.entry_angle_rad == pytest.approx(math.pi / 2)
    assert loaded.vario.damping_s == pytest.approx(1.5)


def test_the_glider_is_found_beside_the_settings_file(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    glider_text = (CONFIG / "gliders" / "federgras.toml").read_text(encoding="utf-8")
    (tmp_path / "mine" / "g.toml").write_text(glider_text, encoding="utf-8")
    path = tmp_path / "my.toml"
    # An editor may put a byte-order mark and its own line ends.
    path.write_bytes(b'\xef\xbb\xbfglider = "mine/g.toml"\r\n[flight]\r\nmass = "340 kg"\r\n')
    loaded = load_settings(path)
    assert loaded.glider is not None
    assert loaded.glider.name == "Federgras"
    assert loaded.settings.flight.mass_kg == 340.0
    assert (loaded.settings_name, loaded.glider_name) == (str(path), str(tmp_path / "mine" / "g.toml"))


def test_what_a_recording_carries_gives_the_same_settings_again() -> None:
    loaded = load_settings(CONFIG / "vario.toml")
    carried = parse_settings(loaded.settings_toml, "recording", loaded.glider_toml)
    assert (carried.settings, carried.glider) == (loaded.settings, loaded.glider)


QUANTITIES = [key for key in keys(Settings).values() if key.dimension]
IN_UNITS = [(key, unit) for key in QUANTITIES for unit in (key.dimension.units if key.dimension else ())]


def _complaint(key: Key, value: str) -> str:
    """The error for a file with this one setting; empty if it is valid."""
    try:
        parse_settings(f'{".".join(key.path)} = "{value}"', "one setting")
    except SettingsError as error:
        return str(error)
    return ""


@pytest.mark.parametrize("key", QUANTITIES, ids=lambda key: ".".join(key.path))
def test_both_ends_of_every_range_are_allowed(key: Key) -> None:
    # An end of a range may break a rule with its neighbours, but is never out of range.
    assert "allowed" not in _complaint(key, str(key.low))
    assert "allowed" not in _complaint(key, str(key.high))


@pytest.mark.parametrize(("key", "unit"), IN_UNITS, ids=lambda part: getattr(part, "path", part))
@pytest.mark.parametrize("far", ["1e7", "-1e7"])
def test_the_limit_a_message_names_is_allowed_in_the_unit_written(key: Key, unit: str, far: str) -> None:
    # Further lines tell of rules that are broken beside.
    message = _complaint(key, f"{far} {unit}").split("\n")[0].split("; did you mean")[0]
    assert "allowed, " in message
    named = message.rpartition("allowed, ")[2].rstrip(")").split(" (")[-1]
    assert named.endswith(f" {unit}")
    assert "allowed" not in _complaint(key, named)


def test_a_limit_met_exactly_in_another_unit_is_allowed() -> None:
    assert parse_settings(
        '[flight]\nmaccready = "36 km/h"', "limit"
    ).settings.flight.maccready_mps == pytest.approx(10)


def test_the_ranges_of_the_quiet_band_keep_its_ends_in_order() -> None:
    paths = keys(Settings)
    highest = parse(paths["tone", "dead_band_low"].high, SPEED)
    lowest = parse(paths["tone", "dead_band_high"].low, SPEED)
    assert highest <= lowest
    assert Tone().curve.dead_band_low_mps < Tone().curve.dead_band_high_mps


QUANTITY_TEXTS = [
    "1 m/s",
    "20 s",
    "40 deg",
    "5 deg/s",
    "450 kg",
    "10 Hz",
    "1 Pa",
    "17 m2",
    "1e300 kg",
    "block",
]
TOML_VALUES = st.recursive(
    st.booleans()
    | st.integers()
    | st.floats()
    | st.text()
    | st.datetimes().map(lambda moment: moment.replace(fold=0))
    | st.dates()
    | st.times().map(lambda time: time.replace(fold=0))
    | st.sampled_from(QUANTITY_TEXTS)
    | st.just(10**400),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)


def _tables(model: type[Settings | Glider]) -> st.SearchStrategy[dict[str, Any]]:
    """Tables that mostly have the sections and keys of the schema, but any value."""
    known = st.sampled_from([path for path in (*sections(model), *keys(model)) if path])
    paths = known | st.lists(st.text(), min_size=1, max_size=3).map(tuple)
    return st.dictionaries(paths, TOML_VALUES, max_size=8).map(_nested)


def _nested(flat: dict[tuple[str, ...], Any]) -> dict[str, Any]:
    root: dict[str, Any] = {}
    for path, value in flat.items():
        table = root
        for step in path[:-1]:
            inner = table.setdefault(step, {})
            if not isinstance(inner, dict):
                break
            table = inner
        else:
            table[path[-1]] = value
    return root


def _as_toml(table: dict[str, Any]) -> str:
    return "\n".join(f"{write_key(key)} = {write_value(value)}" for key, value in table.items())


def _check(text: str, glider: str | None = None) -> None:
    """The result is settings, or one line for each problem; any other exception fails the test."""
    try:
        loaded = parse_settings(text, "any.toml", glider)
    except SettingsError as error:
        problems, message = error.problems, str(error)
    else:
        assert (loaded.glider is None) == (glider is None)
        return
    assert problems
    assert len(message.splitlines()) == len(problems)


@given(_tables(Settings))
def test_tables_are_written_as_the_toml_they_are(table: dict[str, Any]) -> None:
    # repr, because NaN is not equal to itself.
    assert repr(tomllib.loads(_as_toml(table))) == repr(table)


@settings(max_examples=drawn(300))
@given(_tables(Settings), _tables(Glider))
def test_any_tables_give_settings_or_problems_of_one_line_each(
    table: dict[str, Any], glider: dict[str, Any]
) -> None:
    _check(_as_toml(table), _as_toml(glider))


@given(st.text(), st.none() | st.text())
def test_any_text_gives_settings_or_problems(text: str, glider: str | None) -> None:
    _check(text, glider)


@given(content=st.binary())
def test_any_file_gives_settings_or_problems(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(content)
    try:
        load_settings(path)
    except SettingsError as error:
        message = str(error)
    else:
        return
    assert message.startswith(str(path))


@pytest.mark.parametrize("text", ["x = " + "[" * 5000, f"x = {'9' * 5000}", f"flight.bugs = 0x{'f' * 9000}"])
def test_absurd_texts_are_refused_like_any_other(text: str) -> None:
    _check(text)


def test_dates_are_written_the_way_toml_has_them() -> None:
    with pytest.raises(SettingsError) as caught:
        parse_settings("tone.volume = 2024-02-29", "date.toml")
    assert "tone.volume = 2024-02-29: expected a plain number" in str(caught.value)
    assert write_value(datetime.date(2024, 2, 29)) == "2024-02-29"


def test_importing_the_settings_loads_no_heavy_library() -> None:
    heavy = "{'numpy', 'scipy', 'matplotlib', 'rich', 'mcap'}"
    code = f"import sys, vario.settings.load; print(sorted({heavy} & set(sys.modules)))"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)  # noqa: S603 (own code)
    assert result.stdout.strip() == "[]"


def test_a_long_line_is_refused_before_it_is_read() -> None:
    text = "# fine\n[" + ".".join("a" * 50_000) + "]\n"
    with pytest.raises(SettingsError, match="x, line 2: a line longer than 2000 characters"):
        parse_settings(text, "x")


def test_deep_keys_cost_no_more_than_their_length() -> None:
    """Listing the 9000 levels of such a key with all those above each would take 300 MB."""
    text = "[" + ".".join("a" * 9_000) + "]\n"
    assert len(lines_of(text)) < 100


def test_another_programs_file_is_not_told_line_by_line() -> None:
    text = "".join(f"key_{number} = 1\n" for number in range(5_000))
    with pytest.raises(SettingsError, match="and 4900 more") as told:
        parse_settings(text, "x")
    assert len(told.value.problems) == 101


def test_a_quantity_of_thousands_of_digits_is_refused_at_once() -> None:
    with pytest.raises(QuantityError, match="no number followed by a unit"):
        parse("9" * 200_000 + " x x", SPEED)


def test_every_relative_path_is_relative_to_the_settings_file(tmp_path: Path) -> None:
    path = tmp_path / "box" / "my.toml"
    path.parent.mkdir()
    path.write_text('[recorder]\nfolder = "flights"\n', encoding="utf-8")
    for loaded in (load_settings(path), with_chips(load_settings(path))):
        assert loaded.settings.recorder.folder == "flights"
        assert loaded.path("flights") == tmp_path / "box" / "flights"
        assert loaded.path("/data/flights") == Path("/data/flights")
    assert parse_settings("", "a recording").path("flights") == Path("flights")


def test_a_pipe_as_settings_file_is_refused_at_once(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    os.mkfifo(path)
    with pytest.raises(
        SettingsError, match=r"my\.toml.*this is a pipe, which can be read only once; expected a TOML file"
    ):
        load_settings(path)
