"""Oven dishes to reference values, benchtop readings to means, and labs compared."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kitlib.intake.schema import (
    ROWS_PER_SOURCE,
    SAMPLE_KEYS,
    CheckedTable,
    at_places,
    by_value,
    found,
    plot_places,
)
from kitlib.intake.settings import Season
from kitlib.statistics.clustered import clustered_fit
from kitlib.statistics.estimates import Estimate, not_known, tried
from kitlib.words import limits
from kitlib.words.findings import Finding
from kitlib.words.terms import counted, crop_key, listed, show, show_span

# Samples a curve (or meter and crop) needs before it can compare two labs.
_FEWEST_COMPARED = 5
UNNAMED_LAB = "lab not named"
# What is handed on of a sample's dishes, which have it in common.
_OF_SAMPLE = ["trial", "plot", "crop", "method", "lab", "selection_reason"]
_OF_SAMPLE += ["sampled_at"]


def two_stage_moisture(first_pct, second_pct):
    """Return total moisture from the losses of two drying stages. [% wet basis].

    M = A + (100 − A)·B/100, exact mass balance: A in percent of the grain as received,
    B of the portion put into the oven; A = 0 is the one-stage method.

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
    """Reference values of the season's samples."""

    dishes_used: pd.Index  # rows of the oven table behind `samples`
    # One row per sample: its plot, crop, method, n_dishes, reference_pct, its standard
    # error, the dishes' range against the method's limit, times.
    samples: pd.DataFrame
    # One row per method: samples with replicate dishes, df, sd_dish. [points]
    repeatability: pd.DataFrame
    # One row per crop and method: n_samples, reference_se (root mean square of the
    # samples', drying and weighing only), third_of_tolerance. [points]
    uncertainty: pd.DataFrame
    left_out: list[pd.DataFrame]
    findings: list[Finding]


@dataclass
class _Bench:
    """The dishes on their way to reference values: those kept, and what was not."""

    oven: CheckedTable
    dishes: pd.DataFrame
    left_out: list[pd.DataFrame] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)

    def set_aside(self, which: pd.Series, code: str, reason: str) -> None:
        """Leave dishes out, quoting a fault found in their own cells first."""
        which = which.reindex(self.dishes.index).fillna(False).astype(bool)
        if not which.any():
            return
        gone, self.dishes = self.dishes[which], self.dishes[~which]
        rows = self.oven.account_of(gone, code, reason)
        self.left_out.append(rows)
        # Faults of cells were told of where the cells were read.
        told = gone[(rows["code"] == code).to_numpy()]
        if len(told):
            n, samples = counted(len(told), "dish", "dishes"), told["sample"].unique()
            said = f"{reason}: {n} of sample {listed(samples)}."
            self.findings.append(Finding(code, said, "oven", tuple(told.index)))


def reference_values(
    oven: CheckedTable, plots: pd.DataFrame, season: Season
) -> Reference:
    """Return the reference value of every sample that was dried.

    Dishes in = dishes used + dishes left out. The plots tell each sample's crop; the
    season has repeatability limits, methods that are alike and the dishes asked for.
    """
    # Each method goes by the most frequent of the names it is written as.
    key = by_value(oven.frame["method"], limits.method_key)
    usual = oven.frame["method"].groupby(key).agg(lambda names: names.mode().iloc[0])
    crop = at_places(plots["crop"], plot_places(plots, oven.frame))
    dishes = oven.frame.assign(
        moisture=dish_moisture(oven.frame),
        method=key.map(usual),
        crop=by_value(crop, crop_key).to_numpy(object),
    )
    bench = _Bench(oven, dishes)
    _set_faults_aside(bench, season.highest_moisture)
    _keep_one_method_per_crop(bench, season)
    # Dishes a sample needs: two where half of a method's samples or more have two.
    dishes = bench.dishes
    per_sample = dishes.groupby(["method", "sample"]).size()
    half = (per_sample >= 2).groupby("method").mean() >= 0.5
    asked = season.minimum_dishes or dishes["method"].map(half + 1).astype(int)
    reason = "fewer usable dishes than the lab's routine"
    n = dishes.groupby("sample")["moisture"].transform("size")
    bench.set_aside(n < asked, "one-dish", reason)
    rows = []
    for method, group in bench.dishes.groupby("method"):
        sd, df = pooled_sd(group["moisture"], group["sample"])
        replicated = int((group.groupby("sample").size() >= 2).sum())
        rows.append((method, replicated, df, sd))
    columns = ["method", "n_samples", "df", "sd_dish"]
    spread = pd.DataFrame(rows, columns=columns)
    samples = _samples(bench.dishes, spread, season)
    uncertainty = _against_tolerance(samples, season)
    doubts = [*bench.findings, *_doubts(samples, bench.dishes, uncertainty)]
    used = bench.dishes.index
    return Reference(used, samples, spread, uncertainty, bench.left_out, doubts)


