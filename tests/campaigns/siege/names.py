"""Hostile names, and inputs that are not regular files."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from drivers.samples import Baro
from hw_replay.errors import RecordingError
from hw_replay.open import open_source
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.campaigns.siege.camp import done, recording, refused, vario

READERS = (
    ("replay",),
    ("report",),
    ("export", "--as", "csv"),
    ("import",),
    ("run", "--silent", "--emulate"),
    ("calibrate", "gyro-bias"),
    ("noise", "static"),
)
"""Commands that read a recording, which is their last argument."""


def _reads(path: Path, folder: Path) -> None:
    """The commands that name results after a recording."""
    with pytest.MonkeyPatch.context() as here:
        here.chdir(folder)
        named = os.path.relpath(path, folder)
        done(vario("replay", "--", named))
        done(vario("report", "--", named))
        done(vario("export", "--as", "nmea", "--", named))
        done(vario("import", "--out", "copy.mcap", "--", named))


def odd_names(folder: Path) -> str:
    inner = folder / "in"
    inner.mkdir()
    names = (
        "\udcff.mcap",
        "\x1b[2Jx.mcap",
        "a\nb.mcap",
        "\u202egpj.mcap",
        "-x.mcap",
        "con.mcap",
        "%s{0}$x$.mcap",
    )
    for name in names:
        path = recording(inner / name)
        _reads(path, folder)
        path.unlink()
    return f"{len(names)} names: replay, report, export and import work"


def odd_name(folder: Path) -> str:
    path = recording(folder / "\x1b[2J\udcff.mcap")
    done(vario("replay", path, "--out", folder / "out", "--no-picture"))
    sound = folder / "\x1b[2J\udcff.flac"
    done(vario("tone", "1", "--seconds", "0.3", "--out", sound))
    done(vario("tone", "--picture", sound))
    return "replay and tone work, and print it with escapes"


def long_name(folder: Path) -> str:
    path = recording(folder / ("x" * 250 + ".mcap"))
    _reads(path, folder)
    refused(vario("replay", "y" * 300 + ".mcap"), "File name too long")
    refused(vario("report", path, "--out", folder / ("y" * 300)), "File name too long")
    return "255 bytes: read, and the results are named after it; 300 bytes: File name too long"


def dash(folder: Path) -> str:
    with pytest.MonkeyPatch.context() as here:
        here.chdir(folder)
        return refused(vario("replay", "--", "-"), "there is no such file")


def nul(folder: Path) -> str:
    with pytest.raises(RecordingError, match="embedded null") as found:
        open_source(folder / "a\0b.mcap")
    return str(found.value).partition(": ")[2]


def no_files(folder: Path) -> str:
    pipe, loop, folder_in = folder / "pipe.csv", folder / "loop.mcap", folder / "folder.mcap"
    os.mkfifo(pipe)
    loop.symlink_to(loop)
    folder_in.mkdir()
    with socket.socket(socket.AF_UNIX) as bound, pytest.MonkeyPatch.context() as here:
        here.chdir(folder)  # the name of a socket must be short
        bound.bind("socket.mcap")
        for path in (pipe, loop, folder_in, folder / "socket.mcap", Path("/dev/zero"), folder / "none"):
            for command in READERS:
                refused(vario(*command, path), str(path))
            if path != folder_in:
                refused(vario("compare", path, path, "--out", folder / "out"), str(path))
    return "pipe, socket, device, directory, loop of links, missing file: one line of error from each command"


def settings_of_a_line_break(folder: Path) -> str:
    """A name with a line break must not become a line of a settings file."""
    path = folder / 'x\n[nmea]\nto = "udp:192.0.2.1:1"\n.mcap'.replace("/", "")
    with RecordingWriter(path, RecordingInfo("at rest\n[nmea]", "live\n[nmea]")) as writer:
        for i in range(2000):
            writer.write(Baro(i * 0.05, 95_000.0 + (i * 7919 % 13) / 10))
    done(vario("noise", "static", path, "--out", folder / "out"))
    lines = (folder / "out" / "sensors.toml").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if line.startswith("[")] == ["[sensors.baro]"], lines
    return "the settings fragment contains only [sensors.baro]"


def secret_glider(folder: Path) -> str:
    secret = folder / "shadow"
    secret.write_text("root:$6$salt$hash:19000:0:99999:7:::\n", encoding="ascii")
    link = folder / "link.toml"
    link.symlink_to(secret)
    config = folder / "vario.toml"
    for named in (secret, link, Path("/etc/passwd")):
        config.write_text(f'glider = "{named}"\n', encoding="utf-8")
        ran = vario("config", "check", config)
        for text in ("$6$", "root:"):
            assert text not in ran.err, "it prints a line of the file"
        said = refused(ran, str(named))
    os.mkfifo(folder / "pipe.toml")
    config.write_text('glider = "pipe.toml"\n', encoding="utf-8")
    refused(vario("config", "check", config), "pipe.toml")
    return said


def columns(folder: Path) -> str:
    """A trace whose columns have names for the library of the picture, and a cell for the csv module."""
    a, b = folder / "a.csv", folder / "b.csv"
    name = "$\\x{$\x1b[31m_mps"
    for number, path in enumerate((a, b)):
        rows = [f"{t},{t + number},{number}" for t in range(100)]
        path.write_text("\n".join([f"t_s,{name},$_m", *rows]) + "\n", encoding="utf-8")
    ran = vario("compare", a, b, "--out", folder / "out")
    assert ran.code == 1, ran.said
    for content in (  # a NUL, a cell of 200 kB, no UTF-8, nothing, a column twice
        b"t_s,mode\n0,\0\n",
        b"t_s,mode\n0," + b"x" * 200_000,
        b"t_s\n1\n\xff",
        b"",
        b"t_s,t_s\n1,nan\n",
    ):
        b.write_bytes(content)
        ran = vario("compare", a, b, "--out", folder / "out")
        assert ran.code in {1, 2}, ran.code
    return "compared; a damaged one gives one line of error"


ATTACKS = (
    (
        "a trace whose columns have hostile names, damaged traces",
        "they are compared, or give one line of error",
        columns,
    ),
    (
        "names with bytes that are not UTF-8, escapes, line breaks, reversed writing, dashes, $",
        "they are used as names",
        odd_names,
    ),
    ("an escape sequence and a byte that is not UTF-8 in a name", "it is used as a name", odd_name),
    ("a name of 255 bytes, and of 300", "the first is read; the second gives one line of error", long_name),
    ("the name -", "it is the name of a file like any other", dash),
    ("a NUL in a name", "a typed error", nul),
    (
        "a pipe, socket, device, directory, loop of links as input",
        "one line of error, without waiting",
        no_files,
    ),
    (
        "a name with lines of settings in it",
        "the name does not become lines of a settings file",
        settings_of_a_line_break,
    ),
    ('`glider = "/etc/shadow"`, a link to it, a pipe', "no part of the file is printed", secret_glider),
)

LONG = (columns, odd_names)
