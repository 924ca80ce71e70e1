"""What the moisture errors did to one trial: yields, ranks and selection.

The sensor's test weight against the benchtop's: the moisture curve leans on it.

Every plot with moisture and yield as recorded, corrected and by oven.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitlib.curves.corrections import Correction
from kitlib.curves.effects import mean_over, tried
from kitlib.intake.files import PlotPlaces, by_value
from kitlib.intake.pairs import Pairing
from kitlib.intake.settings import Season
from kitlib.statistics.agreement import agreement, limits_of_agreement
from kitlib.trials.changes import Comparison, compare, entry_table
from kitlib.trials.designs import entry_means
from kitlib.trials.means import EntryMeans
from kitlib.trials.ranks import (
    CORRECTION_AND_PLOT_ERROR,
    CORRECTION_ONLY,
    PLOT_ERROR_ONLY,
    Chances,
    draw_correction_errors,
    draw_plot_errors,
    rank_chances,
    selection_count,
)
from kitlib.trials.yields import (
    TrialPlots,
    flag_unusable_plots,
    kg_hl_to_lb_bu,
    read_trial_plots,
    remark_plots,
    yield_kg_ha,
)
from kitlib.words.terms import listed

DRAWS = 1_000


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialConsequences:
    """What the moisture errors did to one trial.

    Attributes
    ----------
    trial : str
        Name of the trial.
    plots : TrialPlots
        Every plot with both yields, in the order of the table read.
    means : EntryMeans or None
        Entry means with moisture as read, of the plots used; None without any.
    comparison : Comparison or None
        The same plots before and after correction; None where no plot has a
        corrected moisture.
    count : int
        Entries selected.
    chances : dict of str to Chances
        By layer of uncertainty: `PLOT_ERROR_ONLY` (before correction),
        `CORRECTION_ONLY` and `CORRECTION_AND_PLOT_ERROR` (after). A layer that is
        not known is absent.
    entries : DataFrame
        One row per entry, as `entry_table` makes it.
    remarks : tuple of str
        What the reader must know, and why something is not known.
    """

    trial: str
    plots: TrialPlots
    means: EntryMeans | None
    comparison: Comparison | None
    count: int
    chances: dict[str, Chances]
    entries: pd.DataFrame
    remarks: tuple[str, ...]


def trial_consequences(
    plots: pd.DataFrame,
    corrections: Mapping[str, Correction],
    *,
    standard_pct: float,
    select: float,
    rng: np.random.Generator,
    checks: Sequence[str] = (),
    level: float = 0.95,
    draws: int = DRAWS,
) -> TrialConsequences:
    """Return what the moisture errors did to one trial.

    Parameters
    ----------
    plots : DataFrame
        The plots of one trial: trial, plot, entry, curve, plot_mass_kg,
        plot_area_m2, moisture_before, moisture_after (missing where not known), and
        block where the trial has blocks. [kg; m²; % moisture, wet basis]
    corrections : mapping of str to Correction
        By curve. They give the uncertainty and the part of the tilt; the corrected
        moistures themselves are those of the table.
    standard_pct : float
        Moisture yields are stated at; nan where not known. [% wet basis]
    select : float
        Share of the entries selected if below 1, else their number.
    rng : numpy.random.Generator
        Source of randomness.
    checks : sequence of str
        Entries that the others are compared with; they rank among the entries.
    level : float
        Confidence level of least significant differences and rank intervals.
    draws : int
        Draws per layer of uncertainty.

    Returns
    -------
    TrialConsequences
        Whatever can be worked out, with remarks on what cannot.

    Notes
    -----
    Chances read sampling distributions as what is known of the true values (flat
    priors). Plots are weighted into entry means as in the trial itself: where
    blocks are random, the ratio of block to plot variance is held as fitted. The
    sensor's random error is part of the plots' own error.

    Examples
    --------
    The reading of curve B is a point too high: its plots yield more than it says.

    >>> table = pd.DataFrame({"trial": "T1", "plot": list("1234"),
    ...     "entry": list("abab"), "block": [1, 1, 2, 2], "curve": list("ABAB"),
    ...     "plot_mass_kg": [8.45, 8.40, 8.55, 8.52], "plot_area_m2": 8.0,
    ...     "moisture_before": 20.0, "moisture_after": [20.0, 19.0] * 2})
    >>> found = trial_consequences(table, {}, standard_pct=15.5, select=1,
    ...                            rng=np.random.default_rng(1))
    >>> found.entries[["entry", "rank_before", "rank_after"]].to_numpy().tolist()
    [['a', 1, 2], ['b', 2, 1]]
    """
    every_plot = read_trial_plots(plots, standard_pct)
    compared = every_plot.compared
    usable = compared if compared.any() else np.isfinite(every_plot.before)
    used = every_plot.only(usable)
    means, comparison, count, chances = None, None, 0, {}
    if usable.any():
        means = entry_means(used.before, used.entry, used.block)
        count = selection_count(select, means.entries.size)
    if compared.any():
        comparison = compare(
            used, means, corrections, count=count, checks=checks, level=level
        )
    if count and means.entries.size > 1:
        drawn = _draw_means(used, means, comparison, corrections, draws, rng)
        chances = {
            name: rank_chances(drawn[name], count, name, level) for name in drawn
        }
    return TrialConsequences(
        trial=every_plot.trial,
        plots=every_plot,
        means=means,
        comparison=comparison,
        count=count,
        chances=chances,
        entries=entry_table(every_plot, means, comparison, chances, level),
        remarks=(
            *remark_plots(plots, standard_pct),
            *_remark_entries(every_plot, used, checks),
            *_remark_means(means, comparison),
            *_remark_corrections(used, comparison, corrections),
        ),
    )


def _draw_means(
    plots: TrialPlots,
    before: EntryMeans,
    comparison: Comparison | None,
    corrections: Mapping[str, Correction],
    draws: int,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    """Draw entry means, for each layer of uncertainty that is known."""
    drawn = {}
    # The same plot errors before and after: what differs is then the correction.
    seed = rng.integers(2**63)
    if not before.no_error:
        errors = draw_plot_errors(before, draws, np.random.default_rng(seed))
        drawn[PLOT_ERROR_ONLY] = before.mean + errors
    if comparison is None or _uncertain_of(plots, corrections):
        return drawn
    after = comparison.after
    corrected = after.mean + draw_correction_errors(
        plots, after.weights, corrections, draws=draws, rng=rng
    )
    drawn[CORRECTION_ONLY] = corrected
    if not after.no_error:
        errors = draw_plot_errors(after, draws, np.random.default_rng(seed))
        drawn[CORRECTION_AND_PLOT_ERROR] = corrected + errors
    return drawn


def _uncertain_of(plots: TrialPlots, corrections: Mapping[str, Correction]) -> list:
    """Return the curves of which it is not known how well they are corrected."""
    return [
        curve
        for curve in np.unique(plots.curve).tolist()
        if curve not in corrections or not corrections[curve].uncertainty_known
    ]


def _remark_entries(
    every_plot: TrialPlots, used: TrialPlots, checks: Sequence[str]
) -> list[str]:
    """Name entries that have lost their plots and checks that are not there."""
    remarks = []
    lost = sorted(set(every_plot.entry) - set(used.entry))
    if lost:
        noun = "entry" if len(lost) == 1 else "entries"
        remarks.append(f"{noun} {listed(lost)} without a plot left: not known")
    absent = [check for check in checks if check not in every_plot.entry]
    if absent:
        noun = "check" if len(absent) == 1 else "checks"
        remarks.append(f"{noun} {listed(absent)} not in this trial: not compared with")
    return remarks


def _remark_means(means: EntryMeans | None, comparison: Comparison | None):
    """Say what the entry means want said, and what is not known of them."""
    if means is None:
        return ("no plot can be used: nothing is known of this trial",)
    found = comparison.after if comparison else means
    remarks = found.remarks
    if found.entries.size == 1:
        remarks += ("the trial has one entry: nothing to rank or to select",)
    if found.no_error:
        remarks += (
            f"{found.no_error}: no least significant difference and no chances that "
            "count plot error",
        )
    return remarks


def _remark_corrections(
    used: TrialPlots,
    comparison: Comparison | None,
    corrections: Mapping[str, Correction],
) -> tuple[str, ...]:
    """Name the curves whose correction is of unknown uncertainty."""
    unknown = _uncertain_of(used, corrections)
    if comparison is None or not unknown:
        return ()
    noun = "curve" if len(unknown) == 1 else "curves"
    return (
        f"how well the correction of {noun} {listed(unknown)} is known is not known: "
        "no chances after correction",
    )


NOT_GIVEN = "not given"

COLUMNS = [
    "crop",
    "chamber_config",
    "n",
    "n_trials",
    "mean_kg_hl",
    "bias_kg_hl",
    "bias_low_kg_hl",
    "bias_high_kg_hl",
    "bias_method",
    "sep_kg_hl",
    "limit_low_kg_hl",
    "limit_high_kg_hl",
    "bias_lb_bu",
    "sep_lb_bu",
]


def audit_test_weight(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return how the sensor's test weight agrees with the benchtop's.

    Estimand of the bias: mean of sensor − benchtop over trials like these, by crop
    and chamber set-up, for the set-up's volume is what test weight is measured by.

    Parameters
    ----------
    pairs : DataFrame
        The season's pairs; those with both test weights count, each sample once.
    level : float
        Confidence level, clustered by trial.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`, empty where no sample has both.
    """
    both = pairs[~pairs["parallel"]]
    both = both.dropna(subset=["test_weight_kg_hl", "benchtop_test_weight_kg_hl"])
    both = both.drop_duplicates(["sample", "trial", "plot"])
    config = both["chamber_config"].fillna(NOT_GIVEN)
    rows = [
        _row(crop, set_up, group, level)
        for (crop, set_up), group in both.groupby(["crop", config], sort=True)
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def _row(crop: str, set_up: str, group: pd.DataFrame, level: float) -> dict:
    """Return the agreement of one crop's test weights in one chamber set-up."""
    sensor = group["test_weight_kg_hl"].to_numpy(float)
    benchtop = group["benchtop_test_weight_kg_hl"].to_numpy(float)
    trial = group["trial"].to_numpy(object)
    bias = mean_over(sensor - benchtop, trial)
    ends = bias.interval(level)
    agreed, _ = tried(agreement, sensor, benchtop)
    limits, _ = tried(limits_of_agreement, sensor, benchtop)
    row = {
        "crop": crop,
        "chamber_config": set_up,
        "n": len(group),
        "n_trials": group["trial"].nunique(),
        "mean_kg_hl": benchtop.mean(),
        "bias_kg_hl": bias.value,
        "bias_low_kg_hl": ends.low,
        "bias_high_kg_hl": ends.high,
        "bias_method": bias.method or bias.remark,
        "bias_lb_bu": kg_hl_to_lb_bu(bias.value),
    }
    if agreed is not None:
        row["sep_kg_hl"] = agreed.sep
        row["sep_lb_bu"] = kg_hl_to_lb_bu(agreed.sep)
    if limits is not None:
        row["limit_low_kg_hl"] = limits.lower.value
        row["limit_high_kg_hl"] = limits.upper.value
    return row


def sampled_moisture(pairs: pd.DataFrame, plots: pd.DataFrame) -> pd.Series:
    """Return each plot's air-oven moisture, nan where it was not sampled."""
    oven = pairs[pairs["reference_pct"].notna()].drop_duplicates("sample")
    means = oven.groupby(["trial", "plot"])["reference_pct"].mean()
    at = PlotPlaces(plots).of(means.index.to_frame())
    found = np.full(len(plots), np.nan)
    found[at[at >= 0]] = means[at >= 0]
    return pd.Series(found, index=plots.index)


def corrected_plots(
    pairing: Pairing, advice: dict, audits: dict, settings: Season
) -> pd.DataFrame:
    """Return every plot with moisture and yield as recorded, corrected and by oven.

    A plot whose curve no sample speaks for has no corrected moisture.
    """
    plots, pairs = pairing.plots, pairing.pairs
    after = pd.Series(np.nan, index=plots.index)
    outside = pd.Series(False, index=plots.index)
    for curve, rows in plots.groupby("curve").groups.items():
        if curve in advice:
            readings = plots.loc[rows, "sensor_pct"].to_numpy(float)
            after[rows] = advice[curve].correction.apply(readings)
            cover = audits[curve].coverage
            if cover is not None:
                outside[rows] = (readings < cover.low) | (readings > cover.high)
    standard = by_value(plots["crop"], settings.standard_moisture_of).astype(float)
    mass = plots["plot_mass_kg"].to_numpy(float)
    area = plots["plot_area_m2"].to_numpy(float)

    def stated(moisture):
        return yield_kg_ha(mass, area, moisture.to_numpy(float), standard)

    reference = sampled_moisture(pairs, plots)

    return plots.assign(
        moisture_after_pct=after,
        yield_before_kg_ha=stated(plots["recorded_pct"]),
        yield_after_kg_ha=stated(after),
        reference_pct=reference,
        yield_reference_kg_ha=stated(reference),
        unusable=flag_unusable_plots(mass, area, plots["recorded_pct"]),
        outside_audit=outside,
    )
