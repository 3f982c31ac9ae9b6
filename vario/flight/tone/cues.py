"""Short sounds that say something has happened: which one, when, and which goes first.

Everything is one ordered table, `RULES`. A cue is a call with a number; the sound engine plays it when it
sees a new number, so a call is neither lost nor doubled however often the engine looks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from drivers.quick import quick
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

PATIENCE_S = 1.0
"""How long a cue waits for a more important one to end; later it would tell old news."""

LOST_AFTER_S = 0.2
"""The vario has been silent for this long before the cue says why: silence first, then the reason."""

AWAKE_AFTER_S = 10.0
"""Every sensor fitted has spoken by then; one that has not is called out, like one that has gone."""

NOTICED = (Quality.NO_AIRSPEED, Quality.NO_IMU)
"""Sensors whose loss changes what the vario says. A lost barometer is a lost vario, which is watched itself;
without GNSS the vario says the same; see the status line of `vario run` or the journal."""


class Cue(StrEnum):
    """What a cue says."""

    SENSOR_LOST = "sensor lost"
    LOW_BATTERY = "low battery"
    SETTING_REJECTED = "setting rejected"
    CIRCLING_BEGUN = "circling begun"
    CRUISE_BEGUN = "cruise begun"
    WORTH_TURNING = "worth turning"
    CENTRING = "centring"


@quick
@dataclass(frozen=True, slots=True)
class CueInputs:
    """What may call for a cue at `t_s`; flags are true for as long as they hold."""

    t_s: float
    mode: Mode
    quality: Quality
    vario_known: bool
    centring_now: bool = False
    worth_turning: bool = False
    setting_rejected: bool = False
    battery_low: bool = False
    expected_sensors: Quality = Quality.OK
    """The flags that would be set if a sensor the settings name gave nothing."""


@dataclass(frozen=True, slots=True)
class CueCall:
    """A cue to play. It stays in the commands that follow; a new `number` is a new call."""

    cue: Cue
    number: int
    is_warning: bool


@quick
@dataclass(frozen=True, slots=True)
class _Change:
    """Two frames, and what of the sensors has gone missing."""

    now: CueInputs
    before: CueInputs
    lost: bool
    """A sensor has gone and that has not been told yet, or the vario has been gone for a moment."""

    @property
    def is_calm(self) -> bool:
        """Whether nothing has changed that a rule looks at, as in nearly every frame."""
        now, before = self.now, self.before
        return (
            not self.lost
            and not now.battery_low
            and now.mode is before.mode
            and now.setting_rejected == before.setting_rejected
            and now.worth_turning == before.worth_turning
            and now.centring_now == before.centring_now
        )

    def enters(self, mode: Mode) -> bool:
        return self.now.mode is mode and self.before.mode is not mode


@dataclass(frozen=True, slots=True)
class CueRule:
    """When a cue is due.

    Attributes:
        cue: the cue.
        due: whether this change calls for it.
        lasts_s: how long it holds back less important ones; its sound is no longer than that.
        again_after_s: the same cue is not called sooner than this after its last call.
        is_warning: it sounds at the volume of warnings, which cannot be turned off.
    """

    cue: Cue
    due: Callable[[_Change], bool]
    lasts_s: float
    again_after_s: float
    is_warning: bool = False


# The most important first. Times are chosen: a warning comes back before it is forgotten and seldom enough
# to leave room for thought; what happens at every turn of a circle may come at every turn.
RULES = (
    CueRule(Cue.SENSOR_LOST, lambda c: c.lost, 1.0, 20.0, is_warning=True),
    CueRule(Cue.LOW_BATTERY, lambda c: c.now.battery_low, 1.0, 120.0, is_warning=True),
    CueRule(
        Cue.SETTING_REJECTED, lambda c: c.now.setting_rejected and not c.before.setting_rejected, 0.5, 0.0
    ),
    CueRule(Cue.CIRCLING_BEGUN, lambda c: c.enters(Mode.CIRCLING), 0.5, 0.0),
    CueRule(
        Cue.CRUISE_BEGUN,
        lambda c: c.enters(Mode.CRUISE) and c.before.mode is not Mode.GROUND,
        0.5,
        0.0,
    ),
    CueRule(Cue.WORTH_TURNING, lambda c: c.now.worth_turning and not c.before.worth_turning, 0.5, 5.0),
    CueRule(Cue.CENTRING, lambda c: c.now.centring_now and not c.before.centring_now, 0.2, 2.0),
)


class CueStage:
    """Runs the table. What sounds gives way to what is more important, and to nothing else."""

    def __init__(self, setup: Setup) -> None:
        self._call: CueCall | None = None
        self._sensors = _SensorWatch()
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Nothing to configure."""

    @property
    def awake(self) -> bool:
        """Whether every sensor has had its time to speak: what is missing now is missing."""
        return self._sensors.awake

    def reset(self, reason: ResetReason) -> None:
        """Drop waiting cues and the times before which a cue is not repeated."""
        self._before: CueInputs | None = None
        self._ends_s = 0.0
        self._sounding = len(RULES)
        self._waiting_until_s: dict[int, float] = {}
        self._not_before_s: dict[int, float] = {}
        self._sensors.reset()

    def update(self, now: CueInputs) -> CueCall | None:
        """The latest call, new or old; None before the first one."""
        change = _Change(now, self._before or now, self._sensors.update(now))
        self._before = now
        if not change.is_calm:
            for index, rule in enumerate(RULES):
                if rule.due(change) and now.t_s >= self._not_before_s.get(index, now.t_s):
                    self._waiting_until_s[index] = now.t_s + PATIENCE_S
        if now.t_s >= self._ends_s:
            self._sounding = len(RULES)
        for index in sorted(self._waiting_until_s) if self._waiting_until_s else ():
            if self._waiting_until_s[index] < now.t_s:
                del self._waiting_until_s[index]
            elif index < self._sounding:
                self._start(index, now.t_s)
        return self._call

    def _start(self, index: int, t_s: float) -> None:
        rule = RULES[index]
        if rule.cue is Cue.SENSOR_LOST:
            self._sensors.acknowledge()
        self._call = CueCall(rule.cue, self._call.number + 1 if self._call else 1, rule.is_warning)
        self._sounding, self._ends_s = index, t_s + rule.lasts_s
        self._not_before_s[index] = t_s + rule.again_after_s
        del self._waiting_until_s[index]


