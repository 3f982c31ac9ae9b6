"""Messages about settings and glider files that are missing or cannot be read."""

from __future__ import annotations

from pathlib import Path
from shlex import quote

import pytest

from tests.support.settings_complaints import GLIDER
from vario.app.cli import main
from vario.settings.errors import SettingsError
from vario.settings.load import load_settings


def file_complaint(path: Path) -> str:
    with pytest.raises(SettingsError) as caught:
        load_settings(path)
    return str(caught.value)


def test_the_advice_where_there_is_no_file_gives_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "my own.toml"
    assert main(["set", "bugs", "0.1", "--config", str(path)]) == 2
    words = capsys.readouterr().err
    assert words.endswith(f"vario config show > {quote(str(path))}\n")
    assert main(["config", "show"]) == 0
    path.write_text(capsys.readouterr().out, encoding="utf-8")  # what > does
    assert main(["set", "bugs", "0.1", "--config", str(path)]) == 0
    assert load_settings(path).settings.flight.bugs == 0.1


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    advice = f"to create one with all defaults: vario config show > {quote(str(path))}"
    assert file_complaint(path) == f"{path}: there is no such file; {advice}"
    assert file_complaint(tmp_path) == f"{tmp_path}: this is a directory; expected a TOML file"
    path.write_bytes(b"# ok\nx = '\xfc'\n")
    assert file_complaint(path) == f"{path}, line 2: not UTF-8 text; save the file as UTF-8"
    path.write_bytes(b"#" * 300_000)
    assert file_complaint(path) == f"{path}: larger than 256 kB; expected a TOML file of a few kB"


def test_a_glider_file_that_is_not_there(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text('glider = "gliders/testglidr.toml"\n[tone]\nvolume = 2\n')
    tried = tmp_path / "gliders" / "testglidr.toml"
    missing = (
        f'{path}, line 1: glider = "gliders/testglidr.toml": there is no file {tried}; '
        "expected the path of a glider file, relative to this file"
    )
    volume = f"{path}, line 3: tone.volume = 2: above the highest allowed, 1"
    assert file_complaint(path) == f"{missing}\n{volume}"

    tried.parent.mkdir()
    (tried.parent / "testglider.toml").write_text(GLIDER)
    assert file_complaint(path) == f'{missing}; did you mean "gliders/testglider.toml"?\n{volume}'


def test_a_glider_that_is_a_directory_or_nothing(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text('glider = "."\n')
    assert file_complaint(path) == f"{tmp_path}: this is a directory; expected a TOML file"
    path.write_text('glider = ""\n')
    assert file_complaint(path).startswith(f'{path}, line 1: glider = "": there is no file ')
    path.write_text('glider = "a\\u0000b"\n')
    assert file_complaint(path).startswith(f'{path}, line 1: glider = "a\\U00000000b": there is no file ')
