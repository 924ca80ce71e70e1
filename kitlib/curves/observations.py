"""What the statistician must know of a season and of each curve besides its bias."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import log
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kitlib.curves.advice import shown_apart
from kitlib.curves.audit import CurveAudit
from kitlib.curves.evidence import DAY, OTHER_CONFIGURATION, Effect
from kitlib.intake.reference import compare_labs, lab_findings
from kitlib.intake.schema import plot_places
from kitlib.intake.settings import Season
from kitlib.statistics.estimates import finite_array
from kitlib.words.findings import Finding
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, listed, show, show_span

PILE = 5  # identical readings that make a pile worth a look: our choice
CHANCE = 0.01  # a run longer than chance gives once in 100 such records: our choice
_FEWEST = 4
_MOST = 500  # samples whose pairs are all looked at
_SMALLEST_SPREAD = 0.3  # the errors of a few samples may lie together by chance


def doubtful_samples(pairing, oven: pd.DataFrame) -> list[Finding]:
    """Return samples far from their curve's others, and tables of another basis.

    Parameters
    ----------
    pairing : Pairing
    oven : DataFrame
        The dishes, indexed by row in the file.
    """
    pairs = pairing.pairs[pairing.pairs["used"]]
    own = pairs[~pairs["parallel"]]
    return [
        *_other_basis(own, pairing.plots, oven),
        *_moved_rows(own, pairing.plots),
        *_apart(pairs, pairing.plots, oven),
    ]


def _rows(plots: pd.DataFrame, pairs: pd.DataFrame) -> tuple[int, ...]:
    """Return the rows of the plots of pairs."""
    keys = pd.MultiIndex.from_frame(plots[["trial", "plot"]])
    wanted = pd.MultiIndex.from_frame(pairs[["trial", "plot"]])
    return tuple(map(int, plots.index[keys.isin(wanted)]))


def _centred(pairs: pd.DataFrame, error: pd.Series) -> pd.Series:
    """Return errors less the median of their curve."""
    return error - error.groupby(pairs["curve"]).transform("median")


def _apart(pairs, plots, oven) -> Iterator[Finding]:
    """Yield samples whose error is far from the others' of their curve."""
    for curve, group in pairs.groupby("curve"):
        if len(group) < _FEWEST:
            continue
        residual = _residuals(group)
        spread = max(robust_spread(residual), _SMALLEST_SPREAD)
        far = (residual.abs() > threshold("sample_apart_spreads") * spread) & (
            residual.abs() > threshold("sample_apart")
        )
        odd = group[far]
        if odd.empty:
            continue
        shown = [
            f"{r.sample} ({show(r.error, 1, sign=True)})" for r in odd.itertuples()
        ]
        said = f"curve {curve}: the error of sample {listed(shown)} is far from the "
        said += "others'; check label, weights, reading and whether both are on wet "
        said += "basis. It stays in."
        dishes = tuple(map(int, oven.index[oven["sample"].isin(odd["sample"])]))
        for table, rows in (("oven", dishes), ("plots", _rows(plots, odd))):
            yield Finding(
                code="sample-apart",
                table=table,
                rows=rows,
                curve=str(curve),
                message=said,
            )


def _residuals(group: pd.DataFrame) -> pd.Series:
    """Return errors less a straight line through their medians, or less their median.

    The line keeps a curve that only needs another slope from being taken for many
    odd samples. It is the median of the slopes between all pairs of samples, of the
    first, last and others evenly between them in order of moisture where they are many.
    """
    some = group.sort_values("reference_pct", kind="stable")
    if len(some) > _MOST:
        some = some.iloc[np.linspace(0, len(some) - 1, _MOST).round().astype(int)]
    moisture, error = some["reference_pct"].to_numpy(), some["error"].to_numpy()
    first, second = np.triu_indices(len(some), 1)
    run, rise = moisture[second] - moisture[first], error[second] - error[first]
    wide = np.abs(run) > 1
    slope = float(np.median(rise[wide] / run[wide])) if wide.sum() > len(some) else 0.0
    left = group["error"] - slope * group["reference_pct"]
    return left - left.median()


