"""Writing a file so that whoever reads it, and a power failure, finds the old one or the new one, whole.

And so that nobody's change is lost: programs of ours take turns at a folder, and what an editor, which knows
nothing of turns, has saved in the meantime is found and not written over. One that saves in place empties the
file first: as long as somebody has it open to write, what stands in it is not taken for all of it.
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

from hw_replay.appearing import appearing
from hw_replay.disk import SYSTEM_DISK, Disk, open_regular, temporary_beside
from hw_replay.errors import UnwritableRecording
from vario.app.errors import AppError, OutputError
from vario.sound.errors import SoundFileError

TURN_S = 10.0
"""So long a program waits for its turn at a folder; a turn takes a fraction of a second."""

REST_S = 0.02
"""A file that has not changed for this long is at rest: all there is where the system tells no more."""

TRIES = 100
"""So often a file may be found changed in the meantime before it is given up."""


def write_atomically(path: Path, content: bytes, disk: Disk = SYSTEM_DISK) -> None:
    """Put `content` under the name `path`; an existing file keeps its owner, group and permissions.

    Raises:
        OutputError: if it cannot be written; the old file is untouched then.
    """
    path = path.resolve()  # a link stays a link
    with _written(path, content, disk) as temporary:
        disk.rename(temporary, path)


@contextmanager
def result_file(path: Path, *, recoverable: bool = False) -> Iterator[Path]:
    """The name to write a result under, which becomes `path` when it is whole; its folder is made too.

    For what is written piece by piece, or by a library. If anything goes wrong, nothing is left of it and a
    file that was there before is as it was.

    Args:
        path: of the result.
        recoverable: what a kill leaves behind is of use: its temporary name begins with that of `path`.

    Raises:
        OutputError, SoundFileError: if it cannot be written; the message names `path`.
    """
    temporary = path
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with appearing(path, recoverable=recoverable) as temporary:
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
    """Put `content` under the first of `names` that is free in a folder; nothing is ever replaced.

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
    """Replace what stands in a file by what `edit` makes of it; nothing is written where that is the same.

    `edit` is called again with what it finds where somebody has saved the file in the meantime.

    Returns:
        What stood there before.

    Raises:
        OutputError: if it cannot be written; the old file is untouched then.
        OSError: if it cannot be read.
        Exception: whatever `edit` raises; the old file is untouched then.
    """
    path = path.resolve()
    with turn(path.parent):
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
            # Saved by an editor in the meantime: that is the later one, and the change goes on top.
            before, expected = found, after
    raise AppError(f"{path}: keeps changing; close what writes to it")


@contextmanager
def turn(folder: Path) -> Iterator[None]:
    """One program of ours at a time has the files of a folder; a turn ends with its process, at the latest.

    Raises:
        OutputError: if the folder cannot be opened.
        AppError: if the turn does not come.
    """
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    except OSError as error:
        raise OutputError(folder, error) from error
    try:
        end_s = time.monotonic() + TURN_S
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > end_s:
                    raise AppError(
                        f"{folder}: another program has been at its files for {TURN_S:g} s"
                    ) from None
                time.sleep(REST_S / 10.0)
        yield
    finally:
        os.close(handle)


def being_written(path: Path) -> bool:
    """Whether somebody has a file open to write; False where the system does not tell.

    It gives a lease for reading only where nobody has (fcntl(2), F_SETLEASE), and to the owner only. Whoever
    opens the file during the lease waits until it is closed here, and a signal that does nothing comes.

    Raises:
        OSError: if the file cannot be opened.
    """
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    try:
        fcntl.fcntl(handle, fcntl.F_SETSIG, signal.SIGURG)
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except BlockingIOError:
        return True
    except (OSError, AttributeError):  # not ours, a file system without leases, another system
        return False
    finally:
        os.close(handle)
    return False


def _at_rest(path: Path) -> bytes:
    """What stands in a file that is not being written right now."""
    content = _read(path)
    for _ in range(TRIES):
        time.sleep(REST_S)
        if being_written(path):  # asked before it is read: who comes after that is found by the exchange
            continue
        before, content = content, _read(path)
        if content == before:
            return content
    raise AppError(f"{path}: keeps changing; close what writes to it")


def _read(path: Path) -> bytes:
    with open_regular(path) as file:
        return file.read()


def _swap(path: Path, content: bytes, expected: bytes, disk: Disk) -> bytes:
    """Put `content` under the name `path`; returns what stood there at that very moment.

    Where the file system cannot exchange two names, it is what stood there a moment before.
    """
    with _written(path, content, disk) as temporary:
        if not disk.exchange(temporary, path):
            found = _read(path)
            disk.rename(temporary, path)
            return found
        # Who had it open when it changed places may be writing still.
        if being_written(temporary):
            return _at_rest(temporary)
        found = _read(temporary)
        return found if found == expected else _at_rest(temporary)


def _put_back(path: Path, content: bytes, ours: bytes, disk: Disk) -> None:
    """Somebody else's `content` under its name again, or what they have saved there since."""
    for _ in range(TRIES):
        found = _swap(path, content, ours, disk)
        if found == ours:
            return
        content, ours = found, content


def _like_the_one_there(handle: int, path: Path) -> None:
    """Owner, group and permissions of the file that is to be replaced; else as other files of the user.

    Raises:
        PermissionError: if the file belongs to somebody else, to whom it can then not be left.
    """
    try:
        there = path.stat()
    except FileNotFoundError:
        os.fchmod(handle, 0o644)
        return
    ours = os.fstat(handle)
    if (ours.st_uid, ours.st_gid) != (there.st_uid, there.st_gid):
        try:
            os.fchown(handle, there.st_uid, there.st_gid)
        except PermissionError:
            text = f"it belongs to another user (number {there.st_uid}); run this as that user, or with sudo"
            raise PermissionError(errno.EPERM, text) from None
    os.fchmod(handle, stat.S_IMODE(there.st_mode))  # last, since a change of the owner takes bits away


@contextmanager
def _written(path: Path, content: bytes, disk: Disk) -> Iterator[Path]:
    """A file with `content`, on the disk, beside `path`; so is, after it, what is renamed meanwhile."""
    temporary = temporary_beside(path)
    try:
        if path.exists() and not path.is_file():  # to rename over a device would take its place
            raise OSError(errno.EINVAL, "this is no regular file")
        with disk.create(temporary, new=True) as file:
            _like_the_one_there(file.fileno(), path)
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
            disk.remove(temporary)  # gone already where it was renamed
