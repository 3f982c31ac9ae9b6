"""The short form of the fuzzer: a few thousand cases from a fixed seed, and its earlier findings.

The long form is `python -m tests.campaigns.fuzz`. Each finding is corrected, and gets a test here or beside
the code.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from drivers.errors import BusStuckError
from drivers.samples import Baro, Reference
from hw_replay.recording import Recording
from tests.campaigns.fuzz import containers, seeds
from tests.campaigns.fuzz.bombs import BOMBS, burst
from tests.campaigns.fuzz.campaign import Target, fuzz
from tests.campaigns.fuzz.reading import UntrueError, check
from tests.campaigns.fuzz.targets import targets
from tests.support import missing
from tests.support.examples import drawn

CASES, LEAST = 6000, 15
"""Of all targets together, and of one."""
SEED = 20_250_614

NAMES = [target.name for target in targets(Path())]


@pytest.mark.parametrize("name", NAMES)
def test_damaged_input_gives_data_that_can_be_true_or_a_typed_error(name: str, tmp_path: Path) -> None:
    every = {target.name: target for target in targets(tmp_path)}
    whole = sum(target.share for target in every.values())
    tally = fuzz(every[name], max(LEAST, round(drawn(CASES) * every[name].share / whole)), SEED)
    assert [finding.problem for finding in tally.findings] == []
    assert len(tally.outcomes) > 1


def test_the_fuzzer_finds_what_is_there_to_be_found() -> None:
    def fragile(data: bytes) -> str:
        if b"\x00" in data:
            raise KeyError("what nobody thought of")
        if data[:1] == b"!":
            raise BusStuckError("typed")
        return "fine"

    target = Target("fragile", [b"! 12 34", b"56 78"], fragile, 1.0)
    tally = fuzz(target, 3000, 1)
    assert {finding.problem for finding in tally.findings} == {"KeyError: 'what nobody thought of'"}
    assert {"fine", "BusStuckError: typed"} <= set(tally.outcomes)
    assert tally.outcomes == fuzz(target, 3000, 1).outcomes


@pytest.mark.parametrize(
    "sample",
    [Baro(-1.0, 95_000.0), Baro(1.0, float("nan")), Baro(1.0, 1.0), Reference(1.0, "x", float("inf"))],
)
def test_a_sample_that_cannot_be_true_is_seen(sample: Baro | Reference) -> None:
    with pytest.raises(UntrueError):
        check(sample)


@pytest.mark.long
@pytest.mark.skipif(sys.platform != "linux", reason=missing.LINUX)
def test_files_that_ask_for_too_much_get_an_answer_within_their_room(tmp_path: Path) -> None:
    """A line of 200 MB, gzip of the same size, chunks that claim or contain it, endless brackets and keys."""
    found = burst(BOMBS, tmp_path, 200_000_000, room_mb=160)
    assert [one for one in found if not one.well] == []
    assert len(found) == len(BOMBS)


def recording_with(chunk: bytes, tmp_path: Path) -> Recording:
    parts = containers.split(seeds.recordings()[0])
    place = next(i for i, (code, _) in enumerate(parts) if code == containers.CHUNK)
    parts[place] = containers.CHUNK, chunk
    path = tmp_path / "x.mcap"
    path.write_bytes(containers.joined(parts))
    return Recording(path)


@pytest.mark.parametrize("compression", ["zstd", "lz4", ""])
@pytest.mark.parametrize("more", [0, 1, 1_000_000])
def test_a_chunk_gives_what_it_says_and_no_more(compression: str, more: int, tmp_path: Path) -> None:
    parts = containers.split(seeds.recordings()[0])
    _, content = containers.opened(next(content for code, content in parts if code == containers.CHUNK))
    chunk = containers.chunk(content + bytes(more), compression, size=len(content))
    recording = recording_with(chunk, tmp_path)
    samples = list(recording)
    assert bool(samples) == (more == 0)
    assert any("damaged chunk" in sentence for sentence in recording.warnings()) == (more > 0)