def _other_basis(pairs, plots, oven) -> Iterator[Finding]:
    """Yield curves and labs whose moistures fit as percent of dry matter."""
    said = "if they are taken for percent of dry matter their error shrinks from "
    for curve, group in pairs.groupby("curve"):
        before, after = _errors_on(group, "sensor_pct")
        if _fits(group, before, after) and before > 0:
            message = f"curve {curve}: {said}{show(before, 1, sign=True)} to "
            message += (
                f"{show(after, 1, sign=True)} points; are the readings on wet basis?"
            )
            rows = tuple(map(int, plots.index[plots["curve"] == curve]))
            yield Finding(
                code="basis-doubtful",
                table="plots",
                rows=rows,
                curve=str(curve),
                message=message,
            )
    for lab, group in pairs.groupby(pairs["lab"].fillna("")):
        before, after = _errors_on(group, "reference_pct")
        if _fits(group, before, after) and before < 0:
            message = (
                f"results of {lab or 'the lab'}: {said}{show(before, 1, sign=True)} "
            )
            message += f"to {show(after, 1, sign=True)} points; are they on wet basis?"
            rows = tuple(map(int, oven.index[oven["sample"].isin(group["sample"])]))
            yield Finding(
                code="basis-doubtful", table="oven", rows=rows, message=message
            )


def _errors_on(group: pd.DataFrame, column: str) -> tuple[float, float]:
    """Return the median error as it is, and with a column taken for dry basis."""
    wet = group.assign(**{column: 100 * group[column] / (100 + group[column])})
    error = wet["sensor_pct"] - wet["reference_pct"]
    return float(group["error"].median()), float(error.median())


def _fits(group, before: float, after: float) -> bool:
    """Whether the other basis explains most of a large error."""
    least = threshold("basis_error")
    return (
        len(group) >= _FEWEST and abs(before) > least and abs(after) < abs(before) / 2
    )


def _moved_rows(pairs, plots) -> Iterator[Finding]:
    """Yield whether the readings fit the samples far better a row up or down."""
    if len(pairs) < 2 * _FEWEST:
        return
    at = plot_places(plots, pairs)
    own = robust_spread(_centred(pairs, pairs["error"]))
    for rows in (-1, 1):
        readings = plots["sensor_pct"].shift(-rows).to_numpy()
        moved = pd.Series(readings[at], pairs.index)
        error = (moved - pairs["reference_pct"]).dropna()
        if len(error) < len(pairs) - 2:
            continue
        spread = robust_spread(_centred(pairs.loc[error.index], error))
        if spread < threshold("moved_share") * own:
            said = (
                f"readings taken from the row {'below' if rows > 0 else 'above'} fit "
            )
            said += f"the oven far better: errors spread {show(spread)}, as they stand "
            said += f"{show(own)}. Was a column of the table moved?"
            place = tuple(map(int, plots.index))
            yield Finding(code="rows-moved", table="plots", rows=place, message=said)


def observe_season(pairing, oven: pd.DataFrame, season: Season) -> list[Finding]:
    """Return what is worth knowing of the season as a whole.

    `oven` holds the dishes, indexed by row in the file.
    """
    findings = []
    if pairing.plots.empty:
        said = "there are no plots, so nothing can be audited."
        findings.append(Finding(code="season-empty", table="plots", message=said))
    findings += _unusable_plots(pairing.plots)
    for crop in sorted(pairing.plots["crop"].dropna().unique()):
        if not season.crop_is_known(crop):
            said = (
                f"no tolerance or standard moisture is known for {crop!r}; the widest "
            )
            said += "tolerance is used and yields stay as harvested. Set "
            said += f"[tolerance.{crop}] and [standard_moisture] in season.toml."
            findings.append(Finding(code="crop-unknown", message=said))
    pairs = pairing.pairs
    late = pairs[pairs["hours_to_oven"] > threshold("hours_to_oven")]
    late = late.drop_duplicates("sample")
    if len(late):
        said = f"{counted(len(late), 'sample')} waited over "
        said += f"{threshold('hours_to_oven'):g} hours for the oven: "
        said += f"{listed(late['sample'])}. A sample that dries makes the sensor look "
        said += "high."
        rows = tuple(map(int, oven.index[oven["sample"].isin(late["sample"])]))
        late_found = Finding(code="late-oven", table="oven", rows=rows, message=said)
        findings.append(late_found)
    labs = compare_labs(pairs, season.confidence)
    findings += lab_findings(labs, oven, season.setting_step)
    return findings + doubtful_samples(pairing, oven)


def _unusable_plots(plots: pd.DataFrame) -> list[Finding]:
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
    found = []
    for reason, which in reasons.items():
        rows = plots[which]
        if len(rows):
            names = [f"{r.trial} {r.plot}" for r in rows.head(5).itertuples()]
            said = f"{counted(len(rows), 'plot')} with {reason}: {listed(names)}"
            said += f" and {len(rows) - 5} more" if len(rows) > 5 else ""
            said += ". Their yield is not known; the rest of their trials is."
            place = tuple(map(int, rows.index))
            found.append(
                Finding(code="plot-unusable", table="plots", rows=place, message=said)
            )
    return found


