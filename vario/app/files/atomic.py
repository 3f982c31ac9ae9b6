"""Replace files atomically: a reader finds the complete old or new content, also after a power failure.

No change is lost. Our programs lock the folder in turn. An editor does not use this lock, so its save during
a change is detected and kept. An editor that saves in place empties the file first; as long as a file is open
for writing by another program, its content does not count as complete.
"""

from __future__ import annotations

import errno
import fcntl
import os
import signal
import stat
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from hw_replay.atomic import atomic_file, hold, tidy_once
from hw_replay.disk import SYSTEM_DISK, Disk, keep_access, temporary_beside
from hw_replay.errors import UnwritableRecording
from hw_replay.regular_file import open_regular
from vario.app.errors import AppError, OutputError
from vario.sound.errors import SoundFileError

LOCK_WAIT_S = 10.0
"""Time limit for the lock of a folder. A program normally holds it for a fraction of a second."""

REST_S = 0.02
"""A file that has not changed for this long is complete. Used where the system does not tell who writes."""

TRIES = 100
"""Maximum number of attempts if the file keeps changing."""


def write_atomically(path: Path, content: bytes, disk: Disk = SYSTEM_DISK) -> None:
    """Write `content` to `path`. An existing file keeps its owner, group and permissions.

    Raises:
        OutputError: if it cannot be written; the old file is unchanged.
    """
    try:
        path = _target(path)
    except OSError as error:
        raise OutputError(path, error) from error
    with _written(path, content, disk) as temporary:
        disk.rename(temporary, path)


@contextmanager
def result_file(path: Path, *, recoverable: bool = False) -> Iterator[Path]:
    """A temporary name for a result, which is renamed to `path` when complete. Its folder is created too.

    For results written in parts, or by a library. After an error the temporary file is removed, and an
    existing file at `path` is unchanged.

    Args:
        path: the result.
        recoverable: a partial file is useful after a kill: its temporary name begins with that of
            `path`.

    Raises:
        OutputError, SoundFileError: if it cannot be written; the message names `path`.
    """
    temporary = path
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with atomic_file(path, recoverable=recoverable) as temporary:
            yield temporary
    except OutputError as error:
        if error.path != temporary:
            raise
        raise OutputError(path, error.error) from error
    except UnwritableRecording as error:
        raise OutputError(path, error.error) from error
    except SoundFileError as error:
        raise type(error)(str(error).replace(str(temporary), str(path))) from error
    except OSError as error:
        raise OutputError(path, error) from error


def write_new(folder: Path, names: Iterator[str], content: bytes, disk: Disk = SYSTEM_DISK) -> Path:
    """Write `content` to the first free name of `names` in a folder. Never replaces a file.

    Raises:
        OutputError: if it cannot be written.
    """
    for name in names:
        path = folder / name
        with suppress(FileExistsError):
            with _written(path, content, disk) as temporary:
                disk.link(temporary, path)
            return path
    raise AppError(f"{folder}: no name is free")


def change_file(path: Path, edit: Callable[[bytes], bytes], disk: Disk = SYSTEM_DISK) -> bytes:
    """Replace the content of a file by the result of `edit`. Writes nothing if the content is the same.

    If another program saves the file meanwhile, `edit` is called again with the new content.

    Returns:
        The previous content.

    Raises:
        OutputError: if it cannot be written; the old file is unchanged.
        OSError: if it cannot be read.
        Exception: any error of `edit`; the old file is unchanged.
    """
    path = _target(path)
    with folder_lock(path.parent):
        before = expected = _at_rest(path)
        for _ in range(TRIES):
            try:
                after = edit(before)
            except Exception:
                if expected != before:
                    _put_back(path, before, expected, disk)
                raise
            if after == before == expected:
                return before
            found = _swap(path, after, expected, disk)
            if found == expected:
                return before
            # An editor has saved meanwhile. Its content is newer, so the change is applied to it.
            before, expected = found, after
    raise AppError(f"{path}: keeps changing; close the program that writes to it")


