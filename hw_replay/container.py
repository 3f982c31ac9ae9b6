"""The bytes of an MCAP file: records, chunks with their checksums, metadata and summary."""

from __future__ import annotations

import os
import struct
import zlib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from io import BytesIO
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import lz4.frame
import zstandard
from mcap.data_stream import ReadDataStream
from mcap.exceptions import EndOfFile, McapError, RecordLengthLimitExceeded
from mcap.opcode import Opcode
from mcap.reader import SeekingReader
from mcap.records import Channel, Chunk, Header, Message, Metadata, Schema
from mcap.stream_reader import read_magic
from zstandard import ZstdError

from hw_replay.errors import CorruptRecording
from hw_replay.metadata import RECORDING

if TYPE_CHECKING:
    from mcap.summary import Summary

RECORD_LIMIT_BYTES = 128 << 20
"""Upper limit of the length of a record; a larger length means damage."""

SUMMARY_LIMIT_BYTES = 64 << 20
"""Upper limit of the length of the summary of a file; a recording of ten hours has about 10 MB."""

MOST_METADATA = 10_000
"""Largest number of records of metadata that are read at the start of a file."""

DAMAGE = (
    McapError,
    ZstdError,
    ValueError,
    OverflowError,
    MemoryError,
    RuntimeError,  # from lz4
    OSError,  # from a failing memory card
    struct.error,
)
"""The exceptions that damaged or unreadable bytes raise."""

_READ = {
    int(Opcode.HEADER): Header.read,
    int(Opcode.METADATA): Metadata.read,
    int(Opcode.SCHEMA): Schema.read,
    int(Opcode.CHANNEL): Channel.read,
    int(Opcode.CHUNK): Chunk.read,
}
_RECORD = struct.Struct("<BQ")
_FOOTER = struct.Struct("<BQQQI8s")
"""The last record (MCAP specification, Footer): start of the summary, of its offsets, checksum; the magic."""
_MESSAGE = struct.Struct("<BQHIQQ")  # head of the record, then channel, sequence, log time, publish time


def records(file: BinaryIO) -> Iterator[Header | Metadata | Schema | Channel | Chunk | Message]:
    """The header, metadata, schema, channel, chunk and message records in order, without opening the chunks.

    Other records are skipped. The reader of the library would build an object for every entry of every index,
    which is not needed for reading in order.

    Raises:
        Exception: one of `DAMAGE`, at the end of a truncated file.
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


def chunk_content(chunk: Chunk) -> list[Schema | Channel | tuple[int, int, bytes]]:
    """The content of a chunk: schemas, channels, and messages as (channel id, log time in ns, payload).

    The library builds an object for each message, which takes three times as long. It also decompresses any
    size that the compressed bytes state.

    Raises:
        Exception: one of `DAMAGE`, if the checksum or a length is wrong.
    """
    data = unpacked(chunk)
    size = len(data)
    if chunk.uncompressed_crc not in {0, zlib.crc32(data)}:
        raise ValueError("checksum")
    content: list[Schema | Channel | tuple[int, int, bytes]] = []
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
        elif opcode == Opcode.SCHEMA:
            content.append(Schema.read(ReadDataStream(BytesIO(data[start:position]))))
    return content


def unpacked(chunk: Chunk) -> bytes:
    """The decompressed bytes of a chunk, limited to the stated size and to an upper limit."""
    most = chunk.uncompressed_size
    if most > RECORD_LIMIT_BYTES:
        raise ValueError("uncompressed size")
    data: bytes = chunk.data
    if chunk.compression == "zstd":
        if zstandard.frame_content_size(data) > most:  # -1: not stated in the frame
            raise ValueError("the decompressed size exceeds the size stated in the chunk")
        data = zstandard.decompress(data, most)
    elif chunk.compression == "lz4":
        unpacker = lz4.frame.LZ4FrameDecompressor()
        data = unpacker.decompress(data, max_length=most + 1)
        if not unpacker.eof:
            raise ValueError("the compressed bytes are truncated")
    elif chunk.compression:
        raise ValueError(f"packed as {chunk.compression[:20]!r}")
    if len(data) > most:
        raise ValueError("the size exceeds the size stated in the chunk")
    return data


def read_metadata(file: BinaryIO, path: Path) -> dict[str, Mapping[str, str]]:
    """The metadata records at the start of a file, by name; at most `MOST_METADATA`.

    Raises:
        CorruptRecording: if the file ends before its metadata is complete.
    """
    metadata: dict[str, Mapping[str, str]] = {}
    try:
        for record in islice(records(file), MOST_METADATA):
            if isinstance(record, Metadata):
                metadata[record.name] = record.metadata
            elif not isinstance(record, Header):
                break
    except DAMAGE as error:
        if RECORDING not in metadata:
            raise CorruptRecording(
                f"{path}: this MCAP file is truncated or damaged before the end of its metadata; "
                "nothing can be read from it"
            ) from error
    return metadata


def read_late_metadata(file: BinaryIO, name: str) -> Mapping[str, str] | None:
    """A metadata record that was added while the file was written; None if there is none.

    The index of a complete file gives its position. In a truncated file every record is examined, without
    opening chunks.
    """
    found: Mapping[str, str] | None = None
    with suppress(*DAMAGE):
        summary = _summary(file)
        if summary is None:
            file.seek(0)
            for record in records(file):
                if isinstance(record, Metadata) and record.name == name:
                    found = record.metadata
            return found
        places = [index.offset for index in summary.metadata_indexes if index.name == name]
        if places:
            file.seek(places[-1])
            _, length = _RECORD.unpack(file.read(_RECORD.size))
            if length > RECORD_LIMIT_BYTES:
                return None
            metadata = Metadata.read(ReadDataStream(BytesIO(file.read(length))))
            found = metadata.metadata if metadata.name == name else None
    return found


def _summary(file: BinaryIO) -> Summary | None:
    """The summary at the end of a complete file; None if there is none.

    The library makes an object of each of its records, so a summary that is longer than
    `SUMMARY_LIMIT_BYTES` is not read.
    """
    try:
        end = file.seek(0, os.SEEK_END)
        file.seek(end - _FOOTER.size)
        opcode, _, start, _, _, _ = _FOOTER.unpack(file.read(_FOOTER.size))
        if opcode != Opcode.FOOTER or not end - SUMMARY_LIMIT_BYTES <= start < end:
            return None
        file.seek(0)
        return SeekingReader(file, record_size_limit=RECORD_LIMIT_BYTES).get_summary()
    except (*DAMAGE, StopIteration):
        return None


def read_summary(file: BinaryIO) -> tuple[float | None, list[Schema | Channel], int]:
    """Length in seconds, schemas and channels, and number of messages, from the end of a file.

    None, empty and 0 for a truncated file.
    """
    summary = _summary(file)
    if summary is None or summary.statistics is None:
        return None, [], 0
    times = summary.statistics
    length_s = (times.message_end_time - times.message_start_time) / 1e9
    known_s = length_s if times.message_count and length_s >= 0.0 else None
    return known_s, [*summary.schemas.values(), *summary.channels.values()], times.message_count
