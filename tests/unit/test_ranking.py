"""Trials ranked side by side come out as they do one after another."""

import sys

import pandas as pd
import pytest

from kitlib.runs import ranking
from kitlib.runs.ranking import rank_trials
from kitlib.season.season import audit_season
from kitlib.words.digests import digest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="trials are not forked")


@pytest.fixture
def audit(season, monkeypatch):
    monkeypatch.setattr(ranking, "MANY_PLOTS", 1)
    return audit_season(season.folder)


def entries_of(audit):
    found = [outcome.entries for outcome in audit.outcomes.values()]
    return pd.concat(found, ignore_index=True)


def test_side_by_side_trials_come_out_the_same(audit, season):
    rank_trials(audit, 1)
    again = audit_season(season.folder)
    rank_trials(again, 2)
    assert list(again.outcomes) == list(audit.outcomes) == ["T1", "T2", "T3"]
    assert not again._trials  # worked out elsewhere
    assert digest(entries_of(again)) == digest(entries_of(audit))


# The process ends at once, or with half of its answer written.
ENDINGS = {"before": "exit 1", "amid": "cat > /dev/null; printf '\\200\\005\\225\\377'"}


@pytest.mark.parametrize("ending", ENDINGS.values(), ids=ENDINGS)
def test_what_cannot_be_had_elsewhere_is_worked_out_here(
    ending, demo, tmp_path, monkeypatch
):
    other = tmp_path / "python"
    other.write_text(f"#!/bin/sh\n{ending}\n")
    other.chmod(0o755)
    monkeypatch.setattr(ranking, "MANY_PLOTS", 1)
    monkeypatch.setattr(sys, "executable", str(other))
    audit = audit_season(demo)  # more than fits into a pipe
    rank_trials(audit, 2)
    assert list(audit.outcomes) == audit.trials
    assert audit._trials


def test_few_plots_start_no_process(season, monkeypatch):
    monkeypatch.setattr(sys, "executable", "/nowhere")
    audit = audit_season(season.folder)
    rank_trials(audit, 2)
    assert audit._trials
