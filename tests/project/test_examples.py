"""The examples of `make test` and `make test-all` do not depend on the source of the project."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

FIRST, LAST = 10**14, 10**18


def test_no_constant_of_the_source_is_drawn(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hypothesis alone draws the only constant of that size many times in so many examples."""
    if request.config.getoption("--hypothesis-profile"):
        pytest.skip("needs the examples that are the same every time: make test")
    constant = FIRST + 271_828
    (tmp_path / "with_a_constant.py").write_text(f"CONSTANT = {constant}\n")
    monkeypatch.syspath_prepend(tmp_path)
    importlib.import_module("with_a_constant")
    values: list[int] = []

    @settings(max_examples=400)
    @given(st.integers(FIRST, LAST))
    def draw(value: int) -> None:
        values.append(value)

    draw()
    assert len(values) >= 400
    assert constant not in values
