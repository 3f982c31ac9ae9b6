"""Attacks on the running instrument: devices for sentences, terminal and sound that are missing or hang."""

from __future__ import annotations

import fcntl
import os
import pty
import signal
import socket
import time
from contextlib import suppress
from pathlib import Path

from tests.campaigns.siege.program import ENDS_S, LONGEST_S, flying
from tests.support.sound_card import ALSA, PIPE_BYTES, alsa_environment


def serial_line_missing(folder: Path) -> str:
    """A device that appears later, such as an adapter that is plugged in."""
    line = folder / "tty"
    with flying(folder, f'[nmea]\nto = "serial:{line}@4800"\n') as program:
        program.until(lambda status: "NO SENTENCES" in status)
        program.said_once("nmea: ")
        master, slave = pty.openpty()
        line.symlink_to(os.ttyname(slave))
        program.until(lambda status: "NO SENTENCES" not in status)
        assert os.read(master, 4096).startswith(b"$II")
        ended = program.end()
        os.close(master)
        os.close(slave)
    return f"continued without it, logged once; sentences after it appeared; {ended}"


def port_in_use(folder: Path) -> str:
    """Another program uses the port, and closes it later."""
    other = socket.create_server(("127.0.0.1", 0))
    port = other.getsockname()[1]
    with flying(folder, f'[nmea]\nto = "tcp:127.0.0.1:{port}"\n') as program:
        program.until(lambda status: "NO SENTENCES" in status)
        program.said_once("nmea: ")
        other.close()
        program.until(lambda status: "NO SENTENCES" not in status)
        with socket.create_connection(("127.0.0.1", port), timeout=LONGEST_S) as reader:
            assert reader.recv(100).startswith(b"$II")
        ended = program.end()
    return f"continued without it, logged once; sentences after it was free; {ended}"


def address_not_up(folder: Path) -> str:
    """An address that no interface has (RFC 5737, for documentation)."""
    with flying(folder, '[nmea]\nto = "tcp:192.0.2.1:10110"\n') as program:
        program.until(lambda status: "NO SENTENCES" in status)
        program.said_once("nmea: ")
        return f"continued without it, logged once; {program.end()}"


def pipe_for_a_serial_line(folder: Path) -> str:
    """A named pipe where a serial device should be."""
    os.mkfifo(folder / "tty")
    with flying(folder, f'[nmea]\nto = "serial:{folder / "tty"}@4800"\n') as program:
        program.until(lambda status: "NO SENTENCES" in status)
        return f"continued without it; {program.end()}"


def stderr_dead(folder: Path) -> str:
    """The reader of standard error has ended."""
    reading, writing = os.pipe()
    os.close(reading)
    with flying(folder, stderr=writing) as program:
        os.close(writing)
        program.turns()
        return program.end()


def stderr_full(folder: Path) -> str:
    """The reader of standard error does not read: a stopped terminal, a hanging journal."""
    reading, writing = os.pipe()
    fcntl.fcntl(writing, fcntl.F_SETPIPE_SZ, 4096)
    os.set_blocking(writing, False)
    with suppress(BlockingIOError):
        while True:
            os.write(writing, b"x" * 256)
    os.set_blocking(writing, True)
    with flying(folder, stderr=writing) as program:
        os.close(writing)
        program.turns()
        ended = program.end()
    os.close(reading)
    return ended


def sound_card_takes_nothing(folder: Path) -> str:
    """A card that never requests the next block and cannot be closed: the file device of ALSA with a full
    pipe.
    """
    if not ALSA.exists():
        return "not tried: no ALSA here"
    pipe = folder / "card"
    os.mkfifo(pipe)
    end = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    fcntl.fcntl(end, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
    os.environ |= alsa_environment(pipe, folder)
    try:
        with flying(folder, words="") as program:
            program.until(lambda status: "NO SOUND" in status)
            begun_s = time.monotonic()
            program.process.send_signal(signal.SIGTERM)
            program.process.wait(2.0 * ENDS_S)
            took_s = time.monotonic() - begun_s
            program.indexed()
            left = "left behind" if "left behind" in program.said else "closed"
    finally:
        del os.environ["ALSA_CONFIG_PATH"]
        os.close(end)
    return f"continued in silence; ended after {took_s:.1f} s, the card {left}, recording with index"
