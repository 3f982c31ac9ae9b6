"""`vario run` with everything on, watched from outside for some seconds; `make soak-live` is the hour."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from tests.campaigns.soak.kept import Kept
from tests.campaigns.soak.live import live
from tests.campaigns.soak.watched import SETTLED_S, Row, Watched
from tests.support import missing
from tests.support.sound_card import NEEDS_ALSA


@pytest.mark.long
@NEEDS_ALSA
def test_some_seconds_with_everything_on(tmp_path: Path) -> None:
    missing.library("sounddevice", missing.PORTAUDIO)
    found = live(tmp_path, 12.0, row_s=3.0, change_s=2.0)
    assert found.problems() == []
    assert found.changes >= 1
    assert found.marks >= 1
    assert found.visits >= 1
    assert set(found.sentences) >= {"XDR", "GLL", "HDT"}


KEPT = Kept(Counter(imu_accel=9, baro=9, pitot=9, gnss_pos=9), 1.0, {"baro": 0.1}, (0.0, 0.0, 0.0), 2, 1, [])
ROW = Row(SETTLED_S, 100_000, 0.1, 12, 7, 0, 0, 0)
WELL = Watched(
    [ROW, ROW], 0, statuses=9, sentences=Counter(XDR=9), changes=2, marks=1, heard_s=9.0, recording=KEPT
)


@pytest.mark.parametrize(
    ("worse", "says"),
    [
        ({"exit_code": -11}, "exit code -11"),
        ({"words": ["E recorder: failed"]}, "it said: E recorder: failed"),
        ({"wrong": Counter({"NO SOUND": 3})}, "status, 3 times: NO SOUND"),
        ({"statuses": 0}, "0 statuses"),
        ({"sentences": Counter({"XDR": 9, "?": 2})}, "2 sentences were none"),
        ({"silent_s": 9.0}, "nothing was heard in 9 s"),
        ({"rows": [ROW, replace(ROW, rss_kb=120_000)]}, "the resident set grew by 20000 kB"),
        ({"rows": [ROW, replace(ROW, threads=8)]}, "7 threads became 8"),
        ({"rows": [ROW, replace(ROW, files=99)]}, "12 open files became 99"),
        ({"recording": None}, "no recording"),
        ({"marks": 2}, "2 changes and 2 marks were made, 2 and 1 recorded"),
        ({"recording": replace(KEPT, samples=Counter(baro=9))}, "imu_accel was never recorded"),
        ({"recording": replace(KEPT, complaints=["it is torn"])}, "it is torn"),
    ],
)
def test_failures_of_the_run_are_reported(worse: dict[str, object], says: str) -> None:
    assert WELL.problems() == []
    assert any(says in problem for problem in replace(WELL, **worse).problems())  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("worse", "says"),
    [
        ({"quiet_s": 3.0}, "no status for 3.0 s"),
        ({"without_s": 3.0}, "no sentence for 3.0 s"),
        (
            {"words": ["W pitot: stale; this reading is lost"]},
            "it said 1 ×: W pitot: stale; this reading is lost",
        ),
        ({"recording": replace(KEPT, longest_s={"baro": 1.5})}, "baro: a gap of 1.50 s"),
    ],
)
def test_where_it_stood_still_is_told(worse: dict[str, object], says: str) -> None:
    assert WELL.pauses() == []
    assert replace(WELL, **worse).pauses() == [says]  # type: ignore[arg-type]
