"""A small flight simulator: fictional flights with known true values.

Modules: `air` is the air mass, `airframe` the data of the glider, `glider` its motion, `plan` and `pilot` the
control of the flight, `sensors` the sensor models. `flight` combines them into a stream of samples. `demo`
contains the flights of the project.
"""

from hw_replay.simulate.demo import demo_flight, long_flight
from hw_replay.simulate.flight import Scenario, motions, sensors_of, simulate

__all__ = ["Scenario", "demo_flight", "long_flight", "motions", "sensors_of", "simulate"]
