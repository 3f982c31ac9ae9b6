"""The optional library that writes Parquet."""

from __future__ import annotations

from typing import Any

from vario.app.errors import AppError


def pyarrow(instead: str) -> tuple[Any, Any]:
    """The modules pyarrow and pyarrow.parquet; `instead` completes the message with what works without.

    Raises:
        AppError: if pyarrow is not installed.
    """
    try:
        import pyarrow  # noqa: PLC0415  (optional)
        import pyarrow.parquet  # noqa: PLC0415  (likewise)
    except ImportError as error:
        raise AppError(
            f"Parquet needs pyarrow, which is not installed: pip install 'glider-vario[tables]', or {instead}"
        ) from error
    return pyarrow, pyarrow.parquet
