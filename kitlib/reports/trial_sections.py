"""One trial's report: two pages that answer, and an appendix of evidence."""

from math import isfinite

import numpy as np
import pandas as pd

from kitlib.curves.advice import RESLOPE, UNRESOLVED
from kitlib.intake.pairs import OVEN
from kitlib.reports import blocks as page
from kitlib.reports.curve_sections import (
    answer_of,
    curve_condition,
    curve_digest,
    errors_picture,
    evidence,
    findings_of,
    line_in_words,
)
from kitlib.reports.figures import draw_field_map, draw_ranks
from kitlib.reports.typeset import cautions, method_and_sources, provenance
from kitlib.review.review import curve_findings, tells_a_cause
from kitlib.season.season import SeasonAudit, TrialAudit, findings_on
from kitlib.trials import consequences as word
from kitlib.trials.moisture_errors import entries_to_sample
from kitlib.trials.ranks import BORDERLINE, SAME
from kitlib.words.digests import digest
from kitlib.words.terms import NOT_KNOWN, counted, crop_key, listed, show, show_span

TONES = {word.HOLDS: page.CALM, word.CHANGES: page.ACT}
MOST_DRAWN, MOST_FINDINGS = 24, 6  # as many as leave the answer on two pages
# A change of mean yield smaller than this is not worth a word. [share]
NO_CHANGE = 0.00005
# From this Cramér's V up the sensors go with the entries (default of this kit).
UNEVEN = 0.3


def trial_report(season: SeasonAudit, trial: TrialAudit) -> page.Report:
    """Return a trial's report without a block: they are added as they are shown."""
    days = pd.to_datetime(trial.plots["harvested_at"]).dropna()
    return page.Report(
        kind="Trial report",
        title=f"Trial {trial.name}",
        subtitle="Did the combine's moisture readings change what was selected?",
        date=season.settings.report_date,
        facts=[
            ("Crop", trial.crop),
            ("Site", trial.location or NOT_KNOWN),
            ("Plots", str(len(trial.plots))),
            ("Entries", str(len(trial.consequences.entries))),
            ("Harvested", f"{days.min():%Y-%m-%d}" if len(days) else NOT_KNOWN),
            ("Curves", listed(trial.curves)),
        ],
    )


# ---- the two pages that answer ------------------------------------------------------


def trial_answer(season: SeasonAudit, trial: TrialAudit) -> list[page.Block]:
    """Return whether the selection holds, three facts, and who met which sensor."""
    selection = trial.consequences.selection
    tested = selection.word != word.NOT_TESTED
    detail = _how_firm(trial) if tested else _selected_otherwise(trial)
    tone = TONES.get(selection.word, page.OPEN)
    answer = page.Answer(selection.word, _reason(season, trial), detail, tone)
    facts = [_own_fact(season, trial), _yield_fact(trial)]
    if len(trial.curves) < 2:
        return [answer, page.Facts([*facts, _selected_fact(trial)])]
    # Where several curves served a trial, that is the first thing to look at.
    sensors = page.Paragraph(_sensors_in_words(season, trial))
    return [answer, page.Facts([_sensor_fact(trial), *facts]), sensors]


def _reason(season: SeasonAudit, trial: TrialAudit) -> str:
    """Return the reason for the word on the selection, as a sentence."""
    found, unit = trial.consequences, trial.unit
    selection, candidates = found.selection, int(found.candidate.sum())
    sampled = [curve for curve in trial.curves if curve in season.audits]
    if selection.word == word.NOT_TESTED:
        why = "too_few" if candidates < 2 else "unsettled" if sampled else "no_sample"
    elif not selection.entered and not selection.left:
        why = "same_open" if selection.open else "same_unknown"
        why = "same" if selection.word == word.HOLDS else why
    elif isfinite(selection.lsd):
        why = "changes" if selection.word == word.CHANGES else "open"
    else:
        why = "moved_unknown"
    return page.say(
        f"selection.{why}",
        chosen=f"{found.count} of {candidates} entries",
        entered=listed(selection.entered) or "no entry",
        left=listed(selection.left) or "none",
        open=listed(selection.open),
        gap=show(unit.of(selection.gap), unit.decimals),
        lsd=show(unit.of(selection.lsd), unit.decimals),
        unit=unit.name,
        curves=listed(trial.curves),
        sampled=listed(sampled),
        untested=listed(c for c in trial.curves if not season.is_tested(c)),
    )


