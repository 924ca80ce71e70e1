"""One trial's report: two pages that answer, and an appendix of evidence."""

from pathlib import Path

import pandas as pd

from kitlib.intake.pairs import OVEN
from kitlib.reports.blocks import (
    Block,
    Heading,
    Items,
    Paragraph,
    Picture,
    Report,
    SideBySide,
    Table,
)
from kitlib.reports.curve_sections import answer_of, evidence, findings_of, oven_pairs
from kitlib.reports.figures import draw_field_map, draw_ranks
from kitlib.reports.method import cautions, method_and_sources, provenance
from kitlib.reports.sample_figures import draw_errors
from kitlib.reports.trial_answer import trial_answer, what_to_do
from kitlib.reports.trial_basis import (
    trial_basis,
    trial_findings,
)
from kitlib.reports.typeset import write_report
from kitlib.season.season import SeasonAudit, TrialAudit
from kitlib.trials.ranks import SAME
from kitlib.words.digests import kept
from kitlib.words.terms import NOT_KNOWN, counted, listed, show, show_span

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