class _SensorWatch:
    """Tells a sensor that has gone from one that was never there."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Give the sensors time to deliver again, and the vario time to settle."""
        self._there = self._news = Quality.OK
        self._quality: Quality | None = None
        self.awake = False
        self._first_s: float | None = None
        self._vario_seen = False
        self._unknown_since_s: float | None = None

    def update(self, now: CueInputs) -> bool:
        """True as long as a loss is news: until it has been called out, or the sensor is back."""
        if self._first_s is None:
            self._first_s = now.t_s
        elif not self.awake and now.t_s - self._first_s > AWAKE_AFTER_S:
            # What the settings say is fitted and has not spoken yet counts as lost.
            self.awake = True
            self._there |= now.expected_sensors
            self._quality = None
        if now.quality is not self._quality:
            self._quality = now.quality
            self._follow(now)
        return self._vario_lost(now) or self._news is not Quality.OK

    def _follow(self, now: CueInputs) -> None:
        """What has come and gone; the same flags as before tell nothing new."""
        for flag in NOTICED:
            if flag not in now.quality:
                self._there |= flag
                self._news &= ~flag
            elif flag in self._there:
                self._there &= ~flag
                self._news |= flag

    def acknowledge(self) -> None:
        """The loss has been announced."""
        self._news = Quality.OK

    def _vario_lost(self, now: CueInputs) -> bool:
        if now.vario_known:
            self._vario_seen, self._unknown_since_s = True, None
            return False
        if self._unknown_since_s is None:
            self._unknown_since_s = now.t_s
        return self._vario_seen and now.t_s - self._unknown_since_s >= LOST_AFTER_S
