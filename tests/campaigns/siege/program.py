"""The program of the attacks on the running instrument, started and ended as a user or a service does."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from hw_replay.recording import Recording
from hw_replay.simulate.demo import BUNDLED

LONGEST_S = 60.0
"""Time limit for any reaction on a slow machine."""

ENDS_S = 5.0
"""The specified time for the end of a run; the test waits twice as long, because the machine may be busy."""


class Program:
    """`vario run` on an emulation, watched through the messages to the service manager.

    Args:
        folder: its working directory, with the settings in `vario.toml`.
        settings: text of the settings.
        stderr: file descriptor for its standard error; default: the file `said`.
    """

    def __init__(
        self, folder: Path, settings: str = "", stderr: int | None = None, words: str = "--silent"
    ) -> None:
        self.folder = folder
        self.config = folder / "vario.toml"
        self.config.write_text(settings, encoding="utf-8")
        self._manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._manager.bind(str(folder / "notify"))
        self._manager.settimeout(LONGEST_S)
        own = (folder / "said").open("wb")
        self.process = subprocess.Popen(  # noqa: S603  (our own program)
            [
                *(sys.executable, "-m", "vario.app.cli", "run", "--emulate", str(BUNDLED)),
                *("--config", str(self.config), "--record", str(folder / "flights")),
                *("--marks", str(folder / "marks"), *words.split()),
            ],
            env={**os.environ, "NOTIFY_SOCKET": str(folder / "notify"), "WATCHDOG_USEC": "500000"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=own if stderr is None else stderr,
            close_fds=True,
        )
        own.close()
        self.until(lambda status: "recording 0" in status)

    def until(self, wanted: Callable[[str], bool]) -> str:
        """The next status line for which `wanted` is true."""
        end_s = time.monotonic() + LONGEST_S
        status = ""
        while time.monotonic() < end_s:
            assert self.process.poll() is None, f"it ended with {self.process.returncode}: {self.said[-200:]}"
            with suppress(TimeoutError):
                status = self._manager.recv(4096).decode().partition("STATUS=")[2]
                if wanted(status):
                    return status
        raise AssertionError(f"it did not come to that; the last status: {status}")

    def turns(self, count: int = 4) -> None:
        """Check that the loop continues."""
        for _ in range(count):
            self.until(bool)

    @property
    def said(self) -> str:
        """Standard error so far."""
        return (self.folder / "said").read_text(encoding="utf-8", errors="replace")

    def said_once(self, words: str) -> None:
        """Check that a message is logged, and only once within a minute."""
        self.until(lambda _: words in self.said)
        self.turns()
        assert self.said.count(words) == 1, f"{words!r} is said {self.said.count(words)} times"

    def end(self, number: signal.Signals = signal.SIGTERM) -> str:
        """End it, and check that it ends in order: in time, with an index in the recording."""
        begun_s = time.monotonic()
        self.process.send_signal(number)
        try:
            code = self.process.wait(2.0 * ENDS_S)
        except subprocess.TimeoutExpired:
            raise AssertionError(f"{number.name} does not end it within {2.0 * ENDS_S:g} s") from None
        took_s = time.monotonic() - begun_s
        assert code == 0, f"exit code {code}"
        self.indexed()
        return f"{number.name}: exit code 0 after {took_s:.1f} s, recording with index"

    def indexed(self) -> None:
        """Check that the recording is complete."""
        (path,) = (self.folder / "flights").glob("0*.mcap")
        warnings = Recording(path).warnings()
        assert not warnings, f"{path.name}: {warnings[0]}"

    def close(self) -> None:
        """Clean up."""
        self.process.kill()
        self.process.wait()
        self._manager.close()


@contextmanager
def flying(
    folder: Path, settings: str = "", stderr: int | None = None, words: str = "--silent"
) -> Iterator[Program]:
    """A program that is always ended."""
    program = Program(folder, settings, stderr, words)
    try:
        yield program
    finally:
        program.close()
