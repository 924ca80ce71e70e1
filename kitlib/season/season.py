"""The whole way from a season folder to advice and consequences, in one object."""

import hashlib
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import nan
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from kitlib.curves import observations as observed
from kitlib.curves.advice import UNRESOLVED, Recommendation, curve_row, recommend
from kitlib.curves.audit import LINE, OFFSET, Correction, CurveAudit, audit_curves
from kitlib.curves.evidence import bridge_table
from kitlib.intake import pairs as paired
from kitlib.intake.checks import read_tables, table_findings
from kitlib.intake.reference import Reference, reference_values
from kitlib.intake.schema import CheckedTable, located
from kitlib.intake.settings import Season, read_season, season_folder
from kitlib.intake.tables import input_files, input_hashes
from kitlib.statistics.estimates import Estimate, cells_of, not_known
from kitlib.statistics.pooling import Pooled, pool_offsets
from kitlib.trials import consequences as effects
from kitlib.trials import moisture_errors as errors
from kitlib.trials import yields
from kitlib.trials.ranks import BORDERLINE
from kitlib.words.findings import Finding, refuse
from kitlib.words.terms import counted, crop_key, declared_table, listed, stacked

MOST_PARTS = 50  # many small tables take more memory than one; to stack takes time


def chance_for(seed: int, *names: str) -> np.random.Generator:
    """Return the stream of chance that belongs to names, whatever else is drawn."""
    # So a trial's draws are the same alone as among a thousand.
    digest = hashlib.sha256("\0".join(names).encode("utf-8", "surrogatepass")).digest()
    words = np.frombuffer(digest[:16], np.uint32).tolist()
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=words))


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialAudit:
    """What a season says of one trial."""

    name: str
    crop: str  # the one that is ranked
    location: str
    standard_pct: float  # moisture yields are stated at [% wet basis]
    unit: yields.YieldUnit  # its report shows yields in
    plots: pd.DataFrame  # as in `SeasonAudit.plots`
    used: pd.DataFrame  # those of them that entry means rest on
    pairs: pd.DataFrame
    curves: tuple[str, ...]  # that served its plots, the audited ones first
    consequences: effects.TrialConsequences
    own: errors.OwnError  # how far its own readings were off, and what that did
    entry_error: errors.EntryError  # how much it differs between entries of its crop
    # What the offsets and the lines found would select; empty for a tested trial.
    otherwise: dict[str, tuple[str, ...]]
    left_out: pd.DataFrame  # its rows that were not used
    findings: tuple[Finding, ...]  # its own, its curves', and those of its rows

    @property
    def row(self) -> dict[str, Any]:
        """What the correction does to it, in short; columns as in `trials.csv`."""
        found, own, said = self.consequences, self.own, self.consequences.selection.word
        ranks, entries = found.ranks, found.entries
        tested = ranks is not None and said != effects.NOT_TESTED
        close = int((entries["verdict"] == BORDERLINE).sum())
        chances = entries["chance_selected_after"].notna().any()
        before = found.before.mean.mean() if found.before and found.after else nan
        after = found.after.mean.mean() if found.after else nan
        return {
            "trial": self.name,
            "crop": self.crop,
            "curves": ", ".join(self.curves),
            "n_entries": int(entries["rank_before"].notna().sum()),
            "selected": found.count,
            "newly_selected": int(ranks.entered.sum()) if ranks and tested else nan,
            "largest_move": ranks.largest_move if ranks else nan,
            "kendall_tau": ranks.kendall_tau if ranks else nan,
            "borderline": close if chances else nan,
            "yield_before": before,
            "yield_after": after,
            "change_pct": 100 * (after / before - 1),
            "n_samples": own.n,
            "error_here": own.mean.value,
            "error_predicted": own.predicted.value,
            "error_predicted_se": own.predicted.se,
            "yield_added": own.yield_added.value,
            "unevenness": found.served.unevenness if found.served else nan,
            "verdict": said.removeprefix("selection "),
        }


class Outcomes(NamedTuple):
    """What the correction does to all trials, without the draws that fill memory."""

    trials: pd.DataFrame  # one row per trial, those that change first
    entries: pd.DataFrame  # one row per entry
    findings: list[Finding]  # the trials' own, not those of their curves


