"""Real trials as a season: nothing stops it, entry means are those of R's lm.

20 maize trials of 2001 and 2003 (agridat barrero.maize, MIT; Barrero and others 2013;
the licence stands in the data file). Recorded moisture is sensor and oven alike, so
the audit must find no error; the entry means against r/texas_maize.R, R 4.2.2.
"""

from pathlib import Path

import pandas as pd
import pytest
from pytest import approx
from real_trials import plots_of, read_trials, write_season

from kitlib.season.season import audit_season
from kitlib.trials.means import entry_means

DATA = Path(__file__).parent / "data"
TRIALS = read_trials()
BY_R = pd.read_csv(DATA / "texas_maize_means_r.csv", comment="#", dtype={"gen": str})


@pytest.fixture(scope="module")
def audited(tmp_path_factory):
    return audit_season(write_season(TRIALS, tmp_path_factory.mktemp("maize")))


def test_no_real_trial_stops_the_audit_or_gives_a_unit_alarm(audited):
    assert len(audited.trials) == 20
    codes = {found.code for found in audited.findings}
    assert not {f.severity for f in audited.findings} & {"stop", "fault"}
    assert "unit-doubtful" not in codes


def test_equal_readings_and_oven_results_have_no_bias(audited):
    (audit,) = audited.audits.values()
    assert audit.bias.value == approx(0, abs=1e-12)
    assert audit.n > 200
    assert audited.advice["M"].action != "shift"


@pytest.mark.parametrize("trial", sorted(TRIALS["env"].unique()))
def test_entry_means_are_those_of_r(trial):
    own = TRIALS[(TRIALS["env"] == trial) & TRIALS["yield"].notna()]
    found = entry_means(
        own["yield"].to_numpy(), own["gen"].to_numpy(str), own["rep"].to_numpy(str)
    )
    wanted = BY_R[BY_R["env"] == trial].set_index("gen")
    assert found.mean == approx(wanted["mean"].loc[found.entries].to_numpy(), rel=1e-9)
    assert found.residual_sd == approx(wanted["residual_sd"].iloc[0], rel=1e-9)


def test_yields_at_standard_moisture_come_back(audited):
    # The masses were made from the yields at 15.5 %, so they must give them again.
    yields = audited.plots.set_index(["trial", "plot"])["yield_before_kg_ha"]
    plots = plots_of(TRIALS).set_index(["trial", "plot"])
    wanted = pd.Series(1000 * TRIALS["yield"].to_numpy(), plots.index).dropna()
    known = yields.reindex(wanted.index).notna()
    assert known.sum() > 2050
    got = yields.reindex(wanted.index)[known]
    assert got.to_numpy() == approx(wanted[known].to_numpy(), rel=1e-6)
