"""The short form of the soak: some minutes of flight, the same every time, and tests of its checks."""

from __future__ import annotations

import ast
import math
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path

import numpy as np
import pytest

import hw_replay.simulate
import vario.flight
from tests.campaigns.soak.covariances import Worst
from tests.campaigns.soak.digest import Digest
from tests.campaigns.soak.flight import Hour, Soak, soak

FLOWN_S = 150.0


@pytest.fixture(scope="module")
def flown() -> Soak:
    return soak(FLOWN_S, FLOWN_S / 2.0)


@pytest.mark.long
def test_some_minutes_of_flight_leave_every_filter_sound(flown: Soak) -> None:
    assert flown.problems() == []
    assert flown.digest.readings == pytest.approx(FLOWN_S * 50.0, abs=52)
    assert len(flown.hours) == 2
    assert set(flown.watch.worst) == {"estimator", "wind", "energy", "altitude"}
    for worst in flown.watch.worst.values():
        assert worst.checks == FLOWN_S // 60.0
        assert worst.smallest > 1e-6


@pytest.mark.long
def test_the_same_flight_gives_the_same_digest(flown: Soak) -> None:
    assert soak(FLOWN_S / 2.0, FLOWN_S / 2.0).hours[0].digest == flown.hours[0].digest


def test_flight_logic_and_simulation_add_up_alike_in_every_python() -> None:
    """Since 3.12 Python's `sum` of floats compensates for rounding ("What's New In Python 3.12"), before that
    it does not: the last bits would depend on the interpreter. `math.fsum` is exact in all of them.
    """
    folders = [Path(package.__file__).parent for package in (vario.flight, hw_replay.simulate)]
    paths = [path for folder in folders for path in folder.rglob("*.py")]
    trees = {path: ast.parse(path.read_text(encoding="utf-8")) for path in paths}
    assert len(trees) > 40
    calls = [
        f"{path.name}:{node.lineno}"
        for path, tree in trees.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "sum"
    ]
    assert calls == []


class Colour(Enum):
    RED = "red"


@dataclass(frozen=True)
class Inner:
    value: float | None


@dataclass(frozen=True)
class Outer:
    t_s: float
    inner: Inner | None
    many: tuple[Inner, ...]
    colour: Colour
    named: dict[str, float]


REST = Outer(1.5, Inner(0.1), (Inner(1.0), Inner(None)), Colour.RED, {"a": 1.0})


def digest_of(*readings: object) -> str:
    digest = Digest()
    for reading in readings:
        digest.add(reading)
    return digest.text


@pytest.mark.parametrize(
    "other",
    [
        replace(REST, t_s=math.nextafter(1.5, 2.0)),
        replace(REST, inner=Inner(-0.1)),
        replace(REST, inner=Inner(None)),
        replace(REST, inner=None),
        replace(REST, many=(Inner(1.0),)),
        replace(REST, many=(Inner(None), Inner(1.0))),
        replace(REST, named={"a": math.nextafter(1.0, 2.0)}),
        replace(REST, named={"b": 1.0}),
    ],
)
def test_a_digest_sees_every_bit(other: Outer) -> None:
    assert digest_of(other) != digest_of(REST)
    assert digest_of(REST, other) != digest_of(REST, REST)


def test_a_digest_is_of_values_not_of_objects() -> None:
    again = Outer(1.5, Inner(0.1), (Inner(1.0), Inner(None)), Colour.RED, {"a": 1.0})
    assert digest_of(REST, again) == digest_of(REST, REST)
    assert digest_of(replace(REST, t_s=np.float64(1.5))) == digest_of(REST)


def test_numbers_that_are_none_are_counted() -> None:
    digest = Digest()
    for value in (math.inf, -math.inf, math.nan, 1.0, None):
        digest.add(Inner(value))
    assert digest.not_finite == 3
    with pytest.raises(TypeError):
        digest.add(object())


@pytest.mark.parametrize(
    ("covariance", "fails"),
    [
        ([[4.0, 1.9], [1.9, 1.0]], False),
        ([[4.0, 2.1], [2.1, 1.0]], True),  # a correlation above 1: no covariance (Cauchy and Schwarz)
        ([[4.0, 2.0], [2.0, 1.0]], True),  # singular
        ([[1e-12, 0.0], [0.0, 1e12]], False),  # units do not matter
        ([[4.0, 1.0], [1.0 + 1e-6, 1.0]], True),  # not symmetric
        ([[-1.0, 0.0], [0.0, 1.0]], True),
        ([[math.nan, 0.0], [0.0, 1.0]], True),
    ],
)
def test_an_invalid_covariance_is_detected(covariance: list[list[float]], fails: bool) -> None:
    worst = Worst()
    worst.take(np.array(covariance), np.zeros(2))
    assert worst.failed == fails


def test_a_state_that_is_not_finite_is_seen() -> None:
    worst = Worst()
    worst.take(np.eye(2), np.array([0.0, math.inf]))
    assert worst.failed == 1


@pytest.mark.parametrize(
    ("grown_kb", "traced_kb", "says"), [(10_000, 0.0, "resident"), (0, 1000.0, "in use")]
)
def test_memory_that_grows_hour_by_hour_is_told(grown_kb: int, traced_kb: float, says: str) -> None:
    row = Hour(3600.0, 1.0, 1.0, 1.0, 100_000, 1, 500.0, 0, (0.0, 0.0), (1.0, 1.0), "")
    last = replace(row, rss_kb=100_000 + grown_kb, traced_kb=500.0 + traced_kb)
    assert Soak([row, row, row]).problems() == []
    (problem,) = Soak([row, row, last]).problems()
    assert says in problem
