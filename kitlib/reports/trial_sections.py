"""One trial's report: two pages that answer, and an appendix of evidence."""

from collections.abc import Iterator
from math import isfinite, nan

import numpy as np
import pandas as pd

from kitlib.curves.advice import KEEP, REBUILD, RESLOPE, UNRESOLVED
from kitlib.intake.outputs import digest
from kitlib.intake.pairs import OVEN
from kitlib.reports import blocks as page
from kitlib.reports import curve_sections as of_curve
from kitlib.reports.figures import draw_field_map, draw_ranks
from kitlib.reports.typeset import cautions, method_and_sources, provenance
from kitlib.review.plan import entries_wanted
from kitlib.review.review import curve_findings, review_curves, tells_a_cause
from kitlib.season.season import SeasonAudit, TrialAudit, findings_on
from kitlib.trials import consequences as word
from kitlib.trials.ranks import BORDERLINE, SAME
from kitlib.words.findings import WARNING
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
    found, said = trial.consequences, trial.consequences.selection.word
    tone = TONES.get(said, page.OPEN)
    answer = page.Answer(said, _reason(season, trial), _detail(trial), tone)
    facts = _own_facts(season, trial)
    if len(trial.curves) > 1:  # then that is the first thing to look at
        fact, sensors = _sensors(season, trial)
        return [answer, page.Facts([fact, *facts]), page.Paragraph(sensors)]
    n, checks = int(found.candidate.sum()), int((~found.candidate).sum())
    beside = f"besides {counted(checks, 'check')}" if checks else ""
    facts.append(
        page.say_all("facts.selected", count=found.count, candidates=n, beside=beside)
    )
    return [answer, page.Facts(facts)]


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
        gap=unit.said(selection.gap),
        lsd=unit.said(selection.lsd),
        curves=listed(trial.curves),
        sampled=listed(sampled),
        untested=listed(c for c in trial.curves if not season.is_tested(c)),
    )


def _detail(trial: TrialAudit) -> str:
    """Return how firm the selection is; untested, what else would be selected."""
    found, said = trial.consequences, []
    if found.selection.word == word.NOT_TESTED:
        recorded = found.entries["selected_before"].eq(True)
        so = found.entries.loc[recorded, "entry"].tolist()
        for how, chosen in trial.otherwise.items() if so else ():
            new = listed(entry for entry in chosen if entry not in so)
            gone = listed(entry for entry in so if entry not in chosen)
            moved = f"{new} in place of {gone}" if new or gone else "the same"
            said.append(f"{how} {moved}")
        of_it = {"so": listed(so), "others": "; ".join(said)}
        return page.say("selection.otherwise", **of_it) if said else ""
    if found.selection.open and found.ranks and found.after:
        chosen = found.after.entries[found.ranks.selected_after]
        if firm := len(set(chosen) - set(found.selection.open)):
            said.append(page.say("selection.firm", firm=firm))
    if close := int((found.entries["verdict"] == BORDERLINE).sum()):
        entries = counted(close, "entry", "entries")
        said.append(page.say("selection.close", close=entries))
    return " ".join(said)


def _own_facts(season: SeasonAudit, trial: TrialAudit) -> list[tuple[str, ...]]:
    """Return the mean error of the trial's own samples, and what it did to yields."""
    own, unit, before = trial.own, trial.unit, trial.consequences.before
    error, added, best = own.mean, own.yield_added.value, own.predicted
    level = season.settings.confidence
    span = error.interval(level)
    side = "too wet" if span.low > 0 else "too dry"
    side = "no error shown" if span.low <= 0 <= span.high else side
    mean, size = np.mean(before.mean) if before else 0.0, unit.said(abs(added))
    values = {
        "error": error.value,
        "side": side,
        "level": level,
        "span": span,
        "samples": counted(own.n, "sample"),
        "alone": error.remark,
        "size": size,
        "low": "off" if size == unit.said(0) else "low" if added < 0 else "high",
        "share": 100 * abs(added) / mean if mean else nan,
        "best": best.value,
        "ends": best.interval(level),
        "basis": "season and own samples" if own.n else "samples of other trials",
        "why": best.remark,
    }
    which = "own" if isfinite(span.low) else "own_alone"
    of_yield = "yield" if own.yield_added.known and mean else "yield_unknown"
    names = which if error.known else "own_unknown", of_yield
    return [page.say_all(f"facts.{name}", **values) for name in names]


