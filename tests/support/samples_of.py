"""Samples of one kind among those of a recording or a driver."""

from collections.abc import Iterable
from typing import TypeVar

from drivers.samples import Sample

S = TypeVar("S", bound=Sample)


def of(kind: type[S], samples: Iterable[Sample]) -> list[S]:
    return [sample for sample in samples if type(sample) is kind]
