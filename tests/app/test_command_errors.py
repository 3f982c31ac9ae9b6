"""Commands that cannot do what they are asked: one clear line, and no input is overwritten."""

from __future__ import annotations

from pathlib import Path

import pytest

from hw_replay.simulate.demo import BUNDLED
from vario.app.cli import main
from vario.app.files.paths import folder_for


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["replay", "no/such/file.mcap"], ["no/such/file.mcap"]),
        (["replay", str(Path(__file__))], [Path(__file__).name, "expected"]),
        (["config", "check", "no/such.toml"], ["no/such.toml"]),
        (["import", str(BUNDLED), "--out", str(BUNDLED)], ["quendel.mcap", "--out"]),
    ],
)
def test_errors_are_one_clear_line(
    arguments: list[str], words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert said.startswith("vario: ")
    for word in words:
        assert word in said
    assert "Traceback" not in said


def test_all_problems_of_a_settings_file_are_reported_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('[flight]\nmacready = "1 m/s"\nballast = "20 m/s"\nbugs = 3.0\n', encoding="utf-8")
    assert main(["config", "check", str(path)]) == 2
    said = capsys.readouterr().err
    assert all(
        word in said for word in ("macready", "maccready", "ballast", "kg", "bugs", "0.5", "mine.toml")
    )


def test_config_show_gives_valid_settings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["config", "show"]) == 0
    path = tmp_path / "shown.toml"
    path.write_text(capsys.readouterr().out, encoding="utf-8")
    assert main(["config", "check", str(path)]) == 0


def test_an_unwritable_folder_is_reported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("in the way")
    assert main(["replay", str(BUNDLED), "--out", str(tmp_path / "file" / "out")]) == 2
    assert "cannot be written" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["report", "replay", "export", "import"])
def test_no_command_overwrites_its_input(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "trace.csv"
    file.write_text("t_s,channel,v1,v2,v3\n0.0,baro,95000.0,,\n1.0,baro,95001.0,,\n", encoding="utf-8")
    before = file.read_bytes()
    words = [command, str(file), *(["--as", "csv"] if command == "export" else [])]
    out = tmp_path if command == "replay" else file
    assert main([*words, "--out", str(out)]) == 2
    assert "this file is an input" in capsys.readouterr().err
    assert file.read_bytes() == before


def test_results_are_named_after_the_whole_name_of_the_recording() -> None:
    assert folder_for(Path("2025.06.14_flight.igc")).name == "2025.06.14_flight"
    assert folder_for(Path("a/day.csv.gz")).name == "day"
