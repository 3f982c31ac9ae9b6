"""Marks: set in flight, placed by their time, and inserted into finished recordings."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drivers.events import Mark
from drivers.samples import Baro, Sample
from hw_replay.event_messages import KIND_OF, RejectedEventError, decode_event, encode_event, event_values
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from vario.app.change.marks import LONGEST_TEXT, drop_mark, dropped_marks, marks_folder, with_marks
from vario.app.change.watched import is_watched
from vario.app.cli import main
from vario.app.live.file_watch import FileWatch

START = datetime(2025, 6, 14, 12, 30, tzinfo=UTC)
NUMBERS = ["--no-sound", "--no-picture"]


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "flight.mcap"
    with RecordingWriter(path, RecordingInfo("x", "live", start_utc=START)) as writer:
        for k in range(600):
            writer.write(Baro(k / 10, 90_000.0 + k % 2))
    return path


def test_a_dropped_mark_is_found_at_its_time(tmp_path: Path) -> None:
    folder = tmp_path / "marks"
    drop_mark(folder, "  first\n thermal ", START + timedelta(seconds=12.5))
    drop_mark(folder, "before it", START - timedelta(seconds=1))
    drop_mark(folder, "later", START + timedelta(hours=2))
    (folder / "notes.txt").write_text("not a mark", encoding="utf-8")
    assert dropped_marks(folder, START) == [Mark(12.5, "first thermal"), Mark(7200.0, "later")]


def test_the_command_drops_a_mark_now(tmp_path: Path) -> None:
    before = datetime.now(UTC)
    assert main(["mark", "wave bar", "--marks", str(tmp_path / "m")]) == 1  # no instrument reads it
    (mark,) = dropped_marks(tmp_path / "m", before)
    assert mark.text == "wave bar"
    assert mark.t_s < 60.0


@pytest.fixture
def watch() -> Iterator[Callable[[Path], FileWatch]]:
    """The watcher for marks in flight; it ends with the test."""
    started: list[FileWatch] = []

    def start(folder: Path) -> FileWatch:
        started.append(FileWatch(None, folder, every_s=0.01))
        started[-1].start()
        return started[-1]

    yield start
    for side in started:
        side.close()


def test_a_mark_is_dropped_where_the_instrument_with_these_settings_looks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], watch: Callable[[Path], FileWatch]
) -> None:
    config = tmp_path / "box" / "my.toml"
    config.parent.mkdir()
    side = watch(marks_folder(config))
    assert main(["mark", "wave bar", "--config", str(config)]) == 0
    assert capsys.readouterr().out.startswith(f"marked: {config.parent / 'marks'}")
    side.look()
    event = side.take()
    assert isinstance(event, Mark)
    assert event.text == "wave bar"


def test_where_nobody_looks_a_mark_is_not_called_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], watch: Callable[[Path], FileWatch]
) -> None:
    watched, other = tmp_path / "marks", tmp_path / "other"
    watched.mkdir()
    side = watch(watched)
    assert main(["mark", "here", "--marks", str(other)]) == 1
    said = capsys.readouterr().out
    assert "marked" not in said
    assert f"no running instrument reads {other}" in said
    assert len(list(other.iterdir())) == 1
    assert main(["mark", "here", "--marks", str(watched)]) == 0
    side.close()
    assert main(["mark", "too late", "--marks", str(watched)]) == 1


def test_a_folder_that_comes_later_or_is_put_there_anew_is_watched(
    tmp_path: Path, watch: Callable[[Path], FileWatch]
) -> None:
    folder = tmp_path / "marks"
    side = watch(folder)
    assert main(["mark", "first", "--marks", str(folder)]) == 0
    folder.rename(tmp_path / "kept")
    assert not is_watched(folder)
    assert main(["mark", "here", "--marks", str(folder)]) == 0
    side.look()
    assert is_watched(folder)
    assert not is_watched(tmp_path / "kept")
    assert not is_watched(tmp_path)


def test_settings_can_be_changed_in_a_folder_that_is_watched(
    tmp_path: Path, watch: Callable[[Path], FileWatch]
) -> None:
    config = tmp_path / "vario.toml"
    config.write_text("", encoding="utf-8")
    watch(tmp_path)
    assert main(["set", "bugs", "0.1", "--config", str(config)]) == 0


def test_a_replay_takes_dropped_marks(recording: Path, tmp_path: Path) -> None:
    drop_mark(tmp_path / "m", "here", START + timedelta(seconds=30))
    out = tmp_path / "out"
    assert main(["replay", str(recording), *NUMBERS, "--marks", str(tmp_path / "m"), "--out", str(out)]) == 0
    found = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert found["marks"] == [{"t_s": 30.0, "text": "here"}]


def test_a_mark_goes_into_a_recording_and_nothing_else_changes(recording: Path) -> None:
    before = list(Recording(recording))
    assert main(["mark", "Lift at ridge ↑", "--into", str(recording), "--at", "12.25"]) == 0
    after = list(Recording(recording))
    assert [sample for sample in after if not isinstance(sample, Mark)] == before
    place = after.index(Mark(12.25, "Lift at ridge ↑"))
    assert after[place - 1].t_s <= 12.25 <= after[place + 1].t_s


@pytest.mark.parametrize("at", ["-1", "60.5", "nan"])
def test_a_mark_outside_the_recording_is_refused(
    recording: Path, capsys: pytest.CaptureFixture[str], at: str
) -> None:
    content = recording.read_bytes()
    assert main(["mark", "x", "--into", str(recording), "--at", at]) == 2
    assert "outside this recording" in capsys.readouterr().err
    assert recording.read_bytes() == content


def test_a_damaged_recording_is_left_alone(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    content = recording.read_bytes()[:-600]
    recording.write_bytes(content)
    assert main(["mark", "x", "--into", str(recording), "--at", "1"]) == 2
    assert capsys.readouterr().err
    assert recording.read_bytes() == content


@pytest.mark.parametrize("text", ["", "   \n", "x" * (LONGEST_TEXT + 1)])
def test_a_mark_is_a_short_text(tmp_path: Path, text: str) -> None:
    assert main(["mark", text, "--marks", str(tmp_path / "m")]) == 2
    assert not (tmp_path / "m").exists()


def test_into_needs_at(recording: Path) -> None:
    assert main(["mark", "x", "--into", str(recording)]) == 2


def test_late_samples_keep_their_order_around_a_mark() -> None:
    samples: list[Sample] = [Baro(1.0, 9e4), Baro(3.0, 9e4), Baro(2.0, 9e4), Baro(4.0, 9e4)]
    merged = list(with_marks(samples, [Mark(2.5, "m")]))
    assert [sample for sample in merged if not isinstance(sample, Mark)] == samples
    assert merged.index(Mark(2.5, "m")) == 1


@pytest.mark.parametrize("values", [{}, {"text": 3}, {"text": "x" * 501}, {"text": None}])
def test_a_message_that_is_not_a_mark_is_refused(values: dict[str, object]) -> None:
    with pytest.raises(RejectedEventError):
        decode_event(KIND_OF[Mark], 1.0, values)


def test_a_mark_message_comes_back() -> None:
    mark = Mark(1.5, 'a "mark"\\ü')
    kind = KIND_OF[Mark]
    assert decode_event(kind, 1.5, event_values(kind, encode_event(mark))) == mark


def test_marks_of_other_flights_and_those_the_recording_holds_are_left_out(
    recording: Path, tmp_path: Path
) -> None:
    folder, out = tmp_path / "m", tmp_path / "out"
    assert main(["mark", "here", "--into", str(recording), "--at", "30"]) == 0
    drop_mark(folder, "here", START + timedelta(seconds=29.8))
    drop_mark(folder, "there", START + timedelta(seconds=40))
    drop_mark(folder, "a week later", START + timedelta(days=7))
    assert main(["replay", str(recording), *NUMBERS, "--marks", str(folder), "--out", str(out)]) == 0
    found = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert [mark["text"] for mark in found["marks"]] == ["here", "there"]


def test_a_folder_of_marks_that_is_not_there_is_told(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert (
        main(["replay", str(recording), "--marks", str(tmp_path / "no"), "--out", str(tmp_path / "o")]) == 2
    )
    assert "no such folder" in capsys.readouterr().err


def test_a_mark_asked_for_is_put_in_beside_one_like_it(recording: Path) -> None:
    for at_s in ("30", "31"):
        assert main(["mark", "here", "--into", str(recording), "--at", at_s]) == 0
    assert [sample.t_s for sample in Recording(recording) if isinstance(sample, Mark)] == [30.0, 31.0]


def test_what_was_left_out_is_counted_once_also_with_marks(tmp_path: Path) -> None:
    path, folder, out = tmp_path / "flight.mcap", tmp_path / "m", tmp_path / "out"
    with RecordingWriter(path, RecordingInfo("x", "live", start_utc=START)) as writer:
        for k in range(600):
            writer.write(Baro(k / 10, 5.0 if k == 300 else 90_000.0 + k % 2))
    drop_mark(folder, "here", START + timedelta(seconds=30))
    assert main(["replay", str(path), *NUMBERS, "--marks", str(folder), "--out", str(out)]) == 0
    found = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert found["rejected_by_reader"] == 1
