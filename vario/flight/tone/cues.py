"""Cues, short sounds that announce an event: which one sounds, when, and in which order.

All rules are in one ordered table, `RULES`. Each call of a cue has a number; the sound engine plays it when
the number is new, so no call is lost or played twice, however often the engine reads the command.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum

from drivers.quick import dataclass
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.stage import ResetReason
from vario.flight.thermal.shifting import Size

PATIENCE_S = 1.0
"""A cue waits this long for a more important one to end; later it is dropped."""

LOST_AFTER_S = 0.2
"""The vario must be missing for this long before the cue for a lost sensor is given."""

DELIVER_WITHIN_S = 10.0
"""A configured sensor that has delivered no sample within this time counts as lost."""

NOTICED = (Quality.NO_AIRSPEED, Quality.NO_IMU)
"""Sensors whose loss changes the vario. The loss of the barometer shows as a missing vario. GNSS does not
change the vario; its loss is shown in the status line of `vario run` and in the journal."""


class Cue(StrEnum):
    """The event that a cue announces."""

    SENSOR_LOST = "sensor lost"
    LOW_BATTERY = "low battery"
    SETTING_REJECTED = "setting rejected"
    SLOW_FOR_BANK = "slow for this bank"
    CIRCLING_BEGUN = "circling begun"
    CRUISE_BEGUN = "cruise begun"
    WORTH_TURNING = "worth turning"
    SHIFT_A_LITTLE = "shift a little"
    SHIFT = "shift"
    SHIFT_FAR = "shift far"
    GLIDE_MADE = "glide made"
    GLIDE_LOST = "glide lost"
    CLIMB_WEAK = "climb weak"
    TAKEN = "taken"
    KNOB_STEP = "knob step"


@dataclass(frozen=True, slots=True)
class CueInputs:
    """The inputs of the rules; flags are true as long as their condition holds.

    `announced_mode` is the mode that the bells announce; None: `mode`.
    """

    t_s: float
    mode: Mode
    quality: Quality
    vario_known: bool
    centring_now: Size | None = None
    worth_turning: bool = False
    slow_for_bank: bool = False
    setting_rejected: bool = False
    battery_low: bool = False
    glide_made: bool | None = None
    climb_weak: bool = False
    setting_taken: bool = False
    knob_steps: int = 0
    """Number of steps of knobs so far."""
    announced_mode: Mode | None = None
    expected_sensors: Quality = Quality.OK
    """The flags that would be set if no configured sensor delivered anything."""


@dataclass(frozen=True, slots=True)
class CueCall:
    """A cue to play. It stays in the following commands; a new `number` is a new call."""

    cue: Cue
    number: int
    is_warning: bool


@dataclass(frozen=True, slots=True)
class _Change:
    """The inputs of two successive frames, and whether a sensor has been lost."""

    now: CueInputs
    before: CueInputs
    lost: bool
    """A sensor has been lost and this has not been announced, or the vario is missing for a moment."""

    @property
    def is_calm(self) -> bool:
        """Whether no input of a rule has changed, as in nearly every frame."""
        now, before = self.now, self.before
        return (
            not self.lost
            and not now.battery_low
            and not now.slow_for_bank
            and now.mode is before.mode
            and now.announced_mode is before.announced_mode
            and now.setting_rejected == before.setting_rejected
            and now.worth_turning == before.worth_turning
            and now.centring_now is before.centring_now
            and now.glide_made is before.glide_made
            and now.climb_weak == before.climb_weak
            and now.setting_taken == before.setting_taken
            and now.knob_steps == before.knob_steps
        )

    def enters(self, mode: Mode) -> bool:
        return (self.now.announced_mode or self.now.mode) is mode and self.left is not mode

    @property
    def left(self) -> Mode:
        """The mode announced before."""
        return self.before.announced_mode or self.before.mode

    def shifts(self, size: Size) -> bool:
        return self.now.centring_now is size and self.before.centring_now is not size


@dataclass(frozen=True, slots=True)
class CueRule:
    """When a cue is due.

    Attributes:
        cue: the cue.
        due: whether the cue is due at this change.
        lasts_s: how long less important cues wait; the sound is not longer.
        again_after_s: least time between two calls of this cue.
        is_warning: the cue sounds at the volume of warnings, which cannot be turned off.
        waits_s: how long it waits for a more important one to end.
    """

    cue: Cue
    due: Callable[[_Change], bool]
    lasts_s: float
    again_after_s: float
    is_warning: bool = False
    waits_s: float = PATIENCE_S


# The most important first. The times are chosen so that a warning is repeated before it is forgotten, but
# seldom enough not to disturb; a cue for shifting the circle may come in every turn.
RULES = (
    CueRule(Cue.SENSOR_LOST, lambda c: c.lost, 1.0, 20.0, is_warning=True),
    CueRule(Cue.LOW_BATTERY, lambda c: c.now.battery_low, 1.0, 120.0, is_warning=True),
    CueRule(
        Cue.SETTING_REJECTED, lambda c: c.now.setting_rejected and not c.before.setting_rejected, 0.5, 0.0
    ),
    CueRule(Cue.SLOW_FOR_BANK, lambda c: c.now.slow_for_bank, 0.5, 6.0),
    CueRule(Cue.GLIDE_LOST, lambda c: c.now.glide_made is False and c.before.glide_made is True, 0.5, 10.0),
    CueRule(Cue.GLIDE_MADE, lambda c: c.now.glide_made is True and c.before.glide_made is False, 0.5, 10.0),
    CueRule(Cue.CIRCLING_BEGUN, lambda c: c.enters(Mode.CIRCLING), 0.5, 0.0),
    CueRule(
        Cue.CRUISE_BEGUN,
        lambda c: c.enters(Mode.CRUISE) and c.left is not Mode.GROUND,
        0.5,
        0.0,
    ),
    CueRule(Cue.WORTH_TURNING, lambda c: c.now.worth_turning and not c.before.worth_turning, 0.5, 5.0),
    CueRule(Cue.CLIMB_WEAK, lambda c: c.now.climb_weak and not c.before.climb_weak, 0.5, 30.0),
    CueRule(Cue.SHIFT_A_LITTLE, lambda c: c.shifts(Size.LITTLE), 0.5, 2.0),
    CueRule(Cue.SHIFT, lambda c: c.shifts(Size.USUAL), 0.5, 2.0),
    CueRule(Cue.SHIFT_FAR, lambda c: c.shifts(Size.FAR), 0.5, 2.0),
    CueRule(Cue.TAKEN, lambda c: c.now.setting_taken and not c.before.setting_taken, 0.3, 0.0),
    # The pilot feels the step at the knob as well, so a late tick would mislead.
    CueRule(Cue.KNOB_STEP, lambda c: c.now.knob_steps != c.before.knob_steps, 0.05, 0.0, waits_s=0.0),
)


class CueStage:
    """Applies the rules. Only a more important cue interrupts a cue that sounds."""

    def __init__(self) -> None:
        self._call: CueCall | None = None
        self._sensors = _LossWatch()
        self.reset(ResetReason.START)

    @property
    def time_is_up(self) -> bool:
        """Whether all sensors have had time to deliver: a sensor that is missing now is lost."""
        return self._sensors.time_is_up

    def reset(self, reason: ResetReason) -> None:
        """Drop waiting cues and the times before which a cue is not repeated."""
        self._before: CueInputs | None = None
        self._ends_s = 0.0
        self._sounding = len(RULES)
        self._waiting_until_s: dict[int, float] = {}
        self._not_before_s: dict[int, float] = {}
        self._sensors.reset()

    def update(self, now: CueInputs) -> CueCall | None:
        """One frame; returns the latest call, None before the first one."""
        change = _Change(now, self._before or now, self._sensors.update(now))
        self._before = now
        if not change.is_calm:
            for index, rule in enumerate(RULES):
                if rule.due(change) and now.t_s >= self._not_before_s.get(index, now.t_s):
                    self._waiting_until_s[index] = now.t_s + rule.waits_s
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


class _LossWatch:
    """Distinguishes a lost sensor from one that was never there."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Give the sensors time to deliver again, and the vario time to settle."""
        self._present = self._unannounced = Quality.OK
        self._quality: Quality | None = None
        self.time_is_up = False
        self._first_s: float | None = None
        self._vario_seen = False
        self._unknown_since_s: float | None = None

    def update(self, now: CueInputs) -> bool:
        """Whether there is a loss that has not been announced yet."""
        if self._first_s is None:
            self._first_s = now.t_s
        elif not self.time_is_up and now.t_s - self._first_s > DELIVER_WITHIN_S:
            # A configured sensor that has not delivered yet counts as lost.
            self.time_is_up = True
            self._present |= now.expected_sensors
            self._quality = None
        if now.quality is not self._quality:
            self._quality = now.quality
            self._follow(now)
        return self._vario_lost(now) or self._unannounced is not Quality.OK

    def _follow(self, now: CueInputs) -> None:
        """Note which sensors have come and gone."""
        for flag in NOTICED:
            if flag not in now.quality:
                self._present |= flag
                self._unannounced &= ~flag
            elif flag in self._present:
                self._present &= ~flag
                self._unannounced |= flag

    def acknowledge(self) -> None:
        """The loss has been announced."""
        self._unannounced = Quality.OK

    def _vario_lost(self, now: CueInputs) -> bool:
        if now.vario_known:
            self._vario_seen, self._unknown_since_s = True, None
            return False
        if self._unknown_since_s is None:
            self._unknown_since_s = now.t_s
        return self._vario_seen and now.t_s - self._unknown_since_s >= LOST_AFTER_S
