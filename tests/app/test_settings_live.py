"""Settings changed in flight: detection, use or refusal, recording, replay."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.events import SettingsChange
from drivers.samples import Sample
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.level_flight import NOISE, flight, settings_text
from vario.app.change.changes import UNFINISHED_POLLS, SettingsWatch, apply_change
from vario.app.outputs.catalogue import TRACE
from vario.app.replay.player import play
from vario.app.replay.results import replay
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.settings.load import parse_settings
from vario.settings.read import LARGEST_FILE_BYTES

CONFIG = Path(__file__).parents[2] / "config"
GLIDER = sorted((CONFIG / "gliders").glob("*.toml"))[0].read_text(encoding="utf-8")


def with_events(samples: list[Sample], *events: SettingsChange) -> list[Sample]:
    return sorted([*samples, *events], key=lambda sample: sample.t_s)


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


def test_a_file_that_is_open_for_writing_is_not_taken(tmp_path: Path) -> None:
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


@pytest.mark.parametrize("half", ["", '[flight]\nmaccready = "1'])
def test_a_file_that_looks_unfinished_must_stay_unchanged_for_longer(tmp_path: Path, half: str) -> None:
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


def test_a_file_that_has_become_too_large_is_not_used_in_part(tmp_path: Path) -> None:
    path = tmp_path / "vario.toml"
    path.write_text(settings_text("1 m/s"), encoding="utf-8")
    watch = SettingsWatch(path)
    path.write_text("# long\n" * (LARGEST_FILE_BYTES // 7) + settings_text("2 m/s"), encoding="utf-8")
    assert [watch.poll(t / 2.0) for t in range(UNFINISHED_POLLS + 3)] == [None] * (UNFINISHED_POLLS + 3)
    assert watch.problem == f"{path}: cannot be read: larger than 256 kB; the settings in force stay"
