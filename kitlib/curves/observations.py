"""What the statistician must know of a season and of each curve besides its bias."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from math import isfinite, log
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import median_abs_deviation

from kitlib.curves import evidence
from kitlib.curves.advice import recommend, shown_apart
from kitlib.curves.audit import CurveAudit
from kitlib.curves.records import say
from kitlib.intake.pairs import Pairing
from kitlib.intake.reference import compare_labs, lab_findings
from kitlib.intake.schema import plot_places
from kitlib.intake.settings import Season
from kitlib.statistics.estimates import finite_array
from kitlib.words.findings import Finding
from kitlib.words.limits import UNKNOWN_CROP_TOLERANCE, threshold
from kitlib.words.terms import counted, listed

FEWEST = 4  # samples of a curve or lab that a doubtful one is told from
MOST = 500  # samples whose pairs are all looked at
SMALLEST_SPREAD = 0.3  # the errors of a few samples may lie together by chance
PILE = 5  # identical readings that make a pile worth a look: our choice
CHANCE = 0.01  # a run longer than chance gives once in 100 such records: our choice
# What is looked at of the plots a curve served.
OBSERVED = ["trial", "curve", "chamber_config", "harvested_at", "recorded_pct"]
OBSERVED += ["grain_temp_c"]

# The season as a whole.


def observe_season(
    pairing: Pairing, oven: pd.DataFrame, season: Season
) -> list[Finding]:
    """Return what is worth knowing of all of it; `oven` has dishes by row of file."""
    plots, pairs, findings = pairing.plots, pairing.pairs, []
    if plots.empty:
        findings.append(Finding("season-empty", say("season-empty"), "plots"))
    findings += _unusable_plots(plots)
    for crop in sorted(plots["crop"].dropna().unique()):
        narrowest = season.tolerance_of(crop) is UNKNOWN_CROP_TOLERANCE
        if narrowest or not season.standard_moisture_of(crop) > 0:
            findings.append(Finding("crop-unknown", say("crop-unknown", crop=crop)))
    hours = threshold("hours_to_oven")
    late = pairs[pairs["hours_to_oven"] > hours].drop_duplicates("sample")
    if len(late):
        samples, names = counted(len(late), "sample"), listed(late["sample"])
        said = say("late-oven", samples=samples, hours=hours, names=names)
        findings.append(Finding("late-oven", said, "oven", _dishes(oven, late)))
    labs = compare_labs(pairs, season.confidence)
    findings += lab_findings(labs, oven, season.setting_step)
    used = pairs[pairs["used"]]
    own = used[~used["parallel"]]
    findings += _other_basis(own, plots, oven)
    findings += _moved_rows(own, plots)
    findings += _far_apart(used, plots, oven)
    return findings


def _dishes(oven: pd.DataFrame, samples: pd.DataFrame) -> tuple:
    """Return the rows of the dishes of samples."""
    return tuple(oven.index[oven["sample"].isin(samples["sample"])])


def _unusable_plots(plots: pd.DataFrame) -> Iterator[Finding]:
    """Name the plots whose yield cannot be calculated, by what is wrong."""
    mass, area = plots["plot_mass_kg"], plots["plot_area_m2"]
    moisture = plots["recorded_pct"]
    reasons = {
        "no plot_mass_kg": mass.isna(),
        "a plot_mass_kg that is not above 0": mass <= 0,
        "no plot_area_m2": area.isna(),
        "a plot_area_m2 that is not above 0": area <= 0,
        "no sensor reading": moisture.isna(),
        "a moisture of 100 %": moisture >= 100,
    }
    for reason, which in reasons.items():
        if which.any():
            rows, few = plots[which], plots[which].head(5)
            said = say(
                "plot-unusable",
                plots=f"{counted(len(rows), 'plot')} with {reason}",
                names=listed(few["trial"] + " " + few["plot"]),
                rest=f" and {len(rows) - 5} more" if len(rows) > 5 else "",
            )
            yield Finding("plot-unusable", said, "plots", tuple(rows.index))


def _other_basis(pairs, plots, oven) -> Iterator[Finding]:
    """Yield curves and labs whose moistures fit as percent of dry matter."""
    for curve, group in pairs.groupby("curve"):
        before, after = _error_if_dry_basis(group, "sensor_pct")
        if before > threshold("basis_error") and abs(after) < before / 2:
            said = say("readings dry", curve=curve, before=before, after=after)
            rows = tuple(plots.index[plots["curve"] == curve])
            yield Finding("basis-doubtful", said, "plots", rows, curve=str(curve))
    for lab, group in pairs.groupby(pairs["lab"].fillna("")):
        before, after = _error_if_dry_basis(group, "reference_pct")
        if before < -threshold("basis_error") and abs(after) < -before / 2:
            name = lab or "the lab"
            said = say("results dry", lab=name, before=before, after=after)
            yield Finding("basis-doubtful", said, "oven", _dishes(oven, group))


def _error_if_dry_basis(group: pd.DataFrame, column: str) -> tuple[float, float]:
    """Return the median error as it is, and with a column taken for dry basis."""
    if len(group) < FEWEST:
        return 0.0, 0.0
    wet = group.assign(**{column: 100 * group[column] / (100 + group[column])})
    error = wet["sensor_pct"] - wet["reference_pct"]
    return float(group["error"].median()), float(error.median())


def _moved_rows(pairs, plots) -> Iterator[Finding]:
    """Yield whether the readings fit the samples far better a row up or down."""
    if len(pairs) < 2 * FEWEST:
        return
    errors, at = {0: pairs["error"]}, plot_places(plots, pairs)
    for rows in (-1, 1):
        readings = plots["sensor_pct"].shift(-rows).to_numpy()[at]
        errors[rows] = (readings - pairs["reference_pct"]).dropna()
    spreads = {}
    for rows, error in errors.items():
        if len(error) >= len(pairs) - 2:
            centred = error - error.groupby(pairs["curve"]).transform("median")
            spreads[rows] = median_abs_deviation(centred, scale="normal")
    own = spreads.pop(0)
    for rows, spread in spreads.items():
        if spread < threshold("moved_share") * own:
            where = "below" if rows > 0 else "above"
            said = say("rows-moved", where=where, spread=spread, own=own)
            yield Finding("rows-moved", said, "plots", tuple(plots.index))


def _far_apart(pairs, plots, oven) -> Iterator[Finding]:
    """Yield samples whose error is far from the others' of their curve."""
    for curve, group in pairs.groupby("curve"):
        odd = samples_apart(group)
        if odd.empty:
            continue
        both = zip(odd["sample"], odd["error"], strict=True)
        named = listed(say("sample and error", sample=s, error=e) for s, e in both)
        said = say("sample-apart", curve=curve, samples=named)
        own = plots.index[np.unique(plot_places(plots, odd))]
        for table, rows in (("oven", _dishes(oven, odd)), ("plots", own)):
            yield Finding("sample-apart", said, table, tuple(rows), curve=str(curve))


