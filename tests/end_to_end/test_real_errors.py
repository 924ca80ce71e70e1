"""The error of a trial and of an entry, where real grain says what they were.

barrero.maize of agridat (Barrero and others 2013, see tests/oracle/data): moisture and
test weight of every plot of 20 maize trials. A line through the test weights plays
the sensor, the recorded moisture the oven. Test weight follows site and variety, so
such a sensor errs by trial and by entry; all plots of a trial tell by how much.
"""

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from real_trials import read_trials, write_season
from scipy.optimize import minimize_scalar

from kitlib.season.season import audit_season
from kitlib.trials.moisture_errors import entry_error

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module", params=[2001, 2003])
def audited(request, tmp_path_factory):
    """Return a year's audit, and its plots with the error of each reading."""
    trials = read_trials().query("year == @request.param")
    trials = trials.dropna(subset=["moisture", "testweight", "yield"])
    weight, moisture = trials["testweight"], trials["moisture"]
    read = np.polyval(np.polyfit(weight, moisture, 1), weight).round(1)
    folder = write_season(trials, tmp_path_factory.mktemp("real"))
    plots = pd.read_csv(folder / "plots.csv", dtype=str).assign(sensor_pct=read)
    plots.to_csv(folder / "plots.csv", index=False)
    return audit_season(folder), trials.assign(error=read - moisture)


def test_a_trial_is_predicted_from_its_samples_and_the_season(audited):
    season, plots = audited
    own = {name: season.trial(name).own for name in season.trials}
    truth = plots.groupby("env")["error"].mean()
    bias = season.audits["M"].bias.value
    away = {name: found.predicted.value - truth[name] for name, found in own.items()}
    # The season's mean alone would be wrong by how much trials differ.
    apart = np.sqrt(np.mean(np.square(truth - bias)))
    assert np.sqrt(np.mean(np.square(list(away.values())))) < apart / 4
    for found in own.values():
        between = sorted([found.mean.value, bias])
        assert between[0] <= found.predicted.value <= between[1]
    held = [own[name].predicted.interval().holds(truth[name]) for name in own]
    # Of 10 intervals at 95 %, fewer than 8 hold with a chance of 1 in 87.
    assert np.sum(held) >= 8


def restricted_deviance(ratio, error, places, entries):
    """Return -2 log restricted likelihood by its definition, less a constant."""
    x, z = (pd.get_dummies(labels).to_numpy(float) for labels in (places, entries))
    inverse = np.linalg.inv(np.eye(len(error)) + ratio * z @ z.T)
    normal = x.T @ inverse @ x
    left = error - x @ np.linalg.solve(normal, x.T @ inverse @ error)
    squares, freedom = left @ inverse @ left, len(error) - x.shape[1]
    logs = np.linalg.slogdet(normal)[1] - np.linalg.slogdet(inverse)[1]
    return logs + freedom * np.log(squares), np.sqrt(ratio * squares / freedom)


def test_the_error_that_goes_with_the_entry_is_found(audited):
    season, plots = audited
    found = season.entry_errors["maize"]
    used = season.pairing.pairs.query("used").set_index(["trial", "plot"])
    entry = season.pairing.plots.set_index(["trial", "plot"])["entry"]
    samples = used["error"].to_numpy(float)
    trial = used.index.get_level_values("trial").astype(str)
    labels = trial, entry.loc[used.index].astype(str)
    best = minimize_scalar(
        lambda ratio: restricted_deviance(ratio, samples, *labels)[0],
        bounds=(0.0, 20.0),
        method="bounded",
        options={"xatol": 1e-9},
    )
    sd = restricted_deviance(best.x, samples, *labels)[1]
    assert found.n == samples.size and found.sd == approx(sd, rel=1e-4)
    # And it holds what all plots say, nine times as many as were sampled.
    every = entry_error(plots["error"], plots["env"], plots["gen"], np.ones(len(plots)))
    assert found.low < every.sd < found.high
    assert every.low > 0.3
