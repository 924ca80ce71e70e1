"""The bias from oven and benchtop samples together."""

import numpy as np

from kitlib.curves.samples import tried
from kitlib.statistics.clustered import clustered_fit
from kitlib.words.estimates import Estimate, not_known


def two_phase_bias(
    sensor_minus_bench, bench_trial, bench_minus_oven, both_trial
) -> Estimate:
    """Return the bias from oven and benchtop samples together.

    Estimand: as the bias. Mean of sensor − benchtop over every sample the meter
    measured, plus mean of benchtop − oven over those the oven measured too (both
    phases may share samples and trials). A stacked fit of both means, clustered by
    trial, gives the variance of their sum with the overlap counted.
    """
    first, second = np.asarray(sensor_minus_bench), np.asarray(bench_minus_oven)
    if min(first.size, second.size) < 2:
        return not_known("two samples measured by both oven and meter are needed")
    if first.size <= second.size:
        return not_known("no sample was measured by the benchtop meter alone")
    design = np.zeros((first.size + second.size, 2))
    design[: first.size, 0] = 1.0
    design[first.size :, 1] = 1.0
    trial = np.concatenate([bench_trial, both_trial])
    fit, why = tried(clustered_fit, design, np.concatenate([first, second]), trial)
    return fit.contrast([1.0, 1.0]) if fit else not_known(why)
