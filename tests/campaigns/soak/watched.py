"""The observations of a live run, and the faults among them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

from tests.campaigns.soak.kept import Kept
from vario.app.nmea.sinks import MOST_READERS

MINUTE_S = 60.0

SETTLED_S = 300.0
"""Memory is judged from this time on, because before it libraries are loaded and buffers filled."""

MOST_GROWTH_KB = 4096
"""Permitted growth of the resident set from then on, as over a day: allocators keep some free space."""

LEFT_OUT = "this reading is lost"
"""The message if the machine stopped between reading the clock and the transfer on the bus: the next reading
then comes too soon.
"""

INDEX_KB_A_SECOND = 0.25
"""Memory of the recorder for the index of the chunks, which it writes at the end of the file."""

MOST_QUIET_S = 2.0
"""A program without output for longer has stopped; a sensor would count as lost after this time."""


@dataclass(frozen=True, slots=True)
class Row:
    """The state of the process at one time.

    Attributes:
        t_s: time since it was ready.
        rss_kb: resident set.
        cpu_share: of one core, since the row before.
        files, threads: open.
        overruns, gaps: of sensors and sound, so far, as its status says.
        late: how often no sample was available for the card, so far.
        page_kb, page_share: resident set and share of one core of the server of the live page; 0 without it.
    """

    t_s: float
    rss_kb: int
    cpu_share: float
    files: int
    threads: int
    overruns: int
    gaps: int
    late: int
    page_kb: int = 0
    page_share: float = 0.0


@dataclass(slots=True)
class Watched:
    """The observations of a run.

    Attributes:
        rows: states at intervals.
        exit_code: of the program.
        words: on its standard error, from warnings up.
        statuses: number of status messages.
        status: the last one.
        wrong: faults in them, with their number.
        quiet_s: longest time without a status message.
        sentences: number by kind; "?" for invalid ones.
        without_s: longest time without a sentence.
        visits, changes, marks: numbers made.
        heard_s, silent_s: sound played, and silence in it.
        steps: of the knob.
        messages: received by the browsers of the live page.
        recording: its content; None if there is not exactly one.
    """

    rows: list[Row] = field(default_factory=list)
    exit_code: int | None = None
    words: list[str] = field(default_factory=list)
    statuses: int = 0
    status: str = ""
    wrong: Counter[str] = field(default_factory=Counter)
    quiet_s: float = 0.0
    sentences: Counter[str] = field(default_factory=Counter)
    without_s: float = 0.0
    visits: int = 0
    changes: int = 0
    marks: int = 0
    heard_s: float = 0.0
    silent_s: float = 0.0
    steps: int = 0
    messages: int = 0
    recording: Kept | None = None

    def problems(self) -> list[str]:
        """Faults that are independent of the machine, one sentence each."""
        found = [f"exit code {self.exit_code}"] if self.exit_code else []
        found += [f"it said: {line}" for line in self.words if LEFT_OUT not in line]
        found += [f"status, {count} times: {words}" for words, count in self.wrong.items()]
        if not self.statuses or not self.sentences:
            found.append(f"{self.statuses} statuses and {self.sentences.total()} sentences came")
        if self.sentences["?"]:
            found.append(f"{self.sentences['?']} sentences were none")
        if self.steps and not self.messages:
            found.append("no browser got a message of the live page")
        if self.heard_s <= self.silent_s:
            found.append(f"nothing was heard in {self.heard_s:.0f} s")
        settled = [row for row in self.rows if row.t_s >= SETTLED_S]
        if settled:
            found += _growth(settled[0], settled[-1])
        if self.recording is None:
            return [*found, "there is no recording, or more than one"]
        return [*found, *self.recording.problems(self.changes, self.marks)]

    def pauses(self) -> list[str]:
        """Times at which the program, or the machine, stopped."""
        left_out = [line for line in self.words if LEFT_OUT in line]
        quiet = {"status": self.quiet_s, "sentence": self.without_s}
        found = [
            f"no {what} for {quiet_s:.1f} s" for what, quiet_s in quiet.items() if quiet_s > MOST_QUIET_S
        ]
        found += [f"it said {count} ×: {line}" for line, count in Counter(left_out).items()]
        return found if self.recording is None else [*found, *self.recording.gaps()]


def _growth(first: Row, last: Row) -> Iterator[str]:
    if last.rss_kb - first.rss_kb > MOST_GROWTH_KB + INDEX_KB_A_SECOND * (last.t_s - first.t_s):
        yield f"the resident set grew by {last.rss_kb - first.rss_kb} kB since {first.t_s / MINUTE_S:.0f} min"
    if last.page_kb - first.page_kb > MOST_GROWTH_KB:
        yield f"the server of the page grew by {last.page_kb - first.page_kb} kB"
    if last.threads != first.threads:
        yield f"{first.threads} threads became {last.threads}"
    if last.files > first.files + MOST_READERS:
        yield f"{first.files} open files became {last.files}"
