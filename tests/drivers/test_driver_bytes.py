"""For arbitrary bytes of a chip, a driver gives a plausible sample or a typed error."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.errors import SensorError
from drivers.registry import CHIPS, build
from drivers.samples import CHANNEL_OF, CHANNELS, Baro
from drivers.sensor import NEVER_S
from tests.campaigns.fuzz.babble import Babble, identity_of
from tests.support.examples import drawn


@pytest.mark.parametrize("name", CHIPS)
@given(data=st.data())
@settings(max_examples=drawn(60))
def test_whatever_a_chip_answers_it_is_a_possible_sample_or_a_typed_error(name, data):
    bus = Babble(lambda length: data.draw(st.binary(min_size=length, max_size=length)), identity_of(name))
    driver = build(name, bus, channels=[*CHIPS[name].channels, *CHIPS[name].extra])
    driver.on_sample(Baro(0.0, 80_000.0))
    driver.start(0.0)
    for _ in range(12):
        now_s = driver.due_s
        if now_s == NEVER_S:
            break
        samples, fault = (), None
        try:
            samples = driver.poll(now_s)
        except SensorError as error:
            fault = str(error)
        assert fault is None or fault.startswith(name)
        for sample in samples:
            channel = CHANNELS[CHANNEL_OF[type(sample)]]
            for field, (low, high) in channel.limits.items():
                assert low <= getattr(sample, field) <= high
            assert 0.0 <= sample.t_s <= now_s