def samples_apart(pairs: pd.DataFrame) -> pd.DataFrame:
    """Return those of one curve's used samples whose error is far from the others'."""
    if len(pairs) < FEWEST:
        return pairs.iloc[:0]
    times, least = threshold("sample_apart_spreads"), threshold("sample_apart")
    residual = _residuals(pairs)
    spread = max(median_abs_deviation(residual, scale="normal"), SMALLEST_SPREAD)
    return pairs[residual.abs() > max(times * spread, least)]


def rests_on_few(audit: CurveAudit, action: str) -> Iterator[Finding]:
    """Yield that the advice on a curve is another without the samples far apart."""
    odd = samples_apart(audit.pairs[audit.pairs["used"]])
    without = replace(audit, pairs=audit.pairs.drop(odd.index))
    if len(odd) and (other := recommend(without).action) != action:
        of_it = {"samples": listed(odd["sample"]), "other": other, "action": action}
        said = say("rests-on-few", curve=audit.curve, **of_it)
        yield Finding("rests-on-few", said, curve=audit.curve)


def _residuals(group: pd.DataFrame) -> pd.Series:
    """Return errors less a straight line through their medians, or less their median.

    The line keeps a curve that only needs another slope from being taken for many
    odd samples. It is the median of the slopes between all pairs of samples, of the
    first, last and others evenly between them in order of moisture where they are many.
    """
    some = group.sort_values("reference_pct", kind="stable")
    if len(some) > MOST:
        some = some.iloc[np.linspace(0, len(some) - 1, MOST).round().astype(int)]
    moisture, error = some["reference_pct"].to_numpy(), some["error"].to_numpy()
    first, second = np.triu_indices(len(some), 1)
    run, rise = moisture[second] - moisture[first], error[second] - error[first]
    wide = np.abs(run) > 1
    slope = float(np.median(rise[wide] / run[wide])) if wide.sum() > len(some) else 0.0
    left = group["error"] - slope * group["reference_pct"]
    return left - left.median()


# Readings that stood still.


@dataclass(frozen=True)
class StuckReading:
    """A reading that came back more often than a moving sensor would give it."""

    value: float  # in its own unit
    count: int  # how often: in all for a pile, in a row for a run
    where: str  # "at the top" or "bottom" for a pile at an end of the range, "in a row"


