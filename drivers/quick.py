"""`dataclass` of the standard library, made cheaper for frozen classes with slots.

    from drivers.quick import dataclass

    @dataclass(frozen=True, slots=True)

Construction: the `__init__` of the standard library calls `object.__setattr__` for every field, which takes
three times as long as plain assignment. The instrument constructs about thirty such objects, with 150 fields,
in every frame of 20 ms. Here, `__init__` changes the class of the new object to a mutable class with the same
slots, assigns the fields, and changes the class back. Afterwards the object is an ordinary frozen dataclass.

Definition: the standard library compiles six methods for each class. With the 150 classes that the instrument
loads this was a quarter of its start. Here only `__init__` is compiled, once for each number of fields; a
class gets a copy of its code with its own names.

Type checkers and mypyc take it for the decorator of the standard library. `.ci/compile.py` writes the
constructors for mypyc and adds `init=False`; `native` adds the other methods.
"""

from __future__ import annotations

import dataclasses
from dataclasses import MISSING, Field, FrozenInstanceError, fields
from functools import cache
from operator import attrgetter
from types import CodeType, FunctionType
from typing import TYPE_CHECKING, Any, TypeVar

__all__ = ["dataclass"]

_Class = TypeVar("_Class", bound=type)

_UNSET: Any = object()

_SPECIAL = ("ClassVar", "InitVar", "KW_ONLY")
"""Words in annotations that do not describe usual fields."""


def _comparing(names: tuple[str, ...]) -> dict[str, Any]:
    """The methods that need the values of all fields."""
    if len(names) > 1:
        values: Any = attrgetter(*names)
    else:

        def values(self: Any) -> tuple[Any, ...]:
            return tuple([getattr(self, name) for name in names])

    def equal(self: Any, other: object) -> bool:
        if self is other:
            return True
        return values(self) == values(other) if other.__class__ is self.__class__ else NotImplemented

    def hashed(self: Any) -> int:
        return hash(values(self))

    def state(self: Any) -> tuple[Any, ...]:
        return values(self)  # type: ignore[no-any-return]

    return {"__eq__": equal, "__hash__": hashed, "__getstate__": state}


def _shown(self: Any) -> str:
    values = ", ".join(f"{name}={getattr(self, name)!r}" for name in self.__match_args__)
    return f"{self.__class__.__qualname__}({values})"


def _refuse_to_assign(self: Any, name: str, value: object) -> None:  # noqa: ARG001  (as Python calls it)
    raise FrozenInstanceError(f"cannot assign to field {name!r}")


def _refuse_to_delete(self: Any, name: str) -> None:  # noqa: ARG001  (as Python calls it)
    raise FrozenInstanceError(f"cannot delete field {name!r}")


def _restore(self: Any, state: tuple[Any, ...]) -> None:
    for name, value in zip(self.__match_args__, state, strict=True):
        object.__setattr__(self, name, value)


_SHARED = {
    "__repr__": _shown,
    "__setattr__": _refuse_to_assign,
    "__delattr__": _refuse_to_delete,
    "__setstate__": _restore,
}

_ADDED_TO_NATIVE = frozenset({"__repr__", "__eq__", "__hash__", "__setattr__", "__delattr__"})

_ADDED = _ADDED_TO_NATIVE | {"__getstate__", "__setstate__"}
"""The methods that a class gets. A native class has the last two from mypyc."""


def _dataclass(**options: bool) -> Any:
    def decorate(cls: type) -> type:
        return short(cls) if short is not None and _is_plain(cls, added) else whole(cls)

    short, added = None, _ADDED
    if options == {"frozen": True, "slots": True}:
        short = quick
    elif options == {"frozen": True, "slots": True, "init": False}:
        short, added = native, _ADDED_TO_NATIVE
    whole = dataclasses.dataclass(**options)
    return decorate


