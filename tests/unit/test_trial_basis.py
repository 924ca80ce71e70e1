"""What a trial's report rests on: all of it, and nothing more than must be."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from kitlib.intake.pairs import OVEN, Pairing
from kitlib.pages.typeset import as_json
from kitlib.reports import trial_condition
from kitlib.reports.trial_basis import trial_basis
from kitlib.reports.trial_condition import curve_condition
from kitlib.reports.trial_report import trial_report
from kitlib.season.season_audit import audit_season

NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "3_trial.ipynb"


def report_of(season, name):
    """Return all that the report says and shows."""
    return as_json(trial_report(season, name))


def shown_in_the_notebook(season, name, monkeypatch):
    """Return all that the notebook's cells show."""
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    code = ["".join(c["source"]) for c in cells if c["cell_type"] == "code"]
    shown = []
    with monkeypatch.context() as patch:
        patch.setattr("kitlib.pages.looks.look", lambda *blocks: shown.extend(blocks))
        patch.setattr("kitlib.season.season_audit.audit_season", lambda folder: season)
        exec("\n".join(code[1:]), {"season": "none", "trial": name, "report": ""})
    return as_json(shown)


@pytest.fixture
def only_its_part(monkeypatch):
    """Return what makes a season of the part alone that a trial is made from."""

    def bare(season, name):
        trial = season.trial(name)
        pairing, kept = season.pairing, trial.curves
        pairs, left_out = pairing.pairs, pairing.left_out
        conditions = {curve: curve_condition(season, curve) for curve in kept}
        monkeypatch.setattr(
            trial_condition,
            "_season_curves",
            lambda season: SimpleNamespace(
                order=[c for c, found in conditions.items() if found],
                condition=conditions.__getitem__,
            ),
        )
        own = replace(
            season,
            folder=Path("nowhere"),
            tables={},
            reference=None,
            pairing=Pairing(
                plots=pairing.plots[pairing.plots["trial"] == name],
                pairs=pairs[
                    (pairs["trial"] == name)
                    | (pairs["curve"].isin(kept) & (pairs["basis"] == OVEN))
                ],
                left_out=left_out[left_out["trial"] == name],
                counts=None,
                findings=None,
            ),
            audits={c: a for c, a in season.audits.items() if c in kept},
            advice={c: a for c, a in season.advice.items() if c in kept},
            pooled={},
            shrunken={},
            _trials={},
        )
        findings = [
            f
            for f in season.findings
            if f.trial == name or (f.curve in kept and not f.trial)
        ]
        vars(own).update(plots=season.plots_of(name), findings=findings)
        return own

    return bare


@pytest.mark.parametrize("name", ["maize-05", "wheat-11", "maize-04", "soybean-16"])
def test_a_report_needs_nothing_else_of_the_season(
    audited_demo, name, only_its_part, monkeypatch
):
    whole = report_of(audited_demo, name)
    shown = shown_in_the_notebook(audited_demo, name, monkeypatch)
    basis = trial_basis(audited_demo, name)
    bare = only_its_part(audited_demo, name)
    assert trial_basis(bare, name) == basis
    assert report_of(bare, name) == whole
    assert shown_in_the_notebook(bare, name, monkeypatch) == shown


def bases_of(season):
    audit = audit_season(season.folder)
    return {name: trial_basis(audit, name) for name in audit.trials}


def test_a_yield_concerns_its_trial_alone(season):
    before = bases_of(season)
    season.replace(
        "plots.csv", "T2,003,E1,wheat,W,16.0,4.9", "T2,003,E1,wheat,W,16.0,4.8"
    )
    after = bases_of(season)
    assert [name for name in after if after[name] != before[name]] == ["T2"]
    changed = {part for part in after["T2"] if after["T2"][part] != before["T2"][part]}
    assert changed == {"plots of the trial (4)"}


def test_a_reading_concerns_all_trials_of_its_curve(season):
    season.replace("plots.csv", "T3,001,E1,wheat,W", "T3,001,E1,wheat,V")
    season.replace("plots.csv", "T3,002,E2,wheat,W", "T3,002,E2,wheat,V")
    season.write("curves.csv", season.text("curves.csv") + "V,wheat,0.1\n")
    before = bases_of(season)
    season.replace("plots.csv", "T1,001,E1,wheat,W,14.2", "T1,001,E1,wheat,W,14.3")
    after = bases_of(season)
    assert [name for name in after if after[name] != before[name]] == ["T1", "T2"]


def test_a_setting_concerns_every_trial(season):
    before = bases_of(season)
    season.write("season.toml", season.text("season.toml") + "seed = 7\n")
    after = bases_of(season)
    assert all(after[name]["settings"] != before[name]["settings"] for name in after)