def suspected_swaps(
    sensor: ArrayLike, reference: ArrayLike, sample: Any, trial: Any, spread: float
) -> list[tuple[str, str]]:
    """Return pairs of one trial's samples that fit far better exchanged.

    Both errors are beyond three times the curve's usual spread, and with the two
    references exchanged both are within two. Labels swapped in the field or the
    lab look like this; it is a question to ask, never a reason to exchange them.
    """
    sensor, reference = np.asarray(sensor, float), np.asarray(reference, float)
    sample, trial = np.asarray(sample, object), np.asarray(trial, object)
    far: dict = {}
    for i in np.flatnonzero(np.abs(sensor - reference) > 3 * spread):
        far.setdefault(trial[i], []).append(i)
    couples = sorted(two for own in far.values() for two in combinations(own, 2))
    return [
        (str(sample[i]), str(sample[j]))
        for i, j in couples
        if abs(sensor[i] - reference[j]) < 2 * spread
        and abs(sensor[j] - reference[i]) < 2 * spread
    ]


def robust_spread(error: ArrayLike) -> float:
    """Return 1.4826 × the median absolute deviation: the SD if errors are normal."""
    error = np.asarray(error, float)
    return float(1.4826 * np.median(np.abs(error - np.median(error))))


@dataclass(frozen=True)
class StuckReading:
    """A reading that came back more often than a moving sensor would give it.

    Attributes
    ----------
    value : float
        The reading. [its own unit]
    count : int
        How often it was read: in all for a pile, in a row for a run.
    where : str
        "top" or "bottom" for a pile at an end of the range, "run" for a run.
    """

    value: float
    count: int
    where: str


def stuck_readings(values) -> list[StuckReading]:
    """Return readings that look stuck: at a limit of the sensor, or in a run.

    A pile: the highest (or lowest) reading came at least 5 times, and more often
    than the next two readings inward together; honest readings thin out towards
    their ends. A run: at least 5 identical readings in a row, and so many that
    chance would give such a run less than once in 100 records of this length, if
    each reading repeated the one before it as often as they do outside the run.

    Both are reasons to look again, not proof. Coarsely rounded readings of a
    narrow range can pile up honestly.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings of one sensor in the order of harvest.

    Returns
    -------
    list of StuckReading
        Piles first, then runs from the longest.

    Examples
    --------
    >>> stuck_readings([14.2, 15.1, 35.0, 35.0, 16.3, 35.0, 35.0, 35.0, 14.8])
    [StuckReading(value=35.0, count=5, where='top')]
    """
    values = finite_array("stuck_readings: values", values)
    if values.size < PILE:
        return []
    # Readings that never moved are one pile, and no run besides.
    return _piles(values) + (_runs(values) if np.ptp(values) > 0 else [])


def _piles(values):
    """Return the piles at the two ends; one only if all readings are the same."""
    levels, counts = np.unique(values, return_counts=True)
    ends = [(levels[-1], counts[::-1], "top"), (levels[0], counts, "bottom")]
    return [
        StuckReading(float(level), int(count[0]), where)
        for level, count, where in ends[: min(levels.size, 2)]
        if count[0] >= PILE and count[0] > count[1:3].sum()
    ]


def _runs(values):
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


def stuck_findings(curve: str, plots: pd.DataFrame) -> list[Finding]:
    """Name trials in which a curve's readings stood still; each reading once."""
    found = []
    for trial, rows, readings in _readings_by_trial(plots):
        told = set()
        for stuck in stuck_readings(readings):
            if stuck.value in told:  # a run of what already piles up at an end
                continue
            told.add(stuck.value)
            where = "in a row" if stuck.where == "run" else f"at the {stuck.where}"
            said = f"curve {curve}: {stuck.count} plots of trial {trial} read "
            said += f"{stuck.value:g} % ({where})."
            place = {"curve": curve, "trial": trial, "table": "plots"}
            place["rows"] = tuple(sorted(map(int, rows[readings == stuck.value])))
            found.append(Finding(code="reading-stuck", message=said, **place))
    return found


def _readings_by_trial(plots: pd.DataFrame):
    """Yield each trial, its rows in the file and readings, in order of harvest."""
    read = plots[plots["recorded_pct"].notna()]
    codes, trials = pd.factorize(read["trial"], sort=True)
    # Plots whose time is not known come last, as they stand in the table.
    order = np.lexsort((read["harvested_at"].to_numpy(), codes))
    rows = read.index.to_numpy()[order]
    readings = read["recorded_pct"].to_numpy(float)[order]
    ends = np.cumsum(np.bincount(codes, minlength=len(trials)))
    for trial, start, end in zip(trials, np.r_[0, ends], ends, strict=False):
        yield str(trial), rows[start:end], readings[start:end]


