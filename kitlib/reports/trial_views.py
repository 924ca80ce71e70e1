"""What the notebook on one trial shows: its samples, curves and consequences."""

import pandas as pd

from kitlib.intake.pairs import OVEN
from kitlib.pages.blocks import Block, Facts, Heading, Paragraph, Table, Verdict
from kitlib.pages.tabulate import count, number, tabulate, text, words
from kitlib.reports.pictures import curve_pictures
from kitlib.reports.report_parts import advice_detail, curve_numbers
from kitlib.season.season import SeasonAudit, TrialAudit
from kitlib.trials.ranks import BORDERLINE
from kitlib.words.terms import (
    CURVE,
    ENTRY,
    ERROR,
    NOT_KNOWN,
    PLOT,
    REFERENCE,
    SAMPLE,
    SENSOR,
    Term,
    counted,
    listed,
    show,
)


def trial_facts(trial: TrialAudit) -> Facts:
    """Return what a trial is and how much its correction changes."""
    found, plots = trial.consequences, trial.plots
    both = found
    tau = both.ranks.kendall_tau if both.ranks else float("nan")
    moved = counted(both.ranks.largest_move, "rank") if both.ranks else NOT_KNOWN
    touch = int((found.entries["verdict"] == BORDERLINE).sum())
    change = plots["moisture_after_pct"] - plots["recorded_pct"]
    return Facts(
        [
            ("Crop", trial.crop),
            ("Location", trial.location or NOT_KNOWN),
            ("Curves", listed(trial.curves)),
            ("Plots", str(len(plots))),
            ("Entries", str(len(found.entries))),
            ("Selected", str(found.count)),
            ("Standard moisture", f"{show(trial.standard_pct, 1)} %"),
            ("Mean reading", f"{show(plots['recorded_pct'].mean(), 1)} %"),
            ("Mean change of moisture", f"{show(change.mean(), 2, True)} points"),
            ("Largest move", moved),
            ("Kendall's tau of the ranks", show(tau, 3)),
            ("Entries touch and go", str(touch)),
        ]
    )


def sample_rows(trial: TrialAudit) -> Table:
    """Return the trial's samples that the oven measured."""
    pairs = trial.pairs
    return tabulate(
        "Samples of this trial: sensor beside air-oven.",
        pairs[(pairs["basis"] == OVEN) & ~pairs["parallel"]],
        words(SAMPLE),
        words(PLOT),
        words(ENTRY),
        words(CURVE),
        number(SENSOR),
        number(REFERENCE),
        count("n_dishes", "Dishes"),
        number(ERROR, sign=True),
        text("selection_reason", "Taken as"),
        whole="pairs.csv",
    )


def trial_curves(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return how the curves that served a trial did, its own samples marked."""
    blocks: list[Block] = []
    for curve in trial.curves:
        if curve not in season.audits:
            said = f"No sample taken blind to the reading speaks for curve {curve}."
            blocks.append(Paragraph(said))
            continue
        audit, advice = season.audits[curve], season.advice[curve]
        blocks.append(Heading(f"Calibration curve {curve}"))
        detail = advice_detail(audit, advice)
        blocks.append(Verdict(advice.action, advice.reason, detail))
        blocks.append(curve_pictures(season, curve, trial.name))
        blocks.append(curve_numbers(audit, season.settings.confidence))
    return blocks


def served_rows(trial: TrialAudit) -> Table | None:
    """Return what each curve's error added to the yields of the plots it served."""
    both = trial.consequences
    if both.ranks is None:
        return None
    served = both.served
    unit = trial.unit
    rows = pd.DataFrame(
        {
            "curve": served.curves,
            "n_plots": served.n_plots,
            "added": unit.of(served.added_kg_ha),
            "added_se": unit.of(served.added_se),
            "added_pct": served.added_pct,
        }
    )
    fine = unit.decimals + 1
    return tabulate(
        "What each curve's error added to the yields of the plots it served.",
        rows,
        words(CURVE),
        count("n_plots", "Plots"),
        number(Term("added", unit.name, "Added", fine), sign=True),
        number(Term("added_se", unit.name, "Standard error", fine)),
        number(Term("added_pct", "% of yield", "Added"), sign=True),
        note="Curves that served one trial set the plots apart; entries on one curve "
        "only carry its whole error.",
    )


def plot_changes(trial: TrialAudit) -> Table:
    """Return the plots whose yield changes most, with both moistures."""
    plots, unit = trial.plots, trial.unit
    change = unit.of(plots["yield_after_kg_ha"] - plots["yield_before_kg_ha"])
    rows = plots.assign(change=change, size=change.abs())
    rows = rows.sort_values(["size", "plot"], ascending=[False, True])
    return tabulate(
        "Plots whose yield changes most.",
        rows,
        words(PLOT),
        words(ENTRY),
        words(CURVE),
        text("row", "Row"),
        text("range", "Range"),
        number(Term("recorded_pct", SENSOR.unit, "As recorded", 1)),
        number(Term("moisture_after_pct", SENSOR.unit, "Corrected", 2)),
        number(Term("change", unit.name, "Change of yield", unit.decimals), sign=True),
        most=12,
        whole="plots.parquet",
    )
