"""The invented harvest: trials in the field, sensors that read, samples in the lab.

Random numbers are drawn in an order that is part of the season: another order is
another season.
"""

import numpy as np
import pandas as pd

from kitlib.simulation import scenario
from kitlib.trials.yields import M2_PER_HA

PLOTS_AT_LEAST = 4  # per trial, so that the smallest trial gets one
_PLOTS_PER_BLOCK = {scenario.INCOMPLETE: 8, scenario.CHECKED: 20}
_SECONDS_PER_PLOT, _PLOTS_PER_DAY = 75, 400
_LIGHTER_PER_POINT = 0.35  # test weight lost per point of moisture [kg/hL]

_OVEN_SHARE, _OVEN_AT_MOST = 1 / 6, 32  # of a trial's plots, and samples per trial
_DISHES, _READINGS = 2, 3
_OVEN_RUN_SD = 0.03  # shared by the dishes of one trial, dried together
_PRESTAGE_G = 100.0
_CONDITIONED_PCT = 12.5  # moisture after the first of two drying stages

_CAREFUL_RUNS, _RUN_SD = 3, 0.12  # of a known sample, about its own reading
_CHECK_DAYS = np.timedelta64(7, "D")
_CHECKS_AT_MOST = 60  # runs of one curve
_CHECKS_FROM_ANCHOR = np.array([-0.42, 3.07])
_CHECK_SD = 0.15  # of a retained sample's readings about their mean

_CROP_CODES = {crop: code for code, crop in enumerate(scenario.CROPS["crop"])}
_CROP_OF_CURVE = scenario.CURVES["crop"].map(_CROP_CODES).to_numpy()
_SENSOR_OF_CURVE = pd.factorize(scenario.CURVES["sensor"])[0]


def _of_crop(name, crop_code):
    """Return a property of crops by their codes."""
    return scenario.CROPS[name].to_numpy()[crop_code]


def plan_trials(rng, trials: int, plots: int) -> pd.DataFrame:
    """Return the trials of a season, one row each, `plots` shared out among them.

    The planned trials are used in turn; when they are used again, their mean
    moisture is another one.
    """
    number = np.arange(trials)
    plan = scenario.TRIALS.iloc[number % len(scenario.TRIALS)].reset_index(drop=True)
    plan["mean_pct"] += rng.normal(0, 1, trials) * (number >= len(scenario.TRIALS))
    exact = plots * plan["plots"].to_numpy() / plan["plots"].sum()
    plan["plots"] = np.floor(exact).astype(int)
    most_missing = np.argsort(plan["plots"] - exact, kind="stable")
    plan.loc[most_missing[: plots - plan["plots"].sum()], "plots"] += 1
    for name in ("first_curve", "last_curve"):
        plan[name] = plan[name].map(scenario.CURVE_CODES)
    plan["crop_code"] = _CROP_OF_CURVE[plan["first_curve"]]
    width = max(2, len(str(trials)))
    crops = _of_crop("crop", plan["crop_code"])
    plan["trial"] = [f"{crop}-{i + 1:0{width}}" for i, crop in enumerate(crops)]
    return plan


def harvest(rng, plan: pd.DataFrame) -> pd.DataFrame:
    """Return the harvested plots, with true moisture, yield and standardised errors."""
    plots = _lay_out(rng, plan)
    trial, curve = plots["trial_code"].to_numpy(), plots["curve_code"].to_numpy()
    crop = plan["crop_code"].to_numpy()[trial]
    # Harvest goes on from day to day, and every day from ten o'clock.
    day, place = np.divmod(plots["order"].to_numpy(), _PLOTS_PER_DAY)
    start = pd.to_datetime(plan["starts_on"]).to_numpy().astype("datetime64[s]")
    seconds = place * _SECONDS_PER_PLOT
    since = (day * 86_400 + 36_000 + seconds).astype("timedelta64[s]")
    plots["harvested_at"] = start[trial] + since
    _grow(rng, plots, plan, crop, seconds / 3600)
    _weigh(rng, plots, plan, crop, seconds / 3600)
    z_by_sensor = rng.standard_normal((len(plan), _SENSOR_OF_CURVE.max() + 1))
    plots["z_trial"] = z_by_sensor[trial, _SENSOR_OF_CURVE[curve]]
    plots["z_sample"] = rng.standard_normal(len(plots))
    reading = scenario.read_sensor(rng, plots, curve)
    plots["offset_in_force"] = scenario.offset_in_force(curve, plots["harvested_at"])
    loaded = scenario.of_curve("offset_loaded", curve)
    plots["sensor_pct"] = np.round(reading + plots["offset_in_force"] - loaded, 1)
    return _named(rng, plots, plan, crop)


