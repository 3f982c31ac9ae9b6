"""`vario run` as in flight, in its own process and in real time, observed from outside.

It emulates a simulated flight with everything on: sound on a card made of a pipe, the recorder, sentences
over TCP to one correct client and many faulty ones, a knob, spoken values, the live page with five browsers,
changes of settings, marks, and status messages to a service manager, which is this program.
"""

from __future__ import annotations

import math
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path

from pynmeagps import VALCKSUM, NMEAParseError, NMEAReader

from hw_replay.simulate import long_flight
from hw_replay.simulate.demo import write_recording
from tests.campaigns.soak.cockpit import Cockpit
from tests.campaigns.soak.kept import kept
from tests.campaigns.soak.panel import Panel
from tests.campaigns.soak.watched import MINUTE_S, Row, Watched
from tests.campaigns.visitors import Listener, Visitors
from tests.support.local_ports import free_port
from tests.support.processes import processor_s, resident_kb, status_of
from vario.settings.edit import set_value

ROOT = Path(__file__).parents[3]
SEED = 7

TICK_S = 0.005
"""Interval of the checks: a quarter of the content of the pipe of the card."""

VISIT_S = 0.5
CHANGE_S = 15.0
"""Interval at which a client connects, and at which alternately a setting is changed or a mark is set."""

SETTLING = 5
"""Number of first status messages, in which sensors and recorder may still be starting."""

START_S = 60.0
"""Time limits for the start and for the end."""

TAKEN_S = 5.0
"""Time within which a change or mark is in the recording: ten checks of the files."""

_COUNTS = re.compile(r"(\d+) (overruns|gaps in the sound)")
_NEVER = ("not measuring", "NO SOUND", "NOT RECORDING", "the card is slow", "not recorded")
_COMPLAINT = re.compile(r"[WEC] |Traceback|\w+(Error|Exception|Warning)\b")


def live(
    folder: Path,
    flown_s: float,
    *,
    row_s: float = MINUTE_S,
    change_s: float = CHANGE_S,
    tell: Callable[[Row], None] = lambda _: None,
    with_cockpit: bool = True,
) -> Watched:
    """Run it in real time, then stop it as a service manager does.

    Args:
        folder: empty; takes flight, settings and recording.
        flown_s: duration.
        row_s: between two rows.
        change_s: interval between two actions of the pilot.
        tell: called with every row.
        with_cockpit: with knob, voice and live page.

    Raises:
        TimeoutError: if it does not become ready, or does not end.
    """
    flight, config, flights = folder / "flight.mcap", folder / "vario.toml", folder / "flights"
    write_recording(flight, long_flight(flown_s + START_S, SEED), "soak", "", None)
    port = free_port()
    words = ["run", "--config", config, "--emulate", flight, "--marks", folder / "marks"]
    with ExitStack() as stack:
        cockpit = Cockpit(folder, free_port()) if with_cockpit else None
        if cockpit is not None:
            stack.callback(cockpit.close)
        _write_settings(config, port, flights, cockpit)
        panel = Panel(folder)
        stack.callback(panel.close)
        manager = stack.enter_context(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM))
        manager.bind(str(folder / "notify"))
        manager.setblocking(False)
        said = stack.enter_context((folder / "said").open("w+b"))
        environment = os.environ | panel.environment | {"NOTIFY_SOCKET": str(folder / "notify")}
        program = vario(*words, stderr=said, env=environment)
        stack.callback(program.wait)
        stack.callback(program.kill)  # the last one entered is closed first
        watch = Watch(program, panel, manager, port, folder, cockpit=cockpit)
        stack.callback(watch.close)
        found = watch.run(flown_s, row_s, change_s, tell)
        said.seek(0)
        found.words = [line for line in said.read().decode().splitlines() if _COMPLAINT.match(line)]
    files = list(flights.glob("*.mcap"))
    found.recording = kept(files[0]) if len(files) == 1 else None
    return found


def vario(*words: object, **streams: object) -> subprocess.Popen[bytes]:
    """Start the command line in its own process."""
    command = [sys.executable, "-m", "vario", *map(str, words)]
    return subprocess.Popen(command, cwd=ROOT, **streams)  # type: ignore[call-overload,no-any-return]  # noqa: S603


def _write_settings(path: Path, port: int, flights: Path, cockpit: Cockpit | None) -> None:
    text = 'glider = "glider.toml"\n' + (ROOT / "config" / "vario.toml").read_text(encoding="utf-8")
    glider = (ROOT / "config" / "gliders" / "quendel_2.toml").read_text(encoding="utf-8")
    path.with_name("glider.toml").write_text(glider, encoding="utf-8")
    text = set_value(text, ("recorder", "folder"), str(flights))
    text = set_value(text, ("nmea", "to"), f"tcp:127.0.0.1:{port}")
    path.write_text(text if cockpit is None else cockpit.settings(text), encoding="utf-8")