def stuck_readings(values: ArrayLike) -> list[StuckReading]:
    """Return readings that look stuck: at a limit of the sensor, or in a run.

    A pile: the highest (or lowest) reading came at least 5 times, and more often
    than the next two readings inward together; honest readings thin out towards
    their ends. A run: at least 5 identical readings in a row, and so many that
    chance would give such a run less than once in 100 records of this length, if
    each reading repeated the one before it as often as they do outside the run.

    Both are reasons to look again, not proof. Coarsely rounded readings of a
    narrow range can pile up honestly. `values` are in order of harvest; piles come
    first, then runs from the longest.
    """
    values = finite_array("stuck_readings: values", values)
    if values.size < PILE:
        return []
    levels, counts = np.unique(values, return_counts=True)
    ends = [(levels[-1], counts[::-1], "at the top")]
    ends.append((levels[0], counts, "at the bottom"))
    found = [
        StuckReading(float(level), int(count[0]), where)
        for level, count, where in ends[: min(levels.size, 2)]
        if count[0] >= PILE and count[0] > count[1:3].sum()
    ]
    # Readings that never moved are one pile, and no run besides.
    return found + _runs(values) if levels.size > 1 else found


def _runs(values: np.ndarray) -> list[StuckReading]:
    """Return the runs too long for chance, the longest first."""
    repeats = values[1:] == values[:-1]
    starts = np.flatnonzero(np.r_[True, ~repeats])
    lengths = np.diff(np.r_[starts, values.size])
    # A run of k takes k - 1 repeats in a row: n share^(k - 1) are expected by chance,
    # the share being that outside the run, with one repeat in two more to be safe.
    within = lengths - 1
    share = (repeats.sum() - within + 1) / (repeats.size - within + 2)
    longest = 1 + log(values.size / CHANCE) / -np.log(share)
    long = np.flatnonzero((lengths >= PILE) & (lengths > longest))
    return [
        StuckReading(float(values[starts[i]]), int(lengths[i]), "in a row")
        for i in long[np.argsort(-lengths[long], kind="stable")]
    ]


def _stuck_findings(curve: str, plots: pd.DataFrame) -> Iterator[Finding]:
    """Name trials in which a curve's readings stood still; each reading once."""
    # Plots whose time is not known come last, as they stand in the table.
    read = plots[plots["recorded_pct"].notna()]
    read = read.sort_values("harvested_at", kind="stable")
    for trial, of_trial in read.groupby("trial", sort=True):
        readings, told = of_trial["recorded_pct"].to_numpy(float), set()
        for stuck in stuck_readings(readings):
            if stuck.value not in told:  # else a run of what already piles up
                told.add(stuck.value)
                said = say("reading-stuck", curve=curve, trial=trial, stuck=stuck)
                rows = tuple(sorted(of_trial.index[readings == stuck.value]))
                yield Finding("reading-stuck", said, "plots", rows, curve, str(trial))


# One curve: the code of each finding, the key of its sentence, and its values.

Observed = Iterator[tuple[str, str, dict[str, Any]]]


def _told(key: str, code: str = "", **values: Any) -> tuple[str, str, dict[str, Any]]:
    """Return the parts of a finding whose code is the key of its sentence, or given."""
    return code or key, key, values


def observe_curve(audit: CurveAudit, plots: pd.DataFrame, season: Season) -> list:
    """Return findings on one curve; `plots` it served, with the columns `OBSERVED`."""
    # What to look up is the remedy of their kind.
    told = [(c.code, c.said[0].lower() + c.said[1:]) for c in audit.contradictions]
    for part in (
        _of_its_samples(audit),
        _of_its_errors(audit, season.confidence),
        _of_its_plots(audit, plots),
        _cautions(audit, plots, season),
    ):
        told += [
            (code, say(key, audit=audit, **values) + ".") for code, key, values in part
        ]
    found = [
        Finding(code, f"curve {audit.curve}: {said}", curve=audit.curve)
        for code, said in told
        if code  # labs that disagree are told once, with the season's findings
    ]
    return [*found, *_stuck_findings(audit.curve, plots)]


def _of_its_samples(audit: CurveAudit) -> Observed:
    """Yield where samples, trials or moistures are few."""
    few, samples = threshold("samples_for_line"), counted(audit.n, "sample")
    if audit.n_trials == 1:
        yield _told("one-trial", samples=samples)
    if audit.n < few:
        yield _told("few-samples", samples=samples, few=few)
    least, times = threshold("span_at_least"), threshold("spread_for_slope")
    if audit.span < least:
        yield _told("narrow span", "narrow-spread", least=least)
    elif not audit.spread_is_wide:
        yield _told("narrow spread", "narrow-spread", times=times)
    if audit.reference_se > audit.reference_limit:
        yield _told("reference-coarse")


