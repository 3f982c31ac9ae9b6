"""The classes that the modules of a package define: a new module needs no entry in a list."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from types import ModuleType
from typing import Any


def classes_in(package: ModuleType, base: type[Any]) -> list[type[Any]]:
    """The concrete subclasses of `base` that the modules of `package` define, by module name and line."""
    names = sorted(module.name for module in pkgutil.iter_modules(package.__path__))
    modules = [importlib.import_module(f"{package.__name__}.{name}") for name in names]
    return [found for module in modules for found in classes_of(module, base)]


def classes_of(module: ModuleType, base: type[Any]) -> list[type[Any]]:
    """The concrete subclasses of `base` that a module defines, by line."""
    return [
        value
        for value in vars(module).values()
        if isinstance(value, type)
        and issubclass(value, base)
        and value.__module__ == module.__name__
        and not inspect.isabstract(value)
    ]
