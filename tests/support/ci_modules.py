"""Modules of the folder .ci, which is no package."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import pytest

from tests.support import missing

FOLDER = Path(__file__).parents[2] / ".ci"


def ci_module(name: str) -> Any:
    """The module .ci/NAME.py; the test is skipped where there is no checkout."""
    path = FOLDER / f"{name}.py"
    if not path.exists():
        pytest.skip(missing.CHECKOUT)
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
