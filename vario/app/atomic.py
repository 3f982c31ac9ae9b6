"""Writing a file so that whoever reads it, and a power failure, finds the old one or the new one, whole."""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import suppress
from pathlib import Path

from vario.app.errors import OutputError


def write_atomically(path: Path, content: bytes) -> None:
    """Put `content` under the name `path`; an existing file keeps its permissions.

    Raises:
        OutputError: if it cannot be written; the old file is untouched then.
    """
    path = path.resolve()  # a link stays a link
    temporary = None
    try:
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as file:
            temporary = file.name
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, temporary)
        else:
            os.chmod(temporary, 0o644)  # as other files of the user, not as secret as temporary ones
        os.replace(temporary, path)
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        if temporary is not None:
            with suppress(OSError):
                os.unlink(temporary)
        raise OutputError(path, error) from error
