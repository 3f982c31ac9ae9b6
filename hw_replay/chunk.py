"""The chunk of a recording in progress: the same bytes as from the builder of the library, in fewer calls.

The library writes each number of a message and of the message index separately. A live flight writes three
hundred messages a second, and a third of the cost of recording them was in these calls.
"""

from __future__ import annotations

import struct

from mcap._chunk_builder import ChunkBuilder
from mcap.data_stream import RecordBuilder
from mcap.opcode import Opcode
from mcap.records import Message, MessageIndex

_HEAD = struct.Struct("<BQHIQQ")
"""Opcode, length, channel, sequence number, log time, publish time (MCAP specification, Message)."""

_FIXED_BYTES = _HEAD.size - 9
"""Length of a message record without its data, its opcode and its length."""


class Chunk(ChunkBuilder):
    """See the module."""

    def add_message(self, message: Message) -> None:
        """Append a message."""
        time_ns, channel_id, data = message.log_time, message.channel_id, message.data
        if self.num_messages == 0 or time_ns < self.message_start_time:
            self.message_start_time = time_ns
        self.message_end_time = max(self.message_end_time, time_ns)
        index = self.message_indices.get(channel_id)
        if index is None:
            index = self.message_indices[channel_id] = _Index(channel_id, [])
        index.records.append((time_ns, self.record_writer.count))
        self.num_messages += 1
        length = _FIXED_BYTES + len(data)
        head = _HEAD.pack(Opcode.MESSAGE, length, channel_id, message.sequence, time_ns, message.publish_time)
        self.record_writer.write(head + data)


class _Index(MessageIndex):
    """The index of the messages of one channel, written at once."""

    def write(self, stream: RecordBuilder) -> None:
        numbers = [number for entry in self.records for number in entry]
        stream.start_record(Opcode.MESSAGE_INDEX)
        stream.write2(self.channel_id)
        stream.write4(8 * len(numbers))
        stream.write(struct.pack(f"<{len(numbers)}Q", *numbers))
        stream.finish_record()  # type: ignore[no-untyped-call] # likewise
