"""Files that look small or harmless and request far too much memory, time or depth.

They are read in a separate process with little memory and time (setrlimit(2)). The result must be data or a
typed error.
"""

from __future__ import annotations

import gzip
import json
import math
import resource
import struct
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from io import BytesIO
from pathlib import Path

import lz4.frame
import zstandard
from mcap.writer import CompressionType, Writer

from tests.campaigns.fuzz.containers import CHUNK, chunk, joined, split
from tests.campaigns.fuzz.seeds import recordings

ROOM_MB = 256
"""Address space in addition to that of the interpreter before it reads anything. A chunk of a recording may
have 128 MB.
"""

CPU_S = 60
"""For each."""

BLOCK = 1 << 20


@dataclass(frozen=True, slots=True)
class Bomb:
    """One such file.

    Attributes:
        name: the name of the file.
        write: writes it; the number is its size in bytes or levels, if it has one.
        reader: the reader of it, "source" or "settings".
    """

    name: str
    write: Callable[[Path, int], None]
    reader: str = "source"


def _one_line(start: bytes) -> Callable[[Path, int], None]:
    def write(path: Path, size: int) -> None:
        with path.open("wb") as file:
            file.write(start)
            file.truncate(size)  # a hole: no disk is needed for it

    return write


def _packed(start: bytes, fill: bytes) -> Callable[[Path, int], None]:
    def write(path: Path, size: int) -> None:
        with gzip.open(path, "wb", compresslevel=1) as file:
            file.write(start)
            block = fill * (BLOCK // len(fill))
            for _ in range(size // BLOCK):
                file.write(block)

    return write


def _with_chunk(make: Callable[[int], bytes]) -> Callable[[Path, int], None]:
    """A whole recording with one chunk replaced."""

    def write(path: Path, size: int) -> None:
        parts = split(recordings()[0])
        place = next(i for i, (code, _) in enumerate(parts) if code == CHUNK)
        parts[place] = CHUNK, make(size)
        path.write_bytes(joined(parts))

    return write


def _zstd_claim(size: int) -> bytes:
    """A frame that states this size, and contains nothing."""
    magic, one_segment_8_bytes = b"\x28\xb5\x2f\xfd", b"\xe0"  # RFC 8878, 3.1.1: frame header
    return chunk(
        b"", "zstd", size=1000, packed=magic + one_segment_8_bytes + struct.pack("<Q", size) + b"\1\0\0"
    )


def _zstd_zeros(size: int) -> bytes:
    """A frame that contains this much, in a chunk that states a small size."""
    packer = zstandard.ZstdCompressor(level=1).compressobj()
    packed = b"".join(packer.compress(bytes(BLOCK)) for _ in range(size // BLOCK)) + packer.flush()
    return chunk(b"", "zstd", size=1000, packed=packed)


def _lz4_zeros(size: int) -> bytes:
    out = BytesIO()
    with lz4.frame.open(out, "wb") as file:
        for _ in range(size // BLOCK):
            file.write(bytes(BLOCK))
    return chunk(b"", "lz4", size=1000, packed=out.getvalue())


def _record_claim(path: Path, size: int) -> None:
    parts = split(recordings()[0])
    path.write_bytes(joined(parts[:3])[:-8] + struct.pack("<BQ", CHUNK, size) + b"half")


def _count_claim(path: Path, size: int) -> None:
    """A file of a general writer whose statistics state many messages over a long time."""
    stream = BytesIO()
    writer = Writer(stream, compression=CompressionType.NONE, enable_crcs=False)
    writer.start(library="other")
    schema = writer.register_schema("x", "jsonschema", b"{}")
    channel = writer.register_channel("/baro", "json", schema)
    writer.add_message(channel, 0, b'{"static_pa":95000}', 0)
    writer._Writer__statistics.message_count = size
    writer._Writer__statistics.message_end_time = size * 10**9
    writer.finish()
    path.write_bytes(stream.getvalue())


def _messages(*payloads: bytes) -> Callable[[Path, int], None]:
    def write(path: Path, size: int) -> None:
        stream = BytesIO()
        writer = Writer(stream, compression=CompressionType.ZSTD)
        writer.start(library="other")
        schema = writer.register_schema("x", "jsonschema", b"{}")
        channel = writer.register_channel("/baro", "json", schema)
        for payload in payloads:
            writer.add_message(
                channel, 0, payload.replace(b"DEEP", b"[" * size).replace(b"LONG", b"9" * size), 0
            )
        writer.finish()
        path.write_bytes(stream.getvalue())

    return write


def _channels(path: Path, size: int) -> None:
    """A recording that contains only topics."""
    stream = BytesIO()
    writer = Writer(stream, compression=CompressionType.ZSTD)
    writer.start(library="other")
    for number in range(size):
        writer.register_channel(f"/other/{number}", "json", 0)
    writer.finish()
    path.write_bytes(stream.getvalue())


def _summary(path: Path, count: int) -> None:
    """A recording without messages whose summary lists many chunks, none of which exists."""
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start()
        writer.add_metadata("recording", {"title": "x", "origin": "x"})
        writer.finish()  # type: ignore[no-untyped-call] # so in the library
    content = path.read_bytes()
    start = len(content) - FOOTER.size
    with path.open("r+b") as file:
        file.seek(start)
        for _ in range(count // 1000):
            file.write((struct.pack("<BQ", 0x08, 64) + bytes(64)) * 1000)  # ChunkIndex (MCAP specification)
        file.write(FOOTER.pack(0x02, 20, start, 0, 0, b"\x89MCAP0\r\n"))


FOOTER = struct.Struct("<BQQQI8s")
"""The footer of MCAP with the magic after it."""


def _text(make: Callable[[int], str]) -> Callable[[Path, int], None]:
    return lambda path, size: path.write_text(make(size), encoding="utf-8") and None


_CSV = b"t_s,channel,v1,v2,v3\n0.0,baro,95000,,\n"
_IGC = b"AXXX001\nHFDTE140625\nB1230005000123N01000123EA0050000550\n"
_LOG = b'{"log":1}\n'

BOMBS: tuple[Bomb, ...] = (
    Bomb("line.csv", _one_line(_CSV + b"0.1,baro,")),
    Bomb("line.igc", _one_line(_IGC + b"L")),
    Bomb("line.log", _one_line(_LOG + b'{"w":1')),
    Bomb("first_line.log", _one_line(_LOG[:-2])),
    Bomb("zeros.csv.gz", _packed(_CSV, bytes(64))),
    Bomb("rows.csv.gz", lambda path, size: _packed(_CSV, b"9,ref:a,1,,\n")(path, size // 20)),
    Bomb("zeros.igc.gz", _packed(_IGC, bytes(64))),
    Bomb("zeros.log.gz", _packed(_LOG, bytes(64))),
    Bomb(
        "sensors.log",
        _text(lambda n: '{"log":1}\n' + '{"sensor":0,"chip":"MS5611","bus":"x"}\n' * (n // 3000)),
    ),
    Bomb("claim.mcap", _with_chunk(_zstd_claim)),
    Bomb("zstd.mcap", _with_chunk(_zstd_zeros)),
    Bomb("lz4.mcap", _with_chunk(_lz4_zeros)),
    Bomb("record.mcap", _record_claim),
    Bomb("count.mcap", _count_claim),
    Bomb("topics.mcap", lambda path, size: _channels(path, min(size // 10_000, 60_000))),
    Bomb("deep.mcap", lambda path, size: _messages(b"DEEP", b'{"static_pa":DEEP', b"{}")(path, size // 1000)),
    Bomb(
        "long.mcap",
        lambda path, size: _messages(b'{"static_pa":LONG}', b'{"static_pa":1e99999}')(path, size // 1000),
    ),
    Bomb("summary.mcap", lambda path, size: _summary(path, min(size // 73, 3_000_000))),
    Bomb("deep.toml", _text(lambda n: "x = " + "[" * min(n, 200_000)), "settings"),
    Bomb(
        "deep_table.toml", _text(lambda n: "[" + ".".join("a" * min(n, 100_000)) + "]\nx = 1\n"), "settings"
    ),
    Bomb("long.toml", _text(lambda n: "x = " + "9" * min(n, 200_000)), "settings"),
    Bomb("hex.toml", _text(lambda n: "[flight]\nmass = 0x" + "f" * min(n, 200_000)), "settings"),
    Bomb(
        "quantity.toml", _text(lambda n: '[flight]\nmass = "' + "9" * min(n, 200_000) + ' x x"\n'), "settings"
    ),
    Bomb(
        "keys.toml", _text(lambda n: "".join(f"k{i} = 1\n" for i in range(min(n // 20, 20_000)))), "settings"
    ),
    Bomb(
        "key.toml", _text(lambda n: "[flight]\n" + "maccread" * min(n // 10, 20_000) + " = 1\n"), "settings"
    ),
    Bomb("large.toml", _one_line(b"# "), "settings"),
)


@dataclass(frozen=True, slots=True)
class Burst:
    """The result of reading a bomb.

    Attributes:
        name: of it.
        outcome: data, or the typed error; the fault, if `well` is False.
        well: whether this is a permitted outcome.
        cpu_s: processor time of reading.
        peak_mb: peak resident memory of the process so far.
    """

    name: str
    outcome: str
    well: bool
    cpu_s: float = 0.0
    peak_mb: float = 0.0


def burst(bombs: Sequence[Bomb], folder: Path, size: int, room_mb: int = ROOM_MB) -> list[Burst]:
    """Read them in one child process. If it ends early, the last result is that of the bomb that ended it."""
    for bomb in bombs:
        bomb.write(folder / bomb.name, size)
    todo = [(bomb.reader, str(folder / bomb.name)) for bomb in bombs]
    done = subprocess.run(  # noqa: S603  (our own command)
        [sys.executable, "-m", "tests.campaigns.fuzz.bombs", str(room_mb), json.dumps(todo)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[3],
    )
    found = [Burst(**json.loads(line)) for line in done.stdout.splitlines() if line.startswith("{")]
    if done.returncode != 0 and len(found) < len(bombs):
        last = (done.stderr.strip().splitlines() or [f"ended by signal {-done.returncode}"])[-1]
        found.append(Burst(bombs[len(found)].name, last[:200], well=False))
    for bomb in bombs:
        (folder / bomb.name).unlink()
    return found


def _child(room_mb: int, todo: list[tuple[str, str]]) -> None:
    # Imported here, so that the parent does not load them and their memory is not counted.
    from tests.campaigns.fuzz.reading import TYPED, read_settings, read_source, warm_up  # noqa: PLC0415  (see above)

    warm_up()
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])  # proc(5): total size
    most = pages * resource.getpagesize() + (room_mb << 20)
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    for reader, path in todo:
        begun = resource.getrusage(resource.RUSAGE_SELF)
        used_s = math.ceil(begun.ru_utime + begun.ru_stime)
        resource.setrlimit(resource.RLIMIT_CPU, (used_s + CPU_S, resource.RLIM_INFINITY))
        try:
            outcome = (read_source if reader == "source" else read_settings)(Path(path))
        except TYPED as error:
            outcome = f"{type(error).__name__}: {error}"
        ended = resource.getrusage(resource.RUSAGE_SELF)
        spent_s = ended.ru_utime + ended.ru_stime - begun.ru_utime - begun.ru_stime
        found = Burst(Path(path).name, outcome[:200], True, spent_s, ended.ru_maxrss / 1024.0)
        sys.stdout.write(json.dumps(asdict(found)) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    _child(int(sys.argv[1]), json.loads(sys.argv[2]))
