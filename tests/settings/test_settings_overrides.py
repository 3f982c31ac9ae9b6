"""Single settings over those in force: their syntax, their error messages, and their effect."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.events import SettingsChange
from drivers.samples import Baro
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from vario import load_settings, replay
from vario.app.cli import main
from vario.app.replay.session import opened
from vario.settings import load
from vario.settings.errors import SettingsError
from vario.settings.keys import keys
from vario.settings.load import check_overrides, parse_settings
from vario.settings.overrides import from_mapping, from_words, lay_over_text
from vario.settings.schema import Settings

CARRIED = """# of this flight
[average]
window = "10 s" # short
[tone]
beep_rate_weak = "3 Hz"
"""
GLIDER = (Path(__file__).parents[2] / "config" / "gliders" / "quendel_2.toml").read_text(encoding="utf-8")
AVERAGED = {"average_mps", "average_gain_m"}
"""The columns that the window of the averager changes."""

LENGTH_S, CHANGE_S = 40, 20.0


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty seconds of a barometer, with its settings and a change of them half way."""
    path: Path = tmp_path_factory.mktemp("carried") / "flight.mcap"
    with RecordingWriter(path, RecordingInfo("x", "live", config_toml=CARRIED)) as writer:
        for k in range(LENGTH_S * 10):
            writer.write(Baro(k / 10, 90_000.0 - k))
            if k / 10 == CHANGE_S:
                writer.write(SettingsChange(k / 10, CARRIED.replace("10 s", "5 s"), None))
    return path


def complaint(*words: str, text: str = "") -> list[str]:
    with pytest.raises(SettingsError) as caught:
        parse_settings(text, "my.toml", overrides=from_words(words))
    return str(caught.value).split("\n")


@pytest.mark.parametrize(
    ("word", "section", "name", "value"),
    [
        ("maccready=2 kt", "flight", "maccready_mps", 2 * 1852 / 3600),  # the knot: NIST SP 811, appendix B
        ('flight.maccready="2 m/s"', "flight", "maccready_mps", 2.0),
        ("tone.beep_rate_full=5Hz", "tone", "beep_rate_full_hz", 5.0),
        ("tone.beep_rate_full = '5 Hz'", "tone", "beep_rate_full_hz", 5.0),
        ("bugs=0.1", "flight", "bugs", 0.1),
        ("volume=1", "tone", "volume", 1.0),
        ("mode=circling", "flight", "mode", "circling"),
        ("tone.preset=weak day", "tone", "preset", "weak day"),
        ('nmea.to="tcp:127.0.0.1:10110"', "nmea", "to", "tcp:127.0.0.1:10110"),
        ("tone={volume = 0.3, volume_cues = 0.4}", "tone", "volume", 0.3),
        ("average.window=none", "average", "window_s", 20.0),
    ],
)
def test_a_value_is_written_as_in_a_file_and_a_text_without_quotes(
    word: str, section: str, name: str, value: object
) -> None:
    loaded = parse_settings(CARRIED, "carried", overrides=from_words([word]))
    found = getattr(getattr(loaded.settings, section), name)
    assert found == (pytest.approx(value) if isinstance(value, float) else value)
    # The text for a recording or another process contains the same settings.
    assert parse_settings(loaded.settings_toml, "again").settings == loaded.settings
    kept = ["# of this flight"] if "none" in word else ["# of this flight", "# short"]
    assert all(comment in loaded.settings_toml for comment in kept)


def test_a_goal_is_given_in_one_text_and_taken_away() -> None:
    loaded = parse_settings("", "x", overrides=from_words(["goal=50.12 10.34 420 m"]))
    assert loaded.settings.goal.elevation_m == 420.0
    assert (
        parse_settings(loaded.settings_toml, "x", overrides=from_words(["goal=none"])).settings == Settings()
    )


def test_later_values_win() -> None:
    overrides = from_words(["volume=0.2", "tone.volume=0.3"])
    assert parse_settings("", "x", overrides=overrides).settings.tone.volume == 0.3


def test_everything_wrong_is_told_at_once_with_its_place() -> None:
    told = complaint(
        "mc=2 kt",
        "nonsense",
        "tone.beep_full=5 Hz",
        "volume=30",
        "beep_rate_full=5 Hz",
        text="[average]\nwindow = 5\n",
    )
    assert [line.partition("; expected")[0] for line in sorted(told)] == [
        "--set: beep_rate_full: no such setting; did you mean tone.beep_rate_full?",
        "--set: mc: no such setting; did you mean maccready?",
        '--set: nonsense: expected KEY=VALUE, such as maccready="2 kt" or tone.beep_rate_full="5 Hz"',
        "--set: tone.beep_full: unknown key; did you mean beep_rate_full?",
        "--set: tone.volume = 30: above the highest allowed, 1; a fraction is expected: 30 % is written 0.3",
        "my.toml, line 2: average.window = 5: a number without unit",
    ]