def _lay_out(rng, plan):
    """Return every plot's trial, place in the field, entry, block and curve."""
    layouts = plan[["design", "replicates", "plots"]].values
    sown = [_sow(rng, *layout) for layout in layouts]
    entry, block = (np.concatenate(parts) for parts in zip(*sown, strict=True))
    trial = np.repeat(np.arange(len(plan)), plan["plots"])
    position = np.concatenate([np.arange(n) for n in plan["plots"]])
    across = np.ceil(np.sqrt(1.5 * plan["plots"])).astype(int).to_numpy()[trial]
    range_, row = position // across, position % across
    shared = np.where((plan["shared_by"] == "range").to_numpy()[trial], range_, block)
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
    if design == scenario.CHECKED:
        block = place // _PLOTS_PER_BLOCK[scenario.CHECKED]
        entry = np.lexsort((rng.random(n), block)) % _PLOTS_PER_BLOCK[scenario.CHECKED]
        once = entry >= len(scenario.CHECKS)
        entry[once] = len(scenario.CHECKS) + rng.permutation(np.count_nonzero(once))
        return entry, block
    entries = n // replicates or 1
    whole = np.tile(np.arange(entries), (n // entries, 1))[:replicates]
    sown = rng.permuted(whole, axis=1).ravel()
    entry = np.append(sown, np.arange(n - sown.size) % len(scenario.CHECKS))
    replicate = np.minimum(place // entries, len(whole) - 1)
    if design != scenario.INCOMPLETE:
        return entry, replicate
    per_replicate = -(-entries // _PLOTS_PER_BLOCK[scenario.INCOMPLETE])
    within = (place - replicate * entries) // _PLOTS_PER_BLOCK[scenario.INCOMPLETE]
    return entry, replicate * per_replicate + np.minimum(within, per_replicate - 1)


def _grow(rng, plots, plan, crop, hours):
    """Add true moisture and true yield: entry, block, place and the plot's own."""
    trial = plots["trial_code"].to_numpy()
    block = plots.groupby(["trial_code", "block"], sort=False).ngroup().to_numpy()
    entry = plots["entry_code"].to_numpy()
    wetter, better = rng.standard_normal((2, len(scenario.CROPS), entry.max() + 1))[
        :, crop, entry
    ]
    in_block = rng.standard_normal((2, block.max() + 1))[:, block]
    own = rng.standard_normal((2, len(plots)))
    moisture = plan["mean_pct"].to_numpy()[trial] + 0.9 * wetter + 0.3 * in_block[0]
    # Grain dries through the day; entries that ripen later are wetter.
    plots["true_pct"] = np.clip(moisture + 0.7 * own[0] - 0.08 * (hours - 1), 6, 45)
    level = 1 + 0.08 * rng.standard_normal(len(plan))[trial]
    relative = 0.05 * better + 0.02 * wetter + 0.03 * in_block[1] + 0.05 * own[1]
    mean = _of_crop("yield_kg_ha", crop)
    plots["true_yield_kg_ha"] = mean * level * np.maximum(1 + relative, 0.1)


def _weigh(rng, plots, plan, crop, hours):
    """Add plot mass, area, grain temperature and test weight."""
    standard, area = _of_crop("anchor_pct", crop), _of_crop("plot_area_m2", crop)
    to_harvest = (100 - standard) / (100 - plots["true_pct"])
    mass = plots["true_yield_kg_ha"] * area / M2_PER_HA * to_harvest
    plots["plot_mass_kg"] = np.round(mass, 3)
    plots["plot_area_m2"] = area
    day = (plan["air_temp_c"] + rng.normal(0, 3, len(plan))).to_numpy()
    warm = day[plots["trial_code"]] + 3 * np.sin(np.pi * hours / 9)
    plots["grain_temp_c"] = np.round(warm + rng.normal(0, 0.8, len(plots)), 1)
    heavy = _of_crop("test_weight_kg_hl", crop)
    heavy = heavy - _LIGHTER_PER_POINT * (plots["true_pct"] - standard)
    plots["test_weight_kg_hl"] = np.round(heavy + rng.normal(0, 0.8, len(plots)), 1)


def _named(rng, plots, plan, crop):
    """Add the names that stand for the codes, and a few remarks."""
    most = plan["plots"].max()
    width = max(3, len(str(most)))
    labels = np.array([f"{i + 1:0{width}}" for i in range(most)])
    for name in ("trial", "location"):
        plots[name] = plan[name].to_numpy()[plots["trial_code"]]
    plots["plot"] = labels[plots["position"]]
    others = range(1, plots["entry_code"].max() + 2 - len(scenario.CHECKS))
    names = [
        [*scenario.CHECKS, *(f"{code}-{i:03}" for i in others)]
        for code in scenario.CROPS["code"]
    ]
    plots["entry"] = np.array(names)[crop, plots["entry_code"]]
    for name in ("crop", "curve", "sensor", "chamber_config"):
        plots[name] = scenario.of_curve(name, plots["curve_code"])
    plots["remark"] = np.where(rng.random(len(plots)) < 0.01, "lodged", None)
    return plots


def take_samples(rng, plots: pd.DataFrame, plan: pd.DataFrame) -> pd.DataFrame:
    """Return the plots sampled for the oven or, without a reason, the benchtop only."""
    by_trial = plan.iloc[plots["trial_code"]].set_index(plots.index)
    how = by_trial["selection"]
    share = np.minimum(_OVEN_SHARE, _OVEN_AT_MOST / by_trial["plots"])
    chance = pd.Series(rng.random(len(plots)), index=plots.index)
    at_random = how.isin([scenario.RANDOM, scenario.NO_OVEN])
    picked = _pick(rng, plots, share, chance.where(at_random, plots["sensor_pct"]))
    reason = pd.Series(scenario.STRATIFIED, index=picked, dtype=object)
    reason[how[picked] == scenario.RANDOM] = scenario.RANDOM
    reason[how[picked] == scenario.NO_OVEN] = None
    left = plots.drop(picked)
    # The plot of every trial and curve that reads highest above the rest.
    may_be_odd = left[how[left.index] == scenario.ODD_TOO]
    odd = may_be_odd.groupby(["trial_code", "curve_code"])["sensor_pct"].idxmax()
    left = left.drop(odd)
    as_many = (share / (1 - share))[left.index]
    further = _pick(rng, left, as_many, chance[left.index])
    further = further[how[further] != scenario.NO_OVEN]
    chosen = pd.Series(scenario.SUSPICIOUS, odd)
    unsaid = pd.Series(None, further, dtype=object)
    reason = pd.concat([reason, chosen, unsaid]).sort_index()
    taken, width = plots.loc[reason.index], max(4, len(str(len(reason))))
    minutes = pd.to_timedelta(rng.integers(2, 12, len(reason)), unit="min")
    return taken.drop(columns="remark").assign(
        sample=[f"S{number + 1:0{width}}" for number in range(len(reason))],
        selection_reason=reason,
        sampled_at=(taken["harvested_at"] + minutes).dt.floor("min"),
        **by_trial.loc[reason.index, ["lab", "weighs", "meter", "crop_code"]],
    )


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
    dishes = dried.loc[dried.index.repeat(_DISHES)].reset_index(drop=True)
    dishes["dish"] = np.tile(np.arange(_DISHES) + 1, len(dried))
    oven = scenario.CROPS.iloc[dishes["crop_code"]].set_index(dishes.index)
    dishes["method"] = oven["method"]
    moisture = dishes["in_oven_pct"] + rng.normal(0, oven["dish_sd"])
    dishes["moisture_pct"] = moisture.round(2).mask(dishes["weighs"])
    # The weighings, to the milligram, where the lab reports them.
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
    tare = pd.Series(rng.uniform(18, 24, len(dishes)).round(3))
    grain = (portion * rng.uniform(1, 1.06, len(dishes))).round(3)
    weighed = {"tare_g": tare, "wet_g": tare + grain}
    weighed["dry_g"] = tare + grain * (1 - in_dish / 100)
    for name, grams in weighed.items():
        dishes[name] = grams.round(3).where(dishes["weighs"])
    return dishes


def benchtop_table(rng, samples: pd.DataFrame) -> pd.DataFrame:
    """Return the benchtop meters' readings of every sample."""
    of_meter = samples[["meter", "crop"]].merge(scenario.METERS, "left")
    of_meter.index = samples.index
    from_anchor = samples["true_pct"] - _of_crop("anchor_pct", samples["crop_code"])
    systematic = of_meter["bias_at_anchor"] + (of_meter["gain"] - 1) * from_anchor
    own = scenario.METER_SAMPLE_SD * rng.standard_normal(len(samples))
    samples = samples.assign(
        mean_pct=samples["true_pct"] + systematic + own,
        wait=rng.integers(60, 360, len(samples)),
    )
    readings = samples.loc[samples.index.repeat(_READINGS)].reset_index(drop=True)
    n = len(readings)
    readings["reading"] = np.tile(np.arange(_READINGS) + 1, len(samples))
    repeat = scenario.METER_REPEAT_SD * rng.standard_normal(n)
    readings["moisture_pct"] = (readings["mean_pct"] + repeat).round(1)
    minutes = readings["wait"] + 2 * readings["reading"]
    readings["read_at"] = readings["sampled_at"] + pd.to_timedelta(minutes, unit="min")
    readings["grain_temp_c"] = rng.normal(21, 0.6, n).round(1)
    weight = readings["test_weight_kg_hl"] + rng.normal(0, 0.3, n)
    readings["test_weight_kg_hl"] = weight.round(1)
    return readings


def setup_runs(rng) -> pd.DataFrame:
    """Return the runs of known samples from when each curve was set up."""
    (again,) = rng.spawn(1)
    once = [(curve, _setup_runs(rng, curve)) for curve in scenario.CURVES.itertuples()]
    runs = [
        _set_up_with_care(again, curve, own) if curve.careful_setup else own
        for curve, own in once
    ]
    return pd.concat(runs, ignore_index=True)


def _setup_runs(rng, curve):
    """Return the set-up runs of one curve, which was without bias then."""
    n = curve.n_at_setup
    known = rng.uniform(curve.low_pct + 1, curve.high_pct - 4, n).round(2)
    minutes = pd.to_timedelta(540 + 6 * np.arange(n), unit="min")
    weight = curve.test_weight_kg_hl - _LIGHTER_PER_POINT * (known - curve.anchor_pct)
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


def _set_up_with_care(rng, curve, runs: pd.DataFrame) -> pd.DataFrame:
    """Return the set-up runs of a curve as a careful crew takes them."""
    n = len(runs)
    # The first sample is taken near the standard moisture.
    away = curve.anchor_pct + 0.4 - runs["known_pct"].iloc[0]
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


def register(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the curve register; the SEP at set-up is that of the samples' means."""
    error = runs["sensor_pct"] - runs["known_pct"]
    means = error.groupby([runs["curve"], runs["sample"]], sort=False).mean()
    errors = means.groupby("curve", sort=False)
    return scenario.CURVES.assign(
        sep_at_setup=errors.std().round(2).to_numpy(),
        n_at_setup=errors.size().to_numpy(),
    )


def check_runs(rng, plots: pd.DataFrame) -> pd.DataFrame:
    """Return the weekly runs of retained samples, while each curve was in use."""
    spans = plots.groupby("curve_code")["harvested_at"].agg(["min", "max"])
    runs = [_check_runs(rng, *span) for span in spans.itertuples()]
    return pd.concat(runs, ignore_index=True)


def _check_runs(rng, code, first, last):
    """Return the check runs of one curve, a drier and a wetter sample in turn.

    A retained sample has an error of its own that stays.
    """
    curve = scenario.CURVES.iloc[code]
    weeks = min(1 + (last - first) // _CHECK_DAYS, _CHECKS_AT_MOST)
    known = curve.anchor_pct + _CHECKS_FROM_ANCHOR
    stays = scenario.systematic_error(code, known) + rng.normal(0, curve.sd_sample, 2)
    days = np.repeat(np.arange(weeks) * _CHECK_DAYS, 2)
    at = (first.floor("D") + pd.Timedelta(hours=8)) + days
    in_force = scenario.offset_in_force(np.full(2 * weeks, code), at)
    change = in_force - curve.offset_loaded
    read = np.tile(known + stays, weeks) + rng.normal(0, _CHECK_SD, 2 * weeks) + change
    # Dried again at the last check, the wetter one had changed, a little each week.
    changed = np.zeros((weeks, 2))
    changed[:, 1] = np.linspace(0, curve.retest_change, weeks)
    tested = np.where(np.arange(weeks)[:, None] < weeks - 1, 0.0, changed)
    return pd.DataFrame(
        {
            "curve": curve.curve,
            "sample": [f"check-{curve.code}-dry", f"check-{curve.code}-wet"] * weeks,
            "known_pct": (known + tested).ravel().round(2),
            "sensor_pct": (read + changed.ravel()).round(1),
            "run_at": at,
            "run": np.repeat(np.arange(weeks) + 1, 2),
        }
    )