def _audit_trial(season: "SeasonAudit", name: str) -> TrialAudit:
    """Return what a season says of one of its trials."""
    settings, plots = season.settings, season.plots_of(name)
    pairs, left_out = season.pairing.pairs, season.pairing.left_out
    pairs = pairs[pairs["trial"] == name]
    crops = plots["crop"].map(crop_key).value_counts().index
    crop = str(crops[0])
    of_crop = plots[plots["crop"].map(crop_key) == crop]
    standard = settings.standard_moisture_of(crop)
    served = plots["curve"].unique()
    curves = tuple(sorted(served, key=lambda c: (c not in season.audits, c)))
    tested = any(season.is_tested(curve) for curve in curves)
    none = errors.EntryError(remark="no entry was sampled in two places")
    of_entries = season.entry_errors.get(crop, none)
    found = effects.trial_consequences(
        of_crop,
        season.trial_corrections,
        standard_pct=standard,
        select=settings.selection_count or settings.selection_share,
        rng=chance_for(settings.seed, "trial", name),
        checks=settings.check_entries,
        entry_sd=of_entries.draw_sd,
        tested=tested,
        level=settings.confidence,
    )
    blind = pairs[_is_blind(pairs) & pairs["curve"].isin(curves)]
    corrected = season.audits, season.corrections, season.spreads
    return TrialAudit(
        name=name,
        crop=crop,
        location=next(iter(plots["location"].dropna().astype(str)), ""),
        standard_pct=standard,
        unit=yields.yield_unit(settings.yield_unit, settings.bushel_of(crop)),
        plots=plots,
        used=of_crop[found.is_used],
        pairs=pairs,
        curves=curves,
        consequences=found,
        own=errors.own_error(of_crop, blind, standard, *corrected),
        entry_error=of_entries,
        otherwise={} if tested else _selected_otherwise(season, found),
        left_out=left_out[left_out["trial"] == name],
        findings=tuple(_concerning(season, name, crops, curves, found.remarks)),
    )


def _is_blind(pairs: pd.DataFrame) -> pd.Series:
    """Flag the pairs that judge what served a plot: oven, blind, not in parallel."""
    return pairs["used"] & (pairs["basis"] == paired.OVEN) & ~pairs["parallel"]


def _selected_otherwise(season: "SeasonAudit", found) -> dict:
    """Return what the offsets and the lines found would select, open as they are."""
    audits = {c: season.audits[c] for c in found.plots.curve if c in season.audits}
    offsets = {c: audit.correction(OFFSET) for c, audit in audits.items()}
    lines = {c: audit.correction(LINE) for c, audit in audits.items() if audit.line}
    by = {"by the offset found": offsets, "by the line found": offsets | lines}
    return {how: effects.selected_under(found, of) for how, of in by.items() if audits}


def findings_on(season: "SeasonAudit", name: str, curves: Collection[str]):
    """Return the findings that concern a trial or the curves that served it."""
    found = season.findings
    return [f for f in found if f.trial == name or (f.curve in curves and not f.trial)]


