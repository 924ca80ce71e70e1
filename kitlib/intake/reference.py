"""Oven dishes to reference values, benchtop readings to means, and labs compared."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kitlib.intake.schema import CheckedTable, at_places, by_value, plot_places
from kitlib.intake.settings import Season
from kitlib.statistics.clustered import clustered_fit
from kitlib.statistics.estimates import Estimate, not_known
from kitlib.words.findings import Finding, NoSpread, TooFewSamples
from kitlib.words.limits import (
    ISO_6540,
    ISO_6540_ROUTINE,
    REFERENCE_SHARE,
    method_key,
    threshold,
)
from kitlib.words.terms import counted, crop_key, listed, show, show_span

SAMPLE_KEYS = ["sample", "trial", "plot"]
# Samples a curve (or meter and crop) needs before it can compare two labs.
_FEWEST_COMPARED = 5
UNNAMED_LAB = "lab not named"


def two_stage_moisture(first_pct, second_pct):
    """Return total moisture from the losses of two drying stages. [% wet basis].

    Parameters
    ----------
    first_pct : float or array
        Loss in the first stage, percent of the grain as received.
    second_pct : float or array
        Loss in the second stage, percent of the portion put into the oven.

    Notes
    -----
    M = A + (100 − A)·B/100, exact mass balance; A = 0 is the one-stage method.

    Examples
    --------
    >>> two_stage_moisture(8.0, 12.0), two_stage_moisture(12.5, 10.0)
    (19.04, 21.25)
    """
    return first_pct + (100 - first_pct) * second_pct / 100


def dish_moisture(oven: pd.DataFrame) -> pd.Series:
    """Return each dish's moisture from its weights, or as the lab gave it.

    Weights win over a given `moisture_pct`. The pre-stage weights are net of their
    container; a dish without them was dried in one stage. [% moisture, wet basis].
    """
    wet, dry = oven["wet_g"] - oven["tare_g"], oven["dry_g"] - oven["tare_g"]
    before, after = oven["prestage_wet_g"], oven["prestage_dry_g"]
    first = (100 * (before - after) / before).where(before.notna() & after.notna(), 0.0)
    second = 100 * (wet.where(wet > 0) - dry) / wet.where(wet > 0)
    return two_stage_moisture(first, second).fillna(oven["moisture_pct"])


def pooled_sd(values, groups) -> tuple[float, int]:
    """Return the within-group SD pooled over groups, and its degrees of freedom.

    The SD is nan where no group has two values.

    Examples
    --------
    >>> sd, df = pooled_sd([10.0, 10.2, 15.0, 15.2, 18.0], [1, 1, 2, 2, 3])
    >>> round(sd, 4), df
    (0.1414, 2)
    """
    values = pd.Series(np.asarray(values, float))
    by_group = values.groupby(np.asarray(groups))
    within = values - by_group.transform("mean")
    df = len(values) - by_group.ngroups
    return (float(np.sqrt((within**2).sum() / df)), df) if df > 0 else (np.nan, 0)


@dataclass
class Reference:
    """Reference values of the season's samples.

    Attributes
    ----------
    samples : DataFrame
        One row per sample: its plot, crop, method, n_dishes, reference_pct, its
        standard error, the dishes' range against the method's limit, times.
    repeatability : DataFrame
        One row per method: samples with replicate dishes, df, sd_dish. [points]
    uncertainty : DataFrame
        One row per crop and method: n_samples, reference_se (root mean square of the
        samples', drying and weighing only), third_of_tolerance. [% moisture]
    dishes_used : Index
        Rows of the oven table behind `samples`.
    left_out : list of DataFrame
        Dishes not used, with the reason.
    findings : list of Finding
    """

    samples: pd.DataFrame
    repeatability: pd.DataFrame
    uncertainty: pd.DataFrame
    dishes_used: pd.Index
    left_out: list[pd.DataFrame] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def reference_values(
    oven: CheckedTable, plots: pd.DataFrame, season: Season
) -> Reference:
    """Return the reference value of every sample that was dried.

    Parameters
    ----------
    oven : CheckedTable
        Checked dishes.
    plots : DataFrame
        Checked plots: they tell each sample's crop.
    season : Season
        Repeatability limits, methods that are alike, dishes asked for.

    Returns
    -------
    Reference
        Dishes in = dishes used + dishes left out.
    """
    # Each method goes by the most frequent of the names it is written as.
    key = by_value(oven.frame["method"], method_key)
    usual = oven.frame["method"].groupby(key).agg(lambda names: names.mode().iloc[0])
    crop = at_places(plots["crop"], plot_places(plots, oven.frame))
    dishes = oven.frame.assign(
        moisture=dish_moisture(oven.frame),
        method=key.map(usual),
        crop=by_value(crop, crop_key).to_numpy(object),
    )
    blank = pd.DataFrame()
    found = Reference(blank, blank, blank, dishes.index[:0])
    dishes = _without_faults(found, oven, dishes)
    dishes = _one_method_per_crop(found, oven, dishes, season)
    n_dishes = dishes.groupby("sample")["moisture"].transform("size")
    routine = dishes["method"].map(_routine_dishes(dishes)).astype(int)
    asked = season.minimum_dishes or routine
    reason = "fewer usable dishes than the lab's routine"
    dishes = _set_aside(found, oven, dishes, n_dishes < asked, "one-dish", reason)
    found.dishes_used = dishes.index
    found.repeatability = _repeatability(dishes)
    found.samples = _samples(dishes, found.repeatability, season)
    found.uncertainty = _against_tolerance(found.samples, season)
    found.findings += [
        *_methods_in_doubt(dishes),
        *_dishes_apart(found.samples, dishes),
        *_weights_in_doubt(dishes),
        *_too_coarse(found.uncertainty),
    ]
    return found


# ---- dishes that cannot serve


def _set_aside(found, oven: CheckedTable, dishes, which, code: str, reason: str):
    """Leave dishes out, quoting a fault found in their own cells first."""
    which = which.reindex(dishes.index, fill_value=False).fillna(False).astype(bool)
    if not which.any():
        return dishes
    rows = oven.account_of(dishes[which], code, reason)
    found.left_out.append(rows)
    # Faults of cells were told of where the cells were read.
    told = dishes[which][(rows["code"] == code).to_numpy()]
    if len(told):
        n, samples = counted(len(told), "dish", "dishes"), told["sample"].unique()
        said = f"{reason}: {n} of sample {listed(samples)}."
        found.findings.append(Finding(code, said, "oven", tuple(told.index)))
    return dishes[~which]


def _without_faults(found, oven: CheckedTable, dishes: pd.DataFrame) -> pd.DataFrame:
    """Leave out dishes that break a rule by themselves, and samples of two plots."""
    wet, dry, tare = dishes["wet_g"], dishes["dry_g"], dishes["tare_g"]
    early = dishes["weighed_at"] < dishes["sampled_at"]
    heavier = (dry > wet) | (dishes["prestage_dry_g"] > dishes["prestage_wet_g"])
    lighter = ((wet - tare <= 0) | (dry < tare)) & ~heavier
    none = dishes["moisture"].isna() & ~lighter & ~heavier
    for code, which, reason in (
        ("dry-heavier-than-wet", heavier, "the dish weighs more dry than wet"),
        ("weighed-before-taken", early, "the sample was weighed before it was taken"),
        ("out-of-range", lighter, "the dish weighs less than its tare"),
        ("cell-empty", none, "no moisture and no full weights"),
    ):
        dishes = _set_aside(found, oven, dishes, which, code, reason)
    labels = dishes[SAMPLE_KEYS].drop_duplicates()["sample"]
    shared = dishes["sample"].isin(labels[labels.duplicated()])
    reason = "the sample's label is on dishes of two plots"
    return _set_aside(found, oven, dishes, shared, "sample-in-two-plots", reason)


def _one_method_per_crop(
    found, oven: CheckedTable, dishes, season: Season
) -> pd.DataFrame:
    """Keep, for each crop, the method most samples were dried by."""
    group = dishes["method"].map(season.method_group)
    crop = dishes["crop"].fillna("")
    counts = dishes.groupby([crop, group])["sample"].nunique().rename("n").reset_index()
    counts = counts.sort_values(["n", "method"], ascending=[False, True])
    main = counts.drop_duplicates("crop").set_index("crop")["method"]
    other = (group != crop.map(main)) & (crop != "")
    for name in sorted(crop[other].unique()):
        methods = listed(sorted(group[crop == name].unique()))
        n = dishes["sample"][other & (crop == name)].nunique()
        said = f"{name} was dried by {methods}; methods may differ, so only "
        said += f"{main[name]} is used and {counted(n, 'sample')} left out."
        found.findings.append(Finding("methods-mixed", said, "oven"))
    reason = "dried by another method than most samples of its crop"
    return _set_aside(found, oven, dishes, other, "other-method", reason)


def _routine_dishes(dishes) -> pd.Series:
    """Return, by method, 2 where half of the samples or more have two, else 1."""
    per_sample = dishes.groupby(["method", "sample"]).size()
    return (
        (per_sample >= 2).groupby("method").mean().ge(0.5).map({True: 2.0, False: 1.0})
    )


# ---- samples


def _repeatability(dishes: pd.DataFrame) -> pd.DataFrame:
    """Return the pooled within-sample SD of each method. [% moisture].

    It covers drying and weighing only, not sampling or storage.
    """
    rows = []
    for method, group in dishes.groupby("method"):
        sd, df = pooled_sd(group["moisture"], group["sample"])
        n = int((group.groupby("sample").size() >= 2).sum())
        rows.append((method, n, df, sd))
    return pd.DataFrame(rows, columns=["method", "n_samples", "df", "sd_dish"])


def _samples(dishes, spread, season: Season) -> pd.DataFrame:
    """Return one row per sample, from its dishes."""
    by_sample = dishes.groupby("sample", sort=False)
    first = ["trial", "plot", "crop", "method", "lab", "selection_reason", "sampled_at"]
    samples = by_sample[first].first()
    samples["weighed_at"] = by_sample["weighed_at"].max()
    samples["n_dishes"] = by_sample.size()
    samples["reference_pct"] = by_sample["moisture"].mean()
    samples["range_pct"] = by_sample["moisture"].max() - by_sample["moisture"].min()
    sd = samples["method"].map(spread.set_index("method")["sd_dish"])
    samples["reference_se"] = sd.astype(float) / np.sqrt(samples["n_dishes"])
    samples["range_limit"] = np.nan
    for (method, n), rows in samples.groupby(["method", "n_dishes"]).groups.items():
        samples.loc[rows, "range_limit"] = season.repeatability_of(method, n)
    samples["dishes_disagree"] = samples["range_pct"] > samples["range_limit"] + 1e-9
    return samples.reset_index()


def _against_tolerance(samples: pd.DataFrame, season: Season) -> pd.DataFrame:
    """Return the reference's own uncertainty beside a third of the tolerance.

    French Order of 1 July 2010, article 21: errors are to be found with an
    uncertainty of at most a third of the maximum permissible error.
    """
    rows = []
    known = samples[samples["reference_se"].notna() & samples["crop"].notna()]
    for (crop, method), group in known.groupby(["crop", "method"]):
        tolerance = season.tolerance_of(str(crop)).at(group["reference_pct"].mean())
        se = float(np.sqrt((group["reference_se"] ** 2).mean()))
        rows.append((crop, method, len(group), se, REFERENCE_SHARE * tolerance))
    columns = ["crop", "method", "n_samples", "reference_se", "third_of_tolerance"]
    return pd.DataFrame(rows, columns=columns)


def benchtop_means(benchtop: pd.DataFrame) -> pd.DataFrame:
    """Return the mean benchtop reading of each sample and meter.

    Columns: sample, trial, plot, meter, benchtop_pct, n_readings,
    benchtop_test_weight_kg_hl. A reading without a number takes no part.
    """
    read = benchtop[benchtop["moisture_pct"].notna()]
    by_sample = read.groupby([*SAMPLE_KEYS, "meter"], sort=False)
    means = by_sample.agg(
        benchtop_pct=("moisture_pct", "mean"),
        n_readings=("moisture_pct", "size"),
        benchtop_test_weight_kg_hl=("test_weight_kg_hl", "mean"),
    )
    return means.reset_index()


# ---- what is in doubt


def _methods_in_doubt(dishes: pd.DataFrame) -> Iterator[Finding]:
    """Yield methods that should not judge a meter, or that are named by halves."""
    keys = by_value(dishes["method"], method_key)
    whole = dishes.index[keys == ISO_6540_ROUTINE]
    if len(whole):
        said = f"{counted(len(whole), 'dish', 'dishes')} by the routine procedure of "
        said += "ISO 6540 on whole grain, which is not suitable for checking moisture "
        said += "meters (ISO 6540:2021, clause 1)."
        yield Finding("method-unsuitable", said, "oven", tuple(whole))
    unclear = dishes.index[keys == ISO_6540]
    if len(unclear):
        said = "ISO 6540 has a reference and a routine procedure; the method does not "
        yield Finding("method-unclear", f"{said}say which.", "oven", tuple(unclear))


def _dishes_apart(samples: pd.DataFrame, dishes: pd.DataFrame) -> Iterator[Finding]:
    """Yield which samples' dishes differ by more than their method allows."""
    for method, group in samples.groupby("method"):
        apart = group["sample"][group["dishes_disagree"]]
        if len(apart):
            said = f"{counted(len(apart), 'sample')} of {len(group)} dried by {method} "
            said += "have dishes further apart than the method allows: "
            said += f"{listed(apart)}. They stay in."
            rows = dishes.index[dishes["sample"].isin(apart)]
            yield Finding("dishes-disagree", said, "oven", tuple(rows))
        if (group["range_limit"].isna() & (group["n_dishes"] > 1)).any():
            said = f"no repeatability limit is known for {method!r}, so the agreement "
            said += "of its dishes was not judged."
            remedy = f'Write "{method}" = 0.2, or what your lab holds, under '
            remedy += "[repeatability] in season.toml."
            yield Finding("method-unknown", said, "oven", remedy=remedy)


def _weights_in_doubt(dishes: pd.DataFrame) -> Iterator[Finding]:
    """Yield dishes that deny the moisture beside them, and samples that lost mass."""
    weighed = dish_moisture(dishes.assign(moisture_pct=np.nan))
    given = dishes["moisture_pct"]
    odd = dishes.index[(weighed - given).abs() > threshold("weights_apart")]
    if len(odd):
        shown = [
            f"{sample} ({show(weighed[row])} by weight, {show(given[row])} given)"
            for row, sample in dishes.loc[odd, "sample"].items()
        ]
        said = f"weights and moisture_pct differ in sample {listed(shown, most=3)}."
        yield Finding("weights-contradict", said, "oven", tuple(odd))
    lost = dishes["sealed_mass_g"] - dishes["opened_mass_g"]
    odd = dishes.index[lost.abs() > threshold("mass_lost") + 1e-9]
    if len(odd):
        each = lost[odd].groupby(dishes.loc[odd, "sample"], sort=False).first()
        shown = [f"{sample} ({show(grams, 1)} g)" for sample, grams in each.items()]
        said = "lost (or, if negative, gained) more than "
        said += f"{threshold('mass_lost'):g} g between sealing and opening: sample "
        said += f"{listed(shown, most=5)}. What dries reads too low in the oven."
        yield Finding("mass-lost", said, "oven", tuple(odd))


def _too_coarse(uncertainty: pd.DataFrame) -> Iterator[Finding]:
    """Yield crops whose reference values are too uncertain to judge a meter by."""
    for crop, method, _, se, third in uncertainty.itertuples(index=False, name=None):
        if se > third:
            said = f"{crop} dried by {method}: the standard uncertainty of a sample, "
            said += f"{show(se)} points, is above a third of the tolerance, "
            said += f"{show(third)} (French Order of 1 July 2010, art. 21)."
            yield Finding("reference-coarse", said, "oven")


# ---- labs, and oven methods, compared on the season's samples


@dataclass(frozen=True, kw_only=True)
class LabDifference:
    """How far one lab's (or one oven method's) results lie from the main one's.

    Attributes
    ----------
    what : str
        "lab" or "method".
    name, main : str
        The one compared, and the one that dried most samples.
    points : Estimate
        Result of `name` less that of `main` for grain of one moisture; not known,
        with the reason, where nothing was measured that both can be held against.
        [% moisture]
    low, high : float
        Ends of its interval, widened for the number of comparisons. [% moisture]
    through : str
        What they were compared by: "sensor" or "benchtop".
    moves : dict of str to float
        What each curve's bias would change by if `main` had dried all its samples.
        [% moisture]
    """

    what: str
    name: str
    main: str
    points: Estimate
    low: float
    high: float
    through: str
    moves: dict[str, float]

    def opens(self, curve: str, step: float) -> bool:
        """Say whether the difference leaves a curve's bias open by a setting step."""
        shown = self.low > 0 or self.high < 0
        return shown and abs(self.moves.get(curve, 0.0)) >= step


def compare_labs(
    pairs: pd.DataFrame, confidence: float = 0.95
) -> tuple[LabDifference, ...]:
    """Compare the labs, and the oven methods, that dried a season's samples.

    Two labs are compared within each curve that has samples of both: the sensor's
    error is regressed on lab and moisture, each curve with a level and a slope of its
    own, all curves pooled, trials as clusters (CR2). The same is done with the errors
    of the benchtop meter, within each meter and crop, and the narrower interval is
    taken.

    Parameters
    ----------
    pairs : DataFrame
        As in `Pairing.pairs`.
    confidence : float
        Level at which none of the differences is to be claimed by chance.

    Returns
    -------
    tuple of LabDifference
        Every lab and method against the one that dried most samples of the crop;
        empty where there is but one.
    """
    pairs = pairs[(pairs["basis"] == "oven") & ~pairs["parallel"]]
    pairs = pairs.assign(lab=pairs["lab"].fillna(UNNAMED_LAB))
    couples = pairs.drop_duplicates(["lab", "method"])
    # A lab's own method cannot be told from the lab.
    n_labs, n_methods = pairs["lab"].nunique(), pairs["method"].nunique()
    own_method = len(couples) == n_labs == n_methods > 1
    compared: dict[tuple[str, str, str], list] = {}
    for what in ("lab",) if own_method else ("lab", "method"):
        for crop, names in pairs.groupby("crop")[what]:
            by_size = names.value_counts().sort_index()
            main = str(by_size.idxmax())
            for name in by_size.index.drop([main]):
                compared.setdefault((what, str(name), main), []).append(crop)
    level = 1 - (1 - confidence) / max(len(compared), 1)
    return tuple(_compared(pairs, *names, level) for names in compared.items())


def _compared(pairs, names: tuple[str, str, str], crops, level) -> LabDifference:
    """Return how far one lab or method lies from the main one of some crops."""
    what, name, main = names
    both = pairs[pairs[what].isin([name, main])]
    bench = both[both["benchtop_pct"].notna() & both["meter"].notna()]
    bench_error = bench["benchtop_pct"] - bench["reference_pct"]
    sensor = both[both["used"]]
    routes = {
        "sensor": _lab_effect(sensor, sensor["error"], ["curve"], what, name),
        "benchtop": _lab_effect(bench, bench_error, ["meter", "crop"], what, name),
    }
    through = min(routes, key=lambda r: routes[r].se if routes[r].se > 0 else np.inf)
    points = routes[through]
    used = pairs[pairs["used"] & pairs["crop"].isin(crops)]
    share = (used[what] == name).groupby(used["curve"]).mean()
    low, high = points.interval(level)
    return LabDifference(
        what=what,
        name=name,
        main=main,
        points=points,
        low=low,
        high=high,
        through=through,
        moves={str(c): float(s * points.value) for c, s in share[share > 0].items()},
    )


def _lab_effect(rows, error, within, what, name) -> Estimate:
    """Return how much higher a lab's results are, by the errors against them."""
    group = rows.groupby(within)[what]
    many = group.transform("size") >= _FEWEST_COMPARED
    fit = many & (group.transform("nunique") > 1)
    rows, error = rows[fit], error[fit]
    codes = rows.groupby(within).ngroup().to_numpy()
    if rows.empty:
        return not_known(f"no samples of one {within[0]} were dried by both")
    level = (codes[:, None] == np.unique(codes)).astype(float)
    moisture = rows["reference_pct"] - rows["reference_pct"].mean()
    other = (rows[what] == name).to_numpy(float)
    design = np.column_stack([level, level * moisture.to_numpy()[:, None], other])
    try:
        fitted = clustered_fit(design, error, rows["trial"])
    except (TooFewSamples, NoSpread):
        return not_known(f"too few samples of one {within[0]} were dried by both")
    # A higher result is a lower error.
    return fitted.contrast([0.0] * (design.shape[1] - 1) + [-1.0])


def lab_findings(
    differences: Iterable[LabDifference], oven: pd.DataFrame, step: float
) -> list[Finding]:
    """Return which labs or methods disagree by enough to move a curve's bias."""
    found = []
    for each in differences:
        pair = f"{each.what} {each.name} and {each.what} {each.main}"
        pair = pair.replace(f"lab {UNNAMED_LAB}", UNNAMED_LAB)
        rows = oven.index[oven[each.what].fillna(UNNAMED_LAB) == each.name]
        moved = [
            f"{show(moves, sign=True)} (curve {curve})"
            for curve, moves in each.moves.items()
            if each.opens(curve, step)
        ]
        if not each.points.known:
            said = f"{pair} cannot be compared: {each.points.remark}."
            found.append(Finding("labs-apart", said, "oven", tuple(rows)))
        elif moved:
            said = f"{pair} disagree: the first gives "
            said += f"{show(each.points.value, sign=True)} points ("
            said += f"{show_span(each.low, each.high, sign=True)}) on comparable "
            said += f"samples, judged by the {each.through}. The bias moves by "
            said += f"{listed(moved)}."
            found.append(Finding("labs-differ", said, "oven", tuple(rows)))
    return found
