"""Print the result of `vario simulate`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from rich.text import Text

from vario.app.outputs.flight_time import clock
from vario.app.simulate.file import LoadedScenario
from vario.app.terminal import terminal


def print_simulated(loaded: LoadedScenario, counts: Mapping[str, int], out: Path) -> None:
    """Print the contents of the recording, and the commands to use it with."""
    console = terminal()
    console.print(Text.assemble((loaded.title, "bold"), f", seed {loaded.scenario.seed}"))
    sensors = {topic: count for topic, count in counts.items() if not topic.startswith("reference/")}
    truths = len(counts) - len(sensors)
    console.print(", ".join(f"{count} {topic}" for topic, count in sensors.items()), soft_wrap=True)
    console.print(f"{truths} channels of true values" if truths else "no true values")
    for fault in loaded.scenario.faults:
        console.print(f"fault: {fault.channel}: {fault.kind}, from {clock(fault.from_s)}")
    console.print(f"written to {out} ({out.stat().st_size / 1e6:.2f} MB)", soft_wrap=True)
    console.print(f"replay:  vario replay {out}", soft_wrap=True)
    if truths:
        console.print(f"errors:  vario compare {out} {out}", soft_wrap=True)
