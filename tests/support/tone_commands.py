"""Tone commands of single values, for tests of the tone."""

from tests.support.setups import setup
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.tone.cues import CueInputs
from vario.flight.tone.stage import ToneCommand, ToneInputs, ToneStage
from vario.settings.tone import Tone

DEFAULTS = Tone()
CURVE = DEFAULTS.curve


def heard(vario_mps: float | None, mode: Mode = Mode.CIRCLING, **known: float) -> ToneInputs:
    cue_inputs = CueInputs(0.0, mode, Quality.OK, vario_known=vario_mps is not None)
    return ToneInputs(cue_inputs, vario_mps, **known)


def tone(**table: object) -> Tone:
    return Tone.model_validate(table)


def command_at(vario_mps: float | None, settings: Tone = DEFAULTS) -> ToneCommand:
    return ToneStage(setup(tone=settings)).update(heard(vario_mps))
