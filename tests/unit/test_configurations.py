"""Plots harvested in another chamber configuration."""

import numpy as np

from kitlib.review.setup_runs import other_configuration
from kitlib.words.estimates import Estimate

CHANGE = Estimate(value=0.4, se=0.1, df=5)


def test_others_are_counted_and_unknown_ones_are_not():
    at_harvest = ["wide", "slim", None, "slim", "tall"]
    found = other_configuration("wide", at_harvest, CHANGE)
    assert (found.n_plots, found.n_other) == (4, 3)
    assert found.configurations == ("slim", "tall")
    assert found.change is CHANGE


def test_a_curve_without_its_own_configuration_has_no_other():
    assert other_configuration(np.nan, ["wide"], CHANGE).n_other == 0
    assert other_configuration("wide", [], CHANGE).n_plots == 0
