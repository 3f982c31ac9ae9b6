"""The compiled build: it is made from the source, and the modules are compiled where this is expected."""

from __future__ import annotations

import ast
import importlib
import inspect
import os
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.support import missing
from tests.support.ci_modules import ci_module

ROOT = Path(__file__).parents[2]

SOURCE = """\
from __future__ import annotations
from collections.abc import Mapping
from dataclasses import field
from drivers.quick import dataclass

SIX = 6
PAIR = (1, 2)
_NAME = 'x'


@dataclass(frozen=True, slots=True)
class Made:
    t_s: float
    name: str = 'none'
    table: Mapping[str, float] = field(default_factory=dict)
    'Said of it.'

    @property
    def twice_s(self) -> float:
        return 2.0 * self.t_s
"""


def listed() -> list[str]:
    """The globs of pyproject.toml, as modules."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    globs: list[str] = project["tool"]["hatch"]["build"]["targets"]["wheel"]["hooks"]["custom"]["modules"]
    return globs


def modules_of(glob: str) -> list[str]:
    """The modules of a glob, as far as the installation holds them."""
    package = importlib.import_module(glob.partition("/")[0])
    assert package.__file__ is not None
    top = Path(package.__file__).parent.parent
    paths = (path.relative_to(top) for path in top.glob(glob) if path.name != "__init__.py")
    return [".".join(path.with_suffix("").parts) for path in paths]


def modules() -> list[str]:
    """The modules that are compiled."""
    return sorted({name for glob in listed() for name in modules_of(glob)})


@pytest.fixture(scope="module")
def hook() -> Any:
    return ci_module("compile")


def test_every_entry_names_something() -> None:
    assert [glob for glob in listed() if not modules_of(glob)] == []
    assert len(modules()) > 60


@pytest.mark.skipif("VARIO_COMPILED" not in os.environ, reason=missing.COMPILED)
@pytest.mark.parametrize("name", modules())
def test_all_listed_modules_are_compiled(name: str) -> None:
    assert not str(importlib.import_module(name).__file__).endswith(".py")


@pytest.mark.parametrize("name", modules())
def test_the_copy_keeps_every_line_but_those_of_constructors_and_numbers(hook: Any, name: str) -> None:
    module = importlib.import_module(name)
    source = (ROOT / Path(*name.split("."))).with_suffix(".py").read_text(encoding="utf-8")
    before, after = source.split("\n"), hook.prepared(source).split("\n")
    assert len(after) == len(before)
    for old, new in zip(before, after, strict=True):
        if old != new:
            assert (
                new.replace(": Final =", " =") == old
                or (old, new) == ("from __future__ import annotations", f"{old}; from typing import Final")
                or (old == "@dataclass(frozen=True, slots=True)" and "init=False" in new)
                or (old == "" and new.startswith("    def __init__(self, "))
            ), (old, new)
    written = {
        node.name: next(part for part in node.body if getattr(part, "name", "") == "__init__")
        for node in ast.parse("\n".join(after)).body
        if isinstance(node, ast.ClassDef) and "init=False" in "".join(map(ast.unparse, node.decorator_list))
    }
    for kind, constructor in written.items():
        assert isinstance(constructor, ast.FunctionDef)
        own = inspect.signature(getattr(module, kind)).parameters
        assert [argument.arg for argument in constructor.args.args] == ["self", *own]
        given = sum(parameter.default is not inspect.Parameter.empty for parameter in own.values())
        assert len(constructor.args.defaults) == given


def test_a_constructor_written_out_does_what_the_short_one_does(hook: Any) -> None:
    prepared = hook.prepared(SOURCE)
    assert "SIX: Final = 6" in prepared
    assert "PAIR = (1, 2)" in prepared
    assert "_NAME = 'x'" in prepared
    made: dict[str, Any] = {"__name__": __name__}
    # In C the fields are written in place; here the lock of the frozen class is taken off for it.
    exec(prepared.replace("frozen=True", "frozen=False"), made)  # noqa: S102  (the text above)
    one = made["Made"](1.0, table={"a": 2.0})
    assert (one.t_s, one.name, one.table, one.twice_s) == (1.0, "none", {"a": 2.0}, 2.0)
    assert made["Made"](t_s=3.0).table == {}


def test_a_class_without_room_for_its_constructor_is_refused(hook: Any) -> None:
    source = (
        "from __future__ import annotations\nfrom drivers.quick import dataclass\n"
        "@dataclass(frozen=True, slots=True)\nclass Made:\n    t_s: float\n    def f(self): ...\n"
    )
    with pytest.raises(ValueError, match="Made: expected an empty line"):
        hook.prepared(source)
