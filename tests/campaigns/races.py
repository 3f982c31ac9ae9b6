"""`vario set`, `vario mark` and an editor against the live loop: `python -m tests.campaigns.races 10000`.

Three processes set one value each, two set marks, and later one saves the file as editors do, in place or by
renaming. Each waits until its change is in the recording before it makes the next one, so that each change
can be identified. The live loop is the real one, without sensors and in accelerated time.

Expectations: every accepted change is recorded once and in order, every mark once, every recorded text is
complete, and `vario set` undoes no save of an editor. An editor may undo a value that was set between its
reading and its saving; this is counted.
"""

from __future__ import annotations

import mmap
import os
import re
import signal
import struct
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from drivers.events import Mark, SettingsChange
from drivers.samples import Sample
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from vario.app.change.marks import drop_mark
from vario.app.change.short_names import set_setting
from vario.app.live.clock import SteppedClock
from vario.app.live.file_watch import FileWatch
from vario.app.live.instrument import Instrument
from vario.app.live.loop import LiveLoop
from vario.app.live.recorder import FlightFiles
from vario.app.live.scheduler import Scheduler
from vario.flight.reading import Reading
from vario.settings.load import load_settings
from vario.sound.sink import NullSink

CONFIG = Path(__file__).parents[2] / "config" / "vario.toml"

KEYS: dict[str, Callable[[int], str]] = {
    "maccready": lambda number: f"{number / 1000:.3f} m/s",
    "ballast": lambda number: f"{number / 100:.2f} kg",
    "bugs": lambda number: f"{number / 10000:.4f}",
}
"""The text of a number as a value of each key."""

READ = {
    "maccready": re.compile(r'^maccready = "([\d.]+) m/s"', re.MULTILINE),
    "ballast": re.compile(r'^ballast = "([\d.]+) kg"', re.MULTILINE),
    "bugs": re.compile(r"^bugs = ([\d.]+)", re.MULTILINE),
    "editor": re.compile(r"^# saved ([\d.]+) times", re.MULTILINE),
}
SIZE = {"maccready": 1000, "ballast": 100, "bugs": 10000, "editor": 1}

LOOK_S = 0.005
GIVE_UP_S = 60.0
AWAY_S = 2.0
LONGEST_S = 3600
_NUMBER = struct.Struct("<q")


def _shortened(text: str) -> str:
    """A settings file with half of its comment lines, so that all recorded texts of ten thousand changes
    are within the size that a reader accepts.
    """
    lines = text.splitlines(keepends=True)
    return "".join(line for number, line in enumerate(lines) if number % 2 or not line.startswith("#"))


def number_in(text: str, key: str) -> int:
    """The number in a text that is the value of a key."""
    found = READ[key].search(text)
    return round(float(found[1]) * SIZE[key]) if found else 0


class Board:
    """Shared numbers: the recorded values of each key, and the undone ones."""

    NAMES = (*READ, *(f"undone {key}" for key in READ))

    def __init__(self) -> None:
        self._memory = mmap.mmap(-1, 8 * len(self.NAMES))

    def __getitem__(self, name: str) -> int:
        return int(_NUMBER.unpack_from(self._memory, 8 * self.NAMES.index(name))[0])

    def __setitem__(self, name: str, number: int) -> None:
        _NUMBER.pack_into(self._memory, 8 * self.NAMES.index(name), number)


class Noting:
    """A journal on the disk that reports its records to the board."""

    def __init__(self, files: FlightFiles, board: Board) -> None:
        self._files, self._board = files, board

    def begin(self, info: RecordingInfo) -> None:
        self._files.begin(info)

    def put(self, sample: Sample) -> None:
        self._files.write(sample)
        if isinstance(sample, SettingsChange):
            for key in READ:
                self._board[key] = number_in(sample.settings_toml, key)


def _until_recorded(path: Path, board: Board, key: str, number: int) -> bool:
    """Wait; false if the change has been undone instead."""
    end_s = time.monotonic() + GIVE_UP_S
    here_s = time.monotonic()  # with two simultaneous saves, one is invisible for a moment
    while board[key] != number:
        if number_in(path.read_text(encoding="utf-8", errors="replace"), key) == number:
            here_s = time.monotonic()
        if time.monotonic() - here_s > AWAY_S:
            return False
        if time.monotonic() > end_s:
            raise TimeoutError(f"{key} = {number} was never recorded")
        time.sleep(LOOK_S)
    return True


def set_many(path: Path, board: Board, key: str, count: int) -> None:
    """Set a value repeatedly, as `vario set` does."""
    for number in range(1, count + 1):
        set_setting(key, KEYS[key](number), path)
        while not _until_recorded(path, board, key, number):
            board[f"undone {key}"] += 1
            set_setting(key, KEYS[key](number), path)


def mark_many(folder: Path, name: str, count: int) -> None:
    """Set marks, as `vario mark` does."""
    for number in range(1, count + 1):
        drop_mark(folder, f"{name} {number}", datetime.now(UTC))
        time.sleep(LOOK_S)


