"""Damage inside packed data: chunks and gzip are unpacked, and packed again with correct checksums."""

from __future__ import annotations

import gzip
import struct
import zlib
from random import Random

import lz4.frame
import zstandard

from tests.campaigns.fuzz.mutate import INTEGERS, NUMBERS, Mutator

MAGIC = b"\x89MCAP0\r\n"
CHUNK = 0x06

_HEAD = struct.Struct("<BQ")
_CHUNK = struct.Struct("<QQQI")  # start, end, size, checksum


def repacked(random: Random, data: bytes) -> bytes:
    """Half the gzip files are damaged before they are packed instead of after."""
    if data[:2] != b"\x1f\x8b" or random.random() < 0.5:
        return data
    try:
        plain = zlib.decompress(data, 31)
    except zlib.error:
        return data
    return gzip.compress(Mutator(random).damaged(plain, plain), 1, mtime=0)


def repaired(random: Random, data: bytes) -> bytes:
    """Half the recordings get damage inside their records, with correct lengths around it."""
    if random.random() < 0.5:
        return data
    parts = split(data)
    if not parts:
        return data
    place = int(random.random() * len(parts))
    opcode, content = parts[place]
    parts[place] = opcode, _inside(random, content) if opcode == CHUNK else _damaged(random, content)
    return joined(parts)


def split(data: bytes) -> list[tuple[int, bytes]]:
    """Operation code and content of every whole record (https://mcap.dev/spec, Records)."""
    found = []
    at = len(MAGIC)
    while at + _HEAD.size <= len(data):
        opcode, length = _HEAD.unpack_from(data, at)
        at += _HEAD.size
        if length > len(data) - at:
            break
        found.append((opcode, data[at : at + length]))
        at += length
    return found


def joined(parts: list[tuple[int, bytes]]) -> bytes:
    """A file of these records."""
    return MAGIC + b"".join(_HEAD.pack(code, len(content)) + content for code, content in parts) + MAGIC


def chunk(content: bytes, compression: str, *, size: int | None = None, packed: bytes | None = None) -> bytes:
    """The content of a chunk record; it is correct by default."""
    if packed is None:
        packed = _pack(content, compression)
    name = compression.encode()
    return (
        _CHUNK.pack(0, 10**9, len(content) if size is None else size, zlib.crc32(content))
        + struct.pack("<I", len(name))
        + name
        + struct.pack("<Q", len(packed))
        + packed
    )


def opened(record: bytes) -> tuple[str, bytes]:
    """Compression and content of a chunk.

    Raises:
        ValueError: if it cannot be opened.
    """
    try:
        (length,) = struct.unpack_from("<I", record, _CHUNK.size)
        at = _CHUNK.size + 4 + length
        name = record[at - length : at].decode("ascii")
        packed = record[at + 8 :]
        if name == "zstd":
            return name, zstandard.ZstdDecompressor().decompress(packed, max_output_size=1 << 20)
        return name, lz4.frame.decompress(packed) if name == "lz4" else packed
    except (struct.error, UnicodeDecodeError, zstandard.ZstdError, RuntimeError) as error:
        raise ValueError(str(error)) from error


def _pack(content: bytes, compression: str) -> bytes:
    if compression == "zstd":
        return zstandard.compress(content, 1)
    return lz4.frame.compress(content) if compression == "lz4" else content


def _inside(random: Random, record: bytes) -> bytes:
    try:
        compression, content = opened(record)
    except ValueError:
        return record
    if random.random() < 0.3:
        return chunk(_damaged(random, content), compression)
    parts = [(code, inner) for code, inner in split(MAGIC + content)]
    if not parts:
        return record
    place = int(random.random() * len(parts))
    parts[place] = parts[place][0], _damaged(random, parts[place][1])
    return chunk(joined(parts)[len(MAGIC) : -len(MAGIC)], compression)


def _damaged(random: Random, content: bytes) -> bytes:
    """Damage a message: mostly one value is replaced."""
    if random.random() < 0.4 and (colon := content.find(b":")) >= 0:
        end = min(
            (at for at in (content.find(b",", colon), content.find(b"}", colon)) if at > 0), default=colon
        )
        return content[: colon + 1] + random.choice(NUMBERS) + content[end:]
    if random.random() < 0.3:
        at = int(random.random() * (len(content) + 1))
        new = random.choice(INTEGERS)
        return content[:at] + new + content[at + len(new) :]
    return Mutator(random).damaged(content, content)
