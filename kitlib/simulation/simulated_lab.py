"""The invented lab: samples taken from plots, oven dishes, benchtop readings."""

import numpy as np
import pandas as pd

from kitlib.simulation.programme import CROPS, METERS
from kitlib.simulation.scenario import NO_OVEN, ODD_TOO, RANDOM, STRATIFIED, SUSPICIOUS

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
        From `kitlib.simulation.simulated_harvest`.

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
