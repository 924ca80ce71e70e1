"""A trial's own samples: readings beside the oven, and what each moisture yields."""

from kitlib.intake.pairs import OVEN
from kitlib.pages.blocks import Block, Column, Paragraph, Table
from kitlib.reports.report_parts import section
from kitlib.season.season import TrialAudit
from kitlib.words.terms import show


def n_samples(trial: TrialAudit) -> int:
    """Return how many of the trial's samples have an oven result."""
    oven = trial.pairs[trial.pairs["basis"] == OVEN]
    return int(oven["sample"].nunique())


def sample_blocks(trial: TrialAudit) -> list[Block]:
    """Return the trial's own samples."""
    pairs = trial.pairs[(trial.pairs["basis"] == OVEN) & ~trial.pairs["parallel"]]
    if pairs.empty:
        said = "No plot of this trial was sampled for the oven; its curves are judged "
        said += "by samples of other trials."
        return section("What was measured here", [Paragraph(said)])
    rows = [
        (
            pair.plot,
            pair.entry,
            pair.curve,
            pair.sample,
            show(pair.sensor_pct, 1),
            show(pair.reference_pct, 2),
            str(int(pair.n_dishes)),
            show(pair.error, 2, sign=True),
            "" if pair.used else f"set apart: {pair.selection_reason}",
        )
        for pair in pairs.itertuples()
    ]
    table = Table(
        caption="Samples of this trial: sensor beside air-oven.",
        columns=[
            Column("Plot"),
            Column("Entry"),
            Column("Curve"),
            Column("Sample"),
            Column("Sensor", "%", number=True),
            Column("Air-oven", "%", number=True),
            Column("Dishes", number=True),
            Column("Error", "points", number=True),
            Column("Remark"),
        ],
        rows=rows,
        note="Moisture on wet basis. Sensor readings are restated to the offset in the "
        "register where another was in force.",
    )
    return section("What was measured here", [table, _sampled_yields(trial)])


def _sampled_yields(trial: TrialAudit) -> Table:
    """Return the yields of the sampled plots under their three moistures."""
    unit, plots = trial.unit, trial.plots[trial.plots["reference_pct"].notna()]
    rows = [
        (
            plot.plot,
            plot.entry,
            show(plot.recorded_pct, 1),
            show(plot.moisture_after_pct, 2),
            show(plot.reference_pct, 2),
            *(
                show(unit.of(value), unit.decimals)
                for value in (
                    plot.yield_before_kg_ha,
                    plot.yield_after_kg_ha,
                    plot.yield_reference_kg_ha,
                )
            ),
        )
        for plot in plots.itertuples()
    ]
    return Table(
        caption=f"Sampled plots: yield at {trial.standard_pct:g} % moisture by three "
        "moistures.",
        columns=[
            Column("Plot"),
            Column("Entry"),
            Column("Recorded", "%", number=True),
            Column("Corrected", "%", number=True),
            Column("Air-oven", "%", number=True),
            Column("Yield, recorded", unit.name, number=True),
            Column("Yield, corrected", unit.name, number=True),
            Column("Yield, air-oven", unit.name, number=True),
        ],
        rows=rows,
    )
