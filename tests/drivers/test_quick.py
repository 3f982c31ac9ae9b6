"""Classes with the fast constructor against ordinary frozen dataclasses: nothing else may differ."""

from __future__ import annotations

import copy
import pickle
from collections.abc import Mapping
from dataclasses import FrozenInstanceError, asdict, dataclass, field, fields, replace

import pytest

from drivers.quick import quick


@dataclass(frozen=True, slots=True)
class Plain:
    t_s: float
    name: str = "none"
    table: Mapping[str, float] = field(default_factory=dict)


@quick
@dataclass(frozen=True, slots=True)
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


def test_only_a_class_that_can_be_opened_is_taken() -> None:
    @dataclass(slots=True)
    class Open:
        t_s: float

    @dataclass(frozen=True)
    class WithoutSlots:
        t_s: float

    @dataclass(frozen=True, slots=True)
    class Derived(Plain):
        more: float = 0.0

    @dataclass(frozen=True, slots=True)
    class Checked:
        t_s: float

        def __post_init__(self) -> None:
            """A method that runs after the constructor."""

    for kind in (Open, WithoutSlots, Derived, Checked, int):
        with pytest.raises(TypeError, match=kind.__name__):
            quick(kind)
