"""Whether a running instrument looks into a folder of marks.

Whoever looks holds a lock on the folder for as long as it runs; the kernel releases it when the process
ends, however it ends. It is a read lock of an open file description (fcntl(2), F_OFD_SETLK): it needs no
right to write there, and is independent of the turns of `vario.app.atomic`, which are locks by flock(2).
"""

from __future__ import annotations

import fcntl
import os
import struct
from contextlib import suppress
from pathlib import Path

_FLOCK = "hhqqi"
"""struct flock of fcntl(2) with 64-bit offsets: type, whence, start, length, process."""


def _lock(kind: int) -> bytes:
    return struct.pack(_FLOCK, kind, os.SEEK_SET, 0, 0, 0)


def is_watched(folder: Path) -> bool:
    """Whether somebody looks into the folder; False also where the system cannot tell."""
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC | os.O_DIRECTORY)
    except OSError:
        return False
    try:
        found = fcntl.fcntl(handle, fcntl.F_OFD_GETLK, _lock(fcntl.F_WRLCK))
    except OSError:
        return False
    finally:
        os.close(handle)
    return bool(struct.unpack(_FLOCK, found)[0] != fcntl.F_UNLCK)


class WatchedFolder:
    """Shows others that this program looks into a folder, which may come later, or be put there anew.

    Args:
        path: of the folder.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._handle: int | None = None
        self._held: tuple[int, int] | None = None

    def hold(self) -> None:
        """Hold the lock on what has this name now; call it whenever the folder is looked into."""
        try:
            there = self._path.stat()
        except OSError:
            self.release()
            return
        if self._held == (there.st_dev, there.st_ino):
            return
        self.release()
        with suppress(OSError):
            self._handle = os.open(self._path, os.O_RDONLY | os.O_CLOEXEC | os.O_DIRECTORY)
            fcntl.fcntl(self._handle, fcntl.F_OFD_SETLK, _lock(fcntl.F_RDLCK))
            opened = os.fstat(self._handle)
            self._held = opened.st_dev, opened.st_ino

    def release(self) -> None:
        """Let go of it."""
        if self._handle is not None:
            os.close(self._handle)
        self._handle = self._held = None
