"""One trial's report: the verdict, then the evidence behind it."""

from datetime import date
from pathlib import Path

import numpy as np

from kitlib.intake.outputs import write_bytes
from kitlib.pages.blocks import (
    Block,
    Heading,
    Paragraph,
    Report,
    Verdict,
)
from kitlib.pages.typeset import typeset
from kitlib.reports.method_note import cautions, method_note
from kitlib.reports.pictures import (
    curve_pictures,
    entries_picture,
)
from kitlib.reports.report_parts import (
    ACTION_IN_WORDS,
    advice_detail,
    curve_numbers,
    facts,
    findings_block,
    left_out_block,
    season_facts,
    section,
)
from kitlib.reports.trial_basis import basis_blocks, curve_digest
from kitlib.reports.trial_changes import change_blocks
from kitlib.reports.trial_condition import (
    condition_blocks,
    curve_condition,
    trial_conditions,
    trial_findings,
)
from kitlib.reports.trial_samples import n_samples, sample_blocks
from kitlib.season.season import SeasonAudit, TrialAudit
from kitlib.trials.ranks import BORDERLINE
from kitlib.trials.yields import YieldUnit
from kitlib.words.terms import NOT_KNOWN, counted, listed, show

NO_DATE = date(1970, 1, 1)
HOLDS, CHANGES, OPEN = "selection holds", "selection changes", "not known"


def write_trial_report(season: SeasonAudit, name: str, path: str | Path) -> Path:
    """Write one trial's PDF, whole, and return where it is."""
    return write_bytes(Path(path), typeset(trial_report(season, name)))


def trial_report(season: SeasonAudit, name: str) -> Report:
    """Return one trial's report.

    Parameters
    ----------
    season : SeasonAudit
    name : str
        The trial.
    """
    trial = season.trial(name)
    conditions = trial_conditions(season, trial)
    findings = trial_findings(season, trial, conditions)
    blocks = [
        trial_verdict(season, trial),
        *_at_a_glance(season, trial),
        *sample_blocks(trial),
        *_curves(season, trial),
        *condition_blocks(season, conditions),
        *change_blocks(season, trial),
        *section("What was left out, and why", left_out_block(trial.left_out)),
        *section("What else was found", findings_block(findings)),
        *cautions(),
        *method_note(season, [trial.crop]),
        *basis_blocks(season, name),
    ]
    return Report(
        kind="Trial report",
        title=f"Trial {name}",
        subtitle="Did the combine's moisture readings change what was selected?",
        running=f"Trial {name}",
        date=season.settings.report_date or NO_DATE,
        facts=[
            *season_facts(season),
            ("Site", trial.location or NOT_KNOWN),
            ("Crop", trial.crop),
            ("Curves", listed(trial.curves)),
        ],
        blocks=blocks,
    )


def share_curves(season: SeasonAudit) -> None:
    """Work out of every curve what all of its trials' reports show alike."""
    for curve in season.audits:
        if condition := curve_condition(season, curve):
            condition_blocks(season, [condition])
        curve_digest(season, curve)


def trial_verdict(season: SeasonAudit, trial: TrialAudit) -> Verdict:
    """Return whether the trial's selection holds, in one sentence."""
    found = trial.consequences
    if found.ranks is None:
        why = "no plot has a corrected moisture"
        if not any(curve in season.audits for curve in trial.curves):
            why = "no sample taken blind to the reading speaks for its curves"
        return Verdict(OPEN, f"Whether the selection would differ is not known: {why}.")
    if found.count == 0 or found.before.entries.size < 2:
        return Verdict(
            OPEN, "There is nothing to select in this trial.", _why(season, trial)
        )
    ranks, entries = found.ranks, found.before.entries
    crossing = int(ranks.entered.sum())
    chosen = f"{found.count} of {counted(entries.size, 'entry', 'entries')}"
    if crossing == 0:
        said = f"With corrected moisture the same {chosen} are selected"
        action = HOLDS
    else:
        said = (
            f"With corrected moisture {listed(entries[ranks.left])} would leave the "
            f"{chosen} selected and {listed(entries[ranks.entered])} would enter"
        )
        action = CHANGES
    return Verdict(action, f"{said}; {_yield_change(trial)}.", _why(season, trial))


