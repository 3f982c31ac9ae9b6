"""No file of Python is long: one place for each thing."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support import missing

ROOT = Path(__file__).parents[2]
FOLDERS = ("vario", "hw_replay", "drivers", "tests")
FEWER_THAN = 300
"""Lines, including comments and docstrings; about five screens (our own limit)."""

pytestmark = pytest.mark.skipif(not (ROOT / "vario").is_dir(), reason=missing.CHECKOUT)


@pytest.mark.parametrize("folder", FOLDERS)
def test_no_file_is_long(folder: str) -> None:
    lines = {
        path.relative_to(ROOT).as_posix(): len(path.read_text(encoding="utf-8").splitlines())
        for path in (ROOT / folder).rglob("*.py")
    }
    assert len(lines) > 10
    assert {path: count for path, count in lines.items() if count >= FEWER_THAN} == {}