def _concerning(season, name, crops, curves, remarks) -> Iterator[Finding]:
    """Yield the season's findings that concern a trial, and its own remarks."""
    if len(crops) > 1:
        said = f"trial {name} holds plots of {listed(crops)}; only its {crops[0]} is "
        said += "ranked. Split the trial if that is wrong."
        yield Finding("crops-mixed", said, trial=name)
    yield from findings_on(season, name, curves)
    if len(curves) > 1:
        said = f"trial {name} was served by {counted(len(curves), 'curve')}: "
        yield Finding("two-curves", f"{said}{listed(curves)}.", trial=name)
    silent = [curve for curve in curves if curve not in season.audits]
    if silent:
        said = f"no sample speaks for curve {listed(silent)}: the moistures it read in "
        said += f"trial {name} are not corrected."
        yield Finding("curve-unaudited", said, trial=name)
    for remark in remarks:
        yield Finding("trial-remark", f"trial {name}: {remark}.", trial=name)


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonAudit:
    """A season audited; what follows from the audit is worked out when asked for."""

    folder: Path
    settings: Season
    tables: dict[str, CheckedTable]
    reference: Reference
    pairing: paired.Pairing
    audits: dict[str, CurveAudit]  # by curve, in order of crop and curve
    advice: dict[str, Recommendation]  # by curve
    pooled: dict[str, Pooled]  # by crop, of its offsets that have an interval
    shrunken: dict[str, Estimate]  # each curve's offset, towards the crop's others
    _trials: dict[str, TrialAudit] = field(default_factory=dict, repr=False)

    @cached_property
    def plots(self) -> pd.DataFrame:
        """Every plot with both moistures and both yields."""
        audited = self.corrections, self.audits, self.settings
        return yields.corrected_plots(self.pairing, *audited)

    @cached_property
    def _rows_by_trial(self) -> dict[str, np.ndarray]:
        """Places of each trial's plots in the table of plots, by trial."""
        places: Any = self.pairing.plots.groupby("trial", sort=True).indices
        return places

    @cached_property
    def trials(self) -> list[str]:
        """Names of the trials with plots, in order."""
        return sorted(self._rows_by_trial)

    def plots_of(self, trial: str) -> pd.DataFrame:
        """Return a trial's plots, as in `plots`."""
        return self.plots.iloc[self._rows_by_trial[trial]]

    @property
    def corrections(self) -> dict[str, Correction]:
        """What each curve's readings are corrected by."""
        return {curve: advice.correction for curve, advice in self.advice.items()}

    @cached_property
    def spreads(self) -> dict[str, errors.TrialSpread]:
        """How each curve's corrected readings scatter about the air-oven."""
        of = self.corrections
        return {c: errors.spread_about(of[c], self.audits[c]) for c in of}

    @cached_property
    def trial_corrections(self) -> dict[str, Correction]:
        """The corrections, as uncertain as they are for one trial."""
        of = self.corrections
        return {c: errors.for_one_trial(of[c], self.spreads[c]) for c in of}

    @cached_property
    def entry_errors(self) -> dict[str, errors.EntryError]:
        """How much the error differs between entries, by crop."""
        pairs, level = self.pairing.pairs, self.settings.confidence
        pairs = pairs[_is_blind(pairs) & pairs["curve"].isin(list(self.corrections))]
        sds = {curve: spread.sd_sample for curve, spread in self.spreads.items()}
        pairs = pairs.assign(
            sd_sample=pairs["curve"].map(sds).astype(float),
            place=pairs["trial"] + "\0" + pairs["curve"],
        )
        for curve, correction in self.corrections.items():
            own = pairs["curve"] == curve
            corrected = correction.apply(pairs.loc[own, "sensor_pct"])
            pairs.loc[own, "error"] = corrected - pairs.loc[own, "reference_pct"]
        pairs, found = pairs[pairs["sd_sample"] > 0], {}
        for crop, of in pairs.groupby(pairs["crop"].map(crop_key)):
            told = of["error"], of["place"], of["entry"], of["sd_sample"]
            found[str(crop)] = errors.entry_error(*told, level)
        return found

    def is_tested(self, curve: str) -> bool:
        """Whether a curve has samples that judge it."""
        return curve in self.audits and self.audits[curve].is_tested

    @cached_property
    def inputs(self) -> dict[str, str]:
        """SHA-256 of each file of the folder that the audit reads, by its name."""
        return input_hashes(self.folder)

    @cached_property
    def bridge(self) -> pd.DataFrame:
        """Each benchtop meter's own bias and slope against the oven, by crop."""
        return bridge_table(self.pairing.pairs, self.settings.confidence)

    @cached_property
    def test_weight(self) -> pd.DataFrame:
        """How the sensor's test weight agrees with the benchtop's, by crop."""
        return yields.audit_test_weight(self.pairing.pairs, self.settings.confidence)

    @cached_property
    def findings(self) -> list[Finding]:
        """All that was found, in the order of the work; trials' own not included."""
        found = table_findings(self.tables, self.settings)
        found += self.reference.findings + self.pairing.findings
        oven = self.tables["oven"].frame
        found += observed.observe_season(self.pairing, oven, self.settings)
        plots = self.pairing.plots[observed.OBSERVED]
        served = dict(list(plots.groupby("curve")))
        for curve, audit in self.audits.items():
            own = served.get(curve, plots.iloc[:0])
            found += observed.observe_curve(audit, own, self.settings)
            found += observed.rests_on_few(audit, self.advice[curve].action)
        return located(found, self.tables)

    @cached_property
    def outcomes(self) -> Outcomes:
        """What the correction does to each trial, in short."""
        rows, entries, findings = [], [], []
        for trial in map(self.trial, self.trials):
            rows.append(trial.row)
            entries.append(trial.consequences.entries)
            if len(entries) == MOST_PARTS:
                entries = [stacked("entries", entries)]
            findings += [f for f in trial.findings if f.trial == trial.name]
        order, up = ["newly_selected", "largest_move", "trial"], [False, False, True]
        trials = declared_table("trials", rows)
        trials = trials.sort_values(order, ascending=up, ignore_index=True)
        return Outcomes(trials, stacked("entries", entries), findings)

    def trial(self, name: str) -> TrialAudit:
        """Return what the season says of one trial; the last one asked for is kept."""
        if name not in self._rows_by_trial:
            said = f"there is no trial {name!r}; there are {listed(self.trials)}."
            refuse("plots", [said])
        if name not in self._trials:
            self._trials.clear()  # a thousand trials would fill the memory
            self._trials[name] = _audit_trial(self, name)
        return self._trials[name]


