"""When a rejected inertial unit is evidence against the barometer. The numbers are NIS (1 on average)."""

from drivers.samples import GnssVel
from vario.flight.estimate.imu_watch import ImuWatch
from vario.flight.estimate.inertial_model import InertialNoise, Wing
from vario.flight.estimate.inertial_state import InertialState

STEP_S = 0.04


def running(age_s: float, **nis: float) -> InertialState:
    """A filter with velocities over ground that has run for `age_s`, and these NIS."""
    filter_ = InertialState(Wing.loaded(), InertialNoise())
    filter_.ground.known = True
    filter_.age_s = age_s
    filter_.nis |= nis
    return filter_


def contradicted(watch: ImuWatch) -> bool:
    """For a second, the height is off and the velocity over ground is not.

    Returns:
        Whether the barometer is suspected.
    """
    filter_ = running(0.0, height=30.0, north=1.0, east=1.0, sideslip=1.0, lift=1.0)
    for _ in range(round(1.0 / STEP_S)):
        watch.plausible(filter_, 0.0, 0.0, STEP_S)
    return watch.baro_suspect


def test_a_good_unit_puts_the_barometer_in_question() -> None:
    assert contradicted(ImuWatch())


def test_a_unit_that_contradicted_the_barometer_may_be_right() -> None:
    watch = ImuWatch()
    watch.reject(own_fault=False)
    assert contradicted(watch)


def test_a_unit_with_a_fault_of_its_own_is_no_evidence_for_two_minutes() -> None:
    watch = ImuWatch()
    watch.reject(own_fault=True)
    watch.reject(own_fault=False)
    assert not watch.against_baro
    for expected in (False, True):
        watch.begin()
        assert contradicted(watch) is expected
        for _ in range(round(121.0 / STEP_S)):
            watch.check_force((0.0, 0.0, -9.8), 0.0, STEP_S)
    watch.reject(own_fault=False)
    assert watch.against_baro


def test_a_hard_pull_is_flown_and_is_no_evidence() -> None:
    # CS-22.337: sailplanes of the utility category are built for 5.3 g.
    watch = ImuWatch()
    assert all(watch.check_force((0.0, 0.0, -4.0 * 9.8), 0.0, STEP_S) for _ in range(250))
    assert not contradicted(watch)


def test_a_barometer_that_is_always_noisy_is_not_suspected() -> None:
    filter_, watch = running(20.0, height=5.0), ImuWatch()
    for _ in range(round(120.0 / STEP_S)):
        watch.plausible(filter_, 0.0, 0.0, STEP_S)
    for height_nis, suspected in ((12.0, False), (40.0, True)):
        filter_.nis |= {"height": height_nis}
        watch.plausible(filter_, 0.0, 0.0, STEP_S)
        assert watch.baro_suspect is suspected


def test_a_restart_is_not_judged_by_the_turn_before_it() -> None:
    watch = ImuWatch()
    watch.check_turn([GnssVel(0.0, 25.0, 0.0, 0.0)], 0.5)
    watch.begin()
    assert watch.check_turn([GnssVel(1.0, 22.0, -12.0, 0.0)], 0.5)
    assert not watch.check_turn([GnssVel(2.0, 13.0, -21.0, 0.0)], 0.5)


def test_an_excluded_barometer_is_not_taken_for_a_noisy_one() -> None:
    # While it is not used, the NIS of the height keeps its last value.
    filter_, watch = running(20.0, height=10.0), ImuWatch()
    for _ in range(round(60.0 / STEP_S)):
        watch.plausible(filter_, None, None, STEP_S)
    watch.plausible(filter_, 0.0, 0.0, STEP_S)
    assert watch.baro_suspect
