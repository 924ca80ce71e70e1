"""The invented harvest: trials in the field, sensors that read, samples in the lab."""

import numpy as np
import pandas as pd

from kitlib.simulation.scenario import (
    CHECK_ENTRIES,
    CHECKED,
    CROPS,
    CURVES,
    GROWTH_PER_POINT,
    INCOMPLETE,
    METERS,
    NO_OVEN,
    ODD_TOO,
    PLACES,
    RANDOM,
    RANGE,
    REPEAT_SHARE,
    STRATIFIED,
    SUSPICIOUS,
    TRIALS,
    Curve,
)
from kitlib.trials.yields import M2_PER_HA

CURVE_TRUTH = pd.DataFrame(CURVES).merge(
    pd.DataFrame(CROPS), on="crop", validate="many_to_one"
)
CURVE_CODES = {curve.curve: code for code, curve in enumerate(CURVES)}


def of_curve(name, curve_code):
    """Return a property of curves, from scenario or programme, by their codes."""
    return CURVE_TRUTH[name].to_numpy()[curve_code]


def systematic_error(curve_code, true_pct):
    """Return a curve's mean error over all trials at a true moisture. [points]

    Sensor - true moisture with the register's offset loaded: the bias at the
    anchor, plus what the gain and the bend add away from it.
    """
    from_anchor = true_pct - of_curve("anchor_pct", curve_code)
    beyond = np.maximum(true_pct - of_curve("bend_from_pct", curve_code), 0)
    return (
        of_curve("bias_at_anchor", curve_code)
        + (of_curve("gain", curve_code) - 1) * from_anchor
        + of_curve("bend", curve_code) * beyond
    )


def sample_sd(curve_code, true_pct):
    """Return the SD of a sample's own error at a true moisture. [points]"""
    from_anchor = true_pct - of_curve("anchor_pct", curve_code)
    growth = np.maximum(1 + GROWTH_PER_POINT * from_anchor, 0.5)
    return of_curve("sd_sample", curve_code) * growth


def read_sensor(rng, plots: pd.DataFrame, curve_code) -> np.ndarray:
    """Return what plots read by a curve, its register's offset loaded. [%]

    A curve recorded in parallel shares the trial's error and the sample's own, as
    both come from the same signal; only the repeatability is drawn anew.
    """
    true_pct = plots["true_pct"].to_numpy()
    repeat = rng.standard_normal(len(plots))
    own = np.sqrt(1 - REPEAT_SHARE) * plots["z_sample"] + np.sqrt(REPEAT_SHARE) * repeat
    return (
        true_pct
        + systematic_error(curve_code, true_pct)
        + of_curve("sd_trial", curve_code) * plots["z_trial"].to_numpy()
        + sample_sd(curve_code, true_pct) * own.to_numpy()
    )


def offset_in_force(curve_code, at) -> np.ndarray:
    """Return the offset that was loaded at a time, by curve. [points]"""
    changed = pd.to_datetime(CURVE_TRUTH["offset_changed_on"]).to_numpy()[curve_code]
    before = np.asarray(at) < changed  # no change is no date, and never before it
    loaded = of_curve("offset_loaded", curve_code)
    return np.where(before, of_curve("offset_before", curve_code), loaded)


_CROP_CODES = {crop.crop: code for code, crop in enumerate(CROPS)}
_CROP_OF_CURVE = CURVE_TRUTH["crop"].map(_CROP_CODES).to_numpy()
_SENSOR_OF_CURVE = pd.factorize(CURVE_TRUTH["sensor"])[0]

PLOTS_AT_LEAST = 4  # per trial, so that the smallest trial gets one
_PLOTS_PER_BLOCK = {INCOMPLETE: 8, CHECKED: 20}
_SECONDS_PER_PLOT, _PLOTS_PER_DAY = 75, 400


def plan_trials(rng, trials: int, plots: int) -> pd.DataFrame:
    """Return the trials of a season, one row each, `plots` shared out among them.

    The planned trials are used in turn; when they are used again, their mean
    moisture is another one.

    Parameters
    ----------
    rng : Generator
    trials, plots : int
        Number of trials, and of plots in all of them together.

    Examples
    --------
    >>> plan = plan_trials(np.random.default_rng(1), trials=2, plots=20)
    >>> plan["trial"].tolist(), int(plan["plots"].sum())
    (['maize-01', 'maize-02'], 20)
    """
    number = np.arange(trials)
    plan = pd.DataFrame([TRIALS[i % len(TRIALS)] for i in number])
    plan["mean_pct"] += rng.normal(0, 1, trials) * (number >= len(TRIALS))
    plan["plots"] = _share_out(plots, plan["plots"].to_numpy())
    plan["first_curve"] = [CURVE_CODES[curves[0]] for curves in plan["curves"]]
    plan["last_curve"] = [CURVE_CODES[curves[-1]] for curves in plan["curves"]]
    plan["crop_code"] = _CROP_OF_CURVE[plan["first_curve"]]
    width = max(2, len(str(trials)))
    crops = [CROPS[code].crop for code in plan["crop_code"]]
    plan["trial"] = [
        f"{crop}-{i + 1:0{width}}" for crop, i in zip(crops, number, strict=True)
    ]
    return plan.merge(pd.DataFrame(PLACES), on="location", validate="many_to_one")