@contextmanager
def folder_lock(folder: Path) -> Iterator[None]:
    """Lock a folder for one of our programs at a time. The lock ends with the process at the latest.

    Raises:
        OutputError: if the folder cannot be opened.
        AppError: if the lock is not available in time.
    """
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    except OSError as error:
        raise OutputError(folder, error) from error
    try:
        end_s = time.monotonic() + LOCK_WAIT_S
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > end_s:
                    raise AppError(
                        f"{folder}: another program has used its files for {LOCK_WAIT_S:g} s"
                    ) from None
                time.sleep(REST_S / 10.0)
        yield
    finally:
        os.close(handle)


def being_written(path: Path) -> bool:
    """Whether another program has the file open for writing; False if the system cannot tell.

    Linux grants a read lease only if no writer exists (fcntl(2), F_SETLEASE), and only to the owner. A
    program that opens the file during the lease waits until it is closed here; this sends a signal that
    is ignored.

    Raises:
        OSError: if the file cannot be opened.
    """
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    try:
        fcntl.fcntl(handle, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except BlockingIOError:
        return True
    except (OSError, AttributeError):  # not the owner, a file system without leases, or another system
        return False
    finally:
        os.close(handle)
    return False


def _at_rest(path: Path) -> bytes:
    """The content of a file that no program is writing at this moment."""
    content = _read(path)
    for _ in range(TRIES):
        time.sleep(REST_S)
        if being_written(path):  # asked before reading: a later writer is detected at the exchange
            continue
        before, content = content, _read(path)
        if content == before:
            return content
    raise AppError(f"{path}: keeps changing; close the program that writes to it")


def _read(path: Path) -> bytes:
    with open_regular(path) as file:
        return file.read()


def _swap(path: Path, content: bytes, expected: bytes, disk: Disk) -> bytes:
    """Write `content` to `path`; returns the content that this replaced, exactly at that moment.

    If the file system cannot exchange two names, it is the content shortly before.
    """
    with _written(path, content, disk) as temporary:
        if not disk.exchange(temporary, path):
            found = _read(path)
            disk.rename(temporary, path)
            return found
        # A program that had the file open during the exchange may still be writing.
        if being_written(temporary):
            return _at_rest(temporary)
        found = _read(temporary)
        return found if found == expected else _at_rest(temporary)


def _put_back(path: Path, content: bytes, ours: bytes, disk: Disk) -> None:
    """Restore the content of another program, or what it has saved since."""
    for _ in range(TRIES):
        found = _swap(path, content, ours, disk)
        if found == ours:
            return
        content, ours = found, content


@contextmanager
def _written(path: Path, content: bytes, disk: Disk) -> Iterator[Path]:
    """A temporary file with `content` beside `path`, flushed to the disk; so is a renaming in the body.

    A new file can be read by every user: the instrument reads marks and settings of others.
    """
    temporary = temporary_beside(path)
    try:
        former = _former(path)
        tidy_once(path.parent)
        with disk.create(temporary, new=True) as file:
            handle = file.fileno()
            hold(handle)
            if former is None:
                os.fchmod(handle, 0o644)
            else:
                keep_access(handle, former, owner_required=True)
            file.write(content)
            file.flush()
            disk.sync(file)
        yield temporary
        disk.sync_path(path.parent)
    except FileExistsError:
        raise
    except OSError as error:
        raise OutputError(path, error) from error
    finally:
        with suppress(OSError):
            disk.remove(temporary)  # already gone if it was renamed


def _target(path: Path) -> Path:
    """The file that a path leads to: a link stays a link.

    Raises:
        OSError: if the system does not permit to follow a link (proc(5), protected_symlinks).
    """
    with suppress(FileNotFoundError):
        path.stat()
    return path.resolve()


def _former(path: Path) -> os.stat_result | None:
    """The file to be replaced; None if there is none."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    if not stat.S_ISREG(found.st_mode):  # renaming over a device would replace it
        raise OSError(errno.EINVAL, "this is not a regular file")
    return found
