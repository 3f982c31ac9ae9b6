"""Common parts of the attacks: commands as a user runs them, hostile recordings, and common checks."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

from mcap.writer import Writer

from vario.app.cli import main

UNSHOWN = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
"""Control characters (Unicode, C0 and C1) except the line break, and those that reverse the direction."""


@dataclass(frozen=True, slots=True)
class Ran:
    """The result of a command.

    Attributes:
        code: its exit code.
        out: its standard output.
        err: its standard error.
    """

    code: int
    out: str
    err: str

    @property
    def said(self) -> str:
        """The error message, without the name of the program."""
        return self.err.removeprefix("vario: ").strip()


def vario(*arguments: str | Path) -> Ran:
    """Run a command in this process; an exception would be a traceback of the program."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        try:
            code = main([str(argument) for argument in arguments])
        except SystemExit as end:
            code = int(end.code or 0)
    ran = Ran(code, out.getvalue(), err.getvalue())
    assert not UNSHOWN.search(ran.out + ran.err), "a control character reaches the terminal"
    assert "Traceback" not in ran.err, "a traceback"
    return ran


def refused(ran: Ran, *words: str) -> str:
    """The one-line error of a command; it must contain the words."""
    assert ran.code == 2, f"exit code {ran.code}"
    assert ran.err.startswith("vario: "), ran.err
    assert ran.err.count("\n") == 1, "more than one line"
    for word in words:
        assert word in ran.said, f"{word!r} is not in: {ran.said}"
    return ran.said


def done(ran: Ran) -> str:
    """The output of a command that must succeed."""
    assert ran.code == 0, f"exit code {ran.code}: {ran.said}"
    return ran.out


def recording(
    path: Path,
    about: Mapping[str, str] | None = None,
    *,
    more: Mapping[str, Mapping[str, str]] | None = None,
    marks: Iterable[bytes] = (),
    seconds: int = 12,
    attachment: str | None = None,
    topics: Sequence[str] = ("/baro",),
) -> Path:
    """Write a recording with the given bytes, which the writer of the project would reject.

    Args:
        path: the file.
        about: its metadata record `recording`.
        more: further metadata records by name.
        marks: messages on the topic of marks, one a second.
        seconds: its length, at 10 readings a second.
        attachment: the name of a file attached to it.
        topics: of the barometer's channel: two of one name are two channels.
    """
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start()
        writer.add_metadata("recording", {"title": "A flight", "origin": "live", **(about or {})})
        for name, data in (more or {}).items():
            writer.add_metadata(name, dict(data))
        schema = writer.register_schema("x", "jsonschema", b"{}")
        baros = [writer.register_channel(topic, "json", schema) for topic in topics]
        place = writer.register_channel("/gnss_pos", "json", schema)
        mark = writer.register_channel("/event/mark", "json", schema)
        waiting = list(marks)
        for i in range(10 * seconds):
            time_ns = i * 100_000_000
            for baro in baros:
                writer.add_message(baro, time_ns, _json(static_pa=95_000.0 - i), time_ns)
            if i % 10 == 0:
                writer.add_message(
                    place, time_ns, _json(lat_deg=50.0, lon_deg=10.0, altitude_m=540.0), time_ns
                )
                if waiting:
                    writer.add_message(mark, time_ns, waiting.pop(0), time_ns)
        for data in waiting:
            writer.add_message(mark, time_ns, data, time_ns)
        if attachment is not None:
            writer.add_attachment(0, 0, attachment, "text/plain", b"what an attachment holds")
        writer.finish()  # type: ignore[no-untyped-call] # so in the library
    return path


def as_mark(text: str) -> bytes:
    """The message of a mark."""
    return _json(text=text)


def _json(**values: object) -> bytes:
    return json.dumps(values).encode()
