"""Whether a running instrument watches a folder of marks.

The instrument holds a lock on the folder while it runs; the kernel releases the lock when the process
ends. It is a read lock of an open file description (fcntl(2), F_OFD_SETLK): it needs no write permission,
and is independent of the locks of `vario.app.files.atomic`, which use flock(2).
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
    """Whether a program watches the folder; False also if the system cannot tell."""
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
    """Shows other programs that this one watches a folder, which may be created or replaced later.

    Args:
        path: the folder.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._handle: int | None = None
        self._held: tuple[int, int] | None = None

    def hold(self) -> None:
        """Lock the folder that has this name now. Call this whenever the folder is read."""
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
        """Release the lock."""
        if self._handle is not None:
            os.close(self._handle)
        self._handle = self._held = None
