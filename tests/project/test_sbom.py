"""The bill of materials of a release against what is installed."""

from __future__ import annotations

import pytest

from tests.support.ci_modules import ci_module


def test_an_sbom_that_says_something_else_than_what_is_installed_is_found() -> None:
    sbom = ci_module("sbom")
    listed = sbom.named(
        {
            "metadata": {"component": {"name": "glider-vario", "version": "0.1.0"}},
            "components": [
                {"name": "NumPy", "version": "2.0.0"},
                {"name": "typing.extensions", "version": "4.12"},
                {"name": "ghost", "version": "1"},
            ],
        }
    )
    there = {
        "glider-vario": "0.1.0",
        "numpy": "2.0.1",
        "typing-extensions": "4.12",
        "guest": "3",
        "pip": "24",
    }
    assert sbom.differences(listed, there) == [
        "ghost: SBOM 1, installed not at all",
        "guest: SBOM does not name it, installed 3",
        "numpy: SBOM 2.0.0, installed 2.0.1",
    ]
    assert sbom.installed()["pytest"] == pytest.__version__
