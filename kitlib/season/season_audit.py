"""The whole way from a season folder to advice and consequences, in one object."""

from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit, audit_curves
from kitlib.curves.bridge import bridge_table
from kitlib.curves.corrections import Correction
from kitlib.curves.observations import OBSERVED, observe_curve
from kitlib.curves.recommend import Recommendation, recommend
from kitlib.curves.season_observations import observe_season
from kitlib.intake.cells import Table
from kitlib.intake.checks import read_tables, table_findings
from kitlib.intake.pairs import Pairing, pair_samples
from kitlib.intake.provenance import input_files, input_hashes
from kitlib.intake.reference import Reference, reference_values
from kitlib.intake.season import Season, read_season
from kitlib.season.trial_audit import TrialAudit, TrialOutcome, audit_trial
from kitlib.statistics.pooling import Pooled, pool_offsets
from kitlib.trials.corrected_plots import corrected_plots
from kitlib.trials.testweight import audit_test_weight
from kitlib.words.errors import refuse
from kitlib.words.findings import Finding
from kitlib.words.terms import listed

# Audits held for all who ask in this process and in those forked from it, by the
# name of the season folder and the state of its files.
_HELD: dict[tuple, "SeasonAudit"] = {}


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonAudit:
    """A season audited.

    Attributes
    ----------
    folder : Path
    settings : Season
    tables : dict of Table
    reference : Reference
    pairing : Pairing
    audits : dict of CurveAudit
        By curve, in order of crop and curve.
    advice : dict of Recommendation
        By curve.
    pooled : dict of Pooled
        By crop, of the crop's offsets that have an interval.
    shrunken : dict of Estimate
        Offset of each curve shrunk towards the crop's others.
    """

    folder: Path
    settings: Season
    tables: dict[str, Table]
    reference: Reference
    pairing: Pairing
    audits: dict[str, CurveAudit]
    advice: dict[str, Recommendation]
    pooled: dict[str, Pooled]
    shrunken: dict
    _trials: dict = field(default_factory=dict, repr=False)

    @cached_property
    def plots(self) -> pd.DataFrame:
        """Every plot with both moistures and both yields."""
        return corrected_plots(self.pairing, self.advice, self.audits, self.settings)

    @cached_property
    def _rows_by_trial(self) -> dict[str, np.ndarray]:
        """Places of each trial's plots in the table of plots, by trial."""
        return self.pairing.plots.groupby("trial", sort=True).indices

    @cached_property
    def trials(self) -> list[str]:
        """Names of the trials with plots, in order."""
        return sorted(self._rows_by_trial)

    def plots_of(self, trial: str) -> pd.DataFrame:
        """Return a trial's plots, as in `plots`."""
        rows = self._rows_by_trial[trial]
        first, end = rows[0], rows[-1] + 1
        if len(rows) == end - first:  # they stand together, so nothing need be copied
            rows = slice(first, end)
        return self.plots.iloc[rows]

    @property
    def corrections(self) -> dict[str, Correction]:
        """What each curve's readings are corrected by."""
        return {curve: advice.correction for curve, advice in self.advice.items()}

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
        return audit_test_weight(self.pairing.pairs, self.settings.confidence)

    @cached_property
    def findings(self) -> list[Finding]:
        """All that was found, in the order of the work; trials' own not included."""
        found = table_findings(self.folder, self.tables, self.settings)
        found += self.reference.findings + self.pairing.findings
        oven = self.tables["oven"].frame
        found += observe_season(self.pairing, oven, self.settings)
        plots = self.pairing.plots[OBSERVED]
        served = dict(list(plots.groupby("curve")))
        for curve, audit in self.audits.items():
            own = served.get(curve, plots.iloc[:0])
            found += observe_curve(audit, own, self.settings)
        return found

    @cached_property
    def outcomes(self) -> dict[str, TrialOutcome]:
        """What the correction does to each trial, in short, by trial."""
        return {name: self.trial(name).outcome for name in self.trials}

    def trial(self, name: str) -> TrialAudit:
        """Return what the season says of one trial; the last one asked for is kept.

        Raises
        ------
        SeasonRefused
            If no plot belongs to a trial of that name.
        """
        if name not in self._rows_by_trial:
            refuse(
                "plots",
                [f"there is no trial {name!r}; there are {listed(self.trials)}."],
            )
        if name not in self._trials:
            self._trials.clear()  # a thousand trials would fill the memory
            self._trials[name] = audit_trial(self, name)
        return self._trials[name]


def audit_season(folder: str | Path) -> SeasonAudit:
    """Return the audit of a season folder.

    Parameters
    ----------
    folder : str or Path
        Holds season.toml and the tables.

    Returns
    -------
    SeasonAudit

    Raises
    ------
    SeasonRefused
        If the season cannot be audited at all; every reason is named.
    """
    folder = Path(folder)
    if _HELD and (held := _HELD.get(_state(folder))):
        return held
    settings = read_season(folder)
    tables = read_tables(folder, settings)
    reference = reference_values(tables["oven"], tables["plots"].frame, settings)
    pairing = pair_samples(tables, reference)
    found = audit_curves(pairing, tables["curves"], settings)
    audits = {audit.curve: audit for audit in found}
    advice = {curve: recommend(audit, settings) for curve, audit in audits.items()}
    pooled, shrunken = pool_by_crop(audits)
    return SeasonAudit(
        folder=folder,
        settings=settings,
        tables=tables,
        reference=reference,
        pairing=pairing,
        audits=audits,
        advice=advice,
        pooled=pooled,
        shrunken=shrunken,
    )


def for_others(audit: SeasonAudit, folder: Path) -> SeasonAudit:
    """Return an audit to be sent to another process, which knows the folder so.

    It has what took long to work out, but of each trial its outcome only: the draws
    of chance would fill gigabytes.
    """
    sent = replace(audit, folder=folder, _trials={})
    slow = ("findings", "outcomes")
    vars(sent).update({name: vars(audit)[name] for name in slow if name in vars(audit)})
    return sent


def hold_audit(audit: SeasonAudit) -> None:
    """Hold an audit for `audit_season` to return, until its files are written to.

    For a process that others are forked from: they find it as well.
    """
    # What is worked out when it is asked for is asked for once.
    _ = audit.plots, audit.trials, audit.findings, audit.inputs
    _HELD[_state(audit.folder)] = audit


def _state(folder: Path) -> tuple:
    """Return the name of a folder and which files of which time are in it."""
    files = [path.stat() for path in input_files(folder) if path.exists()]
    told = (
        (s.st_dev, s.st_ino, s.st_size, s.st_mtime_ns, s.st_ctime_ns) for s in files
    )
    return str(folder), *told


def pool_by_crop(audits: dict[str, CurveAudit]) -> tuple[dict, dict]:
    """Return the pooled offsets of each crop and each curve's shrunken offset.

    Curves recorded in parallel saw the same plots as another and take no part.
    """
    pooled, shrunken = {}, {}
    for crop in sorted({audit.crop for audit in audits.values()}):
        own = [a for a in audits.values() if a.crop == crop and not a.parallel]
        own = [a for a in own if a.bias.se > 0 and a.n_trials > 1]
        if not own:
            continue
        pooled[crop] = pool_offsets(
            [-a.bias.value for a in own],
            [a.bias.se for a in own],
            [a.bias.df for a in own],
        )
        names = [a.curve for a in own]
        shrunken |= dict(zip(names, pooled[crop].shrunken, strict=True))
    return pooled, shrunken