def _selected_otherwise(trial: TrialAudit) -> str:
    """Return what the offset and the line found would select, beside as recorded."""
    entries, said = trial.consequences.entries, []
    chosen_so = entries["selected_before"].fillna(False).astype(bool)
    recorded = entries.loc[chosen_so, "entry"].tolist()
    if not trial.otherwise or not recorded:
        return ""
    for how, chosen in trial.otherwise.items():
        new = [entry for entry in chosen if entry not in recorded]
        gone = [entry for entry in recorded if entry not in chosen]
        moved = f"{listed(new)} in place of {listed(gone)}"
        said.append(f"{how} {moved if new or gone else 'the same'}")
    return f"As recorded {listed(recorded)} are selected; {'; '.join(said)}."


def _how_firm(trial: TrialAudit) -> str:
    """Return how many of the selected stand, and how many entries are close."""
    found, said, ranks = trial.consequences, [], trial.consequences.ranks
    if found.selection.open and ranks is not None and found.after is not None:
        chosen = found.after.entries[ranks.selected_after]
        firm = len(set(chosen) - set(found.selection.open))
        said += [page.say("selection.firm", firm=firm)] if firm else []
    if close := int((found.entries["verdict"] == BORDERLINE).sum()):
        close_ones = counted(close, "entry", "entries")
        said.append(page.say("selection.close", close=close_ones))
    return " ".join(said)


def _own_fact(season: SeasonAudit, trial: TrialAudit) -> tuple[str, str, str]:
    """Return the mean error of the trial's own samples."""
    own, level = trial.own.mean, season.settings.confidence
    if not own.known:
        return page.fact("own_unknown")
    span = show_span(*own.interval(level), 2, sign=True)
    return page.fact(
        "own_alone" if span == NOT_KNOWN else "own",
        error=show(own.value, 2, sign=True),
        side="too wet" if own.value > 0 else "too dry" if own.value < 0 else "not off",
        level=level,
        span=span,
        samples=counted(trial.own.n, "sample"),
        remark=own.remark,
    )


def _yield_fact(trial: TrialAudit) -> tuple[str, str, str]:
    """Return what the error of the trial did to its yields."""
    added, predicted, unit = trial.own.yield_added, trial.own.predicted, trial.unit
    mean = np.mean(trial.consequences.before.mean) if trial.consequences.before else 0
    if not added.known or not mean:
        return page.fact("yield_unknown", remark=predicted.remark)
    best = show(predicted.value, 2, sign=True)
    size = show(abs(unit.of(added.value)), unit.decimals)
    none = size == show(0.0, unit.decimals)
    return page.fact(
        "yield",
        size=size,
        unit=unit.name,
        side="off" if none else "low" if added.value < 0 else "high",
        share=show(100 * abs(added.value) / mean, 1),
        best=f"{best} ± {show(predicted.se)}" if isfinite(predicted.se) else best,
    )


def _selected_fact(trial: TrialAudit) -> tuple[str, str, str]:
    """Return how many entries are selected."""
    found = trial.consequences
    n, checks = int(found.candidate.sum()), int((~found.candidate).sum())
    beside = f"besides {counted(checks, 'check')}" if checks else ""
    return page.fact("selected", count=found.count, candidates=n, beside=beside)


def _sensor_fact(trial: TrialAudit) -> tuple[str, str, str]:
    """Return how many entries met one sensor only."""
    served, before = trial.consequences.served, trial.consequences.before
    if served is None or before is None:
        return page.fact("sensors_unknown")
    alone, strength = len(served.on_one_curve), show(served.unevenness)
    return page.fact("sensors", alone=alone, n=before.entries.size, strength=strength)


