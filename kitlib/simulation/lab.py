"""The invented lab: samples taken from plots, oven dishes, benchtop readings.

The invented curve register, with the runs of known samples behind it.
"""

import numpy as np
import pandas as pd

from kitlib.simulation.harvest import offset_in_force, systematic_error
from kitlib.simulation.scenario import (
    CROPS,
    CURVES,
    METERS,
    NO_OVEN,
    ODD_TOO,
    RANDOM,
    STRATIFIED,
    SUSPICIOUS,
    Curve,
)

OVEN_SHARE, OVEN_AT_MOST = 1 / 6, 32  # of a trial's plots, and samples per trial
DISHES, READINGS = 2, 3
_OVEN_RUN_SD = 0.03  # shared by the dishes of one trial, dried together
_PRESTAGE_G = 100.0
_CONDITIONED_PCT = 12.5  # moisture after the first of two drying stages
_METERS = {(m.meter, m.crop): m for m in METERS}
_OVENS = pd.DataFrame([crop.oven for crop in CROPS])
_ANCHORS = np.array([crop.anchor_pct for crop in CROPS])


def take_samples(rng, plots: pd.DataFrame, plan: pd.DataFrame) -> pd.DataFrame:
    """Return the plots sampled for the oven or for the benchtop meter alone.

    Parameters
    ----------
    rng : Generator
    plots, plan : DataFrame
        From `kitlib.simulation.harvest`.

    Returns
    -------
    DataFrame
        The sampled rows of `plots` with the sample's label, what its trial says of
        lab, meter and crop, `selection_reason` (empty: benchtop only), and when it
        was taken.
    """
    by_trial = plan.iloc[plots["trial_code"]].set_index(plots.index)
    share = np.minimum(OVEN_SHARE, OVEN_AT_MOST / by_trial["plots"])
    chance = pd.Series(rng.random(len(plots)), index=plots.index)
    at_random = by_trial["selection"].isin([RANDOM, NO_OVEN])
    picked = _pick(rng, plots, share, chance.where(at_random, plots["sensor_pct"]))
    reason = pd.Series(STRATIFIED, index=picked, dtype=object)
    reason[by_trial.loc[picked, "selection"] == RANDOM] = RANDOM
    reason[by_trial.loc[picked, "selection"] == NO_OVEN] = None
    left = plots.drop(picked)
    odd = _oddest(left[by_trial.loc[left.index, "selection"] == ODD_TOO])
    left = left.drop(odd)
    as_many = (share / (1 - share))[left.index]
    further = _pick(rng, left, as_many, chance[left.index])
    further = further[by_trial.loc[further, "selection"] != NO_OVEN]
    reason = pd.concat(
        [reason, pd.Series(SUSPICIOUS, odd), pd.Series(None, further, dtype=object)]
    ).sort_index()
    return _labelled(rng, plots.loc[reason.index], by_trial.loc[reason.index], reason)


def oven_table(rng, samples: pd.DataFrame) -> pd.DataFrame:
    """Return the oven's dishes: weighings where the lab reports them, else percent.

    A dish's moisture is the sample's own plus what its oven run and the dish add.
    Wet samples of some methods are dried in two stages; M = A + (100 - A) B / 100,
    A lost in the first stage and B from the dish.
    """
    dried = samples[samples["selection_reason"].notna()]
    run_of_trial = rng.normal(0, _OVEN_RUN_SD, samples["trial_code"].max() + 1)
    wait = rng.uniform(4, 60, len(dried)) * np.timedelta64(3600, "s")
    dried = dried.assign(
        weighed_at=(dried["sampled_at"] + wait).dt.floor("min"),
        in_oven_pct=dried["true_pct"] + run_of_trial[dried["trial_code"]],
        conditioned_pct=rng.normal(_CONDITIONED_PCT, 0.4, len(dried)),
    )
    dishes = dried.loc[dried.index.repeat(DISHES)].reset_index(drop=True)
    dishes["dish"] = np.tile(np.arange(DISHES) + 1, len(dried))
    oven = _OVENS.iloc[dishes["crop_code"]].set_index(dishes.index)
    dishes["method"] = oven["method"]
    moisture = dishes["in_oven_pct"] + rng.normal(0, oven["dish_sd"])
    dishes["moisture_pct"] = moisture.round(2).mask(dishes["weighs"])
    _weigh(rng, dishes, oven, moisture)
    return dishes


def benchtop_table(rng, samples: pd.DataFrame) -> pd.DataFrame:
    """Return the benchtop meters' readings of every sample."""
    meters = pd.DataFrame(
        [_METERS[key] for key in zip(samples["meter"], samples["crop"], strict=True)],
        index=samples.index,
    )
    from_anchor = samples["true_pct"] - _ANCHORS[samples["crop_code"]]
    systematic = meters["bias_at_anchor"] + (meters["gain"] - 1) * from_anchor
    own = meters["sd_sample"] * rng.standard_normal(len(samples))
    samples = samples.assign(
        mean_pct=samples["true_pct"] + systematic + own,
        sd_repeat=meters["sd_repeat"],
        wait=rng.integers(60, 360, len(samples)),
    )
    readings = samples.loc[samples.index.repeat(READINGS)].reset_index(drop=True)
    n = len(readings)
    readings["reading"] = np.tile(np.arange(READINGS) + 1, len(samples))
    repeat = readings["sd_repeat"] * rng.standard_normal(n)
    readings["moisture_pct"] = (readings["mean_pct"] + repeat).round(1)
    minutes = readings["wait"] + 2 * readings["reading"]
    readings["read_at"] = readings["sampled_at"] + pd.to_timedelta(minutes, unit="min")
    readings["grain_temp_c"] = rng.normal(21, 0.6, n).round(1)
    weight = readings["test_weight_kg_hl"] + rng.normal(0, 0.3, n)
    readings["test_weight_kg_hl"] = weight.round(1)
    return readings