def _sensors(season: SeasonAudit, trial: TrialAudit) -> tuple[tuple[str, ...], str]:
    """Return which entry met which sensor, as a fact, and what that means."""
    found, unit, curves = trial.consequences, trial.unit, trial.curves
    served, before, used = found.served, found.before, found.used
    fact, of_it = page.say_all("facts.sensors_unknown"), {"curves": listed(curves)}
    said = [page.say("sensors.served", n=counted(len(curves), "curve"), **of_it)]
    if served and before:
        alone, n = len(served.on_one_curve), before.entries.size
        strength = served.unevenness
        fact = page.say_all("facts.sensors", alone=alone, n=n, strength=strength)
    if served is None or served.curves.size < 2:
        return fact, " ".join([*said, page.say("sensors.one")])
    blocks = used["block"].nunique()
    how = "even" if served.unevenness < UNEVEN else "uneven"
    how = "by_blocks" if served.blocks_split == 0 and blocks > 1 else how
    said.append(page.say(f"sensors.{how}"))
    if (spread := unit.said(served.entry_spread)) != unit.said(0):
        moved = "left" if how == "by_blocks" else "moved"
        said.append(page.say(f"sensors.{moved}", spread=spread))
    ends = served.difference.interval(season.settings.confidence)
    if isfinite(ends.low):
        rest = unit.said((ends.high - ends.low) / 2)
        said.append(page.say("sensors.rest", rest=rest))
    return fact, " ".join(said)


def rank_chart(trial: TrialAudit) -> list[page.Block]:
    """Return the entries around the selection line, none without a ranking."""
    found, entries = trial.consequences, _in_unit(trial)
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
    others = counted(len(entries) - len(shown), "entry", "entries")
    others = f" Not drawn: {others} farther from the line."
    checks = listed(found.before.entries[~found.candidate]) if found.before else ""
    drawn = page.picture_of(
        "ranks",
        draw_ranks(shown, found.count, trial.unit.name),
        standard=trial.standard_pct,
        others=others if len(entries) > len(shown) else "",
        checks=f" Checks are not ranked: {checks}." if checks else "",
        shown=counted(len(shown), "entry", "entries"),
        crossing=int(crossing.sum()),
        count=found.count,
    )
    return [drawn]


def _in_unit(trial: TrialAudit) -> pd.DataFrame:
    """Return the trial's entries, yields in the unit of its report."""
    entries = trial.consequences.entries.copy()
    yields = ["yield_before", "yield_after", "lsd"]
    entries[yields] = entries[yields].apply(trial.unit.of)
    return entries.astype(dict.fromkeys(entries.filter(regex="^rank_"), float))


def to_do(season: SeasonAudit, trial: TrialAudit) -> list[page.Block]:
    """Return what to do now, as one numbered list."""
    found, selection = trial.consequences, trial.consequences.selection
    before, after, served = found.before, found.after, found.served
    which = "corrected"
    if selection.word == word.NOT_TESTED or before is None or after is None:
        which = "as_recorded" if before else "no_yield"
    elif np.abs(after.mean / before.mean - 1).max() < NO_CHANGE:
        which = "not_needed"
    advice = {c: season.advice[c] for c in trial.curves if c in season.advice}
    unsettled = [c for c, of_it in advice.items() if of_it.action == UNRESOLVED]
    which += "_for_now" if which == "corrected" and unsettled else ""
    items = [*_doubtful(trial)]
    of_it = {"trial": trial.name, "open_curves": listed(unsettled)}
    items.append(page.say(f"to_do.{which}", **of_it))
    if selection.word == word.CHANGES:
        entered, left = listed(selection.entered), listed(selection.left)
        items.append(page.say("to_do.changes", entered=entered, left=left))
    if selection.open:
        items.append(page.say("to_do.open", open=listed(selection.open)))
    items += [_for_curve(season, curve) for curve in trial.curves]
    if served is not None and served.unevenness >= UNEVEN and served.blocks_split:
        repeated = before is not None and np.median(before.n_plots) > 1
        items.append(page.say(f"to_do.{'whole_blocks' if repeated else 'one_sensor'}"))
    if trial.own.n == 0:
        items.append(page.say("to_do.sample_trial"))
    if wanted := entries_wanted(season, trial.crop):
        number = f"about {wanted.number}" if wanted.number else "more than 500"
        where = f", on plots that {wanted.curve} harvests" if wanted.curve else ""
        said = {"number": number if wanted.curve else "some", "where": where}
        items.append(page.say("to_do.sample_entries", crop=trial.crop, **said))
    return [page.Heading("What to do now"), page.Items(items, numbered=True)]


