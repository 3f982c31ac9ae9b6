"""Open a recording of any format, recognised by its content, or convert it to a recording of this project."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from hw_replay.atomic import atomic_file
from hw_replay.bus_recording import BusRecording
from hw_replay.dataflash import DATAFLASH_MAGIC, Dataflash
from hw_replay.errors import RecordingError, UnknownFormat, UnusableRecording, UnwritableRecording
from hw_replay.files import GZIP_MAGIC, open_binary, read_start
from hw_replay.igc import IgcFile
from hw_replay.long_csv import HEADER, UTF_16, LongCsv
from hw_replay.nmea_log import SENTENCE, NmeaLog
from hw_replay.px4_ulog import ULOG_MAGIC, PX4ULog
from hw_replay.recording import Recording
from hw_replay.ros_bag import RosBag, is_ros_bag
from hw_replay.source import Source
from hw_replay.text import escaped
from hw_replay.ubx import UbxLog, holds_ubx
from hw_replay.wide_csv import WideCsv, map_beside
from hw_replay.writer import RecordingWriter

MCAP_MAGIC = b"\x89MCAP0\r\n"
BUS_LOG_START = b'{"log":'

ACCEPTED = (
    "a recording (MCAP), a bus recording, a FAI/IGC file, a log of NMEA 0183 sentences, a PX4 ULog file, "
    "an ArduPilot dataflash log, a UBX log, MCAP of ROS 2, "
    f"a table with a map, or long CSV with the header {HEADER!r} (docs/formats.md)"
)

CONVERTED_CHUNK_S = 60.0
"""A conversion can be repeated after a power failure, and slow recordings compress better in long chunks."""

_IGC_LINE = re.compile(rb"A[A-Z0-9]{3}|H[FOP][A-Z]{3}|B\d{13}[NS]|[IJ]\d{2}(\d{4}[A-Z0-9]{3})+\s*$")


def _mcap(path: Path) -> Source:
    return RosBag(path) if is_ros_bag(path) else Recording(path)


_BINARY: Mapping[bytes, Callable[[Path], Source]] = {
    MCAP_MAGIC: _mcap,
    ULOG_MAGIC: PX4ULog,
    DATAFLASH_MAGIC: Dataflash,
}
"""The readers, by the first bytes of the file."""
_START_BYTES = 4096
_LINES_LOOKED_AT = 20


def open_source(path: str | os.PathLike[str], csv_map: Path | None = None) -> Source:
    """Open a file of any format that is read here, whatever its name.

    Args:
        path: the file.
        csv_map: map of a wide CSV file (`hw_replay.csv_map`); None: FILE.toml beside it, if there is one.

    Raises:
        UnknownFormat: if it is none of these; the message describes the content.
        RecordingError: if it cannot be opened, is empty, or its beginning is wrong.
    """
    path = Path(path)
    if csv_map is not None:
        return WideCsv(path, csv_map)
    start = read_start(path, _START_BYTES)
    if not start:
        broken = " once unpacked" if _is_gzip(path) else ""
        raise RecordingError(f"{path}: the file is empty{broken}; expected {ACCEPTED}")
    return _of_binary(path, start) or _of_text(path, start)


def is_recognized(path: Path) -> bool:
    """Whether the beginning of a file is that of one of these formats; False if it cannot be read."""
    try:
        start = read_start(path, _START_BYTES)
    except RecordingError:
        return False
    return _binary_kind(start) is not None or _text_kind(path, start) is not None


def _of_binary(path: Path, start: bytes) -> Source | None:
    """The reader of a binary file; None if it has none of these formats."""
    kind = _binary_kind(start)
    if kind is None:
        return None
    if _is_gzip(path):
        raise RecordingError(f"{path}: a recording inside a gzip file; unpack it first")
    return kind(path)


def _of_text(path: Path, start: bytes) -> Source:
    kind = _text_kind(path, start)
    if kind is not None:
        return kind(path)
    looks = _looks_like(start, _lines(start), escaped(map_beside(path).name))
    raise UnknownFormat(f"{path}: {looks}")


def _binary_kind(start: bytes) -> Callable[[Path], Source] | None:
    kind = next((kind for magic, kind in _BINARY.items() if start.startswith(magic)), None)
    if kind is None and holds_ubx(start):  # sentences of NMEA 0183 may stand before the first message
        return UbxLog
    return kind


def _text_kind(path: Path, start: bytes) -> Callable[[Path], Source] | None:
    lines = _lines(start)
    if lines[0].startswith(BUS_LOG_START):
        return BusRecording
    if _is_long_csv(lines[0]) or start.startswith(UTF_16):
        return LongCsv
    if any(_IGC_LINE.match(line.strip()) for line in lines[:_LINES_LOOKED_AT]):
        return IgcFile
    if any(SENTENCE.search(line) for line in lines[:_LINES_LOOKED_AT]):
        return NmeaLog
    return WideCsv if map_beside(path).exists() else None


def _lines(start: bytes) -> list[bytes]:
    return start.removeprefix(b"\xef\xbb\xbf").splitlines() or [b""]


def convert(
    source: Source,
    path: str | os.PathLike[str],
    config_toml: str | None = None,
    glider_toml: str | None = None,
) -> Mapping[str, int]:
    """Write every sample of a source into a recording.

    The file appears under its name only when it is complete.

    Args:
        source: the samples to write.
        path: the recording to write; an existing file is replaced.
        config_toml: settings to store in it instead of those of the source.
        glider_toml: glider file likewise.

    Returns:
        The number of samples written, by channel ("baro", "reference/vat_mps").

    Raises:
        UnusableRecording: if the source has no sample; the message contains its warnings. Nothing is written.
        UnwritableRecording: if it cannot be written.
    """
    path = Path(path)
    info = replace(
        source.info,
        config_toml=config_toml or source.info.config_toml,
        glider_toml=glider_toml or source.info.glider_toml,
    )
    try:
        with atomic_file(path) as partial, RecordingWriter(partial, info, CONVERTED_CHUNK_S) as writer:
            for sample in source:
                writer.write(sample)
            if not writer.counts:
                raise UnusableRecording(nothing_in(source))
    except UnwritableRecording as error:  # the message must name the final file
        raise UnwritableRecording(path, error.error) from error
    except OSError as error:
        raise UnwritableRecording(path, error) from error
    return writer.counts


def nothing_in(source: Source) -> str:
    """Why a source without samples has none, after its samples were read."""
    return "; ".join(("no sample that can be replayed was found", *source.warnings()))


def _is_gzip(path: Path) -> bool:
    with open_binary(path) as file:
        return file.read(len(GZIP_MAGIC)) == GZIP_MAGIC


def _is_long_csv(first_line: bytes) -> bool:
    """Whether the first line is the header, or a wrong header, about which the reader then reports."""
    names = [name.strip().lower() for name in re.split(rb"[,;\t]", first_line)]
    return names[:2] == [b"t_s", b"channel"]


def _looks_like(start: bytes, lines: list[bytes], map_name: str) -> str:
    if b"\0" in start or sum(byte < 9 or 13 < byte < 32 for byte in start) > len(start) // 20:
        kind = (
            "a ZIP archive, unpack it first" if start.startswith(b"PK") else "binary data of an unknown kind"
        )
        return f"this looks like {kind}; expected {ACCEPTED}"
    first = next((line for line in lines if line.strip()), b"")
    shown = repr(first[:60].decode("utf-8", "replace").strip())
    if re.match(rb"[$!][A-Z]{4,5},", first):
        return f"this looks like NMEA 0183 sentences without checksums ({shown}); expected a checksum in each"
    if len(re.split(rb"[,;\t]", first)) > 1:
        return (
            f"this looks like a table with other columns ({shown}), which needs a map: {map_name} beside it, "
            f"or vario import --map (docs/formats.md); expected that, or the header {HEADER!r} of long CSV"
        )
    return f"this looks like text that begins {shown}; expected {ACCEPTED}"
