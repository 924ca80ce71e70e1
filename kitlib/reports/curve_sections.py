"""One curve on one page: the advice, two pictures, the evidence, what was found."""

from collections.abc import Iterable
from math import isfinite

import pandas as pd

from kitlib.curves.advice import KEEP, RESLOPE, UNRESOLVED, Recommendation
from kitlib.curves.audit import CurveAudit
from kitlib.intake.pairs import OVEN
from kitlib.reports.blocks import (
    ACT,
    CALM,
    OPEN,
    Answer,
    Block,
    Findings,
    Heading,
    Paragraph,
    Picture,
    SideBySide,
    Table,
)
from kitlib.reports.figures import draw_by_day, draw_coverage, draw_errors
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import Estimate
from kitlib.words.digests import kept
from kitlib.words.findings import SEVERITIES, Finding
from kitlib.words.terms import NOT_KNOWN, counted, listed, show, show_span

ACTION_IN_WORDS = {
    "keep": "keep the setting",
    "shift": "load a new offset",
    "reslope": "correct with a slope",
    "rebuild": "build a new curve",
    "unresolved": "not settled by these samples",
}
# As many findings as leave a curve on its page; the rest are counted.
MOST_FINDINGS = 3
_LEFT_OUT = "as loaded / with an offset / with a line"


def curve_section(season: SeasonAudit, curve: str, page: bool = True) -> list[Block]:
    """Return the page of one curve.

    Parameters
    ----------
    season : SeasonAudit
    curve : str
        One of its audited curves.
    page : bool
        Whether it begins a page of its own.
    """
    audit, advice = season.audits[curve], season.advice[curve]
    own = [found for found in season.findings if found.curve == curve]
    blocks: list[Block] = [
        Heading(f"Curve {curve}, {audit.crop}", new_page=page),
        answer_of(audit, advice),
        *curve_pictures(season, curve),
        evidence(audit, advice, season.settings.confidence),
        *_bands(audit),
    ]
    if own:
        where = f" on curve {curve}" if page else ""
        blocks += [Heading(f"Findings{where}", 2), *findings_of(own, MOST_FINDINGS)]
    return blocks


def answer_of(audit: CurveAudit, advice: Recommendation) -> Answer:
    """Return the advice on a curve with its reason and the setting to load."""
    tone = {KEEP: CALM, UNRESOLVED: OPEN}.get(advice.action, ACT)
    reason = advice.reason[0].upper() + advice.reason[1:]
    phrase = ACTION_IN_WORDS[advice.action]
    word = phrase if phrase.startswith(advice.action) else f"{advice.action}: {phrase}"
    return Answer(word.capitalize(), reason, _what_follows(audit, advice), tone)


def _what_follows(audit: CurveAudit, advice: Recommendation) -> str:
    """Return the new setting, or what would settle an open curve."""
    loaded = show(audit.register["offset_loaded"], 2, sign=True)
    if advice.action == UNRESOLVED:
        return advice.more
    if not isfinite(advice.new_setting):
        return f"Offset in use this season: {loaded}."
    setting = show(advice.new_setting, 2, sign=True)
    left = show(advice.bias_left.value, 2, sign=True)
    span = show_span(*advice.bias_left.interval(audit.settings.confidence), 2, True)
    # The reason for a new offset tells the bias left already.
    after = "" if "bias left" in advice.reason else f"Bias left: {left} ({span}). "
    return (
        f"Load {setting} next season (in use: {loaded}). {after}Chance that the bias "
        f"left is within ±{show(audit.allowed_bias)}: "
        f"{chance_in_words(advice.chance_within)}."
    )


def chance_in_words(chance: float) -> str:
    """Return a chance in percent; none is called certain or impossible.

    Examples
    --------
    >>> chance_in_words(0.9999), chance_in_words(0.5)
    ('>99 %', '50 %')
    """
    if not isfinite(chance):
        return NOT_KNOWN
    if chance > 0.99:
        return ">99 %"
    return "<1 %" if chance < 0.01 else f"{show(100 * chance, 0)} %"


def load_in_words(advice: Recommendation) -> str:
    """Return what to load for a curve next season, as a cell of a table."""
    if isfinite(advice.new_setting):
        return show(advice.new_setting, 2, sign=True)
    return {RESLOPE: "a line", UNRESOLVED: "as now"}.get(advice.action, "new curve")


def line_in_words(advice: Recommendation) -> str:
    """Return the line that turns a curve's readings into corrected moisture."""
    line = advice.correction
    intercept = line.shift - line.tilt * line.pivot
    slope = show(1 + line.tilt, 3)
    return f"{advice.curve}: corrected = {show(intercept)} + {slope} × reading"


def oven_pairs(season: SeasonAudit, curve: str) -> pd.DataFrame:
    """Return a curve's samples with an oven result, those not used among them."""
    pairs = season.pairing.pairs
    return pairs[(pairs["curve"] == curve) & (pairs["basis"] == OVEN)]


