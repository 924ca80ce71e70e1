"""How well a trial's own error is predicted, against the truth of simulated seasons.

Run: python -m calibration.own_errors [--seasons N], in tests/; see OWN_ERRORS.md.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.season.season import audit_season
from kitlib.simulation.season import simulate_season
from kitlib.statistics.reml import variance_components
from kitlib.trials.moisture_errors import TrialSpread, own_error

TRIALS, PLOTS = 14, 1000
STUCK = 6  # plots of one trial with the same reading: their truth is another


def predictions(seed: int) -> pd.DataFrame:
    """Return every trial × curve of a season: the truth, and what was predicted."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        simulate_season(folder, trials=TRIALS, plots=PLOTS, seed=seed)
        season = audit_season(folder)
        text = {"trial": str, "plot": str}
        truth = pd.read_csv(Path(folder) / "truth_plots.csv", dtype=text)
    plots = season.plots.merge(truth, on=["trial", "plot"])
    plots = plots[plots["curve"].isin(season.corrections)].dropna(subset="sensor_pct")
    pairs = season.pairing.pairs.query("used and not parallel")
    for (trial, curve), own in plots.groupby(["trial", "curve"]):
        times = own["sensor_pct"].map(own["sensor_pct"].value_counts())
        own = own[times < STUCK]
        here = pairs[(pairs["trial"] == trial) & (pairs["curve"] == curve)]
        found = predicted(season, own, here, season.spreads[curve])
        before = predicted(season, own, here, by_reml(season, curve))
        rows.append(
            {
                "truth": (own["sensor_pct"] - own["true_pct"]).mean(),
                "own": here["error"].mean(),
                "predicted": found.value,
                "se": found.se,
                "low": found.interval().low,
                "high": found.interval().high,
                "by_reml": before.value,
                "se_by_reml": before.se,
            }
        )
    return pd.DataFrame(rows).dropna(subset=["predicted", "se"])


def predicted(season, plots, pairs, spread):
    """Return the prediction of the error on one curve, readings restated."""
    plots = plots.assign(recorded_pct=plots["sensor_pct"])
    pairs = pairs.assign(recorded_pct=pairs["sensor_pct"])
    curve = plots["curve"].iloc[0]
    of_curve = season.audits, season.corrections, {curve: spread}
    return own_error(plots, pairs, 15.5, *of_curve).predicted


def by_reml(season, curve) -> TrialSpread:
    """Return the spread as REML has it, which may be 0 between trials."""
    samples = season.audits[curve].samples
    error = season.corrections[curve].apply(samples.sensor) - samples.reference
    parts = variance_components(error, samples.trial)
    n_within = samples.n - samples.n_trials
    return TrialSpread(parts.sd_trial, parts.sd_residual, n_within)


def main() -> None:
    """Simulate, predict and compare."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--seasons", type=int, default=10)
    seasons = range(1, asked.parse_args().seasons + 1)
    found = pd.concat([predictions(seed) for seed in seasons])
    ways = {"kept from zero": ("predicted", "se"), "REML": ("by_reml", "se_by_reml")}
    print(f"{len(found)} trials × curves of {len(seasons)} seasons")
    for name, (value, se) in ways.items():
        off = found[value] - found["truth"]
        beyond = (off.abs() > 2 * found[se]).mean()
        print(f"{name}: RMSE {np.sqrt((off**2).mean()):.3f}, beyond 2 SE {beyond:.1%}")
    off = found["own"] - found["truth"]
    print(f"the trial's own mean: RMSE {np.sqrt((off**2).mean()):.3f}")
    held = found["truth"].between(found["low"], found["high"]).mean()
    print(f"95 % intervals that hold the truth: {held:.1%}")


if __name__ == "__main__":
    main()