def _set_faults_aside(bench: _Bench, highest: float) -> None:
    """Leave out dishes that break a rule by themselves, and samples of two plots."""
    dishes = bench.dishes
    wet, dry, tare = dishes["wet_g"], dishes["dry_g"], dishes["tare_g"]
    early = dishes["weighed_at"] < dishes["sampled_at"]
    heavier = (dry > wet) | (dishes["prestage_dry_g"] > dishes["prestage_wet_g"])
    lighter = ((wet - tare <= 0) | (dry < tare)) & ~heavier
    # Where nearly all dishes of a file do, no decimal point slipped.
    below = ((wet < tare) & ~heavier)[wet.notna() & (tare > 0)]
    of_file = below.groupby(below.index // ROWS_PER_SOURCE).transform
    net = below & (of_file("mean") > 0.9) & (of_file("sum") > 2)
    # Where all tares are 0 the lab may weigh grain alone; else some were forgotten.
    bare = (tare == 0) & bool((tare > 0).any()) & ~lighter & ~heavier
    none = dishes["moisture"].isna() & ~lighter & ~heavier
    blank = none & dishes[["tare_g", "wet_g", "dry_g"]].isna().all(axis=1)
    soaked = (dishes["moisture"] > highest) & ~lighter & ~bare
    limit = f"{highest:g} % moisture (highest_moisture in season.toml)"
    for code, which, reason in (
        ("dry-heavier-than-wet", heavier, "the dish weighs more dry than wet"),
        ("weighed-before-taken", early, "the sample was weighed before it was taken"),
        ("weights-net", net, "the dish weighs less wet than its tare, like the rest"),
        ("out-of-range", lighter, "the dish weighs less than its tare"),
        ("out-of-range", bare, "the tare is 0, though other dishes have one"),
        ("out-of-range", soaked, f"the weights give more than {limit}"),
        ("no-result", blank, "no moisture and no weights"),
        ("cell-empty", none & ~blank, "no moisture and no full weights"),
    ):
        bench.set_aside(which, code, reason)
    labels = bench.dishes[SAMPLE_KEYS].drop_duplicates()["sample"]
    shared = bench.dishes["sample"].isin(labels[labels.duplicated()])
    reason = "the sample's label is on dishes of two plots"
    bench.set_aside(shared, "sample-in-two-plots", reason)


def _keep_one_method_per_crop(bench: _Bench, season: Season) -> None:
    """Keep, for each crop, the method most samples were dried by."""
    sample = bench.dishes["sample"]
    group = bench.dishes["method"].map(season.method_group)
    crop = bench.dishes["crop"].fillna("")
    counts = sample.groupby([crop, group]).nunique().rename("n").reset_index()
    counts = counts.sort_values(["n", "method"], ascending=[False, True])
    main = counts.drop_duplicates("crop").set_index("crop")["method"]
    other = (group != crop.map(main)) & (crop != "")
    for name in sorted(crop[other].unique()):
        methods = listed(sorted(group[crop == name].unique()))
        n = sample[other & (crop == name)].nunique()
        parts = {"methods": methods, "main": main[name], "n": counted(n, "sample")}
        bench.findings += found("methods-mixed", "oven", crop=name, **parts)
    reason = "dried by another method than most samples of its crop"
    bench.set_aside(other, "other-method", reason)


def _samples(dishes, spread, season: Season) -> pd.DataFrame:
    """Return one row per sample, from its dishes."""
    by_sample = dishes.groupby("sample", sort=False)
    samples = by_sample[_OF_SAMPLE].first()
    samples["weighed_at"] = by_sample["weighed_at"].max()
    samples["n_dishes"] = by_sample.size()
    samples["reference_pct"] = by_sample["moisture"].mean()
    samples["range_pct"] = by_sample["moisture"].max() - by_sample["moisture"].min()
    sd = samples["method"].map(spread.set_index("method")["sd_dish"])
    samples["reference_se"] = sd.astype(float) / np.sqrt(samples["n_dishes"])
    dried = zip(samples["method"], samples["n_dishes"], strict=True)
    samples["range_limit"] = [season.repeatability_of(*how) for how in dried]
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
        rows.append((crop, method, len(group), se, limits.REFERENCE_SHARE * tolerance))
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


def _doubts(samples, dishes, uncertainty: pd.DataFrame) -> Iterator[Finding]:
    """Yield methods, dishes and weights in doubt; crops known too coarsely."""
    keys = by_value(dishes["method"], limits.method_key)
    whole = dishes.index[keys == limits.ISO_6540_ROUTINE]
    n = counted(len(whole), "dish", "dishes")
    yield from found("method-unsuitable", "oven", whole, n=n)
    yield from found("method-unclear", "oven", dishes.index[keys == limits.ISO_6540])
    for method, group in samples.groupby("method"):
        apart = group["sample"][group["dishes_disagree"]]
        rows = dishes.index[dishes["sample"].isin(apart)]
        parts = {"total": len(group), "method": method, "samples": listed(apart)}
        n = counted(len(apart), "sample")
        yield from found("dishes-disagree", "oven", rows, n=n, **parts)
        if (group["range_limit"].isna() & (group["n_dishes"] > 1)).any():
            yield from found("method-unknown", "oven", method=method)
    labs = dishes.dropna(subset="lab").groupby("sample")["lab"].unique()
    labs = labs[labs.map(len) > 1]
    told = listed([f"{sample} ({listed(of)})" for sample, of in labs.items()], most=5)
    rows = dishes.index[dishes["sample"].isin(labs.index)]
    yield from found("sample-two-labs", "oven", rows, shown=told)
    weighed = dish_moisture(dishes.assign(moisture_pct=np.nan))
    given = dishes["moisture_pct"]
    limit = limits.threshold("weights_apart")
    net = dishes.assign(moisture_pct=np.nan, tare_g=0.0)
    odd = dishes.index[(weighed - given).abs() > limit]
    fits = (dish_moisture(net) - given)[odd].abs() <= limit
    key = "weights-net-given" if fits.mean() > 0.9 else "weights-contradict"
    shown = [
        f"{sample} ({show(weighed[row])} by weight, {show(given[row])} given)"
        for row, sample in dishes.loc[odd, "sample"].items()
    ]
    yield from found(key, "oven", odd, shown=listed(shown, most=3))
    lost = dishes["sealed_mass_g"] - dishes["opened_mass_g"]
    limit = limits.threshold("mass_lost")
    odd = dishes.index[lost.abs() > limit + 1e-9]
    each = lost[odd].groupby(dishes.loc[odd, "sample"], sort=False).first()
    shown = [f"{sample} ({show(grams, 1)} g)" for sample, grams in each.items()]
    yield from found("mass-lost", "oven", odd, limit=limit, shown=listed(shown, most=5))
    for crop, method, _, se, third in uncertainty.itertuples(index=False, name=None):
        if se > third:
            parts = {"method": method, "se": show(se), "third": show(third)}
            yield from found("reference-coarse", "oven", crop=crop, **parts)


@dataclass(frozen=True)
class LabDifference:
    """How far one lab's (or one oven method's) results lie from the main one's."""

    what: str  # "lab" or "method"
    name: str  # the one compared
    main: str  # the one that dried most samples
    # Result of `name` less that of `main` for grain of one moisture; not known where
    # nothing was measured that both can be held against. [points]
    points: Estimate
    low: float  # ends of its interval, widened for the number of comparisons
    high: float
    through: str  # what they were compared by: "sensor" or "benchtop"
    # What each curve's bias would change by if `main` had dried all its samples.
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
    taken. Every lab and method is held against the one that dried most samples of the
    crop; at `confidence`, none of the differences is claimed by chance.
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
    moves = {str(c): float(s * points.value) for c, s in share[share > 0].items()}
    return LabDifference(*names, points, *points.interval(level), through, moves)


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
    fit, _ = tried(clustered_fit, design, error, rows["trial"])
    if fit is None:
        return not_known(f"too few samples of one {within[0]} were dried by both")
    # A higher result is a lower error.
    return fit.contrast([0.0] * (design.shape[1] - 1) + [-1.0])


def lab_findings(
    differences: Iterable[LabDifference], oven: pd.DataFrame, step: float
) -> list[Finding]:
    """Return which labs or methods disagree by enough to move a curve's bias."""
    findings = []
    for each in differences:
        pair = f"{each.what} {each.name} and {each.what} {each.main}"
        pair = pair.replace(f"lab {UNNAMED_LAB}", UNNAMED_LAB)
        own = oven[each.what].fillna(UNNAMED_LAB) == each.name
        rows = tuple(oven.index[own]) or None
        moved = [
            f"{show(moves, sign=True)} (curve {curve})"
            for curve, moves in each.moves.items()
            if each.opens(curve, step)
        ]
        if not each.points.known:
            parts = {"pair": pair, "reason": each.points.remark}
            findings += found("labs-apart", "oven", rows, **parts)
        elif moved:
            parts = {"pair": pair, "through": each.through, "moved": listed(moved)}
            parts["points"] = show(each.points.value, sign=True)
            parts["span"] = show_span(each.low, each.high, sign=True)
            findings += found("labs-differ", "oven", rows, **parts)
    return findings
