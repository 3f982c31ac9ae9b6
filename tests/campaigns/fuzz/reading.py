"""Read fuzzed inputs with the real readers, and check what they return."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from itertools import islice
from pathlib import Path

from drivers.errors import SensorError
from drivers.events import Mark, SettingsChange
from drivers.samples import CHANNEL_OF, CHANNELS, Baro, Reference, Sample
from hw_replay.errors import RecordingError
from hw_replay.messages import LATEST_T_S
from hw_replay.open import open_source
from tests.campaigns.fuzz import seeds
from tests.campaigns.soak.digest import Digest
from vario.app.change.changes import apply_change
from vario.app.replay.player import Player
from vario.app.simulate.file import load_scenario
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.settings.errors import QuantityError, SettingsError
from vario.settings.load import LoadedSettings, load_settings, parse_settings

TYPED = (RecordingError, SettingsError, SensorError, QuantityError)
"""The base classes of the errors of this project; any other exception is a finding."""

MOST_SAMPLES = 5000
"""More samples than a case of `mutate.LARGEST` bytes can contain."""

NOISE = Noise(1.5, 1.0)


class UntrueError(Exception):
    """A target accepted its bytes and gave implausible data."""


def checked(samples: Iterable[Sample]) -> str:
    """Checks that samples are plausible; returns their kinds."""
    kinds: dict[str, int] = {}
    for sample in islice(samples, MOST_SAMPLES):
        check(sample)
        kind = type(sample).__name__
        kinds[kind] = kinds.get(kind, 0) + 1
    return ",".join(f"{kind}{min(count, 3)}" for kind, count in sorted(kinds.items()))


def check(sample: Sample) -> None:
    """Checks that a sample is plausible.

    Raises:
        UntrueError: if it is not.
    """
    if not (isinstance(sample.t_s, float | int) and 0.0 <= sample.t_s <= LATEST_T_S):
        raise UntrueError(f"{sample!r:.200}: its time")
    if isinstance(sample, Reference):
        if not math.isfinite(sample.value):
            raise UntrueError(f"{sample!r:.200}: its value")
    elif not isinstance(sample, SettingsChange | Mark):
        channel = CHANNELS[CHANNEL_OF[type(sample)]]
        for name, (low, high) in channel.limits.items():
            value = getattr(sample, name)
            if value is None and name in channel.optional:
                continue
            if type(value) not in {float, int} or not low <= value <= high:
                raise UntrueError(f"{sample!r:.200}: {name}")


# --- files ----------------------------------------------------------------------------------------


def take_source(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    return read_source(path)


def read_source(path: Path) -> str:
    """Reads a recording of any format, checks every sample, and describes the content."""
    source = open_source(path)
    duration_s = source.duration_s
    if duration_s is not None and not 0.0 <= duration_s < math.inf:
        raise UntrueError(f"duration {duration_s}")
    kinds = checked(source)
    said = " ".join(source.warnings())
    if len(said) > 20_000:
        raise UntrueError(f"{len(said)} characters of warnings")
    return f"{source.info.origin}: {kinds}; {source.rejected() > 0} {form_of(said)[:120]}"


def warm_up() -> None:
    """Load the modules that are imported at their first use."""
    _usable(parse_settings(seeds.SETTINGS.decode(), "x"))


def take_settings(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    return read_settings(path)


def read_settings(path: Path) -> str:
    """Loads settings, and runs the instrument with them for a moment."""
    return _usable(load_settings(path))


def take_glider(settings: str, data: bytes) -> str:
    return _usable(parse_settings('glider = "x"\n' + settings, "x", data.decode("utf-8", "replace"), "y"))


def _usable(loaded: LoadedSettings) -> str:
    """Accepted settings must give an instrument that works."""
    player = Player(Pipeline(loaded.settings, loaded.glider, NOISE))
    _readings(player, _BEGINNING)
    return "accepted"


def take_change(loaded: LoadedSettings, glider: str, data: bytes) -> str:
    pipeline = Pipeline(loaded.settings, loaded.glider, NOISE)
    text = data.decode("utf-8", "replace")
    refused = apply_change(SettingsChange(1.0, text, glider), pipeline)
    _readings(Player(pipeline), _BEGINNING)
    return "taken" if refused is None else form_of(str(refused))[:120]


def take_scenario(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    load_scenario(path)
    return "accepted"


_BEGINNING = [
    sample
    for k in range(6)
    for sample in (Baro(1.0 + k / 50.0, 95_000.0 - k), *(s for s in seeds.SAMPLES if k == 2 and s.t_s == 1.0))
]


def take_flight(path: Path, loaded: LoadedSettings, data: bytes) -> str:
    """For any recording, the instrument gives finite numbers or nothing."""
    path.write_bytes(data)
    player = Player(Pipeline(loaded.settings, loaded.glider, NOISE))
    return f"{min(_readings(player, islice(open_source(path), 300)), 40)} readings"


def _readings(player: Player, samples: Iterable[Sample]) -> int:
    digest = Digest()
    for sample in samples:
        for reading in player.push(sample):
            digest.add(reading)
    for reading in player.close():
        digest.add(reading)
    if digest.not_finite:
        raise UntrueError(f"{digest.not_finite} numbers in the readings are not finite")
    return digest.readings


# --- outcomes -------------------------------------------------------------------------------------

_PARTICULAR = re.compile(r"'[^']*'|\"[^\"]*\"|[-+]?\d[\d.e+-]*|/\S+|0x[0-9A-Fa-f]+")


def form_of(text: str) -> str:
    """A message without the parts that depend on the case."""
    return _PARTICULAR.sub("_", text[:400])


def outcome_of_error(error: Exception) -> str:
    """An error in a few words."""
    return f"{type(error).__name__}: {form_of(str(error))[:120]}"
