"""How many random examples a test draws: a part in `make test`, all in `make test-all` and `make explore`."""

from __future__ import annotations

from hypothesis import settings

ALL, PART = 100, 15
"""Examples of a test that says nothing else."""


def drawn(count: int) -> int:
    """`count` examples, or the part of them that `make test` draws."""
    return max(3, round(count * settings.default.max_examples / ALL))
