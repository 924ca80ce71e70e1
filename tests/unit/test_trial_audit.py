"""Trials of a season: what is kept of each, and that one does not hold the others."""

import gc
import weakref

import numpy as np
import pandas as pd
import pytest

from kitlib.season.season import audit_season
from kitlib.words.findings import SeasonRefused


def test_an_outcome_tells_what_the_trial_tells(season):
    audit = audit_season(season.folder)
    assert list(audit.outcomes) == audit.trials == ["T1", "T2", "T3"]
    for name, outcome in audit.outcomes.items():
        trial = audit.trial(name)
        both = trial.consequences
        pd.testing.assert_frame_equal(outcome.entries, trial.consequences.entries)
        assert outcome.curves == trial.curves
        assert outcome.count == trial.consequences.count
        assert outcome.yield_after_kg_ha == both.after.mean.mean()
        assert np.array_equal(outcome.ranks.rank_after, both.ranks.rank_after)
        assert outcome.findings == tuple(f for f in trial.findings if f.trial == name)


def test_a_trial_nothing_can_be_corrected_in_has_an_outcome_that_says_so(season):
    season.write("plots.csv", season.text("plots.csv").replace("T3,", "T4,"))
    season.replace("plots.csv", "T4,001,E1,wheat,W", "T4,001,E1,wheat,X")
    season.replace("plots.csv", "T4,002,E2,wheat,W", "T4,002,E2,wheat,X")
    outcome = audit_season(season.folder).outcomes["T4"]
    assert outcome.ranks is None
    assert np.isnan(outcome.yield_after_kg_ha)


def test_only_the_last_trial_asked_for_is_held(season):
    audit = audit_season(season.folder)
    first = weakref.ref(audit.trial("T1").consequences)
    assert audit.trial("T1") is audit.trial("T1")
    assert set(audit.outcomes) == {"T1", "T2", "T3"}
    gc.collect()
    assert first() is None


def test_a_trial_has_its_own_plots_and_no_others(season):
    audit = audit_season(season.folder)
    for name in audit.trials:
        own = audit.plots[audit.plots["trial"] == name]
        pd.testing.assert_frame_equal(audit.plots_of(name), own)
        pd.testing.assert_frame_equal(audit.trial(name).plots, own)


def test_a_trial_that_is_not_there_is_named(season):
    with pytest.raises(SeasonRefused, match="there is no trial 'T9'; there are T1"):
        audit_season(season.folder).trial("T9")


def test_plots_are_not_corrected_before_they_are_asked_for(season):
    audit = audit_season(season.folder)
    assert "plots" not in vars(audit)
    assert len(audit.plots) == 10
