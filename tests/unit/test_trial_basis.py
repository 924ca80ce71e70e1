"""What a trial's report rests on: all of it, and nothing more than must be."""

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from whole_reports import trial_report

from kitlib.intake.pairs import OVEN, Pairing
from kitlib.reports.blocks import Report
from kitlib.reports.trial_sections import trial_basis
from kitlib.reports.typeset import as_json
from kitlib.review.plan import entries_wanted
from kitlib.review.review import review_curves
from kitlib.season.season import audit_season
from kitlib.words.findings import Finding

pytestmark = pytest.mark.slow

MODULES = "kitlib.reports.curve_sections", "kitlib.reports.trial_sections"
NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "3_trial.ipynb"


def report_of(season, name):
    """Return all that the report says and shows."""
    return as_json(trial_report(season, name))


def shown_in_the_notebook(season, name, monkeypatch):
    """Return all that the notebook's cells show."""
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    code = ["".join(c["source"]) for c in cells if c["cell_type"] == "code"]
    shown = Report(kind="Trial report", title=name)
    with monkeypatch.context() as patch:
        patch.setattr(Report, "show", lambda _, *blocks: shown.blocks.extend(blocks))
        patch.setattr("kitlib.season.season.audit_season", lambda folder: season)
        exec("\n".join(code[1:]), {"season": "none", "trial": name, "report": ""})
    return as_json(shown)


@pytest.fixture
def only_its_part(monkeypatch):
    """Return what makes a season of the part alone that a trial is made from."""

    def bare(season, name):
        trial = season.trial(name)
        pairing, kept = season.pairing, trial.curves
        pairs, left_out = pairing.pairs, pairing.left_out
        curves = review_curves(season).curves
        own_curves = SimpleNamespace(curves={c: curves[c] for c in curves if c in kept})
        wanted = {trial.crop: entries_wanted(season, trial.crop)}
        monkeypatch.setattr(
            "kitlib.reports.trial_sections.entries_wanted",
            lambda season, crop: wanted[crop],
        )
        for module in MODULES:
            monkeypatch.setattr(f"{module}.review_curves", lambda season: own_curves)
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
        vars(own).update(
            plots=season.plots_of(name),
            findings=findings,
            entry_errors={trial.crop: season.entry_errors.get(trial.crop)},
        )
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


def with_another(season, **parts):
    """Return the season with some of its parts exchanged, all else as it was."""
    kept = ("plots", "findings", "entry_errors")
    worked_out = {part: getattr(season, part) for part in kept}
    fields = {k: v for k, v in parts.items() if k not in worked_out}
    other = replace(season, _trials={}, **fields)
    vars(other).update(worked_out | {k: parts[k] for k in worked_out if k in parts})
    return other


def changed_cell(table, rows, column, value):
    """Return a table with one cell changed, in the first of some rows."""
    changed = table.copy()
    changed.loc[changed.index[rows][0], column] = value
    return changed


def exchanges(season, name, curve):
    """Yield each thing a report is made from, exchanged alone, and its part."""
    pairing, plots = season.pairing, season.plots
    own, left = plots["trial"] == name, pairing.left_out["trial"] == name
    others = (pairing.pairs["curve"] == curve) & (pairing.pairs["trial"] != name)
    others &= pairing.pairs["basis"] == OVEN
    more = Finding(code="two-curves", trial=name, message="said besides")
    of_curve = Finding(code="sample-apart", curve=curve, message="said besides")
    audit, advice = season.audits[curve], season.advice[curve]
    yield "settings", {"settings": season.settings.model_copy(update={"seed": 99})}
    yield "plots", {"plots": changed_cell(plots, own, "yield_after_kg_ha", 1.0)}
    rows = changed_cell(pairing.left_out, left, "reason", "another")
    yield "rows", {"pairing": replace(pairing, left_out=rows)}
    yield "entries'", {"entry_errors": {}}
    yield "findings", {"findings": [*season.findings, more]}
    yield "findings", {"findings": [*season.findings, of_curve]}
    other = replace(audit, q_value=0.123)
    yield "curve", {"audits": season.audits | {curve: other}}
    yield (
        "curve",
        {"advice": season.advice | {curve: replace(advice, reason="another")}},
    )
    rows = changed_cell(pairing.pairs, others, "reference_pct", 1.0)
    yield "curve", {"pairing": replace(pairing, pairs=rows)}


def test_each_thing_a_report_is_made_from_is_in_the_basis(audited_demo):
    name, curve = "wheat-11", "wheat-S1"
    basis = trial_basis(audited_demo, name)
    assert trial_basis(with_another(audited_demo), name) == basis
    for part, exchanged in exchanges(audited_demo, name, curve):
        other = trial_basis(with_another(audited_demo, **exchanged), name)
        changed = {key for key, sha in other.items() if basis.get(key) != sha}
        assert [key.split(" ")[0] for key in changed] == [part], exchanged.keys()


def test_set_up_and_check_samples_are_in_the_basis(audited_demo, monkeypatch):
    basis = trial_basis(audited_demo, "wheat-11")
    none = SimpleNamespace(curves={})
    monkeypatch.setattr(f"{MODULES[0]}.review_curves", lambda season: none)
    other = trial_basis(with_another(audited_demo), "wheat-11")
    changed = {key for key in other if basis[key] != other[key]}
    assert changed == {"curve wheat-S1", "curve wheat-S2"}


def test_a_sample_of_the_trial_is_in_the_basis(audited_demo):
    pairing = audited_demo.pairing
    own = pairing.pairs["trial"] == "wheat-11"
    pairs = changed_cell(pairing.pairs, own, "reference_pct", 1.0)
    other = with_another(audited_demo, pairing=replace(pairing, pairs=pairs))
    basis, found = (trial_basis(s, "wheat-11") for s in (audited_demo, other))
    assert any(basis[key] != found[key] for key in found if key.startswith("samples"))
