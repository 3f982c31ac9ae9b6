"""The command `vario compare`: what it prints and writes, and its exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drivers.samples import Baro, Reference
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.comparison_traces import rows, write
from vario.app.cli import main


def test_exit_codes_result_and_picture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mode = ["cruise"] * 100 + ["circling"] * 400
    a = write(tmp_path / "a.csv", rows([1.0] * 500, mode))
    b = write(tmp_path / "b.csv", rows([1.0] * 300 + [1.2] * 200, mode))
    out = tmp_path / "out"
    assert main(["compare", str(a), str(a), "--out", str(out)]) == 0
    assert "no difference beyond" in capsys.readouterr().out
    assert main(["compare", str(a), str(b), "--out", str(out)]) == 1
    said = capsys.readouterr().out
    assert "the first difference is at 0:30 (30.00 s), in vario_mps" in said
    assert "they differ: vario_mps" in said
    found = json.loads((out / "compare.json").read_text(encoding="utf-8"))
    assert found["first_divergence"] == {"column": "vario_mps", "t_s": 30.0}
    assert found["columns"]["vario_mps"]["modes"]["circling"]["mean"] == pytest.approx(0.1)
    assert (out / "compare.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert main(["compare", str(a), str(b), "--out", str(out), "--tolerance", "vario_mps=0.25"]) == 0


def test_names_with_brackets_and_colons_are_printed_as_they_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "[red] [/i" / "x] :plus:"
    folder.mkdir(parents=True)
    trace = write(folder / "a[1].csv", rows([1.0] * 50))
    assert main(["compare", str(trace), str(trace), "--out", str(folder)]) == 0
    assert f"A  {trace}\n" in capsys.readouterr().out


def test_printed_figures_are_no_finer_than_the_trace(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    a = write(tmp_path / "a.csv", rows([1.0] * 300))
    b = write(tmp_path / "b.csv", rows([1.0] * 299 + [1.009]))
    assert main(["compare", str(a), str(b), "--out", str(tmp_path)]) == 1
    (line,) = [line for line in capsys.readouterr().out.splitlines() if line.startswith("vario_mps")][:1]
    assert line.split() == ["vario_mps", "300", "0", "m/s", "0.001", "m/s", "+0.009", "m/s", "0:30", "1"]


def still_flight(path: Path) -> Path:
    """Eleven seconds at rest with a truth of zero."""
    with RecordingWriter(path, RecordingInfo("at rest", "simulated")) as writer:
        for i in range(110):
            writer.write(Baro(i * 0.1, 95_000.0))
            writer.write(Reference(i * 0.1, "truth_vario_mps", 0.0))
            writer.write(Reference(i * 0.1, "vat_mps", 9.0))
    return path


def test_settings_against_settings_and_against_truth(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    flight = str(still_flight(tmp_path / "rest.mcap"))
    for name, window in (("a", 6), ("b", 10)):
        (tmp_path / f"{name}.toml").write_text(f'[average]\nwindow = "{window} s"\n', encoding="utf-8")
    a, b, out = str(tmp_path / "a.toml"), str(tmp_path / "b.toml"), ["--out", str(tmp_path / "out")]
    assert main(["compare", a, a, "--recording", flight, *out]) == 0
    assert main(["compare", a, b, "--recording", flight, *out]) == 1
    assert "they differ: average_mps" in capsys.readouterr().out
    # Truth wins over the other instrument, whose 9 m/s would not pass.
    assert main(["compare", a, flight, *out, "--rms", "vario_mps=0.05"]) == 0
    assert main(["compare", flight, flight, *out]) == 0
    assert "nothing was tested" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["a.toml", "a.toml"], ["--recording"]),
        (["a.csv", "a.csv", "--recording", "rest.mcap"], ["neither side", ".toml"]),
        (["a.csv", "a.csv", "--tolerance", "vario_mps"], ["COLUMN=VALUE"]),
        (["a.csv", "a.csv", "--tolerance", "vario_mps=nan"], ["COLUMN=VALUE"]),
        (["a.csv", "a.csv", "--tolerance", "vairo_mps=1"], ["vairo_mps", "vario_mps"]),
        (["a.csv", "none.csv"], ["none.csv", "there is no such file"]),
        (["a.csv", "."], ["trace.csv", "folder"]),
        (["a.csv", "torn.csv"], ["torn.csv, line 3", "3 cells"]),
        (["a.csv", "word.csv"], ["line 2", "vario_mps = 'much'", "a number"]),
        (["a.csv", "bare.mcap"], ["bare.mcap", "truth_vario_mps", "none"]),
    ],
)
def test_errors_are_one_clear_line(
    arguments: list[str],
    words: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    write(Path("a.csv"), rows([1.0] * 5))
    Path("a.toml").write_text("", encoding="utf-8")
    Path("torn.csv").write_text("t_s,mode,vario_mps\n0.0,cruise,1\n0.1,cru", encoding="utf-8")
    Path("word.csv").write_text("t_s,mode,vario_mps\n0.0,cruise,much\n", encoding="utf-8")
    still_flight(Path("rest.mcap"))
    with RecordingWriter("bare.mcap", RecordingInfo("bare", "live")) as writer:
        writer.write(Baro(1.0, 95_000.0))
    assert main(["compare", *arguments]) == 2
    said = capsys.readouterr().err
    assert said.startswith("vario: ")
    assert said.count("\n") == 1
    for word in words:
        assert word in said
