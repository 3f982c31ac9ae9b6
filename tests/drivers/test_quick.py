"""Dataclasses made the short way against those of the standard library: nothing else may differ."""

from __future__ import annotations

import copy
import pickle
from collections.abc import Mapping
from dataclasses import FrozenInstanceError, asdict, dataclass, field, fields, is_dataclass, replace
from inspect import signature
from typing import Any, ClassVar

import pytest

from drivers import quick


@dataclass(frozen=True, slots=True)
class Plain:
    t_s: float
    name: str = "none"
    table: Mapping[str, float] = field(default_factory=dict)


@quick.dataclass(frozen=True, slots=True)
class Quick:
    t_s: float
    name: str = "none"
    table: Mapping[str, float] = field(default_factory=dict)


CALLS: tuple[tuple[tuple[object, ...], dict[str, object]], ...] = (
    ((1.0,), {}),
    ((1.0, "some"), {}),
    ((1.0,), {"table": {"a": 2.0}}),
    ((), {"name": "other", "t_s": 3.0}),
)


@pytest.mark.parametrize(("positional", "named"), CALLS)
def test_made_quickly_or_not_is_the_same(positional: tuple[object, ...], named: dict[str, object]) -> None:
    plain, made = Plain(*positional, **named), Quick(*positional, **named)  # type: ignore[arg-type]
    assert type(made) is Quick
    assert asdict(made) == asdict(plain)
    assert repr(made) == repr(plain).replace("Plain", "Quick")
    assert made == Quick(*positional, **named)  # type: ignore[arg-type]
    assert made != replace(made, t_s=99.0)
    assert asdict(replace(made, name="new")) == asdict(replace(plain, name="new"))
    assert copy.deepcopy(made) == made
    assert pickle.loads(pickle.dumps(made)) == made  # noqa: S301  (our own bytes)


def test_it_is_hashed_and_named_alike() -> None:
    assert [f.name for f in fields(Quick)] == [f.name for f in fields(Plain)]
    with pytest.raises(TypeError):
        hash(Quick(1.0))  # a dict within, as in the plain one
    with pytest.raises(TypeError):
        hash(Plain(1.0))
    assert Quick(1.0).table is not Quick(1.0).table


@pytest.mark.parametrize("kind", [Plain, Quick])
def test_it_is_closed_once_made(kind: type[Plain] | type[Quick]) -> None:
    made = kind(1.0)
    with pytest.raises(FrozenInstanceError):
        made.t_s = 2.0  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        del made.t_s  # type: ignore[misc]
    with pytest.raises((AttributeError, TypeError)):
        made.new = 2.0  # type: ignore[union-attr,misc]
    assert made.t_s == 1.0


@pytest.mark.parametrize("positional", [(), (1.0, "a", {}, 4.0)])
def test_wrong_arguments_are_refused(positional: tuple[object, ...]) -> None:
    for kind in (Plain, Quick):
        with pytest.raises(TypeError, match="argument"):
            kind(*positional)  # type: ignore[arg-type]


def test_the_class_is_described_alike() -> None:
    ours: Any = Quick
    assert is_dataclass(Quick)
    assert ours.__match_args__ == Plain.__match_args__
    assert ours.__slots__ == vars(Plain)["__slots__"]
    assert ours.__dataclass_params__.frozen
    assert [f.type for f in fields(Quick)] == [f.type for f in fields(Plain)]
    assert ours.__annotations__ == Plain.__annotations__
    assert ours.__hash__ is not None
    assert list(signature(Quick).parameters) == list(signature(Plain).parameters)
    assert Quick(1.0) != Plain(1.0)  # type: ignore[comparison-overlap]
    assert type(copy.copy(Quick(1.0))) is Quick


def test_names_of_a_constructor_do_not_meet_those_of_another() -> None:
    @quick.dataclass(frozen=True, slots=True)
    class One:
        open: int
        closed: str = "shut"
        UNSET: list[int] = field(default_factory=list)

    @quick.dataclass(frozen=True, slots=True)
    class Other:  # with the same number of fields, and so the same template
        become: int
        factory2: str = "none"
        field0: list[int] = field(default_factory=lambda: [1])

    assert asdict(One(1)) == {"open": 1, "closed": "shut", "UNSET": []}
    assert asdict(Other(2)) == {"become": 2, "factory2": "none", "field0": [1]}
    assert [*signature(One).parameters, *signature(Other).parameters] == [
        *("open", "closed", "UNSET"),
        *("become", "factory2", "field0"),
    ]


def test_equal_ones_have_equal_hashes() -> None:
    @quick.dataclass(frozen=True, slots=True)
    class Hashed:
        t_s: float
        name: str | None = None

    assert hash(Hashed(1.0, "a")) == hash(Hashed(1.0, "a"))
    assert len({Hashed(1.0), Hashed(1.0), Hashed(2.0)}) == 2


def test_others_are_made_by_the_standard_library() -> None:
    """Those that can be changed, have a base, run more when made, compare otherwise, or have a ClassVar."""

    @quick.dataclass(slots=True)
    class Open:
        t_s: float

    @quick.dataclass(frozen=True, slots=True)
    class Derived(Quick):
        more: float = 0.0

    @quick.dataclass(frozen=True, slots=True)
    class Checked:
        t_s: float

        def __post_init__(self) -> None:
            if self.t_s < 0.0:
                raise ValueError("negative")

    @quick.dataclass(frozen=True, slots=True)
    class Named:
        t_s: float
        note: str = field(default="", compare=False, repr=False)

    @quick.dataclass(frozen=True, slots=True)
    class Counted:
        count: ClassVar[int] = 0
        t_s: float

    changed = Open(1.0)
    changed.t_s = 2.0
    assert changed == Open(2.0)
    assert Derived(1.0, more=3.0) == Derived(1.0, "none", {}, 3.0)
    assert repr(Derived(1.0)).endswith("Derived(t_s=1.0, name='none', table={}, more=0.0)")
    with pytest.raises(FrozenInstanceError):
        Derived(1.0).more = 2.0  # type: ignore[misc]
    with pytest.raises(ValueError, match="negative"):
        Checked(-1.0)
    assert Named(1.0, "a") == Named(1.0, "b")
    assert [f.name for f in fields(Counted)] == ["t_s"]
    assert Counted.count == 0
