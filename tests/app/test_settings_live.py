"""Settings changed in flight: detection, use or refusal, recording, replay; and the editing of one value."""

from __future__ import annotations

import os
import stat
import tomllib
from pathlib import Path
from threading import Thread

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.events import SettingsChange
from drivers.samples import Baro, GnssPos, GnssVel, Pitot, Sample
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from vario.app.change.changes import UNFINISHED_POLLS, SettingsWatch, apply_change
from vario.app.change.short_names import set_setting
from vario.app.cli import main
from vario.app.outputs.catalogue import TRACE
from vario.app.replay.player import play
from vario.app.replay.results import replay
from vario.flight.motion.energy import Noise
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.settings.edit import NotEditableError, set_value
from vario.settings.load import load_settings, parse_settings
from vario.settings.schema import Settings
from vario.settings.short_names import SHORT_NAMES
from vario.settings.toml_text import write_value

CONFIG = Path(__file__).parents[2] / "config"
GLIDER = sorted((CONFIG / "gliders").glob("*.toml"))[0].read_text(encoding="utf-8")
NOISE = Noise(1.5, 1.0)


def flight(seconds: int = 60) -> list[Sample]:
    """Straight and level at 1000 m and about 120 km/h, 10 Hz."""
    samples: list[Sample] = []
    for k in range(seconds * 10):
        t_s = k / 10
        samples += [Baro(t_s, 89874.6 + (k % 3 - 1)), Pitot(t_s, 620.0)]
        if k % 10 == 0:
            samples += [
                GnssPos(t_s, 50.0 + 33.0 * t_s / 111_200, 10.0, 1000.0),
                GnssVel(t_s, 33.0, 0.0, None),
            ]
    return samples


def with_events(samples: list[Sample], *events: SettingsChange) -> list[Sample]:
    return sorted([*samples, *events], key=lambda sample: sample.t_s)


def settings_text(maccready: str) -> str:
    return f'glider = "glider.toml"\n[flight]\nmaccready = "{maccready}"\n[speed_to_fly]\nmode = "block"\n'


def pipeline() -> Pipeline:
    loaded = parse_settings(settings_text("0.5 m/s"), "s", GLIDER)
    return Pipeline(loaded.settings, loaded.glider, NOISE)


def test_a_change_takes_effect_at_its_frame_and_not_before() -> None:
    change = SettingsChange(30.0, settings_text("3 m/s"), GLIDER)
    changed = list(play(with_events(flight(), change), pipeline()))
    unchanged = list(play(flight(), pipeline()))
    for new, old in zip(changed, unchanged, strict=True):
        if old.t_s < 29.9:
            assert new == old
        elif old.t_s > 30.1:
            assert new.speed.block_mps is not None
            assert old.speed.block_mps is not None
            assert new.speed.block_mps > old.speed.block_mps + 5.0
            assert new.energy == old.energy


@pytest.mark.parametrize(
    "text",
    [
        "[flight]\nmaccready = 2\n",
        "[flight",
        pytest.param("\ufffd", marks=pytest.mark.long),
        'glider = "glider.toml"\n[nothing]\nx = 1\n',
        pytest.param("x = " + "[" * 5000 + "]" * 5000, id="brackets", marks=pytest.mark.long),
        pytest.param("x = " + "{a = " * 5000 + "1" + "}" * 5000, id="braces"),
    ],
)
def test_invalid_content_keeps_the_old_settings_and_says_so(text: str) -> None:
    heard: list[tuple[SettingsChange, object]] = []
    bad, good = (
        SettingsChange(30.0, text, GLIDER),
        SettingsChange(45.0, settings_text("0.5 m/s"), GLIDER),
    )
    samples = with_events(flight(), bad, good)
    readings = list(play(samples, pipeline(), lambda change, error: heard.append((change, error))))
    unchanged = list(play(flight(), pipeline()))
    assert [reading.speed for reading in readings] == [reading.speed for reading in unchanged]
    rejected = [reading.t_s for reading in readings if reading.setting_rejected]
    assert rejected[0] == pytest.approx(30.0, abs=0.11)
    assert rejected[-1] == pytest.approx(45.0, abs=0.11)
    assert [change for change, _ in heard] == [bad, good]
    assert heard[0][1] is not None
    assert str(heard[0][1])
    assert heard[1][1] is None
    cues = {str(reading.tone.cue.cue) for reading in readings if reading.tone.cue is not None}
    assert "setting rejected" in cues


def test_every_section_of_flight_can_change_without_a_restart() -> None:
    """The estimate continues: it is the same, frame by frame, with any change of settings."""
    text = """
[flight]
mode = "circling"
[vario]
damping = "0 s"
[average]
window = "5 s"
[circling]
bank = "50 deg"
[centring]
reaction = "1 s"
[tone]
volume = 0.9
[goal]
latitude = 50.5
longitude = 10.0
elevation = "100 m"
"""
    change = SettingsChange(30.0, text, None)
    changed = list(play(with_events(flight(), change), pipeline()))
    unchanged = list(play(flight(), pipeline()))
    assert [r.energy for r in changed] == [r.energy for r in unchanged]
    assert changed[-1].mode is Mode.CIRCLING
    assert changed[-1].speed_to_fly_mps is None  # the new file names no glider
    assert changed[-1].glide is not None
    assert changed[-1].glide.available is None
    assert unchanged[-1].mode is Mode.CRUISE
    assert unchanged[-1].glide is None


