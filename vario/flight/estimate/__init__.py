"""From checked samples to attitude and energy: the heart of the instrument.

Reading order: `inertial_model` (states and equations), `inertial_state` (prediction), `inertial`
(corrections), `regime` (what may be assumed), `estimator` (what is believed and said).
"""