def _doubtful(trial: TrialAudit) -> Iterator[str]:
    """Yield what is to be settled first: doubts of plots that are in the comparison."""
    for found in trial.findings:
        own = found.trial == trial.name and found.table == "plots"
        if own and found.severity == WARNING:
            plots = trial.used[trial.used.index.isin(found.rows)]
            entries = listed(plots["entry"].unique())
            if entries:
                yield page.say("to_do.settle", entries=entries, found=found.message)


def _for_curve(season: SeasonAudit, curve: str) -> str:
    """Return what to do with a curve."""
    advice = season.advice.get(curve)
    if advice is None:
        return page.say("to_do.no_samples", curve=curve)
    if advice.action == UNRESOLVED:
        return page.say("to_do.unresolved", curve=curve, more=advice.more)
    if advice.action == RESLOPE:
        return page.say("to_do.reslope", line=of_curve.line_in_words(season, curve))
    if advice.action == REBUILD:
        return page.say("to_do.rebuild", curve=curve)
    in_use, setting = season.audits[curve].offset_in_use, advice.new_setting
    what = "leave" if setting == in_use else "load"
    if not isfinite(setting):  # which offset is loaded is not on record
        what = "keep" if advice.action == KEEP else "add"
    told = {"setting": setting, "in_use": in_use, "offset": advice.offset}
    return page.say(f"to_do.{what}", curve=curve, **told)


def measured_here(trial: TrialAudit) -> list[page.Block]:
    """Return the trial's own samples, sensor beside air-oven."""
    pairs = trial.pairs[(trial.pairs["basis"] == OVEN) & ~trial.pairs["parallel"]]
    if pairs.empty:
        rows: page.Block = page.Paragraph(page.say("samples.none"))
    else:
        recorded = pairs["recorded_pct"]
        error = recorded - pairs["reference_pct"]
        apart = "" if pairs["used"].all() else page.say("samples.apart")
        pairs = pairs.assign(sensor_pct=recorded, error=error)
        # 9 before 10, whether or not names are filled up with zeros.
        pairs = pairs.sort_values(["curve", "plot"], key=lambda c: c.str.zfill(20))
        rows = page.table_of("samples", pairs, apart=apart)
    return [page.Heading("What was measured here"), rows]


def found_here(season: SeasonAudit, trial: TrialAudit) -> list[page.Block]:
    """Return the findings that concern the trial, and what no reader may overlook."""
    reviewed = review_curves(season).curves.items()
    curves = [curve for name, curve in reviewed if name in trial.curves]
    told = [found for curve in curves for found in curve_findings(curve)]
    # What could have put an offset wrong at set-up is left to the season's report.
    findings = [*trial.findings, *(found for found in told if not tells_a_cause(found))]
    findings.sort(key=lambda found: found.trial != trial.name)  # its own come first
    heading = page.Heading("Findings on this trial and its curves")
    return [heading, *of_curve.findings_of(findings, MOST_FINDINGS), cautions()]


# ---- the appendix -------------------------------------------------------------------


def entry_rows(trial: TrialAudit) -> list[page.Block]:
    """Return all entries in order of rank, with yields, ranks and chances."""
    found, unit, own = trial.consequences, trial.unit, trial.entry_error
    order, up = ["rank_after", "rank_before", "yield_after"], [True, True, False]
    entries = _in_unit(trial).sort_values(order, ascending=up)  # unranked ones last
    is_check = entries["is_check"].fillna(False).astype(bool)
    means = f"Means: {found.before.model}. " if found.before else ""
    if len(lsd := entries["lsd"].dropna()):
        means += f"Mean LSD {show(lsd.iloc[0], unit.decimals)} {unit.name}. "
    of_it = {"standard": trial.standard_pct, "means": means}
    of_it["errors"] = page.say(
        "entry_errors.known" if own.known else "entry_errors.unknown",
        why=own.remark,
        sd=own.sd,
        span=(own.low, own.high),
        n=counted(own.n_entries, "entry", "entries"),
    )
    units = dict.fromkeys(("yield_before", "yield_after"), (unit.name, unit.decimals))
    # Checks take no rank, so they stand apart; a trial may be of one sort only.
    sorts = {"entries": entries[~is_check], "check_entries": entries[is_check]}
    shown = {name: rows for name, rows in sorts.items() if len(rows)}
    tables = [page.table_of(name, shown[name], units, **of_it) for name in shown]
    return [page.Heading("Appendix: all entries", room=0.75), *tables]


