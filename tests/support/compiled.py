"""The installation under test: interpreted, or with compiled flight logic (docs/speed.md)."""

from __future__ import annotations

import pytest

import vario.flight.pipeline
from tests.support import missing

COMPILED = not str(vario.flight.pipeline.__file__).endswith(".py")

interpreted_only = pytest.mark.skipif(COMPILED, reason=missing.INTERPRETED)
