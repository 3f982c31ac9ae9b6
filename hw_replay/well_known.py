"""Messages that general viewers know by name: position, attitude, text with a time.

Field numbers: https://github.com/foxglove/foxglove-sdk, `schemas/proto/foxglove` (MIT), and
`google/protobuf/timestamp.proto`. The description contains only the fields that are written, which Protocol
Buffers permit.
"""

from __future__ import annotations

from hw_replay.protobuf import Field, FieldType, MessageType

TIMESTAMP = MessageType(
    "google.protobuf.Timestamp",
    (Field("seconds", 1, FieldType.INT64), Field("nanos", 2, FieldType.INT32)),
    "proto3",
)

LOCATION_FIX = MessageType(
    "foxglove.LocationFix",
    (Field("latitude", 1), Field("longitude", 2), Field("altitude", 3)),
    "proto3",
)
"""A position: degrees, degrees, m."""

LOG = MessageType(
    "foxglove.Log",
    (
        Field("timestamp", 1, FieldType.MESSAGE, TIMESTAMP),
        Field("level", 2, FieldType.ENUM, words=("UNKNOWN", "DEBUG", "INFO", "WARNING", "ERROR", "FATAL")),
        Field("message", 3, FieldType.STRING),
        Field("name", 4, FieldType.STRING),
    ),
    "proto3",
)
"""A text that belongs to an instant."""

INFO, WARNING = 2, 3
"""Levels of a `LOG`."""

_VECTOR3 = MessageType("foxglove.Vector3", (Field("x", 1), Field("y", 2), Field("z", 3)), "proto3")
_QUATERNION = MessageType(
    "foxglove.Quaternion", (Field("x", 1), Field("y", 2), Field("z", 3), Field("w", 4)), "proto3"
)
_POSE = MessageType(
    "foxglove.Pose",
    (
        Field("position", 1, FieldType.MESSAGE, _VECTOR3),
        Field("orientation", 2, FieldType.MESSAGE, _QUATERNION),
    ),
    "proto3",
)
POSE_IN_FRAME = MessageType(
    "foxglove.PoseInFrame",
    (
        Field("timestamp", 1, FieldType.MESSAGE, TIMESTAMP),
        Field("frame_id", 2, FieldType.STRING),
        Field("pose", 3, FieldType.MESSAGE, _POSE),
    ),
    "proto3",
)
"""A position in m and an attitude as a quaternion, in a named frame."""


def timestamp(time_ns: int) -> dict[str, int]:
    """The values of a `TIMESTAMP`."""
    seconds, nanos = divmod(time_ns, 1_000_000_000)
    return {"seconds": seconds, "nanos": nanos}
