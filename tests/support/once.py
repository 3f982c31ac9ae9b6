"""Work that many tests need: it is done once per run, by the first parallel worker that requests it.

`tests/conftest.py` sets the folder of the results; outside pytest each process does its own work.
"""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from filelock import FileLock

import vario
from tests.support.compiled import COMPILED

T = TypeVar("T")

_kept_in: list[Path] = []


def keep_in(folder: Path) -> None:
    """Keep the results of `worked_out` in this folder from now on."""
    _kept_in[:] = [folder]


def made_once(path: Path, make: Callable[[Path], object]) -> Path:
    """The file or folder `path`, which `make` writes at the given path; another caller waits for it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with FileLock(path.with_name(path.name + ".lock")):
        if not path.exists():
            part = path.with_name("part_of_" + path.name)
            make(part)
            part.replace(path)
    return path


def worked_out(name: str, work: Callable[[], T]) -> T:
    """The result of `work`, stored as `name`. Objects of compiled classes cannot be stored."""
    if COMPILED or not _kept_in:
        return work()
    mine: list[T] = []

    def write(path: Path) -> None:
        mine.append(work())
        path.write_bytes(pickle.dumps(mine[0], pickle.HIGHEST_PROTOCOL))

    path = made_once(_kept_in[0] / name, write)
    if mine:
        return mine[0]
    found: T = pickle.loads(path.read_bytes())  # noqa: S301  (written above)
    return found


ROOTS = tuple({Path(__file__).parents[2], Path(vario.__file__).parents[1]})
"""Where the tests and the instrument lie: two folders where the instrument is an installed wheel."""


def digest(*globs: str) -> str:
    """Twelve hex digits that change with the code: of all files of the project that match.

    Raises:
        FileNotFoundError: if a pattern matches no file: the digits would not change with that code.
    """
    found = hashlib.sha256()
    for glob in globs:
        paths = sorted(path for root in ROOTS for path in root.glob(glob))
        if not paths:
            raise FileNotFoundError(f"no file matches {glob} in {', '.join(map(str, ROOTS))}")
        for path in paths:
            found.update(path.read_bytes())
    return found.hexdigest()[:12]
