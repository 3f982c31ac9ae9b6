"""Atomic creation of files: a file is written under a temporary name and renamed when it is complete."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from hw_replay.disk import SYSTEM_DISK, temporary_beside


@contextmanager
def appearing(path: Path, *, recoverable: bool = False) -> Iterator[Path]:
    """Context manager that gives a temporary name; on exit the file is renamed to `path`.

    On an error the temporary file is deleted and an existing file is unchanged. The owner, group and
    permissions of an existing file are kept; a link stays a link. A device is written directly.

    Args:
        path: of the finished file.
        recoverable: the unfinished file is useful after a kill, so its name begins with that of `path`.

    Raises:
        OSError: if the file cannot be created, flushed to the disk, or renamed.
    """
    try:
        path = path.resolve()
    except RuntimeError:  # Python 3.11 and 3.12 raise this for a loop of links
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP)) from None
    try:
        former: os.stat_result | None = path.stat()
    except FileNotFoundError:
        former = None
    if former is not None and stat.S_ISDIR(former.st_mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if former is not None and not stat.S_ISREG(former.st_mode):
        yield path
        return
    temporary = temporary_beside(path)
    if recoverable:
        temporary = path.with_name(path.name + temporary.name)
    try:
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666)
        try:
            if former is not None:
                with suppress(OSError):  # no permission, or a file system without owners
                    os.fchown(handle, former.st_uid, former.st_gid)
                os.fchmod(handle, stat.S_IMODE(former.st_mode))
        finally:
            os.close(handle)
        yield temporary
        SYSTEM_DISK.sync_path(temporary)
        SYSTEM_DISK.rename(temporary, path)
        with suppress(OSError):  # some file systems cannot flush a folder
            SYSTEM_DISK.sync_path(path.parent)
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)
