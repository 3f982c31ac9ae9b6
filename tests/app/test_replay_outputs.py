"""The files of a replay, with some omitted, and without the library for sound files."""

import subprocess
import sys
from pathlib import Path

import pytest

from vario.app.cli import main

ALL = ["report.png", "summary.json", "tone.flac", "trace.csv"]


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """Ten seconds of a barometer."""
    path = tmp_path / "flight.csv"
    rows = [f"{k / 20:.2f},baro,{95_000 - 2 * k},,\n" for k in range(200)]
    path.write_text("t_s,channel,v1,v2,v3\n" + "".join(rows), encoding="ascii")
    return path


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.mark.parametrize(
    ("options", "left_out"),
    [
        pytest.param(["--no-sound"], ["tone.flac"], marks=pytest.mark.long),
        pytest.param(["--no-picture"], ["report.png"], marks=pytest.mark.long),
        (["--no-sound", "--no-picture"], ["tone.flac", "report.png"]),
    ],
)
def test_omitted_files_are_missing_and_the_others_are_the_same(
    recording: Path,
    tmp_path: Path,
    options: list[str],
    left_out: list[str],
    capsys: pytest.CaptureFixture[str],
) -> None:
    whole, part = tmp_path / "whole", tmp_path / "part"
    assert main(["replay", str(recording), "--out", str(whole)]) == 0
    assert names(whole) == ALL
    said = capsys.readouterr().out
    assert all(name in said for name in ALL)
    assert main(["replay", str(recording), "--out", str(part), *options]) == 0
    assert names(part) == [name for name in ALL if name not in left_out]
    said = capsys.readouterr().out
    assert not any(name in said for name in left_out)
    for path in part.iterdir():
        assert path.read_bytes() == (whole / path.name).read_bytes(), path.name


def test_nothing_of_an_earlier_replay_stays_in_the_folder(recording: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert main(["replay", str(recording), "--out", str(out)]) == 0
    assert main(["replay", str(recording), "--out", str(out), "--no-sound", "--no-picture"]) == 0
    assert names(out) == ["summary.json", "trace.csv"]


def test_without_the_picture_matplotlib_is_not_loaded(recording: Path, tmp_path: Path) -> None:
    code = (
        "import sys\n"
        "from vario.app.cli import main\n"
        "assert main(sys.argv[1:]) == 0\n"
        "assert 'matplotlib' not in sys.modules\n"
    )
    options = ["--out", str(tmp_path / "out"), "--no-picture"]
    command = [sys.executable, "-c", code, "replay", str(recording), *options]
    subprocess.run(command, check=True, capture_output=True)  # noqa: S603  (our own)


@pytest.fixture
def no_libsndfile(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The failure of soundfile if it was built from source and the system has no libsndfile."""
    folder = tmp_path / "modules"
    folder.mkdir()
    (folder / "soundfile.py").write_text("raise OSError('sndfile library not found')\n")
    monkeypatch.syspath_prepend(folder)
    monkeypatch.delitem(sys.modules, "soundfile", raising=False)


@pytest.mark.usefixtures("no_libsndfile")
def test_a_missing_library_for_sound_is_said_with_the_way_around_it(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert main(["replay", str(recording), "--out", str(out)]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert all(part in said for part in ("tone.flac", "sndfile library not found", "--no-sound"))
    assert main(["replay", str(recording), "--out", str(out), "--no-sound"]) == 0
    assert names(out) == ["report.png", "summary.json", "trace.csv"]


@pytest.mark.usefixtures("no_libsndfile")
@pytest.mark.parametrize("arguments", [["1 2", "--out", "tone.flac"], ["--picture", "tone.flac"]])
def test_a_missing_library_for_sound_is_said_by_the_tone_command(
    arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["tone", *arguments]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "sndfile library not found" in said
