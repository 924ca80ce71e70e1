"""What other processes are handed, and trials ranked side by side."""

import os

import pandas as pd
import pytest

from kitlib.intake.outputs import digest
from kitlib.runs import workers
from kitlib.runs.workers import rank_trials, read_audit, write_audit
from kitlib.season.season import audit_season


@pytest.fixture
def audit(season, monkeypatch):
    monkeypatch.setattr(workers, "MANY_PLOTS", 1)
    return audit_season(season.folder)


def entries_of(audit):
    found = [outcome.entries for outcome in audit.outcomes.values()]
    return pd.concat(found, ignore_index=True)


def test_an_audit_is_handed_over_whole_and_changed_for_its_reader_only(
    audited_demo, tmp_path
):
    path = tmp_path / "audit"
    write_audit(audited_demo, audited_demo.folder, path)
    first = read_audit(path)
    first.pairing.pairs["sensor_pct"] = 0.0
    first.pairing.plots.loc[:, "plot_mass_kg"] = 0.0
    second = read_audit(path)
    for part in ("settings", "tables", "pairing", "audits", "advice"):
        assert digest(getattr(second, part)) == digest(getattr(audited_demo, part))


@pytest.mark.slow
def test_side_by_side_trials_come_out_the_same(audit, season):
    rank_trials(audit, 1)
    again = audit_season(season.folder)
    rank_trials(again, 2)
    assert list(again.outcomes) == list(audit.outcomes) == ["T1", "T2", "T3"]
    assert not again._trials  # worked out elsewhere
    assert digest(entries_of(again)) == digest(entries_of(audit))


def end_at_once(path):
    os._exit(1)


@pytest.mark.slow
def test_what_cannot_be_had_elsewhere_is_worked_out_here(audit, monkeypatch):
    monkeypatch.setattr(workers, "_begin_ranking", end_at_once)
    rank_trials(audit, 2)
    assert list(audit.outcomes) == audit.trials
    assert audit._trials


def test_few_plots_start_no_process(season, monkeypatch):
    monkeypatch.setattr(workers, "get_context", None)
    audit = audit_season(season.folder)
    rank_trials(audit, 2)
    assert audit._trials
