"""What a season says of one trial: its plots, samples, curves and consequences."""

import hashlib
from collections.abc import Collection
from dataclasses import dataclass
from math import nan

import numpy as np
import pandas as pd

from kitlib.trials.consequences import TrialConsequences, trial_consequences
from kitlib.trials.ranks import RankChanges
from kitlib.trials.yields import YieldUnit, yield_unit
from kitlib.words.findings import Finding
from kitlib.words.terms import counted, crop_key, listed


def chance_for(seed: int, *names: str) -> np.random.Generator:
    """Return the stream of chance that belongs to names, whatever else is drawn.

    So a trial's draws are the same alone as among a thousand.
    """
    digest = hashlib.sha256("\0".join(names).encode("utf-8", "surrogatepass")).digest()
    words = np.frombuffer(digest[:16], np.uint32).tolist()
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=words))


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialAudit:
    """What a season says of one trial.

    Attributes
    ----------
    name, crop : str
    location : str
    standard_pct : float
        Moisture yields are stated at. [% wet basis]
    unit : YieldUnit
        Unit its report shows yields in.
    plots : DataFrame
        Its plots, as in `SeasonAudit.plots`.
    pairs : DataFrame
        Its samples.
    curves : tuple of str
        Curves that served its plots, the audited ones first.
    consequences : TrialConsequences
    left_out : DataFrame
        Its rows that were not used.
    findings : tuple of Finding
        Those that concern it: its own, its curves', and those of its rows.
    """

    name: str
    crop: str
    location: str
    standard_pct: float
    unit: YieldUnit
    plots: pd.DataFrame
    pairs: pd.DataFrame
    curves: tuple[str, ...]
    consequences: TrialConsequences
    left_out: pd.DataFrame
    findings: tuple[Finding, ...]

    @property
    def outcome(self) -> "TrialOutcome":
        """What the correction does to it, in short."""
        found, both = self.consequences, self.consequences.comparison
        means = (both.before.mean, both.after.mean) if both else ()
        return TrialOutcome(
            curves=self.curves,
            count=found.count,
            entries=found.entries,
            ranks=both.ranks if both else None,
            yield_before_kg_ha=float(means[0].mean()) if both else nan,
            yield_after_kg_ha=float(means[1].mean()) if both else nan,
            findings=tuple(f for f in self.findings if f.trial == self.name),
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialOutcome:
    """What the correction does to one trial, without what it rests on.

    Attributes
    ----------
    curves : tuple of str
        Curves that served its plots, the audited ones first.
    count : int
        Entries selected.
    entries : DataFrame
        One row per entry.
    ranks : RankChanges or None
        Ranks and selection before and after; None where there is no corrected yield.
    yield_before_kg_ha, yield_after_kg_ha : float
        Mean of the entries; nan where there is no corrected yield. [kg/ha]
    findings : tuple of Finding
        Its own, not those of its curves.
    """

    curves: tuple[str, ...]
    count: int
    entries: pd.DataFrame
    ranks: RankChanges | None
    yield_before_kg_ha: float
    yield_after_kg_ha: float
    findings: tuple[Finding, ...]


def audit_trial(season, name: str) -> TrialAudit:
    """Return what a season says of one trial.

    Parameters
    ----------
    season : SeasonAudit
    name : str
        One of its trials.
    """
    settings, plots = season.settings, season.plots_of(name)
    crops = plots["crop"].map(crop_key).value_counts()
    crop, findings = str(crops.index[0]), []
    if len(crops) > 1:
        said = f"trial {name} holds plots of {listed(crops.index)}; only its {crop} is "
        said += "ranked. Split the trial if that is wrong."
        findings.append(Finding(code="crops-mixed", trial=name, message=said))
    of_crop = plots[plots["crop"].map(crop_key) == crop]
    standard = settings.standard_moisture_of(crop)
    consequences = trial_consequences(
        of_crop.assign(
            moisture_before=of_crop["recorded_pct"],
            moisture_after=of_crop["moisture_after_pct"],
        ),
        season.corrections,
        standard_pct=standard,
        select=settings.selection_count or settings.selection_share,
        rng=chance_for(settings.seed, "trial", name),
        checks=settings.check_entries,
        level=settings.confidence,
    )
    served = plots["curve"].value_counts()
    curves = tuple(sorted(served.index, key=lambda c: (c not in season.audits, c)))
    left_out = season.pairing.left_out
    pairs = season.pairing.pairs
    location = plots["location"].dropna()
    return TrialAudit(
        name=name,
        crop=crop,
        location=str(location.iloc[0]) if len(location) else "",
        standard_pct=standard,
        unit=yield_unit(settings.yield_unit, settings.bushel_of(crop)),
        plots=plots,
        pairs=pairs[pairs["trial"] == name],
        curves=curves,
        consequences=consequences,
        left_out=left_out[left_out["trial"] == name],
        findings=tuple(findings + _concerning(season, name, curves, consequences)),
    )


def findings_on(season, name: str, curves: Collection[str]) -> list[Finding]:
    """Return the season's findings that concern a trial or the curves that served it.

    Parameters
    ----------
    season : SeasonAudit
    name : str
        The trial.
    curves : collection of str
    """
    return [
        found
        for found in season.findings
        if found.trial == name or (found.curve in curves and not found.trial)
    ]


def _concerning(season, name, curves, consequences) -> list[Finding]:
    """Return the season's findings that concern a trial, and its own remarks."""
    found = findings_on(season, name, curves)
    served = [c for c in curves if c in season.audits]
    if len(curves) > 1:
        said = f"trial {name} was served by {counted(len(curves), 'curve')}: "
        said += f"{listed(curves)}."
        found.append(Finding(code="two-curves", trial=name, message=said))
    if len(served) < len(curves):
        silent = [c for c in curves if c not in served]
        said = f"no sample speaks for curve {listed(silent)}: the moistures it read in "
        said += f"trial {name} are not corrected."
        found.append(Finding(code="curve-unaudited", trial=name, message=said))
    for remark in consequences.remarks:
        found.append(
            Finding(code="trial-remark", trial=name, message=f"trial {name}: {remark}.")
        )
    return found
