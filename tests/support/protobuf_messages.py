"""Messages of a recording as the library of Protocol Buffers reads them, by the schema in the file alone."""

from __future__ import annotations

from typing import Any

from mcap.records import Schema

from tests.support.missing import library


def message_of(schema: Schema, data: bytes) -> Any:
    """The message object of the library.

    The registry of MCAP (https://mcap.dev/spec/registry, "protobuf"): the name of a schema is that of
    the message, its data a `FileDescriptorSet` with all files that it needs.
    """
    descriptor = library("google.protobuf.descriptor_pb2")
    pools, factory = library("google.protobuf.descriptor_pool"), library("google.protobuf.message_factory")
    assert schema.encoding == "protobuf"
    pool = pools.DescriptorPool()
    for file in descriptor.FileDescriptorSet.FromString(schema.data).file:
        pool.Add(file)
    return factory.GetMessageClass(pool.FindMessageTypeByName(schema.name)).FromString(data)


def values_of(schema: Schema, data: bytes) -> dict[str, Any]:
    """The fields that are present, by name."""
    return {field.name: value for field, value in message_of(schema, data).ListFields()}