def suspected_swaps(samples: evidence.Samples, spread: float) -> list[tuple[str, str]]:
    """Return pairs of one trial's samples that fit far better exchanged.

    Both errors are beyond three times the curve's usual spread, and with the two
    references exchanged both are within two. Labels swapped in the field or the
    lab look like this; it is a question to ask, never a reason to exchange them.
    """
    sensor, reference, trial = samples.sensor, samples.reference, samples.trial
    far = np.flatnonzero(np.abs(samples.error) > 3 * spread).tolist()
    return [
        (str(samples.sample[i]), str(samples.sample[j]))
        for i, j in combinations(far, 2)
        if trial[i] == trial[j]
        and abs(sensor[i] - reference[j]) < 2 * spread
        and abs(sensor[j] - reference[i]) < 2 * spread
    ]


def _of_its_errors(audit: CurveAudit, level: float) -> Observed:
    """Yield whether the errors bend or spread, hang on a few, or go with something."""
    ends, spread = audit.curvature.interval(level), audit.spread
    if shown_apart(ends, 0.0):
        yield _told("bent", ends=ends)
    if spread is not None and spread.interval(level).low > 1:
        yield _told("spread-rises", ends=spread.interval(level))
    samples = audit.samples
    groups = {"sample": np.arange(samples.n), "trial": samples.trial}
    for what, group in groups.items() if samples.n > 2 else ():
        most, shift = evidence.most_influential(samples.error, group)
        if abs(shift) > audit.allowed_bias / 2:
            name = samples.sample[most] if what == "sample" else most
            yield _told("influential", what=what, name=name, shift=shift)
    usual = median_abs_deviation(samples.error, scale="normal")
    for pair in suspected_swaps(samples, usual) if usual > 0 else ():
        yield _told("suspected-swap", pair=listed(pair))
    for effect in audit.effects:
        ends, key, code = effect.change.interval(level), "effect", "error-moves-with"
        if effect.name.startswith(evidence.OTHER_CONFIGURATION):
            alone = effect.change.known and not isfinite(ends.low)
            code = "configuration-open" if alone else "configuration-differs"
            key = "configuration" if effect.change.known else "configuration not known"
            key = "configuration alone" if alone else key
        elif not effect.q_value < threshold("false_discovery_rate"):
            continue
        elif effect.name == evidence.DAY:
            code = "error-drifts"
        yield _told(key, code, effect=effect, ends=ends)


def _of_its_plots(audit: CurveAudit, plots: pd.DataFrame) -> Observed:
    """Yield what the plots the curve served say, and how far the samples cover them."""
    readings, own = plots["recorded_pct"], audit.register["chamber_config"]
    outside = readings < audit.register["low_pct"]
    outside |= readings > audit.register["high_pct"]
    if n := int(outside.sum()):
        yield _told("outside-curve", plots=counted(n, "plot"), served=len(plots))
    other = plots["chamber_config"].notna() & (plots["chamber_config"] != own)
    named = any(e.name.startswith(evidence.OTHER_CONFIGURATION) for e in audit.effects)
    if pd.notna(own) and other.any() and not named:
        key, there = "configuration not sampled", counted(int(other.sum()), "plot")
        yield _told(key, "configuration-differs", plots=there, own=own)
    cover = audit.coverage
    if cover and cover.share_outside > 0:
        yield _told("outside-audit")
    moved = cover.bias.value - audit.bias.value if cover and cover.n_plots else np.nan
    if abs(moved) > audit.allowed_bias / 2:
        yield _told("bias-over-plots")


def _cautions(audit: CurveAudit, plots: pd.DataFrame, season: Season) -> Observed:
    """Yield what bounds the advice: the setting's step, trials, cold or wet plots."""
    half, level, gain = season.setting_step / 2, season.confidence, audit.gain_by_trials
    if half > audit.allowed_bias / 2:
        yield _told("setting-rounded", step=season.setting_step, half=half)
    if shown_apart(gain.apart.interval(level), 0.0):
        within, between = gain.within.interval(level), gain.between.interval(level)
        yield _told("slope-between-trials", within=within, between=between)
    cold, wet = evidence.cold_or_wet(plots)
    counts = {"too cold": cold.sum(), "too wet": wet.sum()}
    which = [say(key, n=n, of=evidence) for key, n in counts.items() if n]
    if which:
        yield _told(
            "beyond-estimates",
            which=listed(which),
            share=(cold | wet).mean(),
            served=len(plots),
            known="" if plots["grain_temp_c"].count() else say("cold unknown"),
        )
