"""Everything the audit can find wrong, each under a stable code."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import pandas as pd

STOP, FAULT, WARNING, NOTE = "stop", "fault", "warning", "note"
SEVERITIES = (STOP, FAULT, WARNING, NOTE)


class Kind(NamedTuple):
    """What a code stands for: its severity, its meaning and what to do."""

    severity: str
    meaning: str
    remedy: str


KINDS: dict[str, Kind] = {
    # the season cannot be audited
    "table-missing": Kind(STOP, "a required table is not there", "add the file"),
    "table-unreadable": Kind(STOP, "a file cannot be read", "save it anew"),
    "column-missing": Kind(
        STOP, "a required column is not there", "add or map the column"
    ),
    # a row contradicts itself or another one; it is left out, the rest goes on
    "not-a-number": Kind(FAULT, "text stands where a number belongs", "type a number"),
    "not-a-time": Kind(FAULT, "a time is not ISO 8601", "write 2025-10-03T14:30"),
    "out-of-range": Kind(FAULT, "a value is impossible", "check the decimal point"),
    "cell-empty": Kind(FAULT, "a required cell is empty", "fill it in"),
    "row-length": Kind(FAULT, "a row has too many or too few cells", "check commas"),
    "key-is-a-date": Kind(
        FAULT, "a spreadsheet turned a key into a date", "format the column as text"
    ),
    "row-twice": Kind(FAULT, "two rows are the same to the letter", "delete one"),
    "reading-twice": Kind(
        FAULT, "two further readings of a curve share one plot", "keep the right one"
    ),
    "plot-twice": Kind(FAULT, "two plot rows share one key", "keep the right one"),
    "curve-unknown": Kind(
        FAULT, "a plot names a curve the register lacks", "add the curve"
    ),
    "crop-differs": Kind(
        FAULT, "a plot's crop is not its curve's crop", "correct either"
    ),
    "dry-heavier-than-wet": Kind(
        FAULT, "a dish weighs more dry than wet", "check the weights"
    ),
    "weighed-before-taken": Kind(
        FAULT, "a sample was weighed before it was taken", "check both times"
    ),
    "sample-in-two-plots": Kind(
        FAULT, "one sample label stands for two plots", "relabel the dishes"
    ),
    # a row cannot be used for a reason that real seasons have
    "plot-missing": Kind(
        WARNING, "a sample's plot is not in the plots table", "add the plot or relabel"
    ),
    "no-reading": Kind(WARNING, "a sampled plot has no sensor reading", "nothing"),
    "one-dish": Kind(
        WARNING, "a sample has fewer dishes than asked for", "dry a second dish"
    ),
    "other-method": Kind(
        WARNING, "a sample was dried by another method", "declare the methods alike"
    ),
    "no-oven-result": Kind(
        WARNING, "a benchtop sample has no oven result", "nothing: used in two-phase"
    ),
    "offset-restated": Kind(
        NOTE, "readings under another offset were restated", "nothing"
    ),
    "plot-unusable": Kind(
        WARNING, "a plot's yield cannot be calculated", "check mass, area and moisture"
    ),
    "suspicious-sample": Kind(
        WARNING, "a sample was taken because it looked odd", "nothing: shown apart"
    ),
    # nothing is left out, but the reader must know
    "dishes-disagree": Kind(
        WARNING, "dishes differ by more than the method allows", "repeat the sample"
    ),
    "methods-mixed": Kind(
        WARNING, "a crop was dried by several methods", "use one method"
    ),
    "method-unknown": Kind(
        NOTE, "no repeatability limit is known for a method", "set it in season.toml"
    ),
    "crop-unknown": Kind(
        NOTE, "no defaults are known for a crop", "set them in season.toml"
    ),
    "offsets-mixed": Kind(
        FAULT,
        "the register shows several offsets for one curve, the plots not which",
        "add offset_in_force to the plots",
    ),
    "configuration-differs": Kind(
        WARNING, "plots were harvested in another chamber set-up", "audit them apart"
    ),
    "outside-curve": Kind(
        NOTE, "readings lie outside the curve's stated range", "see the bands"
    ),
    "outside-audit": Kind(
        NOTE, "plots are wetter or drier than any sample", "take samples there"
    ),
    "reading-stuck": Kind(
        WARNING, "many readings are the same extreme value", "check the sensor's limit"
    ),
    "late-oven": Kind(
        NOTE, "samples waited long for the oven", "weigh sooner; keep them sealed"
    ),
    "narrow-spread": Kind(
        NOTE, "the samples' moistures span too little for a slope", "sample wider"
    ),
    "one-trial": Kind(NOTE, "all samples come from one trial", "sample more trials"),
    "few-samples": Kind(NOTE, "too few samples for the statistic", "take more"),
    "error-drifts": Kind(
        WARNING, "the error changes over the season", "check the sensor more often"
    ),
    "error-moves-with": Kind(
        NOTE, "the error moves with a condition of harvest", "see the effect"
    ),
    "bent": Kind(WARNING, "the relation is bent", "rebuild the curve"),
    "spread-rises": Kind(NOTE, "the errors spread more in wet grain", "see the bands"),
    "influential": Kind(
        NOTE, "one sample or trial moves the bias by much", "check its labels"
    ),
    "suspected-swap": Kind(
        WARNING, "two samples fit far better exchanged", "check the labels"
    ),
    "bias-reweighted": Kind(
        NOTE, "the bias differs over the harvested plots' moistures", "see both"
    ),
    "no-benchtop": Kind(NOTE, "there is no benchtop meter", "nothing"),
    "no-oven": Kind(WARNING, "there are no oven results", "nothing can be audited"),
    "season-empty": Kind(WARNING, "there are no plots", "nothing can be audited"),
    "spaces-trimmed": Kind(NOTE, "keys had spaces around them", "nothing: trimmed"),
    "columns-kept": Kind(NOTE, "columns the audit does not use", "nothing: kept"),
    "setting-rounded": Kind(NOTE, "rounding the setting costs precision", "nothing"),
    "two-curves": Kind(
        WARNING, "several curves served one trial", "see the trial's report"
    ),
    "crops-mixed": Kind(WARNING, "a trial holds plots of several crops", "split it"),
    "curve-unaudited": Kind(
        WARNING, "no sample speaks for a curve that served plots", "sample its plots"
    ),
    "trial-remark": Kind(NOTE, "what limits a trial's entry means", "see the trial"),
}


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing found, where it is, and how serious it is.

    Attributes
    ----------
    code : str
        A key of `KINDS`.
    message : str
        Where, what value, what was expected, what to do; one sentence or two.
    table : str
        The table it stands in, empty if none.
    rows : tuple of int
        Its rows as a spreadsheet counts them: the header is row 1.
    curve, trial : str
        What it concerns, empty if the whole season.
    """

    code: str
    message: str
    table: str = ""
    rows: tuple[int, ...] = ()
    curve: str = ""
    trial: str = ""

    @property
    def severity(self) -> str:
        """How serious: stop, fault, warning or note."""
        return KINDS[self.code].severity

    def __str__(self) -> str:
        return f"{self.table + ': ' if self.table else ''}{self.message}"


FINDING_COLUMNS = ["code", "severity", "message", "table", "rows", "curve", "trial"]


def findings_table(findings: Sequence[Finding]) -> pd.DataFrame:
    """Return findings as a table, the most serious first, order kept within."""
    ranked = sorted(findings, key=lambda found: SEVERITIES.index(found.severity))
    rows = [
        [
            f.code,
            f.severity,
            f.message,
            f.table,
            " ".join(map(str, f.rows)),
            f.curve,
            f.trial,
        ]
        for f in ranked
    ]
    return pd.DataFrame(rows, columns=FINDING_COLUMNS, dtype="str")


def _row_list(found: Finding) -> str:
    """Return a finding's rows as one cell."""
    return " ".join(map(str, found.rows))


def worst(findings: Iterable[Finding]) -> str:
    """Return the most serious severity among findings, a note if there are none."""
    ranks = [SEVERITIES.index(found.severity) for found in findings]
    return SEVERITIES[min(ranks)] if ranks else NOTE
