"""Motion of the simulated glider: a point mass with an attitude, a drag polar, a tail and a wheel.

Forces are computed from the velocity relative to the air, and the motion relative to the ground. Therefore
the effects of moving air need no special treatment: a gust changes airspeed and angle of attack, the lift
changes, and the accelerometer measures it. The attitude is the integral of the body rates, which the gyro
measures. The specific force is the sum of all forces except gravity, divided by the mass; the accelerometer
measures it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.isa import G0_MPS2
from hw_replay.simulate.air import AirModel
from hw_replay.simulate.airframe import Airframe
from hw_replay.simulate.rotation import (
    Matrix,
    Quaternion,
    Vector,
    apply,
    apply_inverse,
    euler,
    matrix,
    turned,
)


@dataclass(frozen=True, slots=True)
class PilotInput:
    """The controls of the pilot, and the force of the tug, for the next step.

    On the wheel `pitch_rad`, `bank_rad` and `heading_rad` are held; in the air `load` and
    `roll_radps` count.
    """

    load: float = 1.0
    roll_radps: float = 0.0
    thrust_mps2: float = 0.0
    airbrakes: float = 0.0
    wheel_brake: float = 0.0
    pitch_rad: float = 0.0
    bank_rad: float = 0.0
    heading_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class GliderState:
    """Position and motion of the glider: the complete state for the next step.

    Positions are metres north and east of the field and above sea level. Velocity is over ground: north,
    east, down. `roll_radps` is the body roll rate, which follows the controls with a lag.
    """

    t_s: float
    north_m: float
    east_m: float
    height_m: float
    velocity_ned_mps: Vector
    nav_from_body: Quaternion
    roll_radps: float = 0.0


@dataclass(frozen=True, slots=True)
class Motion:
    """All true values at one time, for the sensors and the reference channels."""

    state: GliderState
    attitude: Matrix
    tas_mps: float
    alpha_rad: float
    beta_rad: float
    load: float
    drag_sink_mps: float
    """Power of the drag, as a sink rate."""
    power_mps: float
    """Power of all forces except gravity relative to the air, as a climb rate: tow minus drag."""
    force_mps2: Vector
    """Specific force in body axes."""
    rate_radps: Vector
    """Body rates."""
    air_mps: Vector
    """Velocity of the air north, east and up."""
    rolling: bool
    """Whether the wheel is on the ground."""
    airbrakes: float
    """0 closed, 1 open."""

    @property
    def energy_height_m(self) -> float:
        """Energy height h + V²/2g, m."""
        return self.state.height_m + self.tas_mps**2 / (2.0 * G0_MPS2)

    def euler_rad(self) -> Vector:
        """Heading, pitch and bank, rad."""
        return euler(self.attitude)


# Time constants of a two-seater, s: short period, weathercock stability, roll.
_PITCH_S = 0.6
_YAW_S = 0.8
_ROLL_S = 0.35
_GROUND_S = 1.2

# Wheel: 4 cm static deflection, damped; rolling drag on grass, and drag of the brake.
_SPRING_PER_S2 = G0_MPS2 / 0.04
_DAMPING_PER_S = 12.0
_ROLLING = 0.05
_BRAKED = 0.25

_SLOWEST_MPS = 3.0  # below this airspeed the flow angles are undefined
_LEAST_LIFT = 0.1  # smallest lift coefficient for which the polar is scaled with load


class GliderModel:
    """Moves an airframe through an air mass."""

    def __init__(self, airframe: Airframe, air: AirModel) -> None:
        self.airframe = airframe
        self.air = air

    def motion(self, state: GliderState, controls: PilotInput) -> Motion:
        """The true values at a state: forces, and body rates with these controls."""
        craft = self.airframe
        w_n, w_e, w_u = air_mps = self.air.velocity_mps(
            state.t_s, state.north_m, state.east_m, state.height_m
        )
        v_n, v_e, v_d = state.velocity_ned_mps
        body = matrix(state.nav_from_body)
        u, v, w = apply_inverse(body, (v_n - w_n, v_e - w_e, v_d + w_u))
        plane = math.hypot(u, w)
        tas = math.hypot(plane, v)
        density = self.air.atmosphere.density_kgpm3(state.height_m)
        fx = fy = fz = lift = drag_sink = alpha = beta = 0.0
        if tas > _SLOWEST_MPS:
            pressure = density * tas * tas
            alpha = math.atan2(w, u)
            beta = math.asin(v / tas)
            usable = max(-craft.stall_rad, min(craft.stall_rad, alpha))
            lift = pressure * (usable - craft.zero_lift_rad) / craft.alpha_scale
            least = _LEAST_LIFT * pressure * craft.wing_area_m2 / (2.0 * craft.mass_kg * G0_MPS2)
            drag_sink = craft.polar.sink_mps(tas, max(abs(lift), least), density)
            drag = G0_MPS2 * drag_sink / tas
            brakes = controls.airbrakes * 0.5 * pressure * craft.brake_area_m2 / craft.mass_kg
            drag_sink += brakes * tas / G0_MPS2
            drag += brakes
            side = -0.5 * pressure * craft.wing_area_m2 * craft.side_force_slope * beta / craft.mass_kg
            up = lift * G0_MPS2 / plane
            # Drag is parallel to the relative wind, lift and side force are perpendicular to it.
            # Therefore only drag takes energy.
            across = side / (tas * plane)
            fx = up * w - drag * u / tas - across * u * v
            fy = -drag * v / tas + across * plane * plane
            fz = -up * u - drag * w / tas - across * w * v
        fx += controls.thrust_mps2
        press = self._wheel_press_mps2(state)
        if press > 0.0:
            gx, gy, gz = apply_inverse(body, self._ground_force_ned(state, body, press, controls))
            fx, fy, fz = fx + gx, fy + gy, fz + gz
        force = (fx, fy, fz)
        rate: Vector
        if press > 0.0 or tas <= _SLOWEST_MPS:
            rate = self._rate_on_wheel(body, controls)
        else:
            rate = self._rate_in_air(state, body, force, (u, v, w), controls.load)
        power = (fx * u + fy * v + fz * w) / G0_MPS2
        return Motion(
            state,
            body,
            tas,
            alpha,
            beta,
            lift,
            drag_sink,
            power,
            force,
            rate,
            air_mps,
            rolling=press > 0.0,
            airbrakes=controls.airbrakes,
        )

    def _wheel_press_mps2(self, state: GliderState) -> float:
        depth = self.air.field_m - state.height_m
        if depth <= 0.0:
            return 0.0
        return max(0.0, _SPRING_PER_S2 * depth + _DAMPING_PER_S * state.velocity_ned_mps[2])

    @staticmethod
    def _ground_force_ned(
        state: GliderState, body: Matrix, press_mps2: float, controls: PilotInput
    ) -> Vector:
        """Forces of the wheel: support, rolling drag and side force."""
        v_n, v_e, _ = state.velocity_ned_mps
        forward = math.hypot(body[0], body[3])
        c, s = body[0] / forward, body[3] / forward
        along, aside = c * v_n + s * v_e, c * v_e - s * v_n
        brake = (_ROLLING + _BRAKED * controls.wheel_brake) * press_mps2
        back = -brake * math.tanh(along / 0.05)
        sideways = -max(-0.5 * press_mps2, min(0.5 * press_mps2, 8.0 * aside))
        return (c * back - s * sideways, s * back + c * sideways, -press_mps2)

    @staticmethod
    def _rate_on_wheel(body: Matrix, controls: PilotInput) -> Vector:
        heading, pitch, bank = euler(body)
        turn = math.remainder(controls.heading_rad - heading, math.tau) / _GROUND_S
        return (
            (controls.bank_rad - bank) / _GROUND_S,
            (controls.pitch_rad - pitch) / _GROUND_S,
            max(-0.1, min(0.1, turn)),
        )

    def _rate_in_air(
        self,
        state: GliderState,
        body: Matrix,
        force: Vector,
        relative: Vector,
        load: float,
    ) -> Vector:
        """Body rates with which tail and fin align the nose, at the angle of attack that `load` needs."""
        craft = self.airframe
        u, v, w = relative
        tas = math.sqrt(u * u + v * v + w * w)
        density = self.air.atmosphere.density_kgpm3(state.height_m)
        alpha = math.atan2(w, u)
        beta = math.asin(v / tas)
        wanted = craft.zero_lift_rad + craft.alpha_scale * load / (density * tas * tas)
        wanted = min(wanted, craft.stall_rad - 0.02)
        down = apply_inverse(body, (0.0, 0.0, G0_MPS2))
        ax, ay, az = force[0] + down[0], force[1] + down[1], force[2] + down[2]
        curve_up = (ax * w - az * u) / (tas * tas)
        curve_right = ay / tas
        roll = state.roll_radps
        return (
            roll,
            curve_up + (wanted - alpha) / _PITCH_S,
            curve_right + beta / _YAW_S + roll * math.tan(alpha),
        )

    def step(self, now: Motion, controls: PilotInput, dt_s: float) -> GliderState:
        """The state one step later, by the midpoint rule with constant body rates."""
        state, rate = now.state, now.rate_radps
        half = self._moved(state, now, now.force_mps2, now.attitude, 0.5 * dt_s)
        middle = self.motion(half, controls)
        after = self._moved(state, now, middle.force_mps2, middle.attitude, dt_s)
        target = controls.roll_radps if not now.rolling else rate[0]
        roll = target + (rate[0] - target) * math.exp(-dt_s / _ROLL_S)
        return GliderState(
            round(after.t_s, 6),
            after.north_m,
            after.east_m,
            after.height_m,
            after.velocity_ned_mps,
            after.nav_from_body,
            roll,
        )

    @staticmethod
    def _moved(state: GliderState, now: Motion, force: Vector, attitude: Matrix, dt_s: float) -> GliderState:
        an, ae, ad = apply(attitude, force)
        v_n, v_e, v_d = state.velocity_ned_mps
        n1, e1, d1 = v_n + an * dt_s, v_e + ae * dt_s, v_d + (ad + G0_MPS2) * dt_s
        return GliderState(
            state.t_s + dt_s,
            state.north_m + 0.5 * (v_n + n1) * dt_s,
            state.east_m + 0.5 * (v_e + e1) * dt_s,
            state.height_m - 0.5 * (v_d + d1) * dt_s,
            (n1, e1, d1),
            turned(state.nav_from_body, now.rate_radps, dt_s),
            state.roll_radps,
        )
