"""The chunk of a recording in progress: the same bytes as from the builder of the library, in fewer calls.

The library writes each number of a message and of the message index separately. A live flight writes three
hundred messages a second, and a third of the cost of recording them was in these calls.
"""

from __future__ import annotations

import struct

from mcap._chunk_builder import ChunkBuilder
from mcap.data_stream import RecordBuilder
from mcap.opcode import Opcode
from mcap.records import MessageIndex

_HEAD = struct.Struct("<BQHIQQ")
"""Opcode, length, channel, sequence number, log time, publish time (MCAP specification, Message)."""

_MESSAGE = int(Opcode.MESSAGE)

_FIXED_BYTES = _HEAD.size - 9
"""Length of a message record without its data, its opcode and its length."""


class Chunk(ChunkBuilder):
    """A chunk that packs each message and each index with one call."""

    def __init__(self) -> None:
        super().__init__()
        self._numbers: dict[int, list[int]] = {}

    def reset(self) -> None:
        """Begin the next chunk."""
        super().reset()  # type: ignore[no-untyped-call] # so in the library
        self._numbers.clear()

    def add(self, channel_id: int, time_ns: int, data: bytes) -> int:
        """Append a message; returns the size of the chunk."""
        if self.num_messages == 0 or time_ns < self.message_start_time:
            self.message_start_time = time_ns
        self.message_end_time = max(self.message_end_time, time_ns)
        builder = self.record_writer
        numbers = self._numbers.get(channel_id) or self._new_index(channel_id)
        size = builder.count
        numbers += (time_ns, size)
        self.num_messages += 1
        record = _HEAD.pack(_MESSAGE, _FIXED_BYTES + len(data), channel_id, 0, time_ns, time_ns) + data
        builder.write(record)
        return size + len(record)

    def _new_index(self, channel_id: int) -> list[int]:
        index = _Index(channel_id, [])
        self.message_indices[channel_id], self._numbers[channel_id] = index, index.numbers
        return index.numbers


class _Index(MessageIndex):
    """The index of the messages of one channel, written at once from pairs of a time and a place."""

    def __init__(self, channel_id: int, numbers: list[int]) -> None:
        super().__init__(channel_id, [])
        self.numbers = numbers

    def write(self, stream: RecordBuilder) -> None:
        numbers = self.numbers
        stream.start_record(Opcode.MESSAGE_INDEX)
        stream.write2(self.channel_id)
        stream.write4(8 * len(numbers))
        stream.write(struct.pack(f"<{len(numbers)}Q", *numbers))
        stream.finish_record()  # type: ignore[no-untyped-call] # so in the library
