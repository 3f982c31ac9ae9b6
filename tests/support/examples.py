"""Number of random examples of a test: a part in `make test`, all in `make test-all` and `make explore`."""

from __future__ import annotations

from hypothesis import settings

ALL, PART = 100, 25
"""Default number of examples."""


def drawn(count: int) -> int:
    """`count` examples, or the part of them that `make test` draws."""
    return max(3, round(count * settings.default.max_examples / ALL))
