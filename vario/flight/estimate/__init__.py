"""Estimate attitude, energy and the vario from checked samples.

Reading order: `inertial_model` (states and equations), `inertial_state` (prediction), `inertial_update`
(corrections), `regime` (the assumptions that hold), `estimator` (the choice of the filter and the output).
"""
