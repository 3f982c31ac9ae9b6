"""`vario set`: one value changes, everything else stays, and what cannot be changed is refused."""

from __future__ import annotations

import os
import stat
import tomllib
from pathlib import Path
from threading import Thread

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vario.app.change.short_names import set_setting
from vario.app.cli import main
from vario.settings.edit import NotEditableError, set_value
from vario.settings.load import load_settings
from vario.settings.schema import Settings
from vario.settings.short_names import SHORT_NAMES
from vario.settings.toml_text import write_value

CONFIG = Path(__file__).parents[2] / "config"


def test_a_setting_waits_for_an_editor_that_saves_in_place(config: Path) -> None:
    # The editor has emptied the file and has not written it yet. An empty file means all defaults, so setting
    # a value in it would lose all settings of the pilot.
    whole = config.read_text(encoding="utf-8").replace("[flight]", "# mine\n[flight]")
    setting = Thread(target=set_setting, args=("maccready", "1.5 m/s", config), daemon=True)
    with config.open("w", encoding="utf-8") as editor:
        setting.start()
        setting.join(0.3)
        assert setting.is_alive()
        assert config.read_bytes() == b""
        editor.write(whole)
    setting.join(60.0)
    text = config.read_text(encoding="utf-8")
    assert text == whole.replace('maccready = "1 m/s"', 'maccready = "1.5 m/s"')


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "my.toml"
    path.write_text((CONFIG / "vario.toml").read_text(encoding="utf-8"), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("maccready", "4 kt"),
        ("ballast", "60 kg"),
        ("bugs", "0.15"),
        ("mode", "circling"),
        ("volume", "0.8"),
        ("goal", "-50.12 10.34 420 m"),
    ],
)
def test_set_changes_one_value_and_keeps_every_comment(config: Path, key: str, value: str) -> None:
    before = config.read_text(encoding="utf-8")
    assert main(["set", key, value, "--config", str(config)]) == 0
    after = config.read_text(encoding="utf-8")
    comments = [line for line in before.splitlines() if line.startswith("#")]
    assert [line for line in after.splitlines() if line.startswith("#")] == comments
    loaded = load_settings(config).settings
    if key == "goal":
        assert (loaded.goal.latitude, loaded.goal.longitude, loaded.goal.elevation_m) == (
            -50.12,
            10.34,
            420.0,
        )
        assert main(["set", "goal", "none", "--config", str(config)]) == 0
        assert load_settings(config).settings == Settings()
        return
    section, name = SHORT_NAMES[key]
    found = tomllib.loads(after)[section][name]
    assert found == (value if isinstance(found, str) else float(value))
    assert len(after.splitlines()) == len(before.splitlines())


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("maccready", "2", "the unit is missing"),
        ("maccready", "99 m/s", "above the highest allowed"),
        ("bugs", "many", "a plain number"),
        ("mode", "soaring", "automatic"),
        ("goal", "50.1", "LATITUDE LONGITUDE ELEVATION"),
        ("goal", "north east 3 m", "LATITUDE LONGITUDE ELEVATION"),
        ("goal", "nan 10 3 m", "LATITUDE LONGITUDE ELEVATION"),
        ("goal", "95 10 3 m", "above the highest allowed"),
        ("damping", "1 s", "vario.damping and speed_to_fly.damping can be changed with an editor, in "),
        ("mc", "2 kt", "mc: cannot be set this way; did you mean maccready?\n"),
        ("MacCready", "2 kt", "did you mean maccready?\n"),
        ("water", "80 kg", "did you mean ballast?\n"),
        (
            "mass",
            "480 kg",
            "did you mean ballast (the water on board)? flight.mass can be changed ",
        ),
        ("ballast", "80 l", '"l" is a volume: 1 litre of water weighs 1 kg'),
        (
            "bugs",
            "10",
            "flight.bugs = 10: above the highest allowed, 0.5; a fraction is expected: ",
        ),
        ("bugs", "nan", 'flight.bugs = "nan": expected a plain number'),
        ("xyzzy", "1", "expected maccready, ballast, bugs, mode, volume, qnh or goal"),
    ],
)
def test_a_wrong_value_changes_nothing_and_says_what_is_wrong(
    config: Path, capsys: pytest.CaptureFixture[str], key: str, value: str, said: str
) -> None:
    before = config.read_bytes()
    assert main(["set", key, value, "--config", str(config)]) == 2
    assert said in capsys.readouterr().err
    assert config.read_bytes() == before
    assert os.listdir(config.parent) == ["my.toml"]


def test_set_keeps_permissions_links_and_line_ends(tmp_path: Path) -> None:
    real = tmp_path / "real.toml"
    real.write_bytes(b'# mine\r\n[flight]\r\nmaccready = "1 m/s"   # weak today\r\n')
    real.chmod(0o600)
    link = tmp_path / "link.toml"
    link.symlink_to(real)
    set_setting("maccready", "2 m/s", link)
    assert real.read_bytes() == b'# mine\r\n[flight]\r\nmaccready = "2 m/s"   # weak today\r\n'
    assert stat.S_IMODE(real.stat().st_mode) == 0o600
    assert link.is_symlink()


def test_a_missing_file_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["set", "bugs", "0.1", "--config", str(tmp_path / "no.toml")]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert "there is no such file" in line


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", '\n[a]\nb = "x"\n'),
        ("[a]\n", '[a]\nb = "x"\n'),
        ("[a]\n# what b does\n# b = 1\nc = 2\n", '[a]\n# what b does\n# b = 1\nb = "x"\nc = 2\n'),
        ('a.b = "#1" # one\n', 'a.b = "x" # one\n'),
        ("[c]\nb = 1\n[a] # here\n[d]\n", '[c]\nb = 1\n[a] # here\nb = "x"\n[d]\n'),
    ],
)
def test_where_a_value_goes(text: str, expected: str) -> None:
    assert set_value(text, ("a", "b"), "x") == expected


@pytest.mark.parametrize("text", ["a = { b = 1 }\n", 'x = """\n[a]\n"""\n[a]\nb = 1\n', "a = 1\n", "[a"])
def test_unusual_toml_is_not_edited_but_shown_to_the_user(text: str) -> None:
    with pytest.raises(NotEditableError):
        set_value(text, ("a", "b"), "x")


_NAMES = st.sampled_from(["a", "b", "c"])
_VALUES = st.one_of(st.integers(-5, 5), st.sampled_from(["x # y", 'q"', "", "= 1"]), st.booleans())


@given(st.dictionaries(_NAMES, st.dictionaries(_NAMES, _VALUES)), _NAMES, _NAMES, _VALUES | st.none())
def test_editing_agrees_with_a_toml_reader(
    table: dict[str, dict[str, object]], section: str, name: str, value: object
) -> None:
    """Oracle: the TOML reader of Python, on files written section by section."""
    text = "".join(
        f"# about {outer}\n[{outer}]\n"
        + "".join(f"{inner} = {write_value(v)} # {inner}\n" for inner, v in values.items())
        for outer, values in table.items()
    )
    changed = tomllib.loads(set_value(text, (section, name), value))
    wanted = {outer: dict(values) for outer, values in table.items()}
    if value is None:
        wanted.get(section, {}).pop(name, None)
    else:
        wanted.setdefault(section, {})[name] = value
    assert changed == wanted