def _is_plain(cls: type, added: frozenset[str]) -> bool:
    """Whether the class has no base, none of the methods `added`, and only usual fields."""
    own = vars(cls)
    return (
        cls.__bases__ == (object,)
        and not any(word in str(own.get("__annotations__")) for word in _SPECIAL)
        and "__post_init__" not in own
        and added.isdisjoint(own)
        and all(
            value.init and value.repr and value.compare and value.hash is None
            for value in own.values()
            if isinstance(value, Field)
        )
    )


def quick(cls: _Class) -> _Class:
    """Make a class without base a frozen dataclass with slots."""
    cls.__doc__ = cls.__doc__ or cls.__name__  # the standard library would write out the signature
    described: Any = _described(cls)
    values, names = fields(described), described.__match_args__
    factories = {
        at: value.default_factory for at, value in enumerate(values) if value.default_factory is not MISSING
    }
    known = {f"factory{at}": factory for at, factory in factories.items()} | {
        "become": vars(object)["__class__"].__set__,
        "open": type(cls.__name__, (), {"__slots__": names}),
        "UNSET": _UNSET,
    }
    code = _code(names, frozenset(factories), f"{cls.__qualname__}.__init__")
    defaults = [_UNSET if at in factories else value.default for at, value in enumerate(values)]
    given = tuple([default for default in defaults if default is not MISSING])
    init = FunctionType(code, known, argdefs=given)
    init.__annotations__ = {value.name: value.type for value in values} | {"return": None}
    # A class cannot get slots afterwards, so it is made again, with all methods at once.
    left = {*names, "__dict__", "__weakref__"}
    body = {name: value for name, value in vars(cls).items() if name not in left}
    body |= {"__slots__": names, "__qualname__": cls.__qualname__, "__init__": init}
    made: Any = type(cls.__name__, (), body | _SHARED | _comparing(names))
    known["closed"] = made
    return made  # type: ignore[no-any-return]


def native(cls: _Class) -> _Class:
    """Make a class that mypyc has compiled, with its constructor, a frozen dataclass."""
    cls.__doc__ = cls.__doc__ or cls.__name__  # likewise
    described: Any = _described(cls)
    methods = _SHARED | _comparing(described.__match_args__)
    for name in _ADDED_TO_NATIVE:
        setattr(described, name, methods[name])
    return described  # type: ignore[no-any-return]


def _described(cls: _Class) -> _Class:
    """The class with the descriptions of its fields.

    The standard library searches the text of each annotation for the special ones, which takes long.
    `_is_plain` has excluded these, so it does not see the text here.
    """
    annotations = cls.__annotations__
    cls.__annotations__ = dict.fromkeys(annotations, object)
    described: Any = dataclasses.dataclass(init=False, repr=False, eq=False)(cls)
    described.__annotations__ = annotations
    described.__dataclass_params__.frozen = True
    for value in fields(described):
        value.type = annotations[value.name]
    return described  # type: ignore[no-any-return]


def _code(fields: tuple[str, ...], made: frozenset[int], qualified: str) -> CodeType:
    """The code of the constructor of a class."""
    code = _template(len(fields), made)
    named = {f"field{at}": name for at, name in enumerate(fields)}
    return code.replace(
        co_names=tuple([named.get(name, name) for name in code.co_names]),
        co_varnames=("self", *fields),
        co_qualname=qualified,
    )


@cache
def _template(count: int, made: frozenset[int]) -> CodeType:
    """The code of a constructor of `count` fields with placeholders for their names.

    The defaults of the fields `made` come from a function. Written out and compiled, as the standard library
    does it: a loop over the fields would be slower.
    """
    lines = [f"def __init__(self, {', '.join(f'field{at}' for at in range(count))}):", " become(self, open)"]
    for at in range(count):
        default = f"factory{at}() if field{at} is UNSET else " if at in made else ""
        lines += [f" self.field{at} = {default}field{at}"]
    lines += [" self.__class__ = closed"]
    found: dict[str, Any] = {}
    exec("\n".join(lines), found)  # noqa: S102  (text of its own)
    code: CodeType = found["__init__"].__code__
    return code


if TYPE_CHECKING:
    from dataclasses import dataclass
else:
    dataclass = _dataclass
