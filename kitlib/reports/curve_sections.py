"""One curve on one page: the advice, two pictures, the evidence, what was found."""

from collections.abc import Iterable
from dataclasses import fields
from math import isfinite
from typing import Any

import pandas as pd

from kitlib.curves.advice import KEEP, RESLOPE, UNRESOLVED, Recommendation, sep_judged
from kitlib.curves.audit import BY_TUE, CurveAudit
from kitlib.intake.outputs import digest, kept
from kitlib.intake.pairs import OVEN
from kitlib.reports import blocks as page
from kitlib.reports.figures import draw_by_day, draw_errors
from kitlib.review.review import curve_findings, review_curves
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import Estimate
from kitlib.words.findings import SEVERITIES, Finding
from kitlib.words.terms import NOT_KNOWN, columns_of, counted, listed, show, show_span

ACTION_IN_WORDS = {
    "keep": "keep the setting",
    "shift": "load a new offset",
    "reslope": "correct with a slope",
    "rebuild": "build a new curve",
    "unresolved": "not settled by these samples",
}
# As many findings as leave a curve with nine bands on its page; the rest are counted.
MOST_FINDINGS = 3


def curve_section(season: SeasonAudit, curve: str) -> list[page.Block]:
    """Return the page of one audited curve."""
    audit, advice = season.audits[curve], season.advice[curve]
    pairs = oven_pairs(season, curve)
    ends = tuple(pairs["error"].agg(["min", "max"]))
    by_day = page.picture_of("days", draw_by_day(pairs, audit.allowed_bias), ends=ends)
    blocks: list[page.Block] = [
        page.Heading(f"Curve {curve}, {audit.crop}", room=1),
        answer_of(audit, advice),
        page.SideBySide(errors_picture(season, curve), by_day),
        evidence(audit, advice),
    ]
    if len(audit.bands):
        blocks.append(page.table_of("bands", audit.bands, curve=curve))
    if own := [found for found in season.findings if found.curve == curve]:
        heading = page.Heading(f"Findings on curve {curve}", 2)
        most = max(1, MOST_FINDINGS - max(0, len(audit.bands) - 7) // 3)
        blocks += [heading, *findings_of(own, most, f"curve {curve}: ")]
    return blocks


def answer_of(audit: CurveAudit, advice: Recommendation) -> page.Answer:
    """Return the advice on a curve with its reason, and the setting to load."""
    tone = {KEEP: page.CALM, UNRESOLVED: page.OPEN}.get(advice.action, page.ACT)
    word = ACTION_IN_WORDS[advice.action]
    word = word if word.startswith(advice.action) else f"{advice.action}: {word}"
    in_use, left = audit.offset_in_use, advice.bias_left
    key = "load" if "bias left" in advice.reason else "load_and_left"  # said already?
    key = "leave" if advice.new_setting == in_use else key
    if not isfinite(advice.new_setting):
        key = "in_use_mixed" if audit.register["offset_mixed"] else "in_use"
    follows = page.say(
        f"curve.{key}",
        setting=advice.new_setting,
        in_use=in_use,
        left=left.value,
        ends=left.interval(audit.settings.confidence),
        allowed=audit.allowed_bias,
        chance=chance_in_words(advice.chance_within),
    )
    follows = advice.more if advice.action == UNRESOLVED else follows
    reason = advice.reason[0].upper() + advice.reason[1:]
    return page.Answer(word, reason, follows, tone)


def chance_in_words(chance: float) -> str:
    """Return a chance in percent; none is called certain or impossible."""
    if not isfinite(chance):
        return NOT_KNOWN
    if chance > 0.99:
        return ">99 %"
    return "<1 %" if chance < 0.01 else f"{show(100 * chance, 0)} %"


def line_in_words(season: SeasonAudit, curve: str) -> str:
    """Return the line that turns a curve's readings into corrected moisture."""
    line, audit = season.advice[curve].correction, season.audits[curve]
    loaded, in_use = audit.register["offset_loaded"], audit.offset_in_use
    key = "line_at" if isfinite(in_use) and in_use != loaded else "line"
    of_it = {"intercept": line.shift - line.tilt * line.pivot, "slope": 1 + line.tilt}
    return page.say(f"curve.{key}", curve=curve, loaded=loaded, **of_it)


def oven_pairs(season: SeasonAudit, curve: str) -> pd.DataFrame:
    """Return a curve's samples with an oven result, those not used among them."""
    pairs = season.pairing.pairs
    return pairs[(pairs["curve"] == curve) & (pairs["basis"] == OVEN)]


def errors_picture(season: SeasonAudit, curve: str, trial: str = "") -> page.Picture:
    """Return a curve's errors over moisture: with bands, or with one trial marked."""
    audit, pairs = season.audits[curve], oven_pairs(season, curve)
    here = int((pairs["trial"] == trial).sum())
    return page.picture_of(
        "errors" if not trial else "errors_here" if here else "errors_elsewhere",
        draw_errors(pairs, audit, trial),
        samples=counted(len(pairs), "sample"),
        curve=curve,
        bias=audit.bias.value,
        span=audit.bias.interval(audit.settings.confidence),
        here=here,
    )


def evidence(audit: CurveAudit, advice: Recommendation) -> page.Table:
    """Return the numbers the advice on a curve rests on, eight rows at most."""
    level = audit.settings.confidence

    def row(label: str, estimate: Estimate, decimals: int = 2, limit: str = ""):
        sign = label.startswith("Bias")
        span = show_span(*estimate.interval(level), decimals, sign)
        why = estimate.remark if NOT_KNOWN in span else ""
        return (label, show(estimate.value, decimals, sign), span, limit, why)

    after, cover, new = audit.after, audit.coverage, audit.new_sample
    allowed, (most, source) = f"±{show(audit.allowed_bias)}", audit.max_sep
    span = show_span(*audit.new_trials.interval)
    judged = f"after correction {show(sep_judged(audit))}"
    judged = judged if source == BY_TUE else f"low end {judged}"
    # The slope where one is advised, else the gain, else what is known of the slope.
    by_gain = advice.action != RESLOPE and audit.gain.known
    slope = ("Gain", audit.gain) if by_gain else ("Prediction slope", audit.slope)
    rows = [
        row("Bias", audit.bias, limit=allowed),
        ("SEP", show(audit.sep), span, show(most), f"{source}; {judged}"),
        row(*slope, 3, "1"),
    ]
    if cover is not None:
        rows.append(row("Bias over the harvested plots", cover.bias, limit=allowed))
    if after is not None:
        three = map(show, (after.rmsep_none, after.rmsep_offset, after.rmsep_line))
        which = "as loaded / with an offset / with a line"
        rows.append(("RMSEP on trials left out", " / ".join(three), "", "", which))
    if cover is not None and cover.share_beyond_estimates > 0:
        beyond = columns_of("curves")["share_beyond_estimates"]
        share = beyond.cell(cover.share_beyond_estimates)
        rows.append((beyond.label, share, "", "", ""))
    why = "" if isfinite(new.low) else audit.new_trials.method
    span = show_span(*new, 2, sign=True)
    rows.append(("Error of one new sample", "", span, "", why))
    apart = ""
    if audit.apart.n:
        samples, mean = counted(audit.apart.n, "sample"), audit.apart.error.mean()
        apart = page.say("curve.apart", samples=samples, mean=mean)
    return page.table_of(
        "evidence",
        pd.DataFrame(rows, columns=list(columns_of("report: evidence"))),
        curve=audit.curve,
        counts=f"{counted(audit.n, 'sample')} in {counted(audit.n_trials, 'trial')}",
        level=level,
        apart=apart,
    )


@kept
def curve_digest(season: SeasonAudit, curve: str) -> str:
    """Return one hash of all that reports show of a curve, the settings apart."""
    parts: dict[str, Any] = {"advice": season.advice.get(curve)}
    parts["samples"] = oven_pairs(season, curve)
    if audit := season.audits.get(curve):
        parts |= {field.name: getattr(audit, field.name) for field in fields(audit)}
        del parts["settings"]
        parts["in use"] = audit.offset_in_use
        if audit.plots is not None:
            # Of the plots it served only these enter its numbers: no yield does.
            parts["plots"] = audit.plots[["trial", "sensor_pct"]]
            parts["cover"] = audit.coverage
    if condition := review_curves(season).curves.get(curve):
        parts["condition"] = curve_findings(condition)
    return digest(parts)


def findings_of(
    findings: Iterable[Finding], most: int, about: str = ""
) -> list[page.Block]:
    """Return findings, the most serious first; beyond `most` they are counted.

    What each is `about` is left out where the page is about that alone.
    """
    # What points at several tables is said once.
    alike: dict[tuple[str, str, str], dict[str, None]] = {}
    for found in sorted(findings, key=lambda f: SEVERITIES.index(f.severity)):
        said = found.message.removeprefix(about)
        of_it = alike.setdefault((found.severity, said, found.remedy), {})
        of_it |= {found.table: None} if found.table else {}
    lines = [
        (severity, f"{listed(tables)}: {said}" if tables else said, remedy)
        for (severity, said, remedy), tables in alike.items()
    ]
    if not lines:
        return [page.Paragraph("Nothing was found.")]
    blocks: list[page.Block] = [page.Findings(lines[:most])]
    if len(lines) > most:
        more = counted(len(lines) - most, "more finding")
        blocks.append(page.Paragraph(f"{more} in findings.csv.", small=True))
    return blocks
