"""When a rejected inertial unit is evidence against the barometer. The numbers are NIS (1 on average)."""

from vario.flight.estimate.imu_watch import ImuWatch
from vario.flight.estimate.inertial import InertialFilter
from vario.flight.estimate.inertial_model import InertialNoise, Wing

STEP_S = 0.04


def contradicted(watch: ImuWatch, lasts_s: float = 1.0) -> bool:
    """The height is off and the velocity over ground is not; returns whether the barometer is suspected."""
    filter_ = InertialFilter(Wing.loaded(), InertialNoise())
    filter_.ground.known = True
    filter_.nis |= {"height": 30.0, "north": 1.0, "east": 1.0, "sideslip": 1.0, "lift": 1.0}
    for _ in range(round(lasts_s / STEP_S)):
        watch.plausible(filter_, 0.0, 0.0, STEP_S)
    return watch.baro_suspect


def test_a_good_unit_puts_the_barometer_in_question() -> None:
    assert contradicted(ImuWatch())


def test_a_unit_that_contradicted_the_barometer_may_be_right() -> None:
    watch = ImuWatch()
    watch.doubt(own_fault=False)
    assert contradicted(watch)


def test_a_unit_with_a_fault_of_its_own_is_no_evidence_for_two_minutes() -> None:
    watch = ImuWatch()
    watch.doubt(own_fault=True)
    watch.doubt(own_fault=False)
    assert not watch.against_baro
    for expected in (False, True):
        watch.begin()
        assert contradicted(watch) is expected
        for _ in range(round(121.0 / STEP_S)):
            watch.check_force((0.0, 0.0, -9.8), 0.0, STEP_S)
    watch.doubt(own_fault=False)
    assert watch.against_baro