def _sensors_in_words(season: SeasonAudit, trial: TrialAudit) -> str:
    """Return what it means which entry met which sensor."""
    served, used, unit = trial.consequences.served, trial.consequences.used, trial.unit
    n, curves = counted(len(trial.curves), "curve"), listed(trial.curves)
    said = [page.say("sensors.served", n=n, curves=curves)]
    if served is None or served.curves.size < 2:
        return " ".join([*said, page.say("sensors.one")])
    blocks = np.unique(used.block).size if used.block is not None else 1
    how = "even" if served.unevenness < UNEVEN else "uneven"
    how = "by_blocks" if served.blocks_split == 0 and blocks > 1 else how
    spread = show(unit.of(served.entry_spread), unit.decimals)
    said.append(page.say(f"sensors.{how}"))
    said.append(page.say("sensors.moved", spread=spread, unit=unit.name))
    ends = served.difference.interval(season.settings.confidence)
    if isfinite(ends.low):
        rest = show(unit.of((ends.high - ends.low) / 2), unit.decimals)
        said.append(page.say("sensors.rest", rest=rest, unit=unit.name))
    return " ".join(said)


def rank_chart(trial: TrialAudit) -> list[page.Block]:
    """Return the entries around the selection line, none without a ranking."""
    found, unit, entries = trial.consequences, trial.unit, _in_unit(trial)
    entries = entries[entries["rank_before"].notna()]
    if entries.empty or found.count == 0:
        return []
    rank = entries["rank_after"].fillna(entries["rank_before"]).astype(float)
    was = entries["selected_before"]
    crossing = was != entries["selected_after"].fillna(was)
    # Those that cross the line are drawn in any case, then those nearest to it.
    far = (rank - found.count - 0.5).abs().where(~crossing, 0.0)
    nearest = far.sort_values(kind="stable").index[:MOST_DRAWN]
    shown = entries.loc[rank[nearest].sort_values(kind="stable").index]
    more = len(entries) - len(shown)
    others = f" {more} farther off {'is' if more == 1 else 'are'} not drawn."
    checks = found.before.entries[~found.candidate] if found.before else ()
    words = {
        "standard": trial.standard_pct,
        "others": others if more else "",
        "checks": f" Checks take no place: {listed(checks)}." if len(checks) else "",
        "shown": counted(len(shown), "entry", "entries"),
        "crossing": int(crossing.sum()),
        "count": found.count,
    }
    drawn = draw_ranks(shown, found.count, unit.name)
    return [page.picture_of("ranks", drawn, **words)]


def _in_unit(trial: TrialAudit) -> pd.DataFrame:
    """Return the trial's entries, yields in the unit of its report."""
    entries = trial.consequences.entries.copy()
    yields = ["yield_before", "yield_after", "lsd"]
    entries[yields] = entries[yields].apply(trial.unit.of)
    ranks = [name for name in map(str, entries) if name.startswith("rank_")]
    return entries.astype(dict.fromkeys(ranks, float))


def to_do(season: SeasonAudit, trial: TrialAudit) -> list[page.Block]:
    """Return what to do now, as one numbered list."""
    found, selection = trial.consequences, trial.consequences.selection
    before, after, served = found.before, found.after, found.served
    which = "corrected"
    if selection.word == word.NOT_TESTED or before is None or after is None:
        which = "as_recorded"
    elif np.abs(after.mean / before.mean - 1).max() < NO_CHANGE:
        which = "not_needed"
    items = [page.say(f"to_do.{which}", trial=trial.name)]
    if selection.word == word.CHANGES:
        entered, left = listed(selection.entered), listed(selection.left)
        items.append(page.say("to_do.changes", entered=entered, left=left))
    if selection.open:
        items.append(page.say("to_do.open", open=listed(selection.open)))
    items += [_for_curve(season, curve) for curve in trial.curves]
    if served is not None and served.unevenness >= UNEVEN and served.blocks_split:
        items.append(page.say("to_do.whole_blocks"))
    if trial.own.n == 0:
        items.append(page.say("to_do.sample_trial"))
    if not trial.entry_error.known:
        sds = [season.spreads[c].sd_sample for c in trial.curves if c in season.spreads]
        sd = np.sqrt(np.nanmean(np.square(sds))) if np.isfinite(sds).any() else np.nan
        needed = entries_to_sample(float(sd)) if sd > 0 else 0
        number = f"about {needed}" if needed else "some"
        number = "more than 500" if needed is None else number
        items.append(page.say("to_do.sample_entries", number=number, crop=trial.crop))
    return [page.Heading("What to do now"), page.Items(items, numbered=True)]