# What is looked at of the plots a curve served.
OBSERVED = ["trial", "curve", "chamber_config", "harvested_at", "recorded_pct"]
OBSERVED += ["grain_temp_c"]
# Colder or wetter grain is outside what sensors are built for. [°C; % moisture]
COLDEST, WETTEST = 5.0, 25.0


def observe_curve(audit: CurveAudit, plots, season: Season) -> list[Finding]:
    """Return what is worth knowing of one curve.

    Parameters
    ----------
    audit : CurveAudit
    plots : DataFrame
        The plots the curve served, in any order; columns `OBSERVED`.
    season : Season
    """
    parts = (
        _few(audit),
        _sample_moistures(audit),
        _shape(audit, season),
        _single_samples(audit),
        _effects(audit, season),
        _served_plots(audit, plots),
        _representation(audit),
        _rounding(audit, season),
        _gain_between_trials(audit, season),
        _estimates_only(plots),
    )
    found = [
        Finding(code=code, curve=audit.curve, message=f"curve {audit.curve}: {said}.")
        for part in parts
        for code, said in part
    ]
    told = [one.finding(audit.curve) for one in audit.contradictions if one.code]
    return told + found + stuck_findings(audit.curve, plots)


Observed = Iterator[tuple[str, str]]


def _few(audit: CurveAudit) -> Observed:
    """Yield what comes of few samples or trials."""
    if audit.n_trials == 1:
        yield (
            "one-trial",
            f"{counted(audit.n, 'sample')}, all of one trial: how trials differ is "
            "not known, so neither is how far its bias holds elsewhere",
        )
    if audit.n < threshold("samples_for_line"):
        yield (
            "few-samples",
            f"{counted(audit.n, 'sample')}; AACC 39-01.01 asks for at least "
            f"{threshold('samples_for_line'):g} before a slope is judged",
        )


def _sample_moistures(audit: CurveAudit) -> Observed:
    """Yield whether the samples' moistures spread enough for a slope."""
    found = audit
    if found.span < threshold("span_at_least"):
        yield (
            "narrow-spread",
            f"its samples span {show(found.span, 1)} points; at least "
            f"{threshold('span_at_least'):g} are common practice",
        )
    elif not found.spread_is_wide:
        yield (
            "narrow-spread",
            f"SD of the reference is {show(found.sd_reference)}, under "
            f"{threshold('spread_for_slope'):g} × SEP (AACC 39-01.01): its slope says "
            "little",
        )


def _shape(audit: CurveAudit, season: Season) -> Observed:
    """Yield whether the errors bend or spread with moisture."""
    bend = audit.curvature
    ends = bend.interval(season.confidence)
    if ends.low > 0 or ends.high < 0:
        yield (
            "bent",
            f"mid-range errors lie {show(bend.value, sign=True)} points "
            f"({show_span(*ends, sign=True)}) from the line through both ends",
        )
    spread = audit.spread
    if spread is not None:
        ends = spread.interval(season.confidence)
        if ends.low > 1:
            yield (
                "spread-rises",
                f"errors spread {show(spread.ratio, 1)} times ({show_span(*ends, 1)}) "
                f"as wide at {show(spread.span.high, 1)} % as at "
                f"{show(spread.span.low, 1)} %",
            )


def _single_samples(audit: CurveAudit) -> Observed:
    """Yield samples or trials that carry the result, and labels to check."""
    found, samples = audit, audit.samples
    if audit.n > 2 and found.influence is not None:
        one = found.influence
        for name, what, shift in (
            (one.sample, "sample", one.sample_shift),
            (one.trial, "trial", one.trial_shift),
        ):
            if abs(shift) > audit.allowed_bias / 2:
                yield (
                    "influential",
                    f"without {what} {name} the bias would move by "
                    f"{show(shift, sign=True)} points; check its label and weights",
                )
    spread = robust_spread(samples.error)
    if spread > 0:
        for pair in suspected_swaps(
            samples.sensor, samples.reference, samples.sample, samples.trial, spread
        ):
            yield (
                "suspected-swap",
                f"samples {listed(pair)} of one trial are both far off and would both "
                "fit if exchanged; check their labels. Nothing was exchanged",
            )