# Audits held for all who ask in this process and in those forked from it, by the
# name of the season folder and the state of its files.
_HELD: dict[tuple, SeasonAudit] = {}


def audit_season(folder: str | Path) -> SeasonAudit:
    """Return the audit of a season folder, which holds season.toml and the tables.

    `SeasonRefused` names every reason why a season cannot be audited at all.
    """
    folder = season_folder(folder)
    if _HELD and (held := _HELD.get(_state(folder))):
        return held
    settings = read_season(folder)
    tables = read_tables(folder, settings)
    reference = reference_values(tables["oven"], tables["plots"].frame, settings)
    pairing = paired.pair_samples(tables, reference, settings)
    audits = audit_curves(pairing, tables["curves"], settings)
    pooled: dict[str, Pooled] = {}
    shrunken: dict[str, Estimate] = {}
    for crop in sorted({audit.crop for audit in audits.values()}):
        own = [a for a in audits.values() if a.crop == crop and a.bias.se > 0]
        # Curves recorded in parallel saw the same plots as another and take no part.
        own = [a for a in own if a.n_trials > 1 and not a.pairs["parallel"].all()]
        if own:
            of_curves = [(-a.bias.value, a.bias.se, a.bias.df) for a in own]
            pooled[crop] = pool_offsets(*map(list, zip(*of_curves, strict=True)))
            names = [a.curve for a in own]
            shrunken |= dict(zip(names, pooled[crop].shrunken, strict=True))
    return SeasonAudit(
        folder=folder,
        settings=settings,
        tables=tables,
        reference=reference,
        pairing=pairing,
        audits=audits,
        advice={curve: recommend(audit) for curve, audit in audits.items()},
        pooled=pooled,
        shrunken=shrunken,
    )


def for_others(audit: SeasonAudit, folder: Path) -> SeasonAudit:
    """Return an audit to be sent to another process, which knows the folder so."""
    # It has what took long to work out, but of each trial its outcome only: the draws
    # of chance would fill gigabytes.
    sent = replace(audit, folder=folder, _trials={})
    slow = ("findings", "outcomes")
    vars(sent).update({name: vars(audit)[name] for name in slow if name in vars(audit)})
    return sent


def hold_audit(audit: SeasonAudit) -> None:
    """Hold an audit for this process and its forks, until its files are written to."""
    # What is worked out when it is asked for is asked for once.
    _ = audit.plots, audit.trials, audit.findings, audit.inputs
    _HELD[_state(audit.folder)] = audit


def _state(folder: Path) -> tuple:
    """Return the name of a folder and which files of which time are in it."""
    told = ["st_dev", "st_ino", "st_size", "st_mtime_ns", "st_ctime_ns"]
    files = [path.stat() for path in input_files(folder) if path.exists()]
    return str(folder), *(tuple(getattr(file, name) for name in told) for file in files)


# ---- one row per curve ---------------------------------------------------------------

NO_SAMPLE = "No sample taken blind to the reading speaks for it."


def curves_table(season: SeasonAudit) -> pd.DataFrame:
    """Return one row per curve, those without a sample included and saying so.

    Columns as `columns.csv` declares them; empty where not known. [points]
    """
    rows: list[dict] = []
    for curve, audit in season.audits.items():
        row = curve_row(audit, season.advice[curve])
        row["offset_pooled"] = season.shrunken.get(curve, not_known("")).value
        rows.append(cells_of(row, season.settings.confidence))
    register = paired.curve_register(season.tables["curves"].frame)
    silent = register.drop(list(season.audits))
    none = {"n": 0, "n_trials": 0, "action": UNRESOLVED, "reason": NO_SAMPLE}
    for name, of in silent.sort_values(["crop_key", "curve"]).iterrows():
        readings = season.pairing.plots[season.pairing.plots["curve"] == name]
        own = {"crop": of["crop_key"], "offset_loaded": of["offset_loaded"]}
        own["offset_in_use"] = paired.offset_in_use(of, readings)
        rows.append({"curve": name, "open_question": "", **own, **none})
    return declared_table("curves", rows).astype({"built_on": "datetime64[us]"})
