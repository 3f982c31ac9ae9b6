"""The command `vario calibrate`: its files, its options and its practice with fake chips."""

from __future__ import annotations

import argparse
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.samples import Baro, Pitot
from hw_replay.source import RecordingInfo
from tests.support.calibration_run import at_rest, glides, leaking, run
from tests.support.recording_samples import write
from vario.app.calibrate.command import add_parser
from vario.app.calibrate.outcome import apply_outcome
from vario.app.calibrate.rest import pitot_offset
from vario.app.errors import AppError
from vario.settings.errors import SettingsError

GLIDER = Path(__file__).parents[2] / "config" / "gliders" / "quendel_2.toml"
INFO = RecordingInfo("on the bench", "live")


def test_results_are_written_with_their_origin_and_nothing_is_lost(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path / "rest.mcap", at_rest(Pitot, [3.7], 1.0), INFO)
    config = tmp_path / "my.toml"
    config.write_text('# mine\n[sensors.pitot]\noffset = "1 Pa"  # guessed\n', encoding="utf-8")
    out = tmp_path / "out"
    for _ in range(2):
        words = ("pitot-offset", str(file), "--out", str(out), "--apply", str(config))
        assert run(*words) == 0
    names = sorted(path.name for path in out.iterdir())
    assert names == [
        "pitot-offset.settings.toml",
        "pitot-offset.settings.toml.1",
        "pitot-offset.toml",
        "pitot-offset.toml.1",
    ]
    written = tomllib.loads((out / "pitot-offset.toml").read_text(encoding="utf-8"))
    assert written["recording"]["file"] == "rest.mcap"
    assert "computed" in written["recording"]
    assert tomllib.loads(config.read_text(encoding="utf-8"))["sensors"]["pitot"]["offset"].startswith("3.")
    assert (tmp_path / "my.toml.1").read_text(encoding="utf-8").startswith("# mine")
    assert 'offset = "1 Pa"' in (tmp_path / "my.toml.1").read_text(encoding="utf-8")
    assert "# mine" in config.read_text(encoding="utf-8")
    assert "without wind" in capsys.readouterr().out


def test_every_way_is_on_the_command_line(tmp_path: Path) -> None:
    file = write(tmp_path / "rest.mcap", at_rest(Baro, [95_035.0], 1.0), INFO)
    out = ("--out", str(tmp_path / "out"))
    assert run("barometer", str(file), "--elevation", "540 m", "--qnh", "1013.25 hPa", *out) == 0
    for way in ("gyro-bias", "six-position", "leak", "airspeed", "total-energy", "polar"):
        with pytest.raises(AppError):
            run(way, str(file), *out)
    with pytest.raises(AppError, match="either --tail-up"):
        run("level", str(file), *out)
    with pytest.raises(AppError, match="the unit is missing"):
        run("barometer", str(file), "--elevation", "540", "--qnh", "1013.25 hPa", *out)


def test_every_way_takes_a_part_of_a_recording(tmp_path: Path) -> None:
    still = at_rest(Pitot, [3.7], 1.0)
    windy = [replace(sample, t_s=sample.t_s + 40.0, impact_pa=80.0 + sample.t_s) for sample in still]
    file, out = write(tmp_path / "a.mcap", [*still, *windy], INFO), ("--out", str(tmp_path / "out"))
    with pytest.raises(AppError, match="not at rest"):
        run("pitot-offset", str(file), *out)
    assert run("pitot-offset", str(file), "--between", "0", "35", *out) == 0
    assert run("pitot-offset", str(file), "--between", "0:00:00", "0:00:35", *out) == 0
    with pytest.raises(AppError, match="no samples in this part; the recording is from 0 to"):
        run("pitot-offset", str(file), "--between", "200", "300", *out)