def _effects(audit: CurveAudit, season: Season) -> Observed:
    """Yield conditions that the error moves with."""
    for effect in audit.effects:
        if effect.name.startswith(OTHER_CONFIGURATION):
            yield "configuration-differs", _difference_in_words(effect, season)
        elif effect.q_value < threshold("false_discovery_rate"):
            drifts = effect.name == DAY
            ends = effect.change.interval(season.confidence)
            yield (
                "error-drifts" if drifts else "error-moves-with",
                f"as {effect.name} goes from {show(effect.low, 1)} to "
                f"{show(effect.high, 1)} {effect.unit} the error moves by "
                f"{show(effect.change.value, sign=True)} points "
                f"({show_span(*ends, sign=True)}; at equal moisture, not adjusted for "
                "the other conditions)",
            )


def _difference_in_words(effect: Effect, season: Season) -> str:
    """Return how far the error differs between two chamber configurations."""
    if not effect.change.known:
        return f"plots {effect.name}; how far that moves the error is not known"
    ends = effect.change.interval(season.confidence)
    return (
        f"samples {effect.name} have an error {show(effect.change.value, sign=True)} "
        f"points ({show_span(*ends, sign=True)}) from the others'"
    )


def _served_plots(audit: CurveAudit, plots: pd.DataFrame) -> Observed:
    """Yield what the readings of the plots the curve served say."""
    low, high = audit.register["low_pct"], audit.register["high_pct"]
    readings = plots["recorded_pct"]
    outside = int(((readings < low) | (readings > high)).sum())
    if outside:
        yield (
            "outside-curve",
            f"{counted(outside, 'plot')} of {len(plots)} read outside the {low:g} to "
            f"{high:g} % it was built for",
        )
    own = audit.register["chamber_config"]
    other = plots["chamber_config"].notna() & (plots["chamber_config"] != own)
    named = any(e.name.startswith(OTHER_CONFIGURATION) for e in audit.effects)
    if pd.notna(own) and other.any() and not named:
        yield (
            "configuration-differs",
            f"{counted(int(other.sum()), 'plot')} harvested in another chamber "
            f"configuration than its own ({own}); no sample tells how far that moves "
            "the error",
        )


def _representation(audit: CurveAudit) -> Observed:
    """Yield how far the samples speak for the plots served."""
    cover = audit.coverage
    if cover is None or not cover.n_plots:
        return
    if cover.share_outside > 0:
        yield (
            "outside-audit",
            f"{cover.share_outside:.0%} of its {cover.n_plots} plots read below "
            f"{show(cover.low, 1)} or above {show(cover.high, 1)} %, where there is no "
            "sample; the audit does not speak for them",
        )
    moved = cover.bias.value - audit.bias.value
    if np.isfinite(moved) and abs(moved) > audit.allowed_bias / 2:
        yield (
            "bias-over-plots",
            f"over the moistures of the harvested plots the bias is "
            f"{show(cover.bias.value, sign=True)}, not "
            f"{show(audit.bias.value, sign=True)} points",
        )


def _rounding(audit: CurveAudit, season: Season) -> Observed:
    """Yield whether the step of the setting is coarse against the allowed bias."""
    if season.setting_step / 2 > audit.allowed_bias / 2:
        yield (
            "setting-rounded",
            f"a setting in steps of {season.setting_step:g} can leave "
            f"{season.setting_step / 2:g} of the allowed {show(audit.allowed_bias)}",
        )


def _gain_between_trials(audit: CurveAudit, season: Season) -> Observed:
    """Yield whether the errors rise between trials and not within them."""
    gain = audit.gain_by_trials
    if shown_apart(gain.apart.interval(season.confidence), 0.0):
        within = show_span(*gain.within.interval(season.confidence), 3)
        between = show_span(*gain.between.interval(season.confidence), 3)
        yield (
            "slope-between-trials",
            f"the gain is {show(gain.within.value, 3)} ({within}) within trials and "
            f"{show(gain.between.value, 3)} ({between}) between them: what makes the "
            "errors rise is something that wet and dry trials differ in, not a slope",
        )


def _estimates_only(plots: pd.DataFrame) -> Observed:
    """Yield how many plots were too cold or too wet for any sensor."""
    cold = plots["grain_temp_c"] < COLDEST
    wet = plots["recorded_pct"] > WETTEST
    n = int((cold | wet).sum())
    if n:
        yield (
            "beyond-estimates",
            f"{counted(n, 'plot')} of {len(plots)} ({n / len(plots):.0%}) read below "
            f"{COLDEST:g} °C ({int(cold.sum())}) or above {WETTEST:g} % moisture "
            f"({int(wet.sum())}): estimates only",
        )
