"""The audit's figures with their captions and words for those who cannot see them."""

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit
from kitlib.intake.pairs import OVEN
from kitlib.pages.blocks import Picture, SideBySide
from kitlib.pages.dots import Band, Samples
from kitlib.pages.figures import draw_agreement, draw_errors
from kitlib.pages.harvest_figures import draw_coverage, draw_drift
from kitlib.pages.maps import draw_field_map
from kitlib.pages.overviews import CurveRow, draw_season
from kitlib.pages.rankings import Entries, draw_entries, draw_yield_change
from kitlib.reports.drawing import svg_bytes
from kitlib.season.season import SeasonAudit, TrialAudit
from kitlib.words.digests import kept
from kitlib.words.estimates import Interval
from kitlib.words.terms import (
    ERROR,
    POINTS,
    YIELD,
    Term,
    counted,
    listed,
    show,
    show_span,
)

# As many entries as leave room for the verdict on a report's first page.
MOST_DRAWN = 24


def shown_samples(season: SeasonAudit, curve: str, trial: str = "") -> Samples:
    """Return a curve's samples for a figure; those of `trial` are marked."""
    pairs = season.pairing.pairs
    rows = pairs[(pairs["curve"] == curve) & (pairs["basis"] == OVEN)]
    return Samples(
        sensor=rows["sensor_pct"].to_numpy(float),
        reference=rows["reference_pct"].to_numpy(float),
        trial=None if trial else rows["trial"].to_numpy(str),
        here=(rows["trial"] == trial).to_numpy(bool) if trial else None,
        apart=~rows["used"].to_numpy(bool),
        apart_label="taken because it looked odd",
    )


def shown_bands(audit: CurveAudit) -> list[Band]:
    """Return a curve's moisture bands for a figure."""
    return [
        Band(
            low=band.band_low,
            high=band.band_high,
            n=band.n,
            mean=band.mean_error,
            interval=Interval(band.low, band.high),
        )
        for band in audit.bands.itertuples()
    ]


@kept
def curve_pictures(season: SeasonAudit, curve: str, trial: str = "") -> SideBySide:
    """Return a curve's agreement and errors side by side."""
    audit, level = season.audits[curve], season.settings.confidence
    samples = shown_samples(season, curve, trial)
    line = audit.line
    ends = (line.intercept.value, line.slope.value) if line else None
    within = np.abs(samples.error) <= audit.tolerance.at(samples.reference)
    bias, interval = audit.bias.value, audit.bias.interval(level)
    agreement = draw_agreement(samples, audit.tolerance, ends)
    errors = draw_errors(samples, audit.tolerance, bias, interval, shown_bands(audit))
    marked = f"; samples of trial {trial} are marked" if trial else ""
    return SideBySide(
        left=Picture(
            svg=svg_bytes(agreement),
            caption=f"Sensor against air-oven, curve {curve}{marked}. Shaded: "
            "tolerance.",
            alt=f"Scatter of {counted(samples.sensor.size, 'sample')} of curve "
            f"{curve}, air-oven {show(samples.reference.min(), 1)} to "
            f"{show(samples.reference.max(), 1)} % moisture; prediction slope "
            f"{show(audit.slope.value, 3)}.",
        ),
        right=Picture(
            svg=svg_bytes(errors),
            caption="Error against moisture, with the bias and the means of 2-point "
            "bands and their intervals. Shaded: tolerance.",
            alt=f"Errors of curve {curve} over moisture: bias {show(bias, 2, True)} "
            f"points, interval {show_span(*interval, 2, True)}; "
            f"{int(within.sum())} of {within.size} samples within tolerance.",
        ),
    )


@kept
def season_pictures(season: SeasonAudit) -> list[Picture]:
    """Return the overview of every curve's bias against what is allowed."""
    level = season.settings.confidence
    rows = [
        CurveRow(
            label=f"{audit.crop} · {curve}",
            n=audit.n,
            n_trials=audit.n_trials,
            bias=audit.bias.value,
            interval=audit.bias.interval(level),
            allowed=audit.allowed_bias,
            action=season.advice[curve].action,
        )
        for curve, audit in season.audits.items()
    ]
    if not rows:
        return []
    said = [f"{row.label} {show(row.bias, 2, True)}, {row.action}" for row in rows]
    return [
        Picture(
            svg=svg_bytes(figure),
            caption=f"Bias of each curve with its {level:.0%} interval, clustered by "
            "trial. Shaded: allowed bias.",
            alt=f"Bias in points of moisture: {listed(said, most=40)}.",
        )
        for figure in draw_season(rows, level)
    ]


@kept
def drift_picture(season: SeasonAudit, curve: str) -> Picture | None:
    """Return a curve's errors over the season, None where no time is known."""
    pairs = season.pairing.pairs
    rows = pairs[(pairs["curve"] == curve) & (pairs["basis"] == OVEN)]
    if rows["harvested_at"].isna().all():
        return None
    times, samples = rows["harvested_at"].to_numpy(), shown_samples(season, curve)
    drawn = draw_drift(times, samples, tolerance=season.audits[curve].allowed_bias)
    return Picture(
        svg=svg_bytes(drawn),
        caption=f"Errors of curve {curve} by day of harvest. Shaded: allowed bias.",
        alt=f"{counted(len(rows), 'sample')} over the days of harvest, errors "
        f"{show_span(samples.error.min(), samples.error.max(), 2, True)} points.",
    )


