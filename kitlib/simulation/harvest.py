"""What the invented sensors read: the true moisture and the errors of a curve.

The invented harvest: trials laid out in the field, plots read by sensors.
"""

import numpy as np
import pandas as pd

from kitlib.simulation.scenario import (
    CHECK_ENTRIES,
    CHECKED,
    CROPS,
    CURVES,
    GROWTH_PER_POINT,
    INCOMPLETE,
    PLACES,
    RANGE,
    REPEAT_SHARE,
    TRIALS,
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