def save_many(path: Path, board: Board, count: int, sets: int) -> None:
    """Save the file, alternately in place and by renaming, with a changed comment.

    The saves are spread over the time in which `sets` values are set.
    """
    for number in range(1, count + 1):
        while sum(board[key] for key in KEYS) < sets * (number - 1) // count:
            time.sleep(LOOK_S)
        end_s = time.monotonic() + GIVE_UP_S
        while True:
            if time.monotonic() > end_s:
                raise TimeoutError("there is no whole file to save")
            text = path.read_text(encoding="utf-8")
            saved = READ["editor"].sub(f"# saved {number} times", text)
            # An editor asks before it saves over what has changed on the disk; here it reads it again.
            if text.endswith("# the end\n") and path.read_text(encoding="utf-8") == text:
                break
        if number % 2:
            with path.open("w", encoding="utf-8") as file:
                file.write(saved[: len(saved) // 2])
                file.flush()
                file.write(saved[len(saved) // 2 :])
        else:
            beside = path.with_name("saved.tmp")
            beside.write_text(saved, encoding="utf-8")
            beside.replace(path)
        if not _until_recorded(path, board, "editor", number):
            board["undone editor"] += 1


def race(folder: Path, sets: int, marks: int, saves: int) -> str:
    """Run the given number of each; returns the findings in a sentence.

    Raises:
        AssertionError: if something was lost, doubled or torn.
    """
    path, dropped, board = folder / "vario.toml", folder / "marks", Board()
    dropped.mkdir()
    begun = f"# saved 0 times\n{_shortened(CONFIG.read_text(encoding='utf-8'))}# the end\n"
    path.write_text(begun, encoding="utf-8")
    each = {key: sets // len(KEYS) for key in KEYS}
    lives: list[Callable[[], None]] = [lambda key=key: set_many(path, board, key, each[key]) for key in KEYS]  # type: ignore[misc]
    lives += [lambda name=name: mark_many(dropped, name, marks // 2) for name in ("one", "two")]  # type: ignore[misc]
    if saves:
        lives.append(lambda: save_many(path, board, saves, sum(each.values())))
    side = FileWatch(
        path, dropped, every_s=LOOK_S
    )  # before the first change, which otherwise is not detected
    rejected = _fly(folder, board, side, {_forked(life) for life in lives})
    (file,) = folder.glob("*.mcap")
    recording = Recording(file)
    events = [sample for sample in recording if isinstance(sample, SettingsChange | Mark)]
    assert not recording.rejected(), recording.warnings()
    texts = [event.settings_toml for event in events if isinstance(event, SettingsChange)]
    told = Counter(event.text for event in events if isinstance(event, Mark))
    assert not rejected, "a text was refused"
    assert all(text.startswith("# saved ") and text.endswith("# the end\n") for text in texts), (
        "a text is torn"
    )
    assert texts[-1] == path.read_text(encoding="utf-8"), "the last change is not in force"
    assert told == Counter(f"{name} {n}" for name in ("one", "two") for n in range(1, marks // 2 + 1))
    undone = sum(board[f"undone {key}"] for key in KEYS)
    assert board["undone editor"] == 0, "vario set has undone what an editor saved"
    assert saves or not undone, "a change was undone by another"
    for key, count in {**each, "editor": saves}.items():
        numbers = [number_in(text, key) for text in [begun, *texts]]
        steps = [after for before, after in pairwise(numbers) if after != before]
        if not saves:
            assert steps == list(range(1, count + 1)), f"{key}: recorded {steps}"
        assert set(steps) >= set(range(1, count + 1)), f"{key}: not all are recorded"
    return (
        f"{sum(each.values())} settings, {marks // 2 * 2} marks, {saves} saves: {len(texts)} texts recorded, "
        f"all whole; nothing lost; {undone} undone by the editor and set again"
    )


def _forked(life: Callable[[], None]) -> int:
    pid = os.fork()
    if pid == 0:
        signal.alarm(LONGEST_S)
        try:
            life()
        except BaseException as error:
            print(f"{type(error).__name__}: {error}", file=sys.stderr)  # noqa: T201
            os._exit(1)
        os._exit(0)
    return pid


def _fly(folder: Path, board: Board, side: FileWatch, running: set[int]) -> bool:
    """Run the live loop until every process has ended and all changes are recorded; returns whether one was
    refused.
    """
    files = FlightFiles(folder, sync_s=0.0)
    clock = SteppedClock()
    rejected: list[float] = []

    def listen(reading: Reading) -> None:
        if reading.setting_rejected:
            rejected.append(reading.t_s)

    instrument = Instrument(
        load_settings(folder / "vario.toml"), {}, NullSink(), Noting(files, board), [listen]
    )
    quiet = 0

    def done() -> bool:
        nonlocal quiet
        time.sleep(0.001)
        for pid in tuple(running):
            ended, status = os.waitpid(pid, os.WNOHANG)
            if ended:
                running.remove(pid)
                assert status == 0, "a process failed"
        quiet = 0 if running else quiet + 1
        return quiet > 1000  # one second: twenty checks of the files, and all events processed

    side.start()
    try:
        LiveLoop(Scheduler([], clock), clock, instrument, files=side).run(stop=done)
    finally:
        for pid in running:  # after an error the processes would continue
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
        side.close()
        files.end()
    return bool(rejected)


def main() -> int:
    """Half without an editor, half with one."""
    count = int(sys.argv[1])
    for saves in (0, count // 10):
        with tempfile.TemporaryDirectory() as scratch:
            print(race(Path(scratch), (count // 2 - saves) * 2 // 3, (count // 2 - saves) // 3, saves))  # noqa: T201
    return 0


if __name__ == "__main__":
    sys.exit(main())
