"""The invented curve register, with the runs of known samples behind it."""

import numpy as np
import pandas as pd

from kitlib.simulation.programme import CROPS
from kitlib.simulation.scenario import CURVES, Curve
from kitlib.simulation.simulated_sensor import offset_in_force, systematic_error

_CROPS = {crop.crop: crop for crop in CROPS}
_CHECK_DAYS = np.timedelta64(7, "D")
_CHECKS_AT_MOST = 60  # runs of one curve
_CHECKS_FROM_ANCHOR = (-0.42, 3.07)
_CHECK_SD = 0.15  # of a retained sample's readings about their mean
_CAREFUL_RUNS, _RUN_SD = 3, 0.12  # of a known sample, about its own reading


def setup_runs(rng) -> pd.DataFrame:
    """Return the runs of known samples from when each curve was set up."""
    (again,) = rng.spawn(1)
    once = [_setup_runs(rng, curve) for curve in CURVES]
    runs = [
        _set_up_with_care(again, curve, runs) if curve.careful_setup else runs
        for curve, runs in zip(CURVES, once, strict=True)
    ]
    return pd.concat(runs, ignore_index=True)


def register(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the curve register; the SEP at set-up is that of the samples' means."""
    error = runs["sensor_pct"] - runs["known_pct"]
    means = error.groupby([runs["curve"], runs["sample"]], sort=False).mean()
    errors = means.groupby("curve", sort=False)
    curves = pd.DataFrame(CURVES)
    curves["sep_at_setup"] = errors.std().round(2).to_numpy()
    curves["n_at_setup"] = errors.size().to_numpy()
    return curves


def check_runs(rng, plots: pd.DataFrame) -> pd.DataFrame:
    """Return the weekly runs of retained samples, while each curve was in use.

    A retained sample has an error of its own that stays; a curve recorded in
    parallel is not checked.
    """
    spans = plots.groupby("curve_code")["harvested_at"].agg(["min", "max"])
    runs = [_check_runs(rng, code, *span) for code, *span in spans.itertuples()]
    return pd.concat(runs, ignore_index=True)


def _setup_runs(rng, curve: Curve):
    """Return the set-up runs of one curve, which was without bias then."""
    crop, n = _CROPS[curve.crop], curve.n_at_setup
    known = rng.uniform(curve.low_pct + 1, curve.high_pct - 4, n).round(2)
    minutes = pd.to_timedelta(540 + 6 * np.arange(n), unit="min")
    weight = crop.test_weight_kg_hl - 0.35 * (known - crop.anchor_pct)
    return pd.DataFrame(
        {
            "curve": curve.curve,
            "sample": [f"{curve.curve}-known-{i + 1:02}" for i in range(n)],
            "known_pct": known,
            "sensor_pct": (known + rng.normal(0, curve.sd_setup, n)).round(1),
            "run": 1,
            "sample_mass_kg": rng.uniform(1.1, 1.4, n).round(2),
            "known_test_weight_kg_hl": (weight + rng.normal(0, 0.8, n)).round(1),
            "grain_temp_c": rng.normal(20, 1.5, n).round(1),
            "ambient_temp_c": rng.normal(20, 1.0, n).round(1),
            "rewetted": np.where(np.arange(n) % 5 == 4, "yes", "no"),
            "run_at": pd.Timestamp(curve.built_on).as_unit("s") + minutes,
            "chamber_config": curve.chamber_config,
        }
    )


def _set_up_with_care(rng, curve: Curve, runs: pd.DataFrame) -> pd.DataFrame:
    """Return the set-up runs of a curve as good practice asks for them."""
    n, anchor = len(runs), _CROPS[curve.crop].anchor_pct
    away = anchor + 0.4 - runs.loc[0, "known_pct"]  # the first is taken near it
    runs.loc[0, ["known_pct", "sensor_pct"]] += away
    runs = runs.assign(
        sample_mass_kg=rng.uniform(2.7, 3.2, n).round(2),
        grain_temp_c=(runs["ambient_temp_c"] + rng.normal(0, 0.8, n)).round(1),
        rewetted="no",
    )
    every = runs.loc[np.repeat(np.arange(n), _CAREFUL_RUNS)].reset_index(drop=True)
    run = np.tile(np.arange(_CAREFUL_RUNS), n)
    read = every["sensor_pct"] + rng.normal(0, _RUN_SD, len(every))
    return every.assign(
        known_pct=every["known_pct"].round(2),
        sensor_pct=read.round(1),
        run=run + 1,
        run_at=every["run_at"] + pd.to_timedelta(2 * run, unit="min"),
    )


def _check_runs(rng, code, first, last):
    """Return the check runs of one curve, a drier and a wetter sample in turn."""
    curve = CURVES[code]
    crop = _CROPS[curve.crop]
    weeks = min(1 + (last - first) // _CHECK_DAYS, _CHECKS_AT_MOST)
    known = crop.anchor_pct + np.array(_CHECKS_FROM_ANCHOR)
    stays = systematic_error(code, known) + rng.normal(0, curve.sd_sample, 2)
    at = (first.floor("D") + pd.Timedelta(hours=8)) + np.repeat(
        np.arange(weeks) * _CHECK_DAYS, 2
    )
    change = offset_in_force(np.full(2 * weeks, code), at) - curve.offset_loaded
    read = np.tile(known + stays, weeks) + rng.normal(0, _CHECK_SD, 2 * weeks) + change
    # Dried again at the last check, the wetter one had changed, a little each week.
    changed = np.zeros((weeks, 2))
    changed[:, 1] = np.linspace(0, curve.retest_change, weeks)
    tested = np.where(np.arange(weeks)[:, None] < weeks - 1, 0.0, changed)
    return pd.DataFrame(
        {
            "curve": curve.curve,
            "sample": [f"check-{crop.code}-dry", f"check-{crop.code}-wet"] * weeks,
            "known_pct": (known + tested).ravel().round(2),
            "sensor_pct": (read + changed.ravel()).round(1),
            "run_at": at,
            "run": np.repeat(np.arange(weeks) + 1, 2),
        }
    )
