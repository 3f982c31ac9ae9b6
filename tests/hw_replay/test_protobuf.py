"""Protocol Buffers: the library of Google reads the written messages, and damaged messages are rejected.

Source of the format: https://protobuf.dev/programming-guides/encoding/.
"""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from mcap.records import Schema

from hw_replay.protobuf import (
    PROTOBUF,
    Field,
    FieldType,
    MessageType,
    decoded,
    descriptor_set,
    doubles_packer,
    encoded,
)
from hw_replay.well_known import LOG, POSE_IN_FRAME, timestamp
from tests.support.protobuf_messages import message_of, values_of

THREE = MessageType("vario.Three", (Field("a", 1), Field("b", 2), Field("c", 15)))
TWO = MessageType("vario.Two", (Field("a", 1), Field("text", 2, FieldType.STRING)))

finite = st.floats(allow_nan=False, allow_infinity=False, width=64).filter(lambda x: abs(x) < 1e300)


def schema(kind: MessageType) -> Schema:
    return Schema(id=1, name=kind.name, encoding=PROTOBUF, data=descriptor_set(kind))


@given(st.tuples(*[st.none() | finite] * 3))
def test_doubles_and_missing_ones_are_those_the_library_reads(values: tuple[float | None, ...]) -> None:
    data = doubles_packer(THREE)(values)
    expected = {name: value for name, value in zip("abc", values, strict=True) if value is not None}
    assert values_of(schema(THREE), data) == expected
    assert decoded(THREE, data) == expected


@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("place", [0, 1, 2])
def test_a_number_that_is_not_finite_is_not_written(wrong: float, place: int) -> None:
    values = [1.0, 2.0, 3.0]
    values[place] = wrong
    with pytest.raises(ValueError, match="not a finite number"):
        doubles_packer(THREE)(values)


def test_a_log_and_a_pose_are_those_the_library_reads() -> None:
    log = message_of(
        schema(LOG),
        encoded(LOG, {"timestamp": timestamp(1_500_000_001), "level": 2, "message": "läuft", "name": "mode"}),
    )
    assert (log.timestamp.seconds, log.timestamp.nanos) == (1, 500_000_001)
    assert (log.level, log.message, log.name) == (2, "läuft", "mode")
    assert log.DESCRIPTOR.fields_by_name["level"].enum_type.values_by_number[2].name == "INFO"
    values: dict[str, Any] = {
        "frame_id": "local",
        "pose": {"position": {"x": 1.0, "y": 2.0, "z": -3.0}, "orientation": {"w": 1.0}},
    }
    pose = message_of(schema(POSE_IN_FRAME), encoded(POSE_IN_FRAME, values))
    assert (pose.frame_id, pose.pose.position.z, pose.pose.orientation.w) == ("local", -3.0, 1.0)


def test_fields_of_other_versions_are_passed_over() -> None:
    """Field 3 with every wire type of the table "Message Structure": number, 8 bytes, text, 4 bytes."""
    own = encoded(TWO, {"a": 1.5, "text": "ü"})
    for other in (b"\x18\x96\x01", b"\x19" + bytes(8), b"\x1a\x02ab", b"\x1d" + bytes(4)):
        assert decoded(TWO, other + own) == {"a": 1.5, "text": "ü"}


@pytest.mark.parametrize(
    "data",
    [
        b"\x09\x00",  # a double that ends early
        b"\x12\x05ab",  # a text that ends early
        b"\x12\x01\xff",  # not UTF-8
        b"\x0d" + bytes(4),  # four bytes where a double is expected
        b"\x0b",  # a group, which is no longer used
        b"\x01" + bytes(8),  # field number 0
        b"\x80" * 11,  # a number without end
        b"\x08",  # a number that ends early
    ],
)
def test_bytes_that_are_no_message_are_refused(data: bytes) -> None:
    with pytest.raises(ValueError):  # noqa: PT011  (UnicodeDecodeError is one)
        decoded(TWO, data)


@given(st.binary(max_size=60))
def test_any_bytes_give_values_or_a_value_error(data: bytes) -> None:
    try:
        found = decoded(TWO, data)
    except ValueError:
        return
    assert set(found) <= {"a", "text"}
