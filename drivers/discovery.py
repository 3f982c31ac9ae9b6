"""The classes that the modules of a package define: a new module needs no entry in a list."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from functools import cache
from types import ModuleType
from typing import Any


def classes_in(package: ModuleType, base: type[Any], of: str | None = None) -> list[type[Any]]:
    """The concrete subclasses of `base` that the modules of `package` define, by module name and line.

    `of`: import only the modules whose name fits this one. An x in the name of a module fits any character.
    """
    modules = [
        importlib.import_module(f"{package.__name__}.{name}")
        for name in _names(package)
        if of is None or _fits(name, of)
    ]
    return [
        value
        for module in modules
        for value in vars(module).values()
        if isinstance(value, type)
        and issubclass(value, base)
        and value.__module__ == module.__name__
        and not inspect.isabstract(value)
    ]


@cache
def _names(package: ModuleType) -> list[str]:
    return sorted(module.name for module in pkgutil.iter_modules(package.__path__))


def _fits(name: str, other: str) -> bool:
    return len(name) == len(other) and all(a in (b, "x") for a, b in zip(name, other, strict=True))
