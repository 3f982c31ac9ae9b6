"""CPU time of the sound synthesis, as × real time on one core: `python -m tests.bench.sound`."""

from __future__ import annotations

import math
import time

from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.tone.cues import CueInputs
from vario.flight.tone.stage import ToneInputs, ToneStage
from vario.sound.synth import Synth

RATE_HZ = 44100
BLOCK = RATE_HZ // 100
SECONDS = 120.0


def times_real_time(seconds: float = SECONDS) -> float:
    """Speed of the synthesis as × real time, with 50 commands per second, 10 ms blocks and 44.1 kHz.

    The vario varies through sink, silence and lift, so that pitch and beep rate change all the time.
    """
    stage = ToneStage(Setup())
    synth = Synth(RATE_HZ)
    start_s = time.process_time()
    for frame in range(round(seconds * 50)):
        t_s = frame / 50
        cue_inputs = CueInputs(t_s, Mode.CIRCLING, Quality.OK, vario_known=True)
        command = stage.update(ToneInputs(cue_inputs, 1.0 + 4.0 * math.sin(t_s), 28.0))
        synth.render(command, BLOCK)
        synth.render(command, BLOCK)
    return seconds / (time.process_time() - start_s)


def main() -> None:
    """Print it."""
    ratio = times_real_time()
    print(f"sound: {ratio:.0f} × real time, {1 / ratio:.2%} of one core (44.1 kHz, 50 commands a second)")


if __name__ == "__main__":
    main()
