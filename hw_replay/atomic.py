"""Atomic creation of files: a file is written under a temporary name and renamed when it is complete.

A program that is killed leaves its temporary file. The next one that writes into the folder removes it.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import stat
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path

from hw_replay.disk import SYSTEM_DISK, keep_access, temporary_beside

_TEMPORARY = re.compile(r"\.[0-9a-f]{16}\.partial")
"""The names that `temporary_beside` gives."""

_YOUNG_S = 60.0
"""A file that changed within this time is not removed: its program may not hold it yet, or no longer."""


@contextmanager
def atomic_file(path: Path, *, recoverable: bool = False) -> Iterator[Path]:
    """Context manager that gives a temporary name; on exit the file is renamed to `path`.

    On an error the temporary file is deleted and an existing file is unchanged. The owner, group and
    permissions of an existing file are kept; a link stays a link. A device is written directly.

    Args:
        path: of the finished file.
        recoverable: the unfinished file is useful after a kill, so its name begins with that of `path`. It
            is removed when a later file of this name is complete.

    Raises:
        OSError: if the file cannot be created, flushed to the disk, or renamed.
    """
    try:
        # Before links are resolved: Linux refuses to follow a link of another user in a folder that everybody
        # may write to, such as /tmp (proc(5), protected_symlinks).
        former: os.stat_result | None = path.stat()
    except FileNotFoundError:
        former = None
    path = path.resolve()
    if former is not None and stat.S_ISDIR(former.st_mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
    if former is not None and not stat.S_ISREG(former.st_mode):
        yield path
        return
    tidy_once(path.parent)
    temporary = temporary_beside(path)
    if recoverable:
        temporary = path.with_name(path.name + temporary.name)
    handle = None
    try:
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666)
        hold(handle)
        if former is not None:
            keep_access(handle, former, owner_required=False)
        yield temporary
        SYSTEM_DISK.sync_path(temporary)
        SYSTEM_DISK.rename(temporary, path)
        with suppress(OSError):  # some file systems cannot flush a folder
            SYSTEM_DISK.sync_path(path.parent)
        if recoverable:
            remove_abandoned(path.parent, path.name)
    finally:
        if handle is not None:
            os.close(handle)
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def hold(handle: int) -> None:
    """Mark an open temporary file as being written. The mark ends when it is closed, or with the process."""
    with suppress(OSError):  # a file system without locks
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


@lru_cache(maxsize=256)
def tidy_once(folder: Path) -> None:
    """Remove the abandoned files of a folder, once: a batch writes thousands of results into one."""
    remove_abandoned(folder)


def remove_abandoned(folder: Path, name: str = "") -> None:
    """Remove temporary files that no process holds and that have not changed for a minute.

    Args:
        folder: where to look.
        name: remove only recoverable files of this name; "": only files that are not recoverable.
    """
    with suppress(OSError), os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.startswith(name) and _TEMPORARY.fullmatch(entry.name, len(name)):
                with suppress(OSError):  # held, or of another user
                    _remove_if_abandoned(entry)


def _remove_if_abandoned(entry: os.DirEntry[str]) -> None:
    found = entry.stat(follow_symlinks=False)
    if not stat.S_ISREG(found.st_mode) or time.time() - found.st_mtime < _YOUNG_S:
        return
    handle = os.open(entry.path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        os.unlink(entry.path)
    finally:
        os.close(handle)