class Watch:
    """Everything outside the program: card, service manager, clients and pilot."""

    def __init__(
        self,
        program: subprocess.Popen[bytes],
        panel: Panel,
        manager: socket.socket,
        port: int,
        folder: Path,
        *,
        cockpit: Cockpit | None,
    ) -> None:
        self._program, self._panel, self._manager = program, panel, manager
        self._folder = folder
        self._cockpit = cockpit
        self._address = ("127.0.0.1", port)
        self._visitors = Visitors(self._address, SEED)
        self._listener: Listener | None = None
        self._pilots: list[subprocess.Popen[bytes]] = []
        self._status_s = self._sentence_s = 0.0
        self._overruns = self._gaps = 0
        self._used_s = self._page_used_s = 0.0
        self._ending = False
        self._found = Watched()

    def run(self, flown_s: float, row_s: float, change_s: float, tell: Callable[[Row], None]) -> Watched:
        """Run until the program ends; it is stopped after the time, once the last action of the pilot is
        recorded.
        """
        found = self._found
        begun_s = self._until_ready()
        self._status_s = self._sentence_s = now_s = begun_s
        self._listener = Listener(self._address)
        row_at_s, visit_at_s, pilot_at_s = begun_s + row_s, begun_s, begun_s + change_s
        end_s = begun_s + flown_s
        self._used_s = processor_s(self._program.pid)
        while self._program.poll() is None:
            self._panel.play()
            now_s = time.monotonic()
            self._take_statuses(now_s)
            self._take_sentences(now_s)
            if self._cockpit is not None and not self._ending:
                soon_s = begun_s + flown_s - TAKEN_S
                self._cockpit.play(now_s, self._program.pid, may_change=now_s < soon_s)
            if now_s >= visit_at_s:
                visit_at_s = now_s + VISIT_S
                self._visitors.come()
            if now_s >= row_at_s and not self._ending:
                row_at_s += row_s
                found.rows.append(self._row(now_s - begun_s, row_s))
                tell(found.rows[-1])
            if pilot_at_s <= now_s < begun_s + flown_s:
                pilot_at_s = now_s + change_s
                self._pilot()
            if any(pilot.poll() is None for pilot in self._pilots):
                end_s = max(end_s, now_s + TAKEN_S)
            if now_s >= end_s:
                self._program.send_signal(signal.SIGTERM)
                end_s = math.inf
            if now_s > begun_s + flown_s + START_S:
                raise TimeoutError("it does not end")
            time.sleep(TICK_S)
        found.exit_code = self._program.returncode
        found.quiet_s = max(found.quiet_s, now_s - self._status_s)
        found.without_s = max(found.without_s, now_s - self._sentence_s)
        found.visits = self._visitors.visits
        found.heard_s, found.silent_s = self._panel.heard_s, self._panel.silent_s
        if self._cockpit is not None:
            found.steps, found.messages = self._cockpit.steps, self._cockpit.messages
            found.changes += self._cockpit.changes
        return found

    def close(self) -> None:
        """Close everything."""
        self._visitors.go()
        if self._listener is not None:
            self._listener.close()
        for pilot in self._pilots:
            pilot.wait()

    def _until_ready(self) -> float:
        end_s = time.monotonic() + START_S
        while self._program.poll() is None and time.monotonic() < end_s:
            self._panel.play()
            with suppress(BlockingIOError):
                if self._manager.recv(4096) == b"READY=1":
                    return time.monotonic()
            time.sleep(TICK_S)
        raise TimeoutError(f"it is not ready after {START_S:g} s, exit code {self._program.poll()}")

    def _take_statuses(self, now_s: float) -> None:
        found = self._found
        with suppress(BlockingIOError):
            while True:
                _, _, status = self._manager.recv(4096).decode().partition("STATUS=")
                if not status:
                    self._ending = True
                    continue
                if found.statuses >= SETTLING:
                    found.wrong.update(words for words in _NEVER if words in status)
                counts = {what: int(count) for count, what in _COUNTS.findall(status)}
                self._overruns, self._gaps = counts.get("overruns", 0), counts.get("gaps in the sound", 0)
                found.statuses, found.status = found.statuses + 1, status
                found.quiet_s = max(found.quiet_s, now_s - self._status_s)
                self._status_s = now_s

    def _take_sentences(self, now_s: float) -> None:
        found = self._found
        if self._listener is None:
            return
        try:
            lines = self._listener.lines()
        except ConnectionError:
            self._listener.close()  # normal only at the end, which the time without sentences shows
            self._listener = None
            return
        if lines:
            found.without_s = max(found.without_s, now_s - self._sentence_s)
            self._sentence_s = now_s
        for line in lines:
            try:
                message = NMEAReader.parse(line + b"\r\n", validate=VALCKSUM)
            except NMEAParseError:
                found.sentences["?"] += 1
            else:
                found.sentences[str(getattr(message, "msgID", "?"))] += 1

    def _pilot(self) -> None:
        found = self._found
        self._pilots = [pilot for pilot in self._pilots if pilot.poll() is None]
        if found.changes <= found.marks:
            found.changes += 1
            value = f"{found.changes % 40 / 10} m/s"
            words = ("set", "maccready", value, "--config", self._folder / "vario.toml")
        else:
            found.marks += 1
            words = ("mark", f"mark {found.marks}", "--marks", self._folder / "marks")
        self._pilots.append(vario(*words, stdout=subprocess.DEVNULL))

    def _row(self, t_s: float, row_s: float) -> Row:
        pid = self._program.pid
        before_s, self._used_s = self._used_s, processor_s(pid)
        page_kb, page_s = (0, 0.0) if self._cockpit is None else self._cockpit.server()
        page_before_s, self._page_used_s = self._page_used_s, page_s
        return Row(
            t_s,
            resident_kb(pid),
            (self._used_s - before_s) / row_s,
            len(os.listdir(f"/proc/{pid}/fd")),
            int(status_of(pid)["Threads"]),
            self._overruns,
            self._gaps,
            self._panel.late,
            page_kb,
            (page_s - page_before_s) / row_s,
        )