@kept
def curve_pictures(season: SeasonAudit, curve: str) -> list[Block]:
    """Return a curve's errors over moisture and days, and what its samples cover."""
    audit, level = season.audits[curve], season.settings.confidence
    pairs, line = oven_pairs(season, curve), audit.line
    bias, interval = audit.bias.value, audit.bias.interval(level)
    errors = Picture(
        draw_errors(
            pairs,
            audit.tolerance,
            bias,
            interval,
            audit.bands,
            (line.intercept.value, line.slope.value) if line else None,
        ),
        "Errors over moisture, with bands of two points.",
        f"Errors of {counted(len(pairs), 'sample')} of curve {curve}: bias "
        f"{show(bias, 2, True)} points, interval {show_span(*interval, 2, True)}.",
    )
    by_day = Picture(
        draw_by_day(pairs, audit.allowed_bias),
        "Errors over the season.",
        f"Errors by day of harvest, from {show(pairs['error'].min(), 2, True)} to "
        f"{show(pairs['error'].max(), 2, True)} points.",
    )
    return [SideBySide(errors, by_day)]


@kept
def coverage_picture(season: SeasonAudit, curve: str) -> Picture:
    """Return how a curve's samples cover the plots it served."""
    plots = season.plots
    harvested = plots.loc[plots["curve"] == curve, "sensor_pct"].dropna()
    sampled = season.audits[curve].samples.sensor
    return Picture(
        draw_coverage(harvested.to_numpy(float), sampled),
        f"Readings of the plots that curve {curve} served, and of those sampled.",
        f"{counted(len(harvested), 'plot')} read {show(harvested.min(), 1)} to "
        f"{show(harvested.max(), 1)} %; samples {show(sampled.min(), 1)} to "
        f"{show(sampled.max(), 1)} %.",
    )


def evidence(audit: CurveAudit, advice: Recommendation, level: float) -> Table:
    """Return the numbers the advice on a curve rests on, eight rows at most."""
    after, cover = audit.after, audit.coverage
    allowed = f"±{show(audit.allowed_bias)}"
    rows = [
        _row("Bias", audit.bias, level, limit=allowed),
        (
            "SEP",
            show(audit.sep),
            show_span(*audit.sep_interval),
            show(audit.max_sep),
            audit.max_sep_source,
        ),
        _slope_row(audit, advice, level),
    ]
    if cover is not None:
        over = "Bias over the harvested plots"
        rows.append(_row(over, cover.bias, level, limit=allowed))
    if after is not None:
        both = f"{show(after.rmsep_none)} / {show(after.rmsep_offset)}"
        three = f"{both} / {show(after.rmsep_line)}"
        rows.append(("RMSEP on trials left out", three, "", "", _LEFT_OUT))
    why = "" if isfinite(audit.new_sample.low) else audit.sep_method
    span = show_span(*audit.new_sample, 2, sign=True)
    rows.append(("Error of one new sample", "", span, "", why))
    names = ["quantity", "value", "interval", "limit", "remark"]
    counts = f"{counted(audit.n, 'sample')} in {counted(audit.n_trials, 'trial')}"
    apart = ""
    if audit.apart.n:
        apart = (
            f"{counted(audit.apart.n, 'more sample')} chosen because of the reading "
            f"{'is' if audit.apart.n == 1 else 'are'} left out (open dots), mean error "
            f"{show(audit.apart.error.mean(), 2, True)}. "
        )
    return Table(
        f"Curve {audit.curve}: results from {counts}, {level:.0%} intervals.",
        pd.DataFrame(rows, columns=names),
        "report: evidence",
        note=f"{apart}Numbers are points of moisture; a gain has no unit. More stands "
        "in curves.csv.",
    )


def _row(label: str, estimate: Estimate, level: float, decimals: int = 2, limit=""):
    """Return an estimate as a row of evidence; why, where it is not known."""
    sign = label.startswith("Bias")
    span = show_span(*estimate.interval(level), decimals, sign)
    why = estimate.remark if NOT_KNOWN in span else ""
    return (label, show(estimate.value, decimals, sign), span, limit, why)


def _slope_row(audit: CurveAudit, advice: Recommendation, level: float):
    """Return the slope where one is advised, else the gain, else what is known."""
    if advice.action != RESLOPE and audit.gain.known:
        return _row("Gain", audit.gain, level, 3, "1")
    return _row("Prediction slope", audit.slope, level, 3, "1")


def _bands(audit: CurveAudit) -> list[Block]:
    """Return the mean error of each 2-point band against its tolerance."""
    if audit.bands.empty:
        return []
    names = ["band_low", "band_high", "n", "n_trials", "mean_error", "low", "high"]
    names += ["tolerance", "share_within", "verdict"]
    caption = f"Curve {audit.curve}: mean error by moisture."
    return [Table(caption, audit.bands[names], "bands", whole="bands.csv")]


def findings_of(findings: Iterable[Finding], most: int) -> list[Block]:
    """Return findings, the most serious first; beyond `most` they are counted."""
    ranked = sorted(findings, key=lambda f: SEVERITIES.index(f.severity))
    # What points at several tables is said once.
    alike: dict[tuple[str, str, str], dict[str, None]] = {}
    for found in ranked:
        of_it = alike.setdefault((found.severity, found.message, found.remedy), {})
        of_it |= {found.table: None} if found.table else {}
    lines = [
        (severity, f"{listed(tables)}: {said}" if tables else said, remedy)
        for (severity, said, remedy), tables in alike.items()
    ]
    if not lines:
        return [Paragraph("Nothing else was found.")]
    blocks: list[Block] = [Findings(lines[:most])]
    if len(lines) > most:
        more = counted(len(lines) - most, "more finding")
        blocks.append(Paragraph(f"{more} in findings.csv.", small=True))
    return blocks
