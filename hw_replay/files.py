"""Open files and read their lines; memory use does not depend on the size of the file."""

from __future__ import annotations

import gzip
import os
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from hw_replay.errors import RecordingError
from hw_replay.regular_file import open_regular, why_unreadable

GZIP_MAGIC = b"\x1f\x8b"

LINE_LIMIT = 1000
"""Longer lines are not rows of any format read here; they are counted and skipped."""

TRUNCATED = "the compressed file is damaged or truncated; what could be unpacked was read"

_BLOCK_BYTES = 1 << 16


def open_binary(path: Path) -> BinaryIO:
    """Open a recording file for reading.

    Raises:
        RecordingError: if it is missing, not a regular file, or not readable; the message names it.
    """
    try:
        return open_regular(path)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        raise RecordingError(f"{path}: {why_unreadable(error, 'a recording file')}") from error


def read_start(path: Path, size: int) -> bytes:
    """The first bytes of a file, decompressed if it is gzip; fewer if the file is shorter."""
    with open_binary(path) as raw, _unpacked(raw) as stream:
        start = b""
        try:
            while len(start) < size and (block := stream.read(size - len(start))):
                start += block
        except (EOFError, OSError, zlib.error):  # a damaged gzip: the part before the damage is used
            pass
        return start


class Lines:
    """The numbered lines of a text file, plain or gzip, as bytes without their line ends.

    A line longer than `limit` is None. A truncated gzip file yields its complete lines, and `truncated`
    becomes true.

    Args:
        path: the file; it is opened again for every iteration.
        limit: bytes of the longest line.
    """

    def __init__(self, path: str | os.PathLike[str], limit: int = LINE_LIMIT) -> None:
        self._path = Path(path)
        self._limit = limit
        self.truncated = False
        """Whether the last iteration ended at a damaged part of a compressed file."""

    def warnings(self) -> list[str]:
        """A sentence if the last iteration ended early."""
        return [TRUNCATED] if self.truncated else []

    def __iter__(self) -> Iterator[tuple[int, bytes | None]]:
        self.truncated = False
        number = 0
        rest = b""
        too_long = False
        for block in self._blocks():
            lines = (rest + block).split(b"\n")
            rest = lines.pop()
            for line in lines:
                number += 1
                if too_long or len(line) > self._limit:
                    too_long = False
                    yield number, None
                else:
                    yield number, line.rstrip(b"\r")
            if len(rest) > self._limit:
                too_long = True
                rest = b""
        if too_long:
            yield number + 1, None
        elif rest and not self.truncated:  # the last line of a truncated file may be incomplete
            yield number + 1, rest.rstrip(b"\r")

    def _blocks(self) -> Iterator[bytes]:
        with open_binary(self._path) as raw, _unpacked(raw) as stream:
            while True:
                try:
                    # read1 returns each decompressed part; read would lose all parts if a step fails
                    block = (
                        stream.read1(_BLOCK_BYTES)
                        if isinstance(stream, gzip.GzipFile)
                        else stream.read(_BLOCK_BYTES)
                    )
                except (EOFError, OSError, zlib.error):
                    self.truncated = True
                    return
                if not block:
                    return
                yield block


def _unpacked(raw: BinaryIO) -> BinaryIO | gzip.GzipFile:
    """The stream, or its decompressed content if its first bytes are those of gzip."""
    start = raw.read(len(GZIP_MAGIC))
    raw.seek(0)
    return gzip.GzipFile(fileobj=raw) if start == GZIP_MAGIC else raw
