"""Number of examples and parameters: a part in `make test`, all in `make test-all` and `make explore`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pytest
from hypothesis import settings
from hypothesis.internal.conjecture import providers
from hypothesis.internal.constants_ast import Constants

ALL, PART = 100, 10
"""Default number of examples."""


def draw_the_same() -> None:
    """From here on the examples of a test depend on its own source alone.

    By default Hypothesis takes every twentieth value from the constants in the source of the project. Then a
    change anywhere in the source, or a compiled module without source, gives every test other examples. There
    is no setting for it; `tests/project/test_examples.py` tells when a version of Hypothesis undoes this.
    """
    providers._get_local_constants = Constants


def everything() -> bool:
    """Whether this run draws all examples and flies whole flights: `make test-all` and `make explore`."""
    return settings.default.max_examples >= ALL


def drawn(count: int) -> int:
    """`count` examples, or the part of them that `make test` draws."""
    return max(3, round(count * settings.default.max_examples / ALL))


def short(count: int, parameters: Iterable[Any]) -> list[Any]:
    """The parameters of a test; all but the first `count` are long forms."""
    return [_or_long(one, k >= count) for k, one in enumerate(parameters)]


def _or_long(one: Any, long: bool) -> Any:
    values = one if isinstance(one, tuple) else (one,)
    return pytest.param(*values, marks=pytest.mark.long) if long else one