def harvest(rng, plan: pd.DataFrame) -> pd.DataFrame:
    """Return the harvested plots, with their true moisture and yield.

    Parameters
    ----------
    rng : Generator
    plan : DataFrame
        The trials, from `plan_trials`.

    Returns
    -------
    DataFrame
        One row per plot: the columns of the plots table, `true_pct` [% moisture],
        `true_yield_kg_ha` at standard moisture, the codes of trial and curve, and
        the standardised errors `z_trial` and `z_sample`.
    """
    plots = _lay_out(rng, plan)
    trial = plots["trial_code"].to_numpy()
    crop = plan["crop_code"].to_numpy()[trial]
    plots["harvested_at"], hours = _harvest_times(plots, plan)
    _grow(rng, plots, plan, crop, hours)
    _weigh(rng, plots, plan, crop, hours)
    z_by_sensor = rng.standard_normal((len(plan), _SENSOR_OF_CURVE.max() + 1))
    plots["z_trial"] = z_by_sensor[trial, _SENSOR_OF_CURVE[plots["curve_code"]]]
    plots["z_sample"] = rng.standard_normal(len(plots))
    reading = read_sensor(rng, plots, plots["curve_code"].to_numpy())
    plots["offset_in_force"] = offset_in_force(
        plots["curve_code"].to_numpy(), plots["harvested_at"].to_numpy()
    )
    loaded = of_curve("offset_loaded", plots["curve_code"])
    plots["sensor_pct"] = np.round(reading + plots["offset_in_force"] - loaded, 1)
    return _named(rng, plots, plan, crop)


def check_entries() -> list[str]:
    """Return the names of the entries that are sown in every trial."""
    return [f"check-{number + 1}" for number in range(CHECK_ENTRIES)]


def _share_out(total, weights):
    """Return whole numbers in proportion to weights that add up to the total."""
    exact = total * weights / weights.sum()
    whole = np.floor(exact).astype(int)
    most_missing = np.argsort(whole - exact, kind="stable")
    whole[most_missing[: total - whole.sum()]] += 1
    return whole


def _lay_out(rng, plan):
    """Return every plot's trial, place in the field, entry, block and curve."""
    sown = [
        _sow(rng, design, replicates, n)
        for design, replicates, n in plan[["design", "replicates", "plots"]].values
    ]
    entry, block = (np.concatenate(parts) for parts in zip(*sown, strict=True))
    trial = np.repeat(np.arange(len(plan)), plan["plots"])
    position = np.concatenate([np.arange(n) for n in plan["plots"]])
    across = np.ceil(np.sqrt(1.5 * plan["plots"])).astype(int).to_numpy()[trial]
    range_, row = position // across, position % across
    shared = np.where((plan["shared_by"] == RANGE).to_numpy()[trial], range_, block)
    first, last = plan["first_curve"].to_numpy(), plan["last_curve"].to_numpy()
    return pd.DataFrame(
        {
            "trial_code": trial,
            "curve_code": np.where(shared % 2 == 0, first[trial], last[trial]),
            "entry_code": entry,
            "position": position,
            "block": block + 1,
            "row": row + 1,
            "range": range_ + 1,
            # Harvest goes up one range and down the next.
            "order": range_ * across + np.where(range_ % 2, across - 1 - row, row),
        }
    )


