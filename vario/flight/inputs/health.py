"""Check the samples of all sensors, and which sensors deliver.

A sample is rejected if its value is not finite or physically impossible, if its time repeats or runs back, if
it arrives too late, if it changes faster than the quantity can, or if the sensor repeats one value
(`channel_health`). A rejected sample is missing. A sensor that delivers no sample for a few of its own
periods counts as missing until it delivers again.
"""

from __future__ import annotations

from dataclasses import replace

from drivers.quick import dataclass
from drivers.samples import CHANNELS
from vario.flight.inputs.channel_health import ChannelHealth
from vario.flight.inputs.frames import Frame
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

MOVING_MPS = 5.0
"""Above this ground speed, position and velocity change with each fix; at rest they may repeat."""

COVERED_PA = 60.0
COVERED_GROUND_MPS = 25.0
COVERED_AFTER_S = 5.0
"""A pitot that shows less than 10 m/s for this long at a ground speed of 25 m/s is covered: no glider flies
so slowly, and a tail wind of 15 m/s does not explain it. A pitot that has never read an airspeed counts as
covered at once."""


@dataclass(frozen=True, slots=True)
class Inputs:
    """A frame reduced to usable samples, and which sensors deliver.

    `has_*`: the sensor has delivered within a few of its usual periods.
    """

    frame: Frame
    has_baro: bool
    has_pitot: bool
    has_imu: bool
    has_gnss: bool
    """There are ground velocities; positions may be missing (a two-dimensional fix)."""
    has_position: bool = False
    wrong_airspeed_scale: float | None = None
    """Found in this frame: the airspeeds so far had a wrong scale, and so has what was learned from them. The
    true airspeed over the airspeed of the samples."""
    iced_at_tas_mps: float | None = None
    """Found in this frame: the airspeeds of the last seconds were those of an iced pitot. The true airspeed,
    from velocity over ground and wind."""


class _CoverWatch:
    """Finds a covered or blocked pitot: it reads no airspeed at a ground speed of flight.

    A pitot found covered stays so until it reads an airspeed.
    """

    def __init__(self) -> None:
        self._since_s: float | None = None
        self._ground_mps = 0.0
        self._has_read = False

    def reset(self) -> None:
        """Forget a suspicion, because its age is not known any more."""
        self._since_s = None

    def covered(self, frame: Frame, *, has_gnss: bool) -> bool:
        """Whether the pitot is covered."""
        for velocity in frame.gnss_vel:
            self._ground_mps = velocity.speed_mps
        if frame.pitot and frame.pitot[-1].impact_pa > COVERED_PA:
            self._since_s = None
            self._has_read = True
            return False
        slow = not has_gnss or self._ground_mps < COVERED_GROUND_MPS
        after_s = COVERED_AFTER_S if self._has_read else -1.0
        known = self._since_s is not None and frame.t_s - self._since_s > after_s
        if slow and not known:
            self._since_s = None
        elif frame.pitot and self._since_s is None and not slow:
            self._since_s = frame.t_s
        return self._since_s is not None and frame.t_s - self._since_s > after_s


_CHECKED = (
    ("baro", "baro"),
    ("pitot", "pitot"),
    ("accel", "imu_accel"),
    ("gyro", "imu_gyro"),
    ("gnss_pos", "gnss_pos"),
    ("gnss_vel", "gnss_vel"),
    ("oat", "oat"),
    ("load_factor", "load_factor"),
    ("supply", "supply"),
)
"""The fields of a frame, each with its channel."""


class HealthStage:
    """Checks every sample before other stages use it."""

    def __init__(self, setup: Setup) -> None:
        self._cover = _CoverWatch()
        self.channels = {name: ChannelHealth(channel) for name, channel in CHANNELS.items()}
        self._checked = [(field, self.channels[name]) for field, name in _CHECKED]
        self._moving = False
        self.configure(setup)

    def configure(self, setup: Setup) -> None:
        """Take the step of a sparse recording."""
        for channel in self.channels.values():
            channel.expect(setup.longest_step_s)

    def reset(self, reason: ResetReason) -> None:
        """Forget the last sample of each channel; counts and rates stay."""
        for channel in self.channels.values():
            channel.reset()
        self._cover.reset()

    def update(self, frame: Frame) -> Inputs:
        """The usable samples of a frame."""
        t_s = frame.t_s
        c = self.channels
        checked = frame
        for field, channel in self._checked:
            samples = getattr(frame, field)
            if samples:
                usable = channel.check(samples, t_s, moving=self._moving)
                if usable is not samples:
                    checked = replace(checked, **{field: usable})  # type: ignore[arg-type]  # by name
        for velocity in checked.gnss_vel:
            self._moving = velocity.speed_mps > MOVING_MPS
        has_gnss = c["gnss_vel"].fresh(t_s)
        covered = self._cover.covered(checked, has_gnss=has_gnss)
        if covered and checked.pitot:
            c["pitot"].rejected["covered or blocked"] += len(checked.pitot)
            c["pitot"].accepted -= len(checked.pitot)
            checked = replace(checked, pitot=())
        return Inputs(
            checked,
            has_baro=c["baro"].fresh(t_s),
            has_pitot=c["pitot"].fresh(t_s) and not covered,
            has_imu=c["imu_accel"].fresh(t_s) and c["imu_gyro"].fresh(t_s),
            has_gnss=has_gnss,
            has_position=c["gnss_pos"].fresh(t_s),
        )
