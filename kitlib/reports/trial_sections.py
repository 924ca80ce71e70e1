"""One trial's report: what it rests on, the answer, an appendix of evidence."""

from dataclasses import replace
from math import isfinite
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.curves.advice import RESLOPE, UNRESOLVED
from kitlib.intake.pairs import OVEN
from kitlib.reports.blocks import (
    ACT,
    CALM,
    OPEN,
    Answer,
    Block,
    Facts,
    Heading,
    Items,
    Paragraph,
    Picture,
    Report,
    SideBySide,
    Table,
)
from kitlib.reports.curve_sections import (
    answer_of,
    evidence,
    findings_of,
    line_in_words,
    oven_pairs,
)
from kitlib.reports.figures import draw_errors, draw_field_map, draw_ranks
from kitlib.reports.typeset import (
    cautions,
    method_and_sources,
    provenance,
    write_report,
)
from kitlib.review.review import (
    CurveReview,
    SeasonCurves,
    curve_findings,
    tells_a_cause,
)
from kitlib.season.season import SeasonAudit, TrialAudit, findings_on
from kitlib.statistics.estimates import Estimate
from kitlib.trials import consequences as word
from kitlib.trials.consequences import Selection
from kitlib.trials.moisture_errors import entries_to_sample
from kitlib.trials.ranks import BORDERLINE, SAME
from kitlib.words.digests import digest, kept
from kitlib.words.findings import Finding
from kitlib.words.terms import NOT_KNOWN, counted, crop_key, listed, show, show_span


def trial_basis(season: SeasonAudit, name: str) -> dict[str, str]:
    """Return the SHA-256 of all that a trial's notebook and report are made from.

    These are rows of the season's tables, joined and corrected, and what was found of
    the curves that served the trial and of its crop's entries; nothing else of the
    season enters a report.

    Parameters
    ----------
    season : SeasonAudit
    name : str
        The trial.

    Returns
    -------
    dict of str to str
        By the part, as the report names it.
    """
    plots = season.plots_of(name)
    curves = sorted(plots["curve"].dropna().unique())
    pairs, left_out = season.pairing.pairs, season.pairing.left_out
    own = pairs[pairs["trial"] == name]
    left = left_out[left_out["trial"] == name]
    findings = findings_on(season, name, curves)
    crops = sorted(plots["crop"].map(crop_key).unique())
    of_entries = [season.entry_errors.get(crop) for crop in crops]
    return {
        "settings": digest(season.settings),
        f"plots of the trial ({len(plots)})": digest(plots),
        f"samples of the trial ({len(own)})": digest(own),
        f"rows left out ({len(left)})": digest(left),
        f"findings ({len(findings)})": digest(findings),
        "entries' own errors": digest(of_entries),
        **{f"curve {curve}": curve_digest(season, curve) for curve in curves},
    }


@kept
def curve_digest(season: SeasonAudit, curve: str) -> str:
    """Return one hash of all that reports show of a curve."""
    pairs = season.pairing.pairs
    drawn = pairs[(pairs["curve"] == curve) & (pairs["basis"] == OVEN)]
    audit = season.audits.get(curve)
    if audit is not None and audit.plots is not None:
        # Of the plots it served only these enter its numbers.
        audit = replace(audit, plots=audit.plots[["trial", "sensor_pct"]])
    return digest(
        {
            "audit": audit,
            "advice": season.advice.get(curve),
            "samples": drawn,
            "condition": curve_condition(season, curve),
        }
    )


def curve_condition(season: SeasonAudit, curve: str) -> CurveReview | None:
    """Return how a curve was set up and held; None for one without a register."""
    curves = _season_curves(season)
    return curves.review(curve) if curve in curves.order else None


@kept
def _season_curves(season: SeasonAudit) -> SeasonCurves:
    """Return a season's curves, kept for the next trial of the same season."""
    return SeasonCurves(season)


def trial_findings(season: SeasonAudit, trial: TrialAudit) -> list[Finding]:
    """Return all that was found of a trial and of the curves that served it.

    What could have put an offset wrong at set-up is left to the season's report.
    """
    found = list(trial.findings)
    for curve in trial.curves:
        condition = curve_condition(season, curve)
        if condition is not None:
            of_curve = curve_findings(condition)
            found += [f for f in of_curve if not tells_a_cause(f)]
    return found