def _sow(rng, design, replicates, n):
    """Return entry and block of n plots in field order; checks are entries 0 to 2."""
    place = np.arange(n)
    if design == CHECKED:
        block = place // _PLOTS_PER_BLOCK[CHECKED]
        in_block = np.lexsort((rng.random(n), block)) % _PLOTS_PER_BLOCK[CHECKED]
        is_check = in_block < CHECK_ENTRIES
        once = CHECK_ENTRIES + rng.permutation(np.count_nonzero(~is_check))
        entry = in_block.copy()
        entry[~is_check] = once
        return entry, block
    entries = n // replicates or 1
    whole = np.tile(np.arange(entries), (n // entries, 1))[:replicates]
    sown = rng.permuted(whole, axis=1).ravel()
    entry = np.append(sown, np.arange(n - sown.size) % CHECK_ENTRIES)
    replicate = np.minimum(place // entries, len(whole) - 1)
    if design == INCOMPLETE:
        per_replicate = -(-entries // _PLOTS_PER_BLOCK[INCOMPLETE])
        within = (place - replicate * entries) // _PLOTS_PER_BLOCK[INCOMPLETE]
        return entry, replicate * per_replicate + np.minimum(within, per_replicate - 1)
    return entry, replicate


def _harvest_times(plots, plan):
    """Return each plot's time of harvest, and the hours since that day's start."""
    day, place = np.divmod(plots["order"].to_numpy(), _PLOTS_PER_DAY)
    start = pd.to_datetime(plan["starts_on"]).to_numpy().astype("datetime64[s]")
    seconds = place * _SECONDS_PER_PLOT
    morning = np.timedelta64(10, "h")
    since = (day * 86_400 + seconds).astype("timedelta64[s]")
    return start[plots["trial_code"]] + morning + since, seconds / 3600


def _grow(rng, plots, plan, crop, hours):
    """Add true moisture and true yield: entry, block, place and the plot's own."""
    trial = plots["trial_code"].to_numpy()
    block = plots.groupby(["trial_code", "block"], sort=False).ngroup().to_numpy()
    entry = plots["entry_code"].to_numpy()
    effects = rng.standard_normal((2, len(CROPS), entry.max() + 1))
    wetter, better = effects[:, crop, entry]
    in_block = rng.standard_normal((2, block.max() + 1))[:, block]
    own = rng.standard_normal((2, len(plots)))
    moisture = plan["mean_pct"].to_numpy()[trial] + 0.9 * wetter + 0.3 * in_block[0]
    # Grain dries through the day; entries that ripen later are wetter.
    plots["true_pct"] = np.clip(moisture + 0.7 * own[0] - 0.08 * (hours - 1), 6, 45)
    mean = np.array([c.yield_kg_ha for c in CROPS])[crop]
    level = 1 + 0.08 * rng.standard_normal(len(plan))[trial]
    relative = 0.05 * better + 0.02 * wetter + 0.03 * in_block[1] + 0.05 * own[1]
    plots["true_yield_kg_ha"] = mean * level * np.maximum(1 + relative, 0.1)


def _weigh(rng, plots, plan, crop, hours):
    """Add plot mass, area, grain temperature and test weight."""
    standard = np.array([c.anchor_pct for c in CROPS])[crop]
    area = np.array([c.plot_area_m2 for c in CROPS])[crop]
    to_harvest = (100 - standard) / (100 - plots["true_pct"])
    mass = plots["true_yield_kg_ha"] * area / M2_PER_HA * to_harvest
    plots["plot_mass_kg"] = np.round(mass, 3)
    plots["plot_area_m2"] = area
    day = (plan["air_temp_c"] + rng.normal(0, 3, len(plan))).to_numpy()
    warm = day[plots["trial_code"]] + 3 * np.sin(np.pi * hours / 9)
    plots["grain_temp_c"] = np.round(warm + rng.normal(0, 0.8, len(plots)), 1)
    heavy = np.array([c.test_weight_kg_hl for c in CROPS])[crop]
    heavy = heavy - 0.35 * (plots["true_pct"] - standard)
    plots["test_weight_kg_hl"] = np.round(heavy + rng.normal(0, 0.8, len(plots)), 1)


def _named(rng, plots, plan, crop):
    """Add the names that stand for the codes, and a few remarks."""
    width = max(3, len(str(plan["plots"].max())))
    labels = np.array([f"{i + 1:0{width}}" for i in range(plan["plots"].max())])
    plots["trial"] = plan["trial"].to_numpy()[plots["trial_code"]]
    plots["location"] = plan["location"].to_numpy()[plots["trial_code"]]
    plots["plot"] = labels[plots["position"]]
    most = plots["entry_code"].max() + 1
    names = np.array([[_entry_name(c.code, e) for e in range(most)] for c in CROPS])
    plots["entry"] = names[crop, plots["entry_code"]]
    for name in ("crop", "curve", "sensor", "chamber_config"):
        plots[name] = of_curve(name, plots["curve_code"])
    plots["remark"] = np.where(rng.random(len(plots)) < 0.01, "lodged", None)
    return plots


def _entry_name(code, entry):
    """Return the name of an entry of a crop; the first ones are checks."""
    if entry < CHECK_ENTRIES:
        return check_entries()[entry]
    return f"{code}-{entry - CHECK_ENTRIES + 1:03}"


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
    _weigh_dishes(rng, dishes, oven, moisture)
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


def _weigh_dishes(rng, dishes, oven, moisture):
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
