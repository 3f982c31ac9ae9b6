"""The bytes of an MCAP file: records, chunks with their checksums, metadata and summary."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import BinaryIO

import lz4.frame
import zstandard
from mcap.data_stream import ReadDataStream
from mcap.exceptions import EndOfFile, McapError, RecordLengthLimitExceeded
from mcap.opcode import Opcode
from mcap.reader import SeekingReader
from mcap.records import Channel, Chunk, Header, Message, Metadata
from mcap.stream_reader import read_magic
from zstandard import ZstdError

from hw_replay.errors import CorruptRecording
from hw_replay.metadata import RECORDING

RECORD_LIMIT_BYTES = 128 << 20
"""No record of a sensible recording is longer; a damaged length is recognised by it."""

DAMAGE = (
    McapError,
    ZstdError,
    ValueError,
    OverflowError,
    MemoryError,
    RuntimeError,  # from lz4
    OSError,  # from a worn-out memory card
    struct.error,
)
"""What is raised on bytes that are not what they should be, or can no longer be read."""

_READ = {
    int(Opcode.HEADER): Header.read,
    int(Opcode.METADATA): Metadata.read,
    int(Opcode.CHANNEL): Channel.read,
    int(Opcode.CHUNK): Chunk.read,
}
_RECORD = struct.Struct("<BQ")
_MESSAGE = struct.Struct("<BQHIQQ")  # the record's head, then channel, sequence, log time, publish time


def records(file: BinaryIO) -> Iterator[Header | Metadata | Channel | Chunk | Message]:
    """What a file says of itself and its samples, in order, chunks unopened.

    All others are passed over: the library's own reader would build an object for every entry of every index,
    which reading in order has no use for.

    Raises:
        Exception: one of `DAMAGE`, where the file breaks off.
    """
    read_magic(ReadDataStream(file))
    opcode = None
    while opcode != Opcode.FOOTER:
        opcode, length = _RECORD.unpack(file.read(_RECORD.size))
        if length > RECORD_LIMIT_BYTES:
            raise RecordLengthLimitExceeded(opcode, length, RECORD_LIMIT_BYTES)
        data = file.read(length)
        if len(data) < length:
            raise EndOfFile
        if opcode == Opcode.MESSAGE:
            yield Message.read(ReadDataStream(BytesIO(data)), length)
        elif opcode in _READ:
            yield _READ[opcode](ReadDataStream(BytesIO(data)))
    read_magic(ReadDataStream(file))


def chunk_content(chunk: Chunk) -> list[Channel | tuple[int, int, bytes]]:
    """What a chunk holds: channels, and messages as (channel id, log time in ns, payload).

    The library's own way through a chunk builds an object a message and takes three times as long, and it
    unpacks whatever the packed bytes claim to hold.

    Raises:
        Exception: one of `DAMAGE`, if the checksum or the lengths in it are wrong.
    """
    data = unpacked(chunk)
    size = len(data)
    if chunk.uncompressed_crc not in {0, zlib.crc32(data)}:
        raise ValueError("checksum")
    content: list[Channel | tuple[int, int, bytes]] = []
    position = 0
    record_head, message_head = _RECORD.unpack_from, _MESSAGE.unpack_from
    head_bytes, message_bytes, message = _RECORD.size, _MESSAGE.size, int(Opcode.MESSAGE)
    while position < size:
        if data[position] == message:
            _, length, channel_id, _, time_ns, _ = message_head(data, position)
            start, position = position + message_bytes, position + head_bytes + length
            if position > size:
                raise ValueError("a record is longer than its chunk")
            content.append((channel_id, time_ns, data[start:position]))
            continue
        opcode, length = record_head(data, position)
        start = position + head_bytes
        position = start + length
        if position > size:
            raise ValueError("a record is longer than its chunk")
        if opcode == Opcode.CHANNEL:
            content.append(Channel.read(ReadDataStream(BytesIO(data[start:position]))))
    return content


def unpacked(chunk: Chunk) -> bytes:
    """The bytes of a chunk: no more of them than it says, and no more than any sensible one has."""
    most = chunk.uncompressed_size
    if most > RECORD_LIMIT_BYTES:
        raise ValueError("uncompressed size")
    data: bytes = chunk.data
    if chunk.compression == "zstd":
        if zstandard.frame_content_size(data) > most:  # -1: the frame does not say
            raise ValueError("the packed bytes hold more than the chunk says")
        data = zstandard.decompress(data, most)
    elif chunk.compression == "lz4":
        unpacker = lz4.frame.LZ4FrameDecompressor()
        data = unpacker.decompress(data, max_length=most + 1)
        if not unpacker.eof:
            raise ValueError("the packed bytes break off")
    elif chunk.compression:
        raise ValueError(f"packed as {chunk.compression[:20]!r}")
    if len(data) > most:
        raise ValueError("more bytes than the chunk says")
    return data


def read_metadata(file: BinaryIO, path: Path) -> dict[str, Mapping[str, str]]:
    """The metadata records at the start of a file, by name.

    Raises:
        CorruptRecording: if the file breaks off before it says what it is.
    """
    metadata: dict[str, Mapping[str, str]] = {}
    try:
        for record in records(file):
            if isinstance(record, Metadata):
                metadata[record.name] = record.metadata
            elif not isinstance(record, Header):
                break
    except DAMAGE as error:
        if RECORDING not in metadata:
            raise CorruptRecording(
                f"{path}: this MCAP file breaks off or is damaged before it says what it holds; "
                "nothing can be read from it"
            ) from error
    return metadata


def read_late_metadata(file: BinaryIO, name: str) -> Mapping[str, str] | None:
    """A metadata record that was added while the file was being written; None if there is none.

    A whole file says where it is; of one cut off every record is looked at, without opening chunks.
    """
    try:
        file.seek(0)
        reader = SeekingReader(file, record_size_limit=RECORD_LIMIT_BYTES)
        summary = reader.get_summary()
        found = [record for record in reader.iter_metadata() if record.name == name] if summary else []
    except (*DAMAGE, StopIteration):
        found = []
        with suppress(*DAMAGE):
            file.seek(0)
            for record in records(file):
                if isinstance(record, Metadata) and record.name == name:
                    found.append(record)
    return found[-1].metadata if found else None


def read_summary(file: BinaryIO) -> tuple[float | None, dict[int, Channel], int]:
    """Length in seconds, channels and number of messages, from the end of a file.

    None, empty and 0 if it was cut off.
    """
    try:
        file.seek(0)
        summary = SeekingReader(file, record_size_limit=RECORD_LIMIT_BYTES).get_summary()
    except (*DAMAGE, StopIteration):
        return None, {}, 0
    if summary is None or summary.statistics is None:
        return None, {}, 0
    times = summary.statistics
    length_s = (times.message_end_time - times.message_start_time) / 1e9
    known_s = length_s if times.message_count and length_s >= 0.0 else None
    return known_s, summary.channels, times.message_count