def curves_here(season: SeasonAudit, trial: TrialAudit) -> list[page.Block]:
    """Return how the curves that served the trial did over the season."""
    both = {c: (a, season.advice[c]) for c, a in season.audits.items()}
    curves = [curve for curve in trial.curves if curve in both]
    if not curves:
        return []
    answers = [of_curve.answer_of(*both[curve]) for curve in curves]
    drawn = [of_curve.errors_picture(season, curve, trial.name) for curve in curves[:2]]
    # Of one curve the answer stands beside the picture, of several above the evidence.
    beside = page.SideBySide(drawn[0], drawn[1] if len(curves) > 1 else answers[0])
    blocks = [page.Heading("How its curves did over the season"), beside]
    if len(rows := trial.own.by_curve):
        served, unit = trial.consequences.served, trial.unit
        each = zip(served.curves, served.added_kg_ha, strict=True) if served else ()
        added = dict(each)
        rows = rows.rename(columns={"predicted_se": "se"})
        rows["added"] = unit.of(rows["curve"].map(added.get).astype(float))
        of_it = {"added": (unit.name, unit.decimals)}
        blocks.append(page.table_of("own_error", rows, of_it))
    for curve, answer in zip(curves, answers, strict=True):
        if len(curves) > 1:
            said = f"{curve}. {answer.word}. {answer.sentence} {answer.detail}"
            blocks.append(page.Paragraph(said))
        blocks.append(of_curve.evidence(*both[curve]))
    return blocks


def changes_here(trial: TrialAudit) -> list[page.Block]:
    """Return where yields change, changed differences to checks, and rows left out."""
    found, unit, items = trial.consequences, trial.unit, []
    entries = found.before.entries if found.before else ()
    for check, changes in found.checks.items():
        each = zip(entries, changes, strict=True)
        changed = [f"{entry} ({change})" for entry, change in each if change != SAME]
        told = {"check": check, "changed": listed(changed)}
        items += [page.say("changes.check", **told)] if changed else []
    items += [] if items or not found.checks else [page.say("changes.no_check")]
    slope = found.trend.value if found.trend and found.trend.known else 0.0
    size, verb = unit.said(abs(slope)), "raises" if slope > 0 else "lowers"
    if size != unit.said(0) and isfinite(slope):
        items.append(page.say("changes.moisture", verb=verb, size=size))
    reasons = trial.left_out.groupby(["table", "reason"], as_index=False).size()
    for row in reasons.head(4).to_dict("records"):
        rows = counted(row["size"], "row")
        items.append(page.say("changes.left_out", rows=rows, of=row))
    moved = found.selection.entered or found.selection.left
    blocks = _field_map(trial) if moved else []
    blocks += [page.Items(items)] if items else []
    return [page.Heading("What else changes"), *blocks] if blocks else []


def _field_map(trial: TrialAudit) -> list[page.Block]:
    """Return the change of each plot's yield at its place; none without places."""
    plots, unit = trial.plots, trial.unit
    places = plots[["row", "range"]].apply(pd.to_numeric, errors="coerce")
    places["change"] = plots["yield_after_kg_ha"] - plots["yield_before_kg_ha"]
    places = places.dropna()
    at = places[["row", "range"]]  # a mistyped one would make a map without end
    if places.empty or (at % 1 != 0).any(axis=None) or (np.ptp(at, 0) > 1000).any():
        return []
    value = unit.of(places["change"].to_numpy(float))
    label = f"Change ({unit.name})"
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
    wanted = [entries_wanted(season, crop) for crop in crops]
    return {
        "settings": digest(season.settings),
        f"plots of the trial ({len(plots)})": digest(plots),
        f"samples of the trial ({len(own)})": digest(own),
        f"rows left out ({len(left)})": digest(left),
        f"findings ({len(findings)})": digest(findings),
        "entries' own errors": digest([season.entry_errors.get(c) for c in crops]),
        "entries to sample": digest([w and (w.curve, w.number) for w in wanted]),
        **{f"curve {curve}": of_curve.curve_digest(season, curve) for curve in curves},
    }