def _for_curve(season: SeasonAudit, curve: str) -> str:
    """Return what to do with a curve."""
    advice = season.advice.get(curve)
    if advice is None:
        return page.say("to_do.no_samples", curve=curve)
    if advice.action == UNRESOLVED:
        return page.say("to_do.unresolved", curve=curve, more=advice.more)
    if advice.action == RESLOPE:
        return page.say("to_do.reslope", line=line_in_words(advice))
    if not isfinite(advice.new_setting):
        return page.say("to_do.rebuild", curve=curve)
    loaded = season.audits[curve].register["offset_loaded"]
    setting, in_use = (show(v, 2, sign=True) for v in (advice.new_setting, loaded))
    what = "leave" if advice.new_setting == loaded else "load"
    return page.say(f"to_do.{what}", curve=curve, setting=setting, in_use=in_use)


def measured_here(trial: TrialAudit) -> list[page.Block]:
    """Return the trial's own samples, sensor beside air-oven."""
    pairs = trial.pairs[(trial.pairs["basis"] == OVEN) & ~trial.pairs["parallel"]]
    none = page.Paragraph(page.say("samples.none"))
    rows = none if pairs.empty else page.table_of("samples", pairs)
    return [page.Heading("What was measured here"), rows]


def found_here(season: SeasonAudit, trial: TrialAudit) -> list[page.Block]:
    """Return the findings that concern the trial, and what no reader may overlook."""
    findings = list(trial.findings)
    for curve in trial.curves:
        condition = curve_condition(season, curve)
        # What could have put an offset wrong at set-up is left to the season's report.
        of_curve = curve_findings(condition) if condition else ()
        findings += [found for found in of_curve if not tells_a_cause(found)]
    heading = page.Heading("Findings on this trial and its curves")
    return [heading, *findings_of(findings, MOST_FINDINGS), cautions()]


# ---- the appendix -------------------------------------------------------------------


def entry_rows(trial: TrialAudit) -> list[page.Block]:
    """Return all entries in order of rank, with yields, ranks and chances."""
    found, unit, own = trial.consequences, trial.unit, trial.entry_error
    entries = _in_unit(trial).sort_values(
        ["rank_after", "rank_before", "yield_after"],
        ascending=[True, True, False],
        na_position="last",
    )
    is_check = entries["is_check"].fillna(False).astype(bool)
    lsd, means = entries["lsd"].dropna(), ""
    if found.before:
        means = f"Means: {found.before.model}. "
    if len(lsd):
        means += f"LSD {show(lsd.iloc[0], unit.decimals)} {unit.name}. "
    errors = f", not errors that go with the entry ({own.remark})"
    if own.known:
        n = counted(own.n_entries, "entry", "entries")
        span = show_span(own.low, own.high)
        errors = f" and errors that go with the entry: SD {show(own.sd)} points "
        errors += f"({span}) from {n} sampled more than once"
    units = dict.fromkeys(("yield_before", "yield_after"), (unit.name, unit.decimals))
    of_it = {"standard": trial.standard_pct, "means": means, "errors": errors}
    tables = [page.table_of("entries", entries[~is_check], units, **of_it)]
    if is_check.any():  # they take no rank
        tables.append(page.table_of("check_entries", entries[is_check], units))
    return [page.Heading("Appendix: all entries", new_page=True), *tables]


def curves_here(season: SeasonAudit, trial: TrialAudit) -> list[page.Block]:
    """Return how the curves that served the trial did over the season."""
    audited = [curve for curve in trial.curves if curve in season.audits]
    if not audited:
        return []
    blocks: list[page.Block] = [page.Heading("How its curves did over the season")]
    pictures = [errors_picture(season, curve, trial.name) for curve in audited[:2]]
    both = [(season.audits[curve], season.advice[curve]) for curve in audited]
    answers = [answer_of(audit, advice) for audit, advice in both]
    # Of one curve the answer stands beside the picture, of several above the evidence.
    beside = pictures[1] if len(audited) > 1 else answers[0]
    blocks.append(page.SideBySide(pictures[0], beside))
    if len(trial.own.by_curve):
        blocks.append(_own_rows(trial))
    for (audit, advice), answer in zip(both, answers, strict=True):
        if len(audited) > 1:
            said = f"{audit.curve}. {answer.word}. {answer.sentence} {answer.detail}"
            blocks.append(page.Paragraph(said))
        blocks.append(evidence(audit, advice, season.settings.confidence))
    return blocks