def test_a_number_is_told_as_it_was_typed() -> None:
    assert complaint("sensors.baro.chip=MS5611", "sensors.baro.address=0x99") == [
        "--set: sensors.baro.address = 0x99: above the highest allowed, 0x77"
    ]


def test_a_rule_broken_with_the_settings_in_force_is_told_as_one_of_the_change() -> None:
    (told,) = complaint("tone.beep_rate_full=2 Hz", text=CARRIED)
    assert told.startswith(
        '--set: tone.beep_rate_weak = "3 Hz", tone.beep_rate_full = "2 Hz": the beep rate must rise'
    )


def test_values_can_be_checked_before_the_settings_are_known() -> None:
    check_overrides(from_words(["sensors.baro.address=0x76"]))  # fits where a chip is named
    with pytest.raises(SettingsError, match="below the lowest"):
        check_overrides(from_words(["sensors.baro.address=0x01"]))


def test_a_glider_is_named_from_where_the_command_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "other").mkdir()
    config = tmp_path / "other" / "my.toml"
    config.write_text("", encoding="utf-8")
    (tmp_path / "g.toml").write_text(GLIDER, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    loaded = load.load_settings(config, from_words(["glider=g.toml"]))
    assert loaded.glider_toml == GLIDER
    (told,) = complaint("glider=h.toml")
    assert told.startswith(f'--set: glider = "h.toml": there is no file {tmp_path / "h.toml"}; expected')
    assert parse_settings('glider = "x"\n', "x", GLIDER, overrides=from_words(["glider=none"])).glider is None


_VALUES = st.one_of(st.none(), st.integers(-9, 9), st.floats(-9, 9), st.text(max_size=9), st.booleans())


@given(
    st.lists(st.tuples(st.sampled_from(sorted(keys(Settings))), _VALUES), max_size=4),
    st.sampled_from([CARRIED, "", "tone = { volume = 0.4 }\n", "tone.volume = 0.4\n", "average = 3\n"]),
)
def test_the_text_with_values_laid_over_it_says_just_that(
    values: list[tuple[tuple[str, ...], Any]], text: str
) -> None:
    """Oracle: the same keys set in the tables of Python's own TOML reader."""
    wanted = tomllib.loads(text)
    for path, value in values:
        inner = wanted
        for name in path[:-1]:
            if value is None and not isinstance(inner.get(name), dict):
                break
            if not isinstance(inner.get(name), dict):
                inner[name] = {}
            inner = inner[name]
        else:
            if value is None:
                inner.pop(path[-1], None)
            else:
                inner[path[-1]] = value
    overrides = from_mapping({".".join(path): value for path, value in values})
    if len({path for path, _ in values}) == len(values):
        assert tomllib.loads(lay_over_text(text, overrides)) == wanted


def test_a_change_in_flight_keeps_the_values_laid_over(recording: Path) -> None:
    """Overrides stay in force after new settings in flight; otherwise the new settings are in force."""
    flight = replay(recording, set={"volume": 0.3})
    assert flight.summary["settings_changes"] == [{"t_s": CHANGE_S, "taken": True}]
    overrides = from_words(["volume=0.3"])
    source, loaded = opened(recording, None, ["volume=0.3"])
    (change,) = (sample for sample in source if isinstance(sample, SettingsChange))
    assert change.settings_toml == lay_over_text(CARRIED.replace("10 s", "5 s"), overrides)
    changed = parse_settings(change.settings_toml, "x").settings
    assert (changed.average.window_s, changed.tone.volume) == (5.0, 0.3)
    assert (loaded.settings.average.window_s, loaded.settings.tone.volume) == (10.0, 0.3)


def test_a_change_that_does_not_go_with_the_values_is_refused_and_told(tmp_path: Path) -> None:
    path = tmp_path / "flight.mcap"
    with RecordingWriter(path, RecordingInfo("x", "live", config_toml="")) as writer:
        for k in range(100):
            writer.write(Baro(k / 10, 90_000.0))
            if k == 50:
                writer.write(SettingsChange(5.0, '[tone]\nbeep_rate_weak = "6 Hz"\n', None))
    assert replay(path).summary["settings_changes"][0]["taken"]
    (change,) = replay(path, set={"tone.beep_rate_full": "5 Hz"}).summary["settings_changes"]
    assert not change["taken"]
    assert "the beep rate must rise from beep_rate_weak to beep_rate_full" in change["problems"][0]


def test_the_api_takes_values_over_a_file_and_over_loaded_settings(recording: Path, tmp_path: Path) -> None:
    config = tmp_path / "my.toml"
    config.write_text('[average]\nwindow = "30 s"\n', encoding="utf-8")
    for chosen in (config, load_settings(config)):
        found = replay(recording, chosen, set={"volume": 0.3}).summary["settings"]
        assert found == {"average.window": "30 s", "tone.volume": 0.3}
    with pytest.raises(SettingsError, match=r"^set: tone\.volume = 3: above the highest allowed, 1$"):
        replay(recording, set={"volume": 3})


def test_the_commands_that_play_take_values(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--set", "volume=0.3", "--set", "average.window=30 s"]
    assert main(["replay", str(recording), "--no-picture", "--out", str(tmp_path / "r"), *words]) == 0
    summary = json.loads((tmp_path / "r" / "summary.json").read_text(encoding="utf-8"))
    assert summary["settings"] == {
        "average.window": "30 s",
        "tone.volume": 0.3,
        "tone.beep_rate_weak": "3 Hz",
    }
    assert main(["report", str(recording), "--out", str(tmp_path / "page.html"), *words]) == 0
    out = tmp_path / "e.csv"
    assert main(["export", str(recording), "--as", "csv", "--out", str(out), "--set", "trace.rate=1 Hz"]) == 0
    assert len(out.read_text(encoding="ascii").splitlines()) == LENGTH_S + 1
    assert main(["replay", str(recording), "--out", str(tmp_path / "n"), "--set", "volume=3"]) == 2
    assert not (tmp_path / "n").exists()
    capsys.readouterr()


@pytest.mark.long
def test_a_batch_takes_values_and_does_again_what_they_change(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "batch"

    def windows_after(*words: str) -> object:
        assert main(["batch", str(recording.parent), "--out", str(out), "--jobs", "1", *words]) == 0
        (path,) = (out / "flights").rglob("*.json")
        return json.loads(path.read_text(encoding="utf-8"))["summary"]["settings"]["average.window"]

    assert windows_after() == "10 s"
    assert windows_after("--set", "average.window=30 s") == "30 s"
    capsys.readouterr()
    assert main(["batch", str(recording.parent), "--out", str(out), "--set", "average.windw=30 s"]) == 2
    assert "did you mean window?" in capsys.readouterr().err


@pytest.mark.long
def test_a_recording_is_compared_with_a_change_of_its_settings(recording: Path, tmp_path: Path) -> None:
    out = ["--out", str(tmp_path / "c")]
    assert main(["compare", str(recording), "--set", "nmea.rate=2 Hz", *out]) == 0
    assert main(["compare", str(recording), "--set", "tone.volume_ground=0.3", *out]) == 1
    found = json.loads((tmp_path / "c" / "compare.json").read_text(encoding="utf-8"))
    assert {name for name, column in found["columns"].items() if column["differs"]} == {"tone_level"}
    assert main(["compare", str(recording), "--set", "vario.damping=5 s", *out]) in {0, 1}
    found = json.loads((tmp_path / "c" / "compare.json").read_text(encoding="utf-8"))
    assert found["a"] == f"{recording} replayed"
    assert found["b"] == f'{recording} replayed with vario.damping = "5 s"'
    both = ["--set-a", "trace.rate=1 Hz", "--set", "trace.rate=1 Hz"]
    assert main(["compare", str(recording), *both, *out]) == 0
    assert main(["compare", str(recording), "--set", "average.window=30 s", *out]) == 1
    found = json.loads((tmp_path / "c" / "compare.json").read_text(encoding="utf-8"))
    assert {name for name, column in found["columns"].items() if column["differs"]} == AVERAGED

    config = tmp_path / "my.toml"
    config.write_text("", encoding="utf-8")
    one = ["compare", str(config), "--recording", str(recording), *out]
    assert main([*one, "--set", "nmea.rate=2 Hz"]) == 0


def test_comparisons_that_make_no_sense_are_refused(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = ["--out", str(tmp_path / "c")]
    config = tmp_path / "my.toml"
    config.write_text("", encoding="utf-8")
    (tmp_path / "c").mkdir()
    for words, said in (
        ([str(recording)], "expected B after it, or --set KEY=VALUE"),
        ([str(config), "--set", "volume=0.3"], "give one with --recording"),
        ([str(tmp_path / "c"), "--set", "volume=0.3"], "expected a trace.csv"),
        ([str(recording), "--set-a", "volume=3"], "--set-a: tone.volume = 3"),
        ([str(recording), str(config), "--set-a", "volume=0.3"], "compared by its references"),
    ):
        assert main(["compare", *words, *out]) == 2
        assert said in capsys.readouterr().err