def _yield_change(trial: TrialAudit) -> str:
    """Return how entry yields change, as a phrase."""
    both = trial.consequences
    change = 100 * (both.after.mean / both.before.mean - 1)
    if np.abs(change).max() < 0.005:
        return "yields stay as they are"
    low, high = show(change.min(), 2, sign=True), show(change.max(), 2, sign=True)
    return f"entry yields change by {low} to {high} %"


def _why(season: SeasonAudit, trial: TrialAudit) -> str:
    """Return what is recommended for the trial's curves, as one line."""
    said = []
    for curve in trial.curves:
        if curve in season.advice:
            action = season.advice[curve].action
            said.append(f"curve {curve}: {action} ({ACTION_IN_WORDS[action]})")
        else:
            said.append(f"curve {curve}: no sample")
    return f"C{'; '.join(said)[1:]}." if said else ""


def _at_a_glance(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return the page that answers: the numbers and one picture."""
    found, plots = trial.consequences, trial.plots
    change = plots["moisture_after_pct"] - plots["recorded_pct"]
    blocks: list[Block] = [
        facts(
            [
                ("Plots", str(len(plots))),
                ("Entries", _entries(trial)),
                ("Oven samples", str(n_samples(trial))),
                ("Mean reading", f"{show(plots['recorded_pct'].mean(), 1)} %"),
                ("Mean change of moisture", f"{show(change.mean(), 2, True)} points"),
                ("LSD after", _lsd(found, trial.unit)),
                ("Kendall's tau", _tau(found)),
                ("Touch and go", _touch_and_go(found)),
            ]
        )
    ]
    picture = entries_picture(trial)
    return [*blocks, picture] if picture else blocks


def _entries(trial: TrialAudit) -> str:
    """Return how many entries there are, and with a yield if these are fewer."""
    n, both = trial.plots["entry"].nunique(), trial.consequences
    ranked = both.before.entries.size if both.ranks else n
    return f"{n}, {ranked} with a yield" if ranked < n else str(n)


def _lsd(found, unit: YieldUnit) -> str:
    """Return the trial's least significant difference."""
    lsd = found.entries["lsd"].dropna()
    if lsd.empty:
        return NOT_KNOWN
    return f"{show(unit.of(lsd.iloc[0]), unit.decimals)} {unit.name}"


def _tau(found) -> str:
    """Return Kendall's tau of the ranks before and after."""
    return show(found.ranks.kendall_tau, 3) if found.ranks else NOT_KNOWN


def _touch_and_go(found) -> str:
    """Return how many entries are neither safely in nor safely out."""
    if not (found.entries["chance_selected_after"].notna()).any():
        return NOT_KNOWN
    return str(int((found.entries["verdict"] == BORDERLINE).sum()))


def _curves(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return how the curves that served the trial did, over all their trials."""
    blocks: list[Block] = [Heading("How the calibration curve did over the season")]
    if len([c for c in trial.curves if c in season.audits]) > 1:
        blocks[0] = Heading("How the calibration curves did over the season")
    for curve in trial.curves:
        if curve not in season.audits:
            said = f"No sample taken blind to the reading speaks for curve {curve}."
            blocks.append(Paragraph(said))
            continue
        audit, advice = season.audits[curve], season.advice[curve]
        detail = advice_detail(audit, advice)
        reason = advice.reason[0].upper() + advice.reason[1:]
        blocks += [
            Paragraph(f"Curve {curve}, {advice.action}: {reason} {detail}"),
            curve_pictures(season, curve, trial.name),
            curve_numbers(audit, season.settings.confidence),
        ]
    return blocks
