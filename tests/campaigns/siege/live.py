"""Attacks on the running instrument: missing devices, closed terminals, signals, irregular files, two
instances.

Each function makes one attack on the real program in its own folder and returns the observation; it raises
AssertionError if the instrument does not meet the expectation.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

from drivers.events import Mark
from drivers.samples import Baro
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.campaigns.siege.live_outputs import (
    address_not_up,
    pipe_for_a_serial_line,
    port_in_use,
    serial_line_missing,
    sound_card_takes_nothing,
    stderr_dead,
    stderr_full,
)
from tests.campaigns.siege.program import LONGEST_S, flying
from vario.app.live.recorder import FlightFiles


def hung_up(folder: Path) -> str:
    """The terminal is closed."""
    with flying(folder) as program:
        return program.end(signal.SIGHUP)


def quit_by_the_keyboard(folder: Path) -> str:
    """Ctrl-backslash."""
    with flying(folder) as program:
        return program.end(signal.SIGQUIT)


def signals_without_meaning(folder: Path) -> str:
    """Their default action ends a program at once."""
    with flying(folder) as program:
        for number in (signal.SIGUSR1, signal.SIGUSR2, signal.SIGALRM, signal.SIGPIPE):
            program.process.send_signal(number)
        program.turns()
        return f"continues; {program.end()}"


def signals_in_a_crowd(folder: Path) -> str:
    """Repeated signals must not interrupt the closing."""
    with flying(folder) as program:
        for _ in range(50):
            program.process.send_signal(signal.SIGINT)
        return program.end()


def _replaced(folder: Path, put: Callable[[Path], object]) -> str:
    with flying(folder) as program:
        program.config.unlink()
        put(program.config)
        program.said_once("the settings in force stay")
        marks = folder / "marks"
        marks.mkdir()
        (marks / "20260601T000000.000000Z.mark").write_text("still here\n", encoding="utf-8")
        program.turns(8)
        ended = program.end()
    (path,) = (folder / "flights").glob("0*.mcap")
    assert any(isinstance(sample, Mark) for sample in Recording(path)), "the mark was not taken"
    return f"logged once, a mark is recorded; {ended}"


def settings_become_a_pipe(folder: Path) -> str:
    """Opening a named pipe waits for a writer."""
    return _replaced(folder, os.mkfifo)


def settings_become_a_folder(folder: Path) -> str:
    """A directory under the name of the settings file."""
    return _replaced(folder, Path.mkdir)


def settings_become_hostile(folder: Path) -> str:
    """TOML of 900 levels with a terminal escape; then 20,000 unknown sections."""
    with flying(folder) as program:
        for number, text in enumerate(
            ("[" + ".".join("a" * 900) + "]\nx = 1 # \x1b[2J\n", "".join(f"[s{n}]\n" for n in range(20_000)))
        ):
            program.config.write_text(text, encoding="utf-8")
            program.until(lambda _, wanted=number + 1: program.said.count("are not used") == wanted)  # type: ignore[misc]
            program.turns()
        assert "\x1b" not in program.said, "an escape sequence reaches the terminal"
        program.config.write_text('[vario]\ndamping = "2 s"\n', encoding="utf-8")
        program.until(lambda _: "changed settings are in force" in program.said)
        ended = program.end()
    return f"both refused, the next ones applied; {ended}"


def two_recorders(folder: Path) -> str:
    """Two instances begin a file at the same time, forty times."""
    for turn in range(40):
        flights = folder / str(turn)
        together = threading.Barrier(2)

        def fly(mark_pa: float, flights: Path = flights, together: threading.Barrier = together) -> None:
            files = FlightFiles(flights, sync_s=0.0)
            files.begin(RecordingInfo("Flight {number}", "live"))
            together.wait()
            files.write(Baro(1.0, mark_pa))
            files.end()

        threads = [threading.Thread(target=fly, args=(95_000.0 + k,)) for k in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        first = [next(iter(Recording(path))) for path in flights.iterdir()]
        kept = sorted(sample.static_pa for sample in first if isinstance(sample, Baro))
        assert kept == [95_000.0, 95_001.0], f"start {turn}: of two recordings there are {len(kept)}"
    return "40 starts, 80 recordings, each with its own content"


def two_imports(folder: Path) -> str:
    """Two programs write one file at the same time."""
    given, out = folder / "given.mcap", folder / "out.mcap"
    with RecordingWriter(given, RecordingInfo("given", "live")) as writer:
        for k in range(20_000):
            writer.write(Baro(1.0 + k / 50, 95_000.0 + k % 9))
    words = [sys.executable, "-m", "vario.app.cli", "import", str(given), "--out", str(out)]
    both = [
        subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)  # noqa: S603  (our own program)
        for _ in range(2)
    ]
    for one in both:
        _, said = one.communicate(timeout=4.0 * LONGEST_S)
        assert one.returncode == 0, said.decode()
    assert {path.name for path in folder.iterdir()} == {"given.mcap", "out.mcap"}
    assert len(list(Recording(out))) == 20_000
    return "both end with 0; one complete recording, no other file"


def set_as_root(folder: Path) -> str:
    """`sudo vario set` in a file that belongs to somebody else and is closed to others."""
    if os.geteuid() != 0:
        return "not tried: needs root"
    config = folder / "vario.toml"
    config.write_text("", encoding="utf-8")
    os.chown(config, 12345, 23456)
    config.chmod(0o600)
    words = [sys.executable, "-m", "vario.app.cli", "set", "volume", "0.4", "--config", str(config)]
    subprocess.run(  # noqa: S603  (our own program)
        words, check=True, stdout=subprocess.DEVNULL, timeout=LONGEST_S
    )
    found = config.stat()
    seen = f"owner {found.st_uid}, group {found.st_gid}, mode {found.st_mode & 0o7777:o}"
    assert seen == "owner 12345, group 23456, mode 600", seen
    return f"{seen}, as before"


def folder_in_memory(folder: Path) -> str:
    """A recorder folder on a tmpfs."""
    memory = Path("/dev/shm")  # noqa: S108  (the tmpfs that nearly every Linux has)
    if f"{memory} tmpfs" not in Path("/proc/mounts").read_text(encoding="utf-8"):
        return "not tried: no tmpfs here"
    flights = memory / f"vario-{os.getpid()}"
    try:
        with flying(folder, words=f"--silent --record {flights}") as program:
            program.until(lambda status: "IN MEMORY ONLY" in status)
            program.said_once("is in memory (tmpfs")
        config = folder / "check.toml"
        config.write_text(f'[recorder]\nfolder = "{flights}"\n', encoding="utf-8")
        words = [sys.executable, "-m", "vario.app.cli", "check", "--silent", "--config", str(config)]
        done = subprocess.run(  # noqa: S603  (our own program)
            words, capture_output=True, text=True, check=False, timeout=LONGEST_S
        )
        assert done.returncode == 1
        assert "is in memory" in done.stdout
    finally:
        shutil.rmtree(flights, ignore_errors=True)
    return "vario run reports it in the log and in the status line; vario check fails"


ATTACKS = (
    (
        "the serial line for sentences is missing",
        "the flight continues without it; sentences are sent as soon as it exists",
        serial_line_missing,
    ),
    (
        "the port for sentences is in use",
        "the flight continues without it; sentences are sent as soon as it is free",
        port_in_use,
    ),
    (
        "the address for sentences is not up",
        "the flight continues without it; it is logged once a minute",
        address_not_up,
    ),
    (
        "a named pipe where the serial line should be",
        "the flight continues without it",
        pipe_for_a_serial_line,
    ),
    ("the reader of standard error has ended", "the flight continues; it ends in order", stderr_dead),
    ("standard error blocks", "the flight continues; it ends in order", stderr_full),
    ("SIGHUP", "it ends in order; the recording has an index", hung_up),
    ("SIGQUIT", "it ends in order; the recording has an index", quit_by_the_keyboard),
    ("SIGUSR1, SIGUSR2, SIGALRM, SIGPIPE", "the flight continues", signals_without_meaning),
    ("fifty SIGINT", "it ends in order; the recording has an index", signals_in_a_crowd),
    (
        "the settings file becomes a named pipe",
        "it is logged; marks still work; it ends in order",
        settings_become_a_pipe,
    ),
    (
        "the settings file becomes a folder",
        "it is logged; marks still work; it ends in order",
        settings_become_a_folder,
    ),
    (
        "the settings become TOML of 900 levels, then of 20,000 sections",
        "they are refused, later ones are applied; it ends in order",
        settings_become_hostile,
    ),
    (
        "a sound card that accepts no samples",
        "the flight continues in silence; it ends within 5 s",
        sound_card_takes_nothing,
    ),
    ("two recorders begin at the same time", "there are two files", two_recorders),
    (
        "two imports into one file at the same time",
        "one complete file; both end with exit code 0",
        two_imports,
    ),
    ("`vario set` as root", "owner, group and mode are kept", set_as_root),
    (
        "the folder of the recorder is in memory",
        "`vario run` reports it, `vario check` fails",
        folder_in_memory,
    ),
)
"""Description, expectation, and the function that makes the attack in a given folder."""

SHORT = (
    serial_line_missing,
    stderr_full,
    hung_up,
    settings_become_a_pipe,
    two_recorders,
    two_imports,
    set_as_root,
)
"""The short form: one of each kind that takes little time."""