def test_a_builder_practises_on_fake_chips(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The fake pitot reads 3 Pa at rest (vario/app/live/practice.py); the driver is the real one."""
    where = ("--config", str(tmp_path / "none.toml"), "--out", str(tmp_path / "out"))
    assert run("pitot-offset", "live", "--fake", *where) == 0
    assert "not those of your instrument" in capsys.readouterr().out
    found = tomllib.loads((tmp_path / "out" / "pitot-offset.toml").read_text(encoding="utf-8"))
    assert found["found"]["pitot"]["zero_pa"] == pytest.approx(3.0, abs=0.3)
    with pytest.raises(AppError, match="readings of fake chips are not written into settings"):
        run("pitot-offset", "live", "--fake", "--apply", str(tmp_path / "my.toml"), *where)
    with pytest.raises(AppError, match="--fake needs the word live"):
        run("pitot-offset", str(tmp_path / "a.mcap"), "--fake", *where)


def test_fake_chips_play_a_recording_to_calibrate_from(tmp_path: Path) -> None:
    flight = write(tmp_path / "windy.mcap", [Pitot(k / 50, 7.0) for k in range(2500)], INFO)
    where = ("--config", str(tmp_path / "none.toml"), "--out", str(tmp_path / "out"))
    assert run("pitot-offset", "live", "--fake", str(flight), "--for", "20", *where) == 0
    found = tomllib.loads((tmp_path / "out" / "pitot-offset.toml").read_text(encoding="utf-8"))
    assert found["found"]["pitot"]["zero_pa"] == pytest.approx(7.0, abs=0.3)
    with pytest.raises(AppError, match="--for 0: expected 1 to 3600 s"):
        run("pitot-offset", "live", "--fake", "--for", "0", *where)


def test_each_way_reads_as_long_as_its_procedure_takes() -> None:
    """Six sides or three pairs of turns do not fit into the half minute of a rest."""
    parser = argparse.ArgumentParser()
    add_parser(parser.add_subparsers())
    needed_s = {
        "pitot-offset": 30.0,
        "gyro-bias": 30.0,
        "six-position": 60.0,
        "gyro-scale": 90.0,
        "leak": 100.0,
    }
    for way, least_s in needed_s.items():
        assert parser.parse_args(["calibrate", way, "live"]).live_s >= least_s


def test_an_outcome_without_settings_says_that_there_is_nothing_to_apply(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path / "leak.mcap", leaking(0.03), INFO)
    config = tmp_path / "my.toml"
    config.write_text("# mine\n", encoding="utf-8")
    assert run("leak", str(file), "--out", str(tmp_path / "out"), "--apply", str(config)) == 0
    said = capsys.readouterr().out
    assert f"leak found no setting to apply; {config} is unchanged" in said
    assert config.read_text(encoding="utf-8") == "# mine\n"
    assert not (tmp_path / "my.toml.1").exists()


@pytest.mark.parametrize(
    ("before", "error"),
    [
        ('[vario]\ndamping = "an hour"\n', SettingsError),
        ("[no_such_section]\nx = 1\n", SettingsError),
        ('glider = "gone.toml"\n', SettingsError),
        ("[vario\n", AppError),
    ],
)
def test_a_result_is_not_written_into_a_settings_file_that_would_not_do(
    tmp_path: Path, before: str, error: type[Exception]
) -> None:
    config = tmp_path / "my.toml"
    config.write_text(before, encoding="utf-8")
    outcome = pitot_offset(at_rest(Pitot, [3.7], 1.0))
    with pytest.raises(error):
        apply_outcome(outcome, config)
    assert config.read_text(encoding="utf-8") == before
    config.write_text("", encoding="utf-8")
    too_much = replace(outcome, settings={"sensors.pitot": {"offset": "9000 Pa"}})
    with pytest.raises(SettingsError, match="offset"):
        apply_outcome(too_much, config)
    assert config.read_text(encoding="utf-8") == ""
    assert [path.name for path in tmp_path.iterdir()] == ["my.toml"]


@pytest.mark.long
@pytest.mark.parametrize(
    ("text", "caution"),
    [
        ("", "The flying mass is not set; it is assumed to be the reference mass"),
        (
            '[flight]\nmass = "500 kg"\n',
            "No glider file is set; the flying mass is assumed to be the reference mass",
        ),
        ('glider = "glider.toml"\n[flight]\nmass = "500 kg"\n', None),
    ],
)
def test_a_polar_says_when_the_mass_was_assumed(
    text: str, caution: str | None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path / "glides.mcap", glides(), INFO)
    (tmp_path / "glider.toml").write_text(GLIDER.read_text(encoding="utf-8"), encoding="utf-8")
    config = tmp_path / "my.toml"
    config.write_text(text, encoding="utf-8")
    assert run("polar", str(file), "--out", str(tmp_path / "out"), "--config", str(config)) == 0
    said = capsys.readouterr().out
    assert "Replace `points` by a, b and c; a glider file with both is rejected." in said
    shift = ". A mass 20 % higher shifts speed and sink of the polar by 10 %."
    assert (shift in said) is (caution is not None)
    assert caution is None or f"caution: {caution}{shift}" in said
