"""What was found: where, how serious, and in words.

Everything the audit can find, each under a stable code with its severity.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import pandas as pd


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


def worst(findings: Iterable[Finding]) -> str:
    """Return the most serious severity among findings, a note if there are none."""
    ranks = [SEVERITIES.index(found.severity) for found in findings]
    return SEVERITIES[min(ranks)] if ranks else NOTE


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
    "bias-over-plots": Kind(
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
    # how curves were set up; the rules stand in setup_rules.py
    "setup-samples": Kind(
        WARNING, "a curve was set up with too few samples", "use two or more"
    ),
    "setup-span": Kind(
        WARNING,
        "the set-up samples hardly differ in moisture",
        "span 3 points at least, 10 if you can",
    ),
    "setup-first-sample": Kind(
        NOTE,
        "the first set-up sample lay far from the standard moisture",
        "begin near it, with a known test weight",
    ),
    "setup-runs": Kind(
        NOTE, "set-up samples were run once only", "run each three to five times"
    ),
    "setup-mass": Kind(
        NOTE, "set-up samples held too little grain", "fill 2.7 kg (6 lb) or more"
    ),
    "setup-temperature": Kind(
        NOTE,
        "set-up grain was warmer or colder than the air",
        "let it come to ambient temperature, sealed",
    ),
    "setup-rewetted": Kind(
        WARNING, "set-up grain had been rewetted", "use grain of natural moisture"
    ),
    "setup-load-cells": Kind(
        WARNING, "load cells were not verified before set-up", "verify them first"
    ),
    "setup-configuration": Kind(
        WARNING,
        "a curve was set up in another or in several chamber configurations",
        "set up a curve for each configuration",
    ),
    "setup-not-recorded": Kind(
        NOTE, "parts of a curve's set-up are not recorded", "record them in setup_runs"
    ),
    "setup-misloaded": Kind(
        WARNING,
        "the offset loaded is not the one the set-up runs asked for",
        "check what was typed in",
    ),
    "setup-unclear": Kind(
        NOTE,
        "set-up runs look as if read before the offset was loaded",
        "add the column offset_in_force to setup_runs",
    ),
    "setup-imprecise": Kind(
        NOTE,
        "an offset from so few samples could not be near enough",
        "set up with more samples, or correct it from the season's",
    ),
    "offset-not-held": Kind(
        WARNING,
        "the season asks for another offset than the set-up runs did",
        "load the season's; look for what changed",
    ),
    # whether they held
    "check-out-of-limits": Kind(
        WARNING,
        "a check sample left its control limits",
        "look at what changed that day; sample the plots since",
    ),
    "check-drifts": Kind(
        WARNING, "check samples drifted over the season", "check more often"
    ),
    "check-sample-changed": Kind(
        NOTE,
        "a retained sample changed its own moisture",
        "nothing: taken out; keep samples sealed and cool",
    ),
    "check-not-judged": Kind(
        NOTE, "check runs do not suffice for a control chart", "run them more often"
    ),
    # curves recorded in parallel, and other seasons
    "parallel-better": Kind(
        NOTE,
        "a curve recorded in parallel would have served better as loaded",
        "see the comparison",
    ),
    "parallel-tighter": Kind(
        NOTE,
        "a curve recorded in parallel scatters less",
        "see the comparison; its offset can be corrected",
    ),
    "history-departs": Kind(
        WARNING,
        "a curve asks for an offset beyond what earlier seasons foretell",
        "look for what changed before loading it",
    ),
    "history-not-read": Kind(
        WARNING, "an earlier season's output could not be used", "check the folder"
    ),
    # what looks like a slip; nothing is put right or left out
    "table-empty": Kind(NOTE, "a table holds no rows", "nothing if that is so"),
    "file-not-read": Kind(
        NOTE, "a file is named almost like a table", "give it the table's name"
    ),
    "file-cut": Kind(NOTE, "a file ends within a line", "look at its last row"),
    "cells-missing": Kind(
        NOTE, "a few cells of a column are empty", "fill them in if they are known"
    ),
    "cell-long": Kind(NOTE, "a text is longer than a name", "look at its row"),
    "key-odd": Kind(
        WARNING, "a name looks like a slip or a spreadsheet's work", "type it as text"
    ),
    "keys-alike": Kind(
        WARNING, "names differ in spelling only", "spell one thing in one way"
    ),
    "zones-mixed": Kind(
        WARNING, "some times of a column name their zone, some do not", "drop the zones"
    ),
    "time-apart": Kind(WARNING, "a time is far from all others", "check the date"),
    "row-again": Kind(
        WARNING, "two rows are the same repeat with other values", "number the repeats"
    ),
    "value-apart": Kind(
        WARNING, "a value is far from those beside it", "check unit and decimal point"
    ),
    "unit-doubtful": Kind(
        WARNING, "values look like another unit's", "check [units] and the file"
    ),
    "offset-odd": Kind(
        WARNING, "an offset fits neither register nor plots", "check both"
    ),
    "sensor-differs": Kind(
        WARNING, "a plot's sensor is not its curve's", "correct either"
    ),
    "plot-differs": Kind(
        WARNING, "a plot is unlike the rest of its trial", "check its row"
    ),
    "position-twice": Kind(
        WARNING, "two plots stand at one row and range", "correct either"
    ),
    "entry-again": Kind(
        NOTE, "an entry has more plots than the others", "check the names of entries"
    ),
    "sample-elsewhere": Kind(
        WARNING, "oven and benchtop place a sample on two plots", "check the labels"
    ),
    "sample-apart": Kind(
        WARNING, "a sample's error is far from the others'", "check label and weights"
    ),
    "basis-doubtful": Kind(
        WARNING, "moistures look like percent of dry matter", "give them on wet basis"
    ),
    "rows-moved": Kind(
        WARNING, "a column seems moved by a row", "compare the file with its source"
    ),
    "review-open": Kind(
        NOTE, "an optional table is missing or empty", "keep it next season"
    ),
}