@kept
def coverage_picture(season: SeasonAudit, curve: str) -> Picture:
    """Return how a curve's samples cover the plots it served."""
    audit, plots = season.audits[curve], season.plots
    harvested = plots.loc[plots["curve"] == curve, "sensor_pct"].dropna()
    sampled = audit.samples.sensor
    return Picture(
        svg=svg_bytes(draw_coverage(harvested.to_numpy(float), sampled)),
        caption=f"Readings of the plots curve {curve} served, and of those sampled.",
        alt=f"{counted(len(harvested), 'plot')} read {show(harvested.min(), 1)} to "
        f"{show(harvested.max(), 1)} %; samples {show(sampled.min(), 1)} to "
        f"{show(sampled.max(), 1)} %.",
    )


@kept
def entries_picture(trial: TrialAudit) -> Picture | None:
    """Return a trial's entries before and after, None without a ranking."""
    found = trial.consequences
    if found.ranks is None or found.count == 0:
        return None
    both, changes = found, found.ranks
    table = found.entries.set_index("entry").reindex(both.before.entries)
    low, high = table["rank_low"], table["rank_high"]
    noise = (low <= changes.rank_before) & (changes.rank_before <= high)
    entries = Entries(
        entry=both.before.entries,
        before=trial.unit.of(both.before.mean),
        after=trial.unit.of(both.after.mean),
        rank_before=changes.rank_before,
        rank_after=changes.rank_after,
        selected=found.count,
        noise=noise.fillna(False).to_numpy(bool),
    )
    moved = int((changes.rank_before != changes.rank_after).sum())
    return Picture(
        svg=svg_bytes(draw_entries(entries, shown_yield(trial), MOST_DRAWN)),
        caption=f"Yield at {trial.standard_pct:g} % moisture before and after "
        "correction, with ranks; moves inside the interval of an entry's rank are "
        f"grey. The line parts the {found.count} selected.",
        alt=f"{moved} of {counted(len(entries.entry), 'entry', 'entries')} change "
        f"rank, by {changes.largest_move} at most; {int(changes.entered.sum())} cross "
        f"into the {found.count} selected.",
    )


@kept
def yield_change_picture(trial: TrialAudit) -> Picture | None:
    """Return the change of entries' yields over their moisture, None without both."""
    both = trial.consequences
    if both.ranks is None:
        return None
    plots = trial.plots[trial.plots["yield_after_kg_ha"].notna()]
    moisture = plots.groupby("entry")["recorded_pct"].mean()
    moisture = moisture.reindex(both.before.entries).to_numpy(float)
    change = trial.unit.of(both.after.mean - both.before.mean)
    slope = trial.unit.of(both.trend.slope.value)
    line = None
    if np.isfinite(slope):
        line = (float(change.mean() - slope * moisture.mean()), slope)
    return Picture(
        svg=svg_bytes(draw_yield_change(moisture, change, line, unit=trial.unit.name)),
        caption="Change of each entry's yield over its mean moisture at harvest.",
        alt=f"Changes run from {show(change.min(), 3, True)} to "
        f"{show(change.max(), 3, True)} {trial.unit.name}; "
        f"{show(both.trend.slope.value, 1, True)} kg/ha per point of moisture.",
    )


def shown_yield(trial: TrialAudit) -> Term:
    """Return the yield as the trial's report names it, in its unit."""
    return Term("yield", trial.unit.name, YIELD.label, trial.unit.decimals)


@kept
def field_pictures(trial: TrialAudit) -> list[Picture]:
    """Return maps of moisture, yield changes and errors, where plots have places."""
    plots, unit = trial.plots, trial.unit
    after, before = plots["yield_after_kg_ha"], plots["yield_before_kg_ha"]
    changed = Term("yield_change", unit.name, "Change of yield", unit.decimals)
    missed = plots["recorded_pct"] - plots["reference_pct"]
    wetter = plots["recorded_pct"] - plots["recorded_pct"].mean()
    moister = Term("wetter", POINTS, "Moisture less the trial's mean", 1)
    maps = [
        _field_map(
            plots, wetter, moister, "Moisture as recorded, less the trial's mean"
        ),
        _field_map(
            plots, unit.of(after - before), changed, "Change of each plot's yield"
        ),
        _field_map(plots, missed, ERROR, "Error of each sampled plot as recorded"),
    ]
    return [picture for picture in maps if picture is not None]


def _field_map(plots, value, term: Term, what: str) -> Picture | None:
    """Return a value at its plots' places, None where no plot has both."""
    row = pd.to_numeric(plots["row"], errors="coerce")
    range_ = pd.to_numeric(plots["range"], errors="coerce")
    placed = row.notna() & range_.notna()
    known = value[placed & value.notna()]
    if known.empty:
        return None
    figure = draw_field_map(
        row[placed].to_numpy(int),
        range_[placed].to_numpy(int),
        value[placed].to_numpy(float),
        term,
    )
    span = show_span(known.min(), known.max(), term.decimals, True)
    return Picture(
        svg=svg_bytes(figure),
        caption=f"{what}, at its place in the field.",
        alt=f"{what}: {counted(len(known), 'plot')}, {span} {term.unit}.",
    )