def test_a_recording_holds_the_changes_and_replays_them(tmp_path: Path) -> None:
    """The trace of the replay is that of the flight, byte for byte."""
    events = (
        SettingsChange(10.0, settings_text("2 m/s"), GLIDER),
        SettingsChange(15.0, "not TOML", None),
        SettingsChange(20.0, settings_text("1 m/s"), GLIDER),
    )
    samples = with_events(flight(25), *events)
    path = tmp_path / "flight.mcap"
    info = RecordingInfo("x", "live", config_toml=settings_text("0.5 m/s"), glider_toml=GLIDER)
    with RecordingWriter(path, info) as writer:
        for sample in samples:
            writer.write(sample)
    assert [s for s in Recording(path) if isinstance(s, SettingsChange)] == list(events)
    live = [[output.value_of(reading) for output in TRACE] for reading in play(samples, pipeline())]
    again = [[output.value_of(reading) for output in TRACE] for reading in play(Recording(path), pipeline())]
    assert live == again
    loaded = parse_settings(settings_text("0.5 m/s"), "s", GLIDER)
    found = replay(Recording(path), loaded.settings, loaded.glider, tmp_path / "out")
    assert [change["taken"] for change in found["settings_changes"]] == [True, False, True]
    assert any("could not be used" in warning for warning in found["warnings"])
    aside = replay(Recording(path), loaded.settings, loaded.glider, tmp_path / "aside", follow_changes=False)
    assert aside["settings_changes"] == []
    assert any("ignored" in warning for warning in aside["warnings"])


def test_the_watch_sees_what_rests_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text(settings_text("1 m/s"), encoding="utf-8")
    (tmp_path / "glider.toml").write_text(GLIDER, encoding="utf-8")
    watch = SettingsWatch(path)
    assert watch.poll(1.0) is None
    path.write_text("[fli", encoding="utf-8")  # half written
    assert watch.poll(2.0) is None
    path.write_text(settings_text("2 m/s"), encoding="utf-8")
    assert watch.poll(3.0) is None
    assert watch.poll(4.0) == SettingsChange(4.0, settings_text("2 m/s"), GLIDER)
    assert watch.poll(5.0) is None
    path.unlink()
    assert watch.poll(6.0) is None
    assert watch.poll(7.0) is None
    path.write_bytes(b"\xff\xfe nonsense\n")
    assert watch.poll(8.0) is None
    change = watch.poll(9.0)
    assert change is not None
    assert apply_change(change, pipeline()) is not None
    path.write_text(settings_text("2 m/s"), encoding="utf-8")
    watch.poll(10.0)
    assert watch.poll(11.0) is not None  # back to good: taken again, so that the complaint ends


def test_what_somebody_has_open_to_write_is_not_taken(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text("# nothing set\n", encoding="utf-8")
    watch = SettingsWatch(path)
    with path.open("w", encoding="utf-8") as editor:
        editor.write('[flight]\nmaccready = "2 m/s"\n')
        editor.flush()
        assert [watch.poll(float(t_s)) for t_s in range(20)] == [None] * 20
        editor.write("bugs = 0.1\n")
    change = watch.poll(20.0) or watch.poll(21.0)
    assert change is not None
    assert change.settings_toml == path.read_text(encoding="utf-8")


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


@pytest.mark.parametrize("half", ["", '[flight]\nmaccready = "1'])
def test_what_looks_half_written_must_rest_for_longer(tmp_path: Path, half: str) -> None:
    # Both are valid, or nearly valid, for a parser: an empty file means all defaults.
    path = tmp_path / "my.toml"
    path.write_text(settings_text("1 m/s"), encoding="utf-8")
    (tmp_path / "glider.toml").write_text(GLIDER, encoding="utf-8")
    watch = SettingsWatch(path)
    path.write_text(half, encoding="utf-8")
    assert [watch.poll(float(t_s)) for t_s in range(UNFINISHED_POLLS)] == [None] * UNFINISHED_POLLS
    path.write_text(settings_text("2 m/s"), encoding="utf-8")
    assert watch.poll(10.0) is None
    assert watch.poll(11.0) == SettingsChange(11.0, settings_text("2 m/s"), GLIDER)
    path.write_text(half, encoding="utf-8")
    changes = [watch.poll(20.0 + t_s) for t_s in range(UNFINISHED_POLLS + 1)]
    assert changes[:-1] == [None] * UNFINISHED_POLLS
    assert changes[-1] == SettingsChange(20.0 + UNFINISHED_POLLS, half, None)  # it stays so: meant so


def test_a_changed_glider_file_is_a_change(tmp_path: Path) -> None:
    path = tmp_path / "my.toml"
    path.write_text(settings_text("1 m/s"), encoding="utf-8")
    (tmp_path / "glider.toml").write_text(GLIDER, encoding="utf-8")
    watch = SettingsWatch(path)
    other = GLIDER.replace("stall = ", "# stall = ")
    (tmp_path / "glider.toml").write_text(other, encoding="utf-8")
    watch.poll(1.0)
    change = watch.poll(2.0)
    assert change is not None
    assert change.glider_toml == other
    error = apply_change(change, pipeline())
    assert error is not None
    assert "stall" in str(error)


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
def test_what_is_written_too_cleverly_is_left_to_a_person(text: str) -> None:
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