def _pick(rng, plots, share, order):
    """Return a share of every trial's and curve's plots, spread evenly over `order`.

    The plots are put in order and cut into as many equal parts as samples are
    wanted; one plot of each part is drawn. Ordered by chance, that is a random draw.
    """
    keys = [plots["trial_code"], plots["curve_code"]]
    size = order.groupby(keys).transform("size")
    rank = order.groupby(keys).rank(method="first") - 0.5  # parts alike at both ends
    wanted = np.maximum(np.rint(size * share), 1)
    part = (rank * wanted // size).to_numpy()
    frame = pd.DataFrame({"trial": keys[0], "curve": keys[1], "part": part})
    shuffled = frame.iloc[rng.permutation(len(frame))]
    return shuffled.drop_duplicates().index.sort_values()


def _oddest(plots):
    """Return the plot of every trial and curve that reads highest above the rest."""
    if plots.empty:
        return plots.index
    keys = [plots["trial_code"], plots["curve_code"]]
    return pd.Index(plots.groupby(keys)["sensor_pct"].idxmax())


def _labelled(rng, plots, by_trial, reason):
    """Add the sample labels, the trial's lab and meter, and the time of sampling."""
    numbers = np.arange(len(plots)) + 1
    width = max(4, len(str(len(plots))))
    minutes = pd.to_timedelta(rng.integers(2, 12, len(plots)), unit="min")
    return plots.drop(columns="remark").assign(
        sample=[f"S{number:0{width}}" for number in numbers],
        selection_reason=reason,
        sampled_at=(plots["harvested_at"] + minutes).dt.floor("min"),
        **by_trial[["lab", "weighs", "meter", "crop_code"]],
    )


def _weigh(rng, dishes, oven, moisture):
    """Add the weighings to the milligram, where the lab reports them."""
    two_stages = dishes["weighs"] & (dishes["in_oven_pct"] >= oven["prestage_from_pct"])
    spare = pd.Series(rng.uniform(-2, 2, len(dishes)).round(2))
    first = _PRESTAGE_G + spare.groupby(dishes["sample"]).transform("first")
    kept = (100 - dishes["in_oven_pct"]) / (100 - dishes["conditioned_pct"])
    dishes["prestage_wet_g"] = first.where(two_stages)
    dishes["prestage_dry_g"] = (first * kept).round(2).where(two_stages)
    kept = (dishes["prestage_dry_g"] / dishes["prestage_wet_g"]).fillna(1)
    in_dish = 100 - (100 - moisture) / kept
    is_wet = dishes["in_oven_pct"] >= oven["wet_from_pct"]
    portion = oven["portion_g"].mask(is_wet, oven["wet_portion_g"])
    tare = rng.uniform(18, 24, len(dishes)).round(3)
    grain = (portion * rng.uniform(1, 1.06, len(dishes))).round(3)
    dry = tare + grain * (1 - in_dish / 100)
    dishes["tare_g"] = pd.Series(tare, index=dishes.index).where(dishes["weighs"])
    dishes["wet_g"] = (tare + grain).round(3).where(dishes["weighs"])
    dishes["dry_g"] = dry.round(3).where(dishes["weighs"])


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
            "grain_mass_kg": rng.uniform(1.1, 1.4, n).round(2),
            "lab_test_weight_kg_hl": (weight + rng.normal(0, 0.8, n)).round(1),
            "grain_temp_c": rng.normal(20, 1.5, n).round(1),
            "air_temp_c": rng.normal(20, 1.0, n).round(1),
            "water_added": np.where(np.arange(n) % 5 == 4, "yes", "no"),
            "run_at": pd.Timestamp(curve.built_on).as_unit("s") + minutes,
            "chamber_config": curve.chamber_config,
        }
    )


def _set_up_with_care(rng, curve: Curve, runs: pd.DataFrame) -> pd.DataFrame:
    """Return the set-up runs of a curve as a careful crew takes them."""
    n, anchor = len(runs), _CROPS[curve.crop].anchor_pct
    away = anchor + 0.4 - runs["known_pct"].iloc[0]  # the first is taken near it
    runs.loc[0, ["known_pct", "sensor_pct"]] += away
    runs = runs.assign(
        grain_mass_kg=rng.uniform(2.7, 3.2, n).round(2),
        grain_temp_c=(runs["air_temp_c"] + rng.normal(0, 0.8, n)).round(1),
        water_added="no",
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