TONES = {
    word.HOLDS: CALM,
    word.CHANGES: ACT,
    word.OPEN: OPEN,
    word.NOT_TESTED: OPEN,
}
# A change of mean yield smaller than this is not worth a word. [share]
NO_CHANGE = 0.00005
# From this Cramér's V up the sensors go with the entries (default of this kit).
UNEVEN = 0.3


def trial_answer(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return whether the selection holds, three facts, and who met which sensor."""
    selection = trial.consequences.selection
    answer = Answer(
        selection.word.capitalize(),
        _reason(season, trial, selection),
        _what_else(trial, selection),
        TONES[selection.word],
    )
    facts = [_own_fact(season, trial), _yield_fact(trial)]
    sensors = _sensors_in_words(season, trial)
    if not sensors:
        return [answer, Facts([*facts, _selected_fact(trial)])]
    # Where several curves served a trial, that is the first thing to look at.
    return [answer, Facts([_sensor_fact(trial), *facts]), Paragraph(sensors)]


def _reason(season: SeasonAudit, trial: TrialAudit, selection: Selection) -> str:
    """Return the reason for the word on the selection, as a sentence."""
    found, unit = trial.consequences, trial.unit
    if selection.word == word.NOT_TESTED:
        return _why_not_tested(season, trial)
    chosen = f"{found.count} of {int(found.candidate.sum())} entries"
    if not selection.entered and not selection.left:
        same = f"With moisture corrected the same {chosen} are selected"
        if selection.word == word.HOLDS:
            return f"{same}."
        if selection.open:
            return (
                f"{same}, but the correction is not known well enough to tell "
                f"{listed(selection.open)} apart at the line."
            )
        curves = [c for c in trial.curves if not season.is_tested(c)]
        return f"{same}, but how well {listed(curves)} reads is not known."
    moved = f"With moisture corrected {listed(selection.entered) or 'no entry'} "
    moved += f"would be among the {chosen} selected in place of "
    moved += f"{listed(selection.left) or 'none'}"
    if not isfinite(selection.lsd):
        known = "not known: the trial has no estimate of plot error"
        return f"{moved}. How far they differ beyond plot error is {known}."
    gap = f"{show(unit.of(selection.gap), unit.decimals)} {unit.name}"
    lsd = show(unit.of(selection.lsd), unit.decimals)
    if selection.word == word.CHANGES:
        return f"{moved}; they differ by {gap}, the least significant difference {lsd}."
    return (
        f"{moved}, but they differ by {gap} at most where the least significant "
        f"difference is {lsd}: the data cannot tell them apart."
    )


def _why_not_tested(season: SeasonAudit, trial: TrialAudit) -> str:
    """Return why a selection was not tested."""
    if trial.consequences.candidate.sum() < 2:
        return "There is nothing to select: the trial has fewer than two entries."
    sampled = [c for c in trial.curves if c in season.audits]
    if not sampled:
        return (
            f"No sample chosen blind to the reading was taken on {listed(trial.curves)}"
            ", so its readings could not be judged."
        )
    return (
        f"The samples do not settle how {listed(sampled)} reads, so the yields are "
        "left as recorded."
    )


def _what_else(trial: TrialAudit, selection: Selection) -> str:
    """Return what stands beside the reason: others selected, or how many are close."""
    found = trial.consequences
    if selection.word == word.NOT_TESTED:
        return _selected_otherwise(trial)
    said = ""
    if selection.open and found.ranks is not None and found.after is not None:
        chosen = found.after.entries[found.ranks.selected_after]
        firm = len(set(chosen) - set(selection.open))
        if firm:
            said = f"The other {firm} selected stand. "
    close = found.entries["verdict"] == BORDERLINE
    if close.any():
        said += (
            f"Plot error included, {counted(int(close.sum()), 'entry', 'entries')} "
            f"could fall either side of the line (chance between 10 and 90 %)."
        )
    return said.strip()


def _selected_otherwise(trial: TrialAudit) -> str:
    """Return what the offset and the line found would select, beside as recorded."""
    found, said = trial.consequences, []
    chosen_so = found.entries["selected_before"].fillna(False).astype(bool)
    recorded = found.entries.loc[chosen_so, "entry"].tolist()
    if not trial.otherwise or not recorded:
        return ""
    for how, chosen in trial.otherwise.items():
        new = [entry for entry in chosen if entry not in recorded]
        gone = [entry for entry in recorded if entry not in chosen]
        moved = f"{listed(new)} in place of {listed(gone)}"
        said.append(f"{how} {moved if new or gone else 'the same'}")
    return f"As recorded {listed(recorded)} are selected; {'; '.join(said)}."


def _own_fact(season: SeasonAudit, trial: TrialAudit) -> tuple[str, str, str]:
    """Return the mean error of the trial's own samples."""
    own, level = trial.own.mean, season.settings.confidence
    if not own.known:
        return ("The sensor read here", NOT_KNOWN, "no sample of this trial")
    side = "too wet" if own.value > 0 else "too dry"
    span = show_span(*own.interval(level), 2, sign=True)
    samples = counted(trial.own.n, "sample")
    note = f"{side}; {level:.0%} interval {span}, {samples}"
    if span == NOT_KNOWN:
        note = f"{side}; {samples}, {own.remark}"
    return ("The sensor read here", f"{show(own.value, 2, True)} points", note)


def _yield_fact(trial: TrialAudit) -> tuple[str, str, str]:
    """Return what the error of the trial did to its yields."""
    added, predicted, unit = trial.own.yield_added, trial.own.predicted, trial.unit
    mean = np.mean(trial.consequences.before.mean) if trial.consequences.before else 0
    if not added.known or not mean:
        return ("So yields were stated", NOT_KNOWN, predicted.remark)
    side = "low" if added.value < 0 else "high"
    size = show(abs(unit.of(added.value)), unit.decimals)
    share = show(100 * abs(added.value) / mean, 1)
    return (
        "So yields were stated",
        f"{size} {unit.name} {side}",
        f"{share} % of the mean; best prediction of the error here "
        f"{_estimate(predicted, 2)} points, season and samples together",
    )


def _estimate(estimate: Estimate, decimals: int) -> str:
    """Return an estimate with its standard error."""
    value = show(estimate.value, decimals, sign=True)
    if not isfinite(estimate.se):
        return value
    return f"{value} ± {show(estimate.se, decimals)}"


def _selected_fact(trial: TrialAudit) -> tuple[str, str, str]:
    """Return how many entries are selected."""
    found = trial.consequences
    checks = int((~found.candidate).sum())
    beside = f"besides {counted(checks, 'check')}" if checks else ""
    return ("Selected", f"{found.count} of {int(found.candidate.sum())}", beside)


def _sensor_fact(trial: TrialAudit) -> tuple[str, str, str]:
    """Return how many entries met one sensor only."""
    served, before = trial.consequences.served, trial.consequences.before
    if served is None or before is None:
        return ("Who met which sensor", NOT_KNOWN, "no plot has a corrected moisture")
    return (
        "Who met which sensor",
        f"{len(served.on_one_curve)} of {before.entries.size} on one",
        f"strength (Cramér's V) {show(served.unevenness)}; 0 even, 1 each on its own",
    )


def _sensors_in_words(season: SeasonAudit, trial: TrialAudit) -> str:
    """Return what it means which entry met which sensor; empty for one sensor."""
    served, found = trial.consequences.served, trial.consequences
    if len(trial.curves) < 2:
        return ""
    said = f"{counted(len(trial.curves), 'curve')} served this trial: "
    said += f"{listed(trial.curves)}. "
    if served is None or served.curves.size < 2:
        return f"{said}Only one of them has corrected readings to compare."
    used = found.used
    blocks = np.unique(used.block).size if used.block is not None else 1
    if served.blocks_split == 0 and blocks > 1:
        said += "Each block was harvested on one of them, so a difference between "
        said += "their errors goes out with the blocks."
    elif served.unevenness < UNEVEN:
        said += "Most entries met all of them in much the same shares, so a difference "
        said += "between their errors largely cancels."
    else:
        said += "Entries met them in unlike shares, so a difference between their "
        said += "errors goes into the comparison of entries."
    unit = trial.unit
    spread = show(unit.of(served.entry_spread), unit.decimals)
    said += f" As recorded it moved entry means against each other by up to {spread} "
    said += f"{unit.name}."
    ends = served.difference.interval(season.settings.confidence)
    if isfinite(ends.low):
        rest = show(unit.of((ends.high - ends.low) / 2), unit.decimals)
        said += f" Corrected, ±{rest} {unit.name} between plots of two curves remains "
        said += "unknown."
    return said


def what_to_do(season: SeasonAudit, trial: TrialAudit) -> Items:
    """Return what to do now, as one numbered list."""
    selection = trial.consequences.selection
    items = [_which_yields(trial)]
    if selection.word == word.CHANGES:
        items.append(
            f"Reconsider {listed(selection.entered)}, which would be selected, and "
            f"{listed(selection.left)}, which would not."
        )
    if selection.open:
        items.append(f"Keep {listed(selection.open)}, or compare them again.")
    items += [_for_curve(season, curve) for curve in trial.curves]
    served = trial.consequences.served
    if served is not None and served.unevenness >= UNEVEN and served.blocks_split:
        items.append(
            "Next time let each sensor harvest whole blocks, so that every entry meets "
            "all sensors alike."
        )
    if trial.own.n == 0:
        items.append(
            "Sample this trial for the oven next time: nothing here says how its own "
            "readings were off."
        )
    if not trial.entry_error.known:
        items.append(_sample_entries(season, trial))
    return Items(items, numbered=True)


def _which_yields(trial: TrialAudit) -> str:
    """Return which yields to go on with."""
    found = trial.consequences
    before, after = found.before, found.after
    if found.selection.word == word.NOT_TESTED or before is None or after is None:
        return "Go on with the yields as recorded, and treat close entries with care."
    change = np.abs(after.mean / before.mean - 1).max()
    if change < NO_CHANGE:
        return "Go on with the yields as recorded: no correction is called for."
    return f"Use the corrected yields (trial {trial.name} in entries.csv)."


def _for_curve(season: SeasonAudit, curve: str) -> str:
    """Return what to do with a curve."""
    advice = season.advice.get(curve)
    if advice is None:
        return f"Curve {curve}: take samples; none was chosen blind to the reading."
    if advice.action == UNRESOLVED:
        return f"Curve {curve} is not settled. {advice.more}"
    if advice.action == RESLOPE:
        return f"Correct curve {line_in_words(advice)}, or have it refitted."
    loaded = season.audits[curve].register["offset_loaded"]
    if not isfinite(advice.new_setting):
        return f"Have curve {curve} built anew; until then it is only corrected."
    setting = show(advice.new_setting, 2, sign=True)
    if advice.new_setting == loaded:
        return f"Leave curve {curve} at {setting}."
    in_use = show(loaded, 2, sign=True)
    return f"Load {setting} for curve {curve} next season (in use: {in_use})."


def _sample_entries(season: SeasonAudit, trial: TrialAudit) -> str:
    """Return what sampling would tell of the entries' own errors."""
    sds = [season.spreads[c].sd_sample for c in trial.curves if c in season.spreads]
    sd = np.sqrt(np.nanmean(np.square(sds))) if np.isfinite(sds).any() else np.nan
    number = f"about {entries_to_sample(float(sd))}" if sd > 0 else "some"
    return (
        f"Sample {number} {trial.crop} entries in two trials each next season: errors "
        "that go with the entry, which matter most to a selection, are not known."
    )


METHOD = (
    "Yields are brought to standard moisture: mass × (100 − M) / (100 − standard). "
    "Entry means are least squares with the blocks of the trial, or random blocks "
    "(REML) where a block holds only some of the entries [1].",
    "Every interval of a bias or slope is clustered by trial: CR2 standard errors with "
    "Satterthwaite degrees of freedom [2]. Performance after a correction is measured "
    "on trials that were not used to fit it.",
    "The error of this trial is predicted from its own samples and the season's, by "
    "the variance between and within trials [3].",
    "Chances of selection are shares of 1,000 draws of plot error, of the correction "
    "with this trial's own deviation from it, and of errors that go with the entry "
    "where these could be estimated. Checks take no place among the selected.",
)
REFERENCES = (
    "Kenward, M. G., Roger, J. H. (1997). Small sample inference for fixed effects "
    "from restricted maximum likelihood. Biometrics 53, 983–997.",
    "Bell, R. M., McCaffrey, D. F. (2002). Bias reduction in standard errors for "
    "linear regression with multi-stage samples. Survey Methodology 28, 169–181.",
    "Robinson, G. K. (1991). That BLUP is a good thing: the estimation of random "
    "effects. Statistical Science 6, 15–32.",
)
# As many rows as leave the answer on two pages, and the appendix on four.
MOST_DRAWN, MOST_SAMPLES, MOST_ENTRIES, MOST_FINDINGS = 24, 24, 100, 6


def trial_report(season: SeasonAudit, trial: TrialAudit) -> Report:
    """Return a trial's report without a block: they are added as they are shown."""
    found = trial.consequences
    days = pd.to_datetime(trial.plots["harvested_at"]).dropna()
    facts = [
        ("Crop", trial.crop),
        ("Site", trial.location or NOT_KNOWN),
        ("Plots", str(len(trial.plots))),
        ("Entries", str(len(found.entries))),
        ("Harvested", f"{days.min():%Y-%m-%d}" if len(days) else NOT_KNOWN),
        ("Curves", listed(trial.curves)),
    ]
    return Report(
        kind="Trial report",
        title=f"Trial {trial.name}",
        subtitle="Did the combine's moisture readings change what was selected?",
        date=season.settings.report_date,
        facts=facts,
    )


def write_trial_report(season: SeasonAudit, name: str, path: str | Path) -> Path:
    """Write one trial's PDF, whole, and return where it is."""
    return write_report(whole_report(season, name), path)


def whole_report(season: SeasonAudit, name: str) -> Report:
    """Return one trial's report with all its blocks."""
    trial = season.trial(name)
    report = trial_report(season, trial)
    report.blocks += [
        *trial_answer(season, trial),
        *rank_chart(trial),
        *to_do(season, trial),
        *measured_here(trial),
        *found_here(season, trial),
        *entry_rows(trial),
        *curves_here(season, trial),
        *changes_here(trial),
        *how_made(season, trial),
    ]
    return report


# ---- the two pages that answer -------------------------------------------------------


def rank_chart(trial: TrialAudit) -> list[Block]:
    """Return the entries around the selection line, none without a ranking."""
    found, unit = trial.consequences, trial.unit
    entries = in_unit(trial)
    entries = entries[entries["rank_before"].notna()]
    if entries.empty or found.count == 0:
        return []
    rank = entries["rank_after"].fillna(entries["rank_before"]).astype(float)
    crossing = entries["selected_before"] != entries["selected_after"].fillna(
        entries["selected_before"]
    )
    far = (rank - found.count - 0.5).abs().where(~crossing, 0.0)
    shown = entries.loc[far.sort_values(kind="stable").index[:MOST_DRAWN]]
    shown = shown.loc[rank[shown.index].sort_values(kind="stable").index]
    more = len(entries) - len(shown)
    others = f" {more} farther off {_are(more)} not drawn." if more else ""
    checks = found.before.entries[~found.candidate] if found.before else ()
    beside = f" Checks take no place: {listed(checks)}." if len(checks) else ""
    return [
        Picture(
            draw_ranks(shown, found.count, unit.name, unit.decimals),
            f"Entries around the selection line, at {trial.standard_pct:g} % moisture; "
            f"orange: chance between 10 and 90 %, plot error included.{others}{beside}",
            f"Yields of {counted(len(shown), 'entry', 'entries')} as recorded and "
            f"corrected; {int(crossing.sum())} cross the line below the {found.count} "
            "selected.",
        )
    ]


def _are(n: int) -> str:
    """Return the verb for a count."""
    return "is" if n == 1 else "are"


def in_unit(trial: TrialAudit) -> pd.DataFrame:
    """Return the trial's entries, yields in the unit of its report."""
    entries = trial.consequences.entries.copy()
    for name in ("yield_before", "yield_after", "lsd"):
        entries[name] = trial.unit.of(entries[name])
    ranks = [name for name in map(str, entries) if name.startswith("rank_")]
    return entries.astype(dict.fromkeys(ranks, float))


def to_do(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return what to do now."""
    return [Heading("What to do now"), what_to_do(season, trial)]


def measured_here(trial: TrialAudit) -> list[Block]:
    """Return the trial's own samples, sensor beside air-oven."""
    heading = Heading("What was measured here")
    pairs = trial.pairs[(trial.pairs["basis"] == OVEN) & ~trial.pairs["parallel"]]
    if pairs.empty:
        said = "No plot of this trial was sampled for the oven; its curves are judged "
        return [heading, Paragraph(f"{said}by samples of other trials.")]
    names = ["plot", "entry", "curve", "sample", "sensor_pct", "reference_pct"]
    names += ["n_dishes", "error", "used"]
    return [
        heading,
        Table(
            "Samples of this trial.",
            pairs[names],
            "pairs",
            note="Readings restated to the offset in the register. Samples not used "
            "were chosen because of their reading.",
            most=MOST_SAMPLES,
            whole="pairs.csv",
        ),
    ]


def found_here(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return the findings that concern the trial, and what no reader may overlook."""
    findings = trial_findings(season, trial)
    return [
        Heading("Findings on this trial and its curves"),
        *findings_of(findings, MOST_FINDINGS),
        cautions(),
    ]


# ---- the appendix --------------------------------------------------------------------


def entry_rows(trial: TrialAudit) -> list[Block]:
    """Return all entries in order of rank, with yields, ranks and chances."""
    found, unit = trial.consequences, trial.unit
    entries = in_unit(trial).sort_values(
        ["rank_after", "rank_before", "yield_after"],
        ascending=[True, True, False],
        na_position="last",
    )
    is_check = entries["is_check"].fillna(False).astype(bool)
    names = ["entry", "n_plots", "yield_before", "yield_after", "rank_before"]
    names += ["rank_after", "rank_low", "rank_high", "chance_selected_after", "verdict"]
    lsd = entries["lsd"].dropna()
    said = f"Means: {found.before.model}. " if found.before else ""
    if len(lsd):
        said += f"LSD {show(lsd.iloc[0], unit.decimals)} {unit.name}. "
    said += "Chances and intervals of ranks count plot error, the correction as known "
    said += f"for one trial{_entries_known(trial)}."
    units = dict.fromkeys(("yield_before", "yield_after"), (unit.name, unit.decimals))
    return [
        Heading("Appendix: all entries", new_page=True),
        Table(
            f"Entries at {trial.standard_pct:g} % moisture, best first.",
            entries.loc[~is_check, names],
            "entries",
            note=said,
            most=MOST_ENTRIES,
            whole="entries.csv",
            units=units,
        ),
        *_check_rows(entries.loc[is_check, names[:4]], units),
    ]


def _check_rows(checks: pd.DataFrame, units: dict) -> list[Block]:
    """Return the checks, which take no rank; none where there are none."""
    if checks.empty:
        return []
    return [Table("Checks, beside the entries.", checks, "entries", units=units)]


def _entries_known(trial: TrialAudit) -> str:
    """Return whether errors that go with the entry are among what is drawn."""
    found = trial.entry_error
    if not found.known:
        return f", not errors that go with the entry ({found.remark})"
    span = show_span(found.low, found.high)
    return (
        f" and errors that go with the entry: SD {show(found.sd)} points ({span}) from "
        f"{counted(found.n_entries, 'entry', 'entries')} sampled more than once"
    )


def curves_here(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return how the curves that served the trial did over the season."""
    audited = [curve for curve in trial.curves if curve in season.audits]
    if not audited:
        return []
    blocks: list[Block] = [Heading("How its curves did over the season")]
    pictures = [_errors(season, curve, trial.name) for curve in audited[:2]]
    blocks += [SideBySide(*pictures)] if len(pictures) == 2 else pictures
    if len(trial.own.by_curve):
        blocks.append(_own_rows(trial))
    for curve in audited:
        blocks += _evidence(season, curve)
    return blocks


def _errors(season: SeasonAudit, curve: str, trial: str) -> Picture:
    """Return a curve's errors, those of the trial marked."""
    audit, pairs = season.audits[curve], oven_pairs(season, curve)
    ends = audit.bias.interval(season.settings.confidence)
    line = audit.line
    drawn = draw_errors(
        pairs,
        audit.tolerance,
        audit.bias.value,
        ends,
        line=(line.intercept.value, line.slope.value) if line else None,
        trial=trial,
    )
    return Picture(
        drawn,
        f"Errors of curve {curve}, this trial marked.",
        f"Errors of {counted(len(pairs), 'sample')} of curve {curve}, "
        f"{int((pairs['trial'] == trial).sum())} of them of this trial; bias "
        f"{show(audit.bias.value, 2, True)} points.",
    )


@kept
def _evidence(season: SeasonAudit, curve: str) -> list[Block]:
    """Return the advice on a curve and the numbers it rests on, for all its trials."""
    audit, advice = season.audits[curve], season.advice[curve]
    answer = answer_of(audit, advice)
    said = f"{curve}. {answer.word}. {answer.sentence} {answer.detail}"
    return [Paragraph(said), evidence(audit, advice, season.settings.confidence)]


def _own_rows(trial: TrialAudit) -> Table:
    """Return the trial's own error on each curve beside the season's."""
    served, unit = trial.consequences.served, trial.unit
    rows = trial.own.by_curve.rename(columns={"predicted_se": "se"})
    names = served.curves.tolist() if served else []
    added = dict(zip(names, served.added_kg_ha if served else (), strict=True))
    return Table(
        "Error of the readings as recorded, in this trial.",
        rows.assign(added=unit.of(rows["curve"].map(added).astype(float))),
        "report: own error",
        note="Best prediction: the mean of this trial's samples drawn towards the "
        "season's, the more so the fewer they are. Added: by the error that the "
        "season's correction takes away, on the plots the curve served.",
        units={"added": (unit.name, unit.decimals)},
    )


def changes_here(trial: TrialAudit) -> list[Block]:
    """Return where yields change, changed differences to checks, and rows left out."""
    items = _of_checks(trial) + _of_moisture(trial) + _left_out(trial)
    blocks: list[Block] = []
    selection = trial.consequences.selection
    if selection.entered or selection.left:
        blocks += _field_map(trial)
    if items:
        blocks.append(Items(items))
    return [Heading("What else changes"), *blocks] if blocks else []


def _of_checks(trial: TrialAudit) -> list[str]:
    """Return entries whose difference to a check changes sign or significance."""
    before, said = trial.consequences.before, []
    entries = before.entries if before else ()
    for check in trial.consequences.checks:
        changed = [
            f"{entry} ({change})"
            for entry, change in zip(entries, check.change, strict=True)
            if change != SAME
        ]
        if changed:
            said.append(f"Compared with {check.check}: {listed(changed)}.")
    if trial.consequences.checks and not said:
        said = ["No difference from a check changes its sign or its significance."]
    return said


def _of_moisture(trial: TrialAudit) -> list[str]:
    """Return how the change of yield goes with the moisture of the entries."""
    trend, unit = trial.consequences.trend, trial.unit
    if trend is None or not trend.slope.known:
        return []
    slope = unit.of(trend.slope.value)
    if show(slope, unit.decimals) in (show(0.0, unit.decimals), NOT_KNOWN):
        return []
    verb = "raises" if slope > 0 else "lowers"
    return [
        f"Each extra point of moisture {verb} an entry's corrected yield by a further "
        f"{show(abs(slope), unit.decimals)} {unit.name}."
    ]


def _left_out(trial: TrialAudit) -> list[str]:
    """Return how many rows of the trial were left out, by reason."""
    reasons = trial.left_out.groupby(["table", "reason"], sort=True).size()
    rows = reasons.reset_index(name="n").to_dict("records")
    return [
        f"Left out of {row['table']}: {counted(row['n'], 'row')}, {row['reason']}."
        for row in rows[:4]
    ]


def _field_map(trial: TrialAudit) -> list[Block]:
    """Return the change of each plot's yield at its place; none without places."""
    plots, unit = trial.plots, trial.unit
    place = plots[["row", "range"]].apply(pd.to_numeric, errors="coerce")
    change = plots["yield_after_kg_ha"] - plots["yield_before_kg_ha"]
    known = place.notna().all(axis=1) & change.notna()
    if not known.any():
        return []
    value = unit.of(change[known].to_numpy(float))
    row, range_ = (place.loc[known, name].to_numpy(int) for name in ("row", "range"))
    label = f"Change of yield ({unit.name})"
    span = show_span(value.min(), value.max(), unit.decimals, sign=True)
    return [
        Picture(
            draw_field_map(row, range_, value, label, unit.decimals),
            "Change of each plot's yield by the correction.",
            f"Changes from {span} {unit.name}.",
        )
    ]


def how_made(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return the method, its sources, and what the report rests on."""
    return [
        *method_and_sources(season.settings, [trial.crop], METHOD, REFERENCES),
        *provenance(trial_basis(season, trial.name), season.settings.seed),
    ]
