"""What the statistician must know of a season and of each curve besides its bias."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import log

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import median_abs_deviation

from kitlib.curves.advice import shown_apart
from kitlib.curves.audit import CurveAudit
from kitlib.curves.evidence import (
    DAY,
    OTHER_CONFIGURATION,
    Samples,
    most_influential,
)
from kitlib.intake.pairs import Pairing
from kitlib.intake.reference import compare_labs, lab_findings
from kitlib.intake.schema import plot_places
from kitlib.intake.settings import Season
from kitlib.statistics.estimates import finite_array
from kitlib.words.findings import Finding
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, listed, show, show_span

FEWEST = 4  # samples of a curve or lab that a doubtful one is told from
MOST = 500  # samples whose pairs are all looked at
SMALLEST_SPREAD = 0.3  # the errors of a few samples may lie together by chance
PILE = 5  # identical readings that make a pile worth a look: our choice
CHANCE = 0.01  # a run longer than chance gives once in 100 such records: our choice
# Colder or wetter grain is outside what sensors are built for. [°C; % moisture]
COLDEST, WETTEST = 5.0, 25.0
# What is looked at of the plots a curve served.
OBSERVED = ["trial", "curve", "chamber_config", "harvested_at", "recorded_pct"]
OBSERVED += ["grain_temp_c"]

# The season as a whole.


def observe_season(
    pairing: Pairing, oven: pd.DataFrame, season: Season
) -> list[Finding]:
    """Return what is worth knowing of the season as a whole.

    `oven` holds the dishes, indexed by row in the file.
    """
    plots, pairs, findings = pairing.plots, pairing.pairs, []
    if plots.empty:
        said = "there are no plots, so nothing can be audited."
        findings.append(Finding("season-empty", said, "plots"))
    findings += _unusable_plots(plots)
    for crop in sorted(plots["crop"].dropna().unique()):
        if not season.crop_is_known(crop):
            said = f"no tolerance or standard moisture is known for {crop!r}; the "
            said += "widest tolerance is used and yields stay as harvested. Set "
            said += f"[tolerance.{crop}] and [standard_moisture] in season.toml."
            findings.append(Finding("crop-unknown", said))
    hours = threshold("hours_to_oven")
    late = pairs[pairs["hours_to_oven"] > hours].drop_duplicates("sample")
    if len(late):
        said = f"{counted(len(late), 'sample')} waited over {hours:g} hours for the "
        said += f"oven: {listed(late['sample'])}. A sample that dries makes the sensor "
        said += "look high."
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
        rows = plots[which]
        if len(rows):
            names = [f"{r.trial} {r.plot}" for r in rows.head(5).itertuples()]
            said = f"{counted(len(rows), 'plot')} with {reason}: {listed(names)}"
            said += f" and {len(rows) - 5} more" if len(rows) > 5 else ""
            said += ". Their yield is not known; the rest of their trials is."
            yield Finding("plot-unusable", said, "plots", tuple(rows.index))


def _other_basis(pairs, plots, oven) -> Iterator[Finding]:
    """Yield curves and labs whose moistures fit as percent of dry matter."""
    fits = "if they are taken for percent of dry matter their error shrinks from"
    for curve, group in pairs.groupby("curve"):
        before, after = _error_if_dry_basis(group, "sensor_pct")
        if before > threshold("basis_error") and abs(after) < before / 2:
            said = f"curve {curve}: {fits} {show(before, 1, sign=True)} to "
            said += (
                f"{show(after, 1, sign=True)} points; are the readings on wet basis?"
            )
            rows = tuple(plots.index[plots["curve"] == curve])
            yield Finding("basis-doubtful", said, "plots", rows, curve=str(curve))
    for lab, group in pairs.groupby(pairs["lab"].fillna("")):
        before, after = _error_if_dry_basis(group, "reference_pct")
        if before < -threshold("basis_error") and abs(after) < -before / 2:
            said = (
                f"results of {lab or 'the lab'}: {fits} {show(before, 1, sign=True)} "
            )
            said += f"to {show(after, 1, sign=True)} points; are they on wet basis?"
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
            said = (
                f"readings taken from the row {'below' if rows > 0 else 'above'} fit "
            )
            said += f"the oven far better: errors spread {show(spread)}, as they stand "
            said += f"{show(own)}. Was a column of the table moved?"
            yield Finding("rows-moved", said, "plots", tuple(plots.index))


def _far_apart(pairs, plots, oven) -> Iterator[Finding]:
    """Yield samples whose error is far from the others' of their curve."""
    for curve, group in pairs.groupby("curve"):
        if len(group) < FEWEST:
            continue
        residual = _residuals(group)
        spread = max(median_abs_deviation(residual, scale="normal"), SMALLEST_SPREAD)
        limit = max(
            threshold("sample_apart_spreads") * spread, threshold("sample_apart")
        )
        odd = group[residual.abs() > limit]
        if odd.empty:
            continue
        shown = [
            f"{r.sample} ({show(r.error, 1, sign=True)})" for r in odd.itertuples()
        ]
        said = f"curve {curve}: the error of sample {listed(shown)} is far from the "
        said += "others'; check label, weights, reading and whether both are on wet "
        said += "basis. It stays in."
        keys = pd.MultiIndex.from_frame(odd[["trial", "plot"]])
        own = pd.MultiIndex.from_frame(plots[["trial", "plot"]]).isin(keys)
        for table, rows in (("oven", _dishes(oven, odd)), ("plots", plots.index[own])):
            yield Finding("sample-apart", said, table, tuple(rows), curve=str(curve))


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
    where: str  # "top" or "bottom" for a pile at an end of the range, or "run"


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

    Examples
    --------
    >>> stuck_readings([14.2, 15.1, 35.0, 35.0, 16.3, 35.0, 35.0, 35.0, 14.8])
    [StuckReading(value=35.0, count=5, where='top')]
    """
    values = finite_array("stuck_readings: values", values)
    if values.size < PILE:
        return []
    levels, counts = np.unique(values, return_counts=True)
    ends = [(levels[-1], counts[::-1], "top"), (levels[0], counts, "bottom")]
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
    order = long[np.argsort(-lengths[long], kind="stable")]
    return [
        StuckReading(float(values[starts[i]]), int(lengths[i]), "run") for i in order
    ]


def _stuck_findings(curve: str, plots: pd.DataFrame) -> Iterator[Finding]:
    """Name trials in which a curve's readings stood still; each reading once."""
    # Plots whose time is not known come last, as they stand in the table.
    read = plots[plots["recorded_pct"].notna()].sort_values(
        "harvested_at", kind="stable"
    )
    for trial, of_trial in read.groupby("trial", sort=True):
        readings, told = of_trial["recorded_pct"].to_numpy(float), set()
        for stuck in stuck_readings(readings):
            if stuck.value in told:  # a run of what already piles up at an end
                continue
            told.add(stuck.value)
            where = "in a row" if stuck.where == "run" else f"at the {stuck.where}"
            said = f"curve {curve}: {stuck.count} plots of trial {trial} read "
            said += f"{stuck.value:g} % ({where})."
            rows = tuple(sorted(of_trial.index[readings == stuck.value]))
            yield Finding("reading-stuck", said, "plots", rows, curve, str(trial))