def _own_rows(trial: TrialAudit) -> page.Table:
    """Return the trial's own error on each curve beside the season's."""
    served, unit = trial.consequences.served, trial.unit
    rows = trial.own.by_curve.rename(columns={"predicted_se": "se"})
    names = served.curves.tolist() if served else []
    added = dict(zip(names, served.added_kg_ha if served else (), strict=True))
    rows = rows.assign(added=unit.of(rows["curve"].map(added).astype(float)))
    return page.table_of("own_error", rows, {"added": (unit.name, unit.decimals)})


def changes_here(trial: TrialAudit) -> list[page.Block]:
    """Return where yields change, changed differences to checks, and rows left out."""
    selection, left_out = trial.consequences.selection, []
    reasons = trial.left_out.groupby(["table", "reason"], as_index=False)
    for row in reasons.size().head(4).to_dict("records"):
        of_it = {"table": row["table"], "reason": row["reason"]}
        rows = counted(row["size"], "row")
        left_out.append(page.say("changes.left_out", rows=rows, **of_it))
    items = [*_of_checks(trial), *_of_moisture(trial), *left_out]
    blocks = _field_map(trial) if selection.entered or selection.left else []
    blocks += [page.Items(items)] if items else []
    return [page.Heading("What else changes"), *blocks] if blocks else []


def _of_checks(trial: TrialAudit) -> list[str]:
    """Return entries whose difference to a check changes sign or significance."""
    before, said = trial.consequences.before, []
    entries = before.entries if before else ()
    for check, changes in trial.consequences.checks.items():
        each = zip(entries, changes, strict=True)
        changed = [f"{entry} ({change})" for entry, change in each if change != SAME]
        if changed:
            said.append(page.say("changes.check", check=check, changed=listed(changed)))
    if trial.consequences.checks and not said:
        said = [page.say("changes.no_check")]
    return said


def _of_moisture(trial: TrialAudit) -> list[str]:
    """Return how the change of yield goes with the moisture of the entries."""
    trend, unit = trial.consequences.trend, trial.unit
    slope = unit.of(trend.value) if trend and trend.known else 0.0
    size, verb = show(abs(slope), unit.decimals), "raises" if slope > 0 else "lowers"
    if size in (show(0.0, unit.decimals), NOT_KNOWN):
        return []
    return [page.say("changes.moisture", verb=verb, size=size, unit=unit.name)]


def _field_map(trial: TrialAudit) -> list[page.Block]:
    """Return the change of each plot's yield at its place; none without places."""
    plots, unit = trial.plots, trial.unit
    places = plots[["row", "range"]].apply(pd.to_numeric, errors="coerce")
    places["change"] = plots["yield_after_kg_ha"] - plots["yield_before_kg_ha"]
    places = places.dropna()
    if places.empty:
        return []
    value = unit.of(places["change"].to_numpy(float))
    label = f"Change of yield ({unit.name})"
    drawn = draw_field_map(places["row"], places["range"], value, label, unit.decimals)
    span = show_span(value.min(), value.max(), unit.decimals, sign=True)
    return [page.picture_of("field", drawn, span=span, unit=unit.name)]


def how_made(season: SeasonAudit, trial: TrialAudit) -> list[page.Block]:
    """Return the method, its sources, and what the report rests on."""
    return [
        *method_and_sources(season.settings, [trial.crop], "trial"),
        *provenance(trial_basis(season, trial.name), season.settings.seed),
    ]


def trial_basis(season: SeasonAudit, name: str) -> dict[str, str]:
    """Return the SHA-256 of all that a trial's notebook and report are made from.

    As long as it is the same, so is the report: nothing else of the season enters it.
    """
    plots = season.plots_of(name)
    curves = sorted(plots["curve"].dropna().unique())
    pairs, left_out = season.pairing.pairs, season.pairing.left_out
    own, left = pairs[pairs["trial"] == name], left_out[left_out["trial"] == name]
    findings = findings_on(season, name, curves)
    crops = sorted(plots["crop"].map(crop_key).unique())
    return {
        "settings": digest(season.settings),
        f"plots of the trial ({len(plots)})": digest(plots),
        f"samples of the trial ({len(own)})": digest(own),
        f"rows left out ({len(left)})": digest(left),
        f"findings ({len(findings)})": digest(findings),
        "entries' own errors": digest([season.entry_errors.get(c) for c in crops]),
        **{f"curve {curve}": curve_digest(season, curve) for curve in curves},
    }