# One curve.

Observed = Iterator[tuple[str, str]]


def cold_or_wet(plots: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Flag plots of which a sensor gives estimates only: too cold, and too wet."""
    return plots["grain_temp_c"] < COLDEST, plots["recorded_pct"] > WETTEST


def observe_curve(audit: CurveAudit, plots: pd.DataFrame, season: Season) -> list:
    """Return findings on one curve; `plots` it served, with the columns `OBSERVED`."""
    told = [(one.code, f"{one.said} {one.look_up}") for one in audit.contradictions]
    for part in (
        _of_its_samples(audit),
        _of_its_errors(audit, season.confidence),
        _of_its_plots(audit, plots),
        _cautions(audit, plots, season),
    ):
        told += [(code, f"{said}.") for code, said in part]
    found = [
        Finding(code, f"curve {audit.curve}: {said}", curve=audit.curve)
        for code, said in told
        if code  # labs that disagree are told once, with the season's findings
    ]
    return [*found, *_stuck_findings(audit.curve, plots)]


def _of_its_samples(audit: CurveAudit) -> Observed:
    """Yield where samples, trials or moistures are few."""
    few = threshold("samples_for_line")
    if audit.n_trials == 1:
        said = f"{counted(audit.n, 'sample')}, all of one trial: how trials differ is "
        said += "not known, so neither is how far its bias holds elsewhere"
        yield "one-trial", said
    if audit.n < few:
        said = f"{counted(audit.n, 'sample')}; AACC 39-01.01 asks for at least {few:g} "
        said += "before a slope is judged"
        yield "few-samples", said
    least = threshold("span_at_least")
    if audit.span < least:
        said = f"its samples span {show(audit.span, 1)} points; usual practice is at "
        said += f"least {least:g}"
        yield "narrow-spread", said
    elif not audit.spread_is_wide:
        said = f"SD of the reference is {show(audit.sd_reference)}, under "
        said += f"{threshold('spread_for_slope'):g} × SEP (AACC 39-01.01): too "
        said += "narrow a moisture range to judge the slope"
        yield "narrow-spread", said
    if audit.reference_se > audit.reference_limit:
        said = (
            f"the standard error of its air-oven results, {show(audit.reference_se)} "
        )
        said += "points, is above a third of the tolerance, "
        said += f"{show(audit.reference_limit)} (French Order of 1 July 2010, art. 21)"
        yield "reference-coarse", said


def suspected_swaps(samples: Samples, spread: float) -> list[tuple[str, str]]:
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
    bend, ends = audit.curvature, audit.curvature.interval(level)
    if shown_apart(ends, 0.0):
        said = f"mid-range errors lie {show(bend.value, sign=True)} points "
        said += f"({show_span(*ends, sign=True)}) from the line through both ends"
        yield "bent", said
    spread = audit.spread
    if spread is not None and spread.interval(level).low > 1:
        said = f"errors spread {show(spread.ratio, 1)} times "
        said += f"({show_span(*spread.interval(level), 1)}) as wide at "
        said += f"{show(spread.span.high, 1)} % as at {show(spread.span.low, 1)} %"
        yield "spread-rises", said
    samples = audit.samples
    groups = {"sample": np.arange(samples.n), "trial": samples.trial}
    for what, group in groups.items() if samples.n > 2 else ():
        most, shift = most_influential(samples.error, group)
        if abs(shift) > audit.allowed_bias / 2:
            name = samples.sample[most] if what == "sample" else most
            said = f"without {what} {name} the bias would move by "
            said += f"{show(shift, sign=True)} points"
            yield "influential", said
    usual = median_abs_deviation(samples.error, scale="normal")
    for pair in suspected_swaps(samples, usual) if usual > 0 else ():
        said = f"samples {listed(pair)} of one trial are both far off and would both "
        said += "fit if exchanged; check their labels. Nothing was exchanged"
        yield "suspected-swap", said
    for effect in audit.effects:
        change = show(effect.change.value, sign=True)
        span = show_span(*effect.change.interval(level), sign=True)
        if effect.name.startswith(OTHER_CONFIGURATION):
            said = f"samples {effect.name} have an error {change} points ({span}) from "
            said += "the others'"
            if not effect.change.known:
                said = f"plots {effect.name}; how far that moves the error is not known"
            yield "configuration-differs", said
        elif effect.q_value < threshold("false_discovery_rate"):
            said = f"as {effect.name} goes from {show(effect.low, 1)} to "
            said += f"{show(effect.high, 1)} {effect.unit} the error moves by {change} "
            said += f"points ({span}; at equal moisture, not adjusted for the other "
            said += "conditions)"
            drifts = effect.name == DAY
            yield "error-drifts" if drifts else "error-moves-with", said


def _of_its_plots(audit: CurveAudit, plots: pd.DataFrame) -> Observed:
    """Yield what the plots the curve served say, and how far the samples cover them."""
    low, high = audit.register["low_pct"], audit.register["high_pct"]
    readings, served = plots["recorded_pct"], len(plots)
    outside = int(((readings < low) | (readings > high)).sum())
    if outside:
        said = f"{counted(outside, 'plot')} of {served} read outside the {low:g} to "
        said += f"{high:g} % it was built for"
        yield "outside-curve", said
    own = audit.register["chamber_config"]
    other = plots["chamber_config"].notna() & (plots["chamber_config"] != own)
    named = any(e.name.startswith(OTHER_CONFIGURATION) for e in audit.effects)
    if pd.notna(own) and other.any() and not named:
        said = f"{counted(int(other.sum()), 'plot')} harvested in another chamber "
        said += f"configuration than its own ({own}); no sample tells how far that "
        said += "moves the error"
        yield "configuration-differs", said
    cover = audit.coverage
    if cover and cover.share_outside > 0:
        said = f"{cover.share_outside:.0%} of its {cover.n_plots} plots read below "
        said += f"{show(cover.low, 1)} or above {show(cover.high, 1)} %, outside "
        said += "the range sampled; the audit does not cover these plots"
        yield "outside-audit", said
    moved = cover.bias.value - audit.bias.value if cover and cover.n_plots else np.nan
    if cover and abs(moved) > audit.allowed_bias / 2:
        said = "over the moistures of the harvested plots the bias is "
        said += f"{show(cover.bias.value, sign=True)}, not "
        said += f"{show(audit.bias.value, sign=True)} points"
        yield "bias-over-plots", said


def _cautions(audit: CurveAudit, plots: pd.DataFrame, season: Season) -> Observed:
    """Yield what bounds the advice: the setting's step, trials, cold or wet plots."""
    half, level = season.setting_step / 2, season.confidence
    if half > audit.allowed_bias / 2:
        said = f"a setting in steps of {season.setting_step:g} can leave {half:g} of "
        said += f"the allowed {show(audit.allowed_bias)}"
        yield "setting-rounded", said
    gain = audit.gain_by_trials
    if shown_apart(gain.apart.interval(level), 0.0):
        within = show_span(*gain.within.interval(level), 3)
        between = show_span(*gain.between.interval(level), 3)
        said = f"the gain is {show(gain.within.value, 3)} ({within}) within trials and "
        said += f"{show(gain.between.value, 3)} ({between}) between them: what makes "
        said += "the errors rise is something that wet and dry trials differ in, not "
        said += "a slope"
        yield "slope-between-trials", said
    cold, wet = cold_or_wet(plots)
    n = int((cold | wet).sum())
    if n:
        said = f"{counted(n, 'plot')} of {len(plots)} ({n / len(plots):.0%}) read "
        said += f"below {COLDEST:g} °C ({int(cold.sum())}) or above {WETTEST:g} % "
        said += f"moisture ({int(wet.sum())}): estimates only"
        yield "beyond-estimates", said
