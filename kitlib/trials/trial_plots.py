"""The plots of one trial as arrays, and what is wrong with some of them."""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kitlib.trials.yields import flag_unusable_plots, yield_kg_ha, yield_per_point
from kitlib.words.terms import (
    AREA,
    BLOCK,
    CURVE,
    ENTRY,
    MASS,
    PLOT,
    TRIAL,
    counted,
    listed,
)

BEFORE_PCT = "moisture_before"
AFTER_PCT = "moisture_after"
READING, CORRECTED = "the sensor's reading", "the corrected moisture"
NOT_GIVEN = "not given"


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialPlots:
    """Arrays over the plots of one trial, all of shape (plots,).

    Attributes
    ----------
    trial : str
        Name of the trial.
    plot, entry, curve : ndarray of str
        Names; a curve that is not known is "not given".
    block : ndarray of str or None
        None where the trial has no blocks.
    sensor : ndarray
        Moisture before correction. [% moisture, wet basis]
    per_point : ndarray
        Change of the yield per point of moisture. [kg/ha per % moisture]
    before, after : ndarray
        Yield at standard moisture with moisture as read and corrected; nan where
        it cannot be calculated or is not known. [kg/ha]
    """

    trial: str
    plot: np.ndarray
    entry: np.ndarray
    block: np.ndarray | None
    curve: np.ndarray
    sensor: np.ndarray
    per_point: np.ndarray
    before: np.ndarray
    after: np.ndarray

    @property
    def compared(self) -> np.ndarray:
        """Plots with both yields, boolean."""
        return np.isfinite(self.before) & np.isfinite(self.after)

    def only(self, plots: np.ndarray) -> "TrialPlots":
        """Return the plots flagged True."""
        arrays = {
            name: values[plots]
            for name, values in vars(self).items()
            if isinstance(values, np.ndarray)
        }
        return replace(self, **arrays)


def read_trial_plots(plots: pd.DataFrame, standard_pct: float) -> TrialPlots:
    """Return the arrays of one trial's table of plots.

    Parameters
    ----------
    plots : DataFrame
        Columns trial (one name), plot, entry, curve, plot_mass_kg, plot_area_m2,
        moisture_before, moisture_after, and block where the trial has blocks.
    standard_pct : float
        Moisture the yield is stated at. [% wet basis]

    Returns
    -------
    TrialPlots
        Every row of the table, in its order.

    Raises
    ------
    ValueError
        If the table holds no trial or several.

    Examples
    --------
    >>> table = pd.DataFrame({"trial": "T1", "plot": ["1"], "entry": ["a"],
    ...     "curve": ["A"], "plot_mass_kg": 8.45, "plot_area_m2": 8.0,
    ...     "moisture_before": 20.0, "moisture_after": 21.0})
    >>> found = read_trial_plots(table, standard_pct=15.5)
    >>> found.before.round(6).tolist(), found.after.round(6).tolist()
    ([10000.0], [9875.0])
    """
    mass, area, before, after = _numbers(plots)
    has_blocks = BLOCK.name in plots and plots[BLOCK.name].notna().any()
    return TrialPlots(
        trial=_only_trial(plots),
        plot=_names(plots[PLOT.name]),
        entry=_names(plots[ENTRY.name]),
        block=_names(plots[BLOCK.name]) if has_blocks else None,
        curve=_names(plots[CURVE.name]),
        sensor=before,
        per_point=yield_per_point(mass, area, standard_pct),
        before=yield_kg_ha(mass, area, before, standard_pct),
        after=yield_kg_ha(mass, area, after, standard_pct),
    )


def remark_plots(plots: pd.DataFrame, standard_pct: float) -> tuple[str, ...]:
    """Return what must be said of plots that cannot be used, by kind of problem.

    Parameters
    ----------
    plots : DataFrame
        As for `read_trial_plots`.
    standard_pct : float
        Moisture the yield is stated at; nan where it is not known.

    Returns
    -------
    tuple of str
        One sentence for each kind, naming the plots.
    """
    mass, area, before, after = _numbers(plots)
    usable = ~flag_unusable_plots(mass, area, before)
    known = np.isfinite(after)
    gaps = {
        f"{MASS.name} is missing or not above 0 kg": ~(mass > 0) | np.isinf(mass),
        f"{AREA.name} is missing or not above 0 m²": ~(area > 0) | np.isinf(area),
        f"{READING} is missing or not within 0 to below 100 %": (
            flag_unusable_plots(1, 1, before)
        ),
        f"{CORRECTED} is not within 0 to below 100 %": (
            usable & known & flag_unusable_plots(1, 1, after)
        ),
        f"{CORRECTED} is not known": usable & ~known & (usable & known).any(),
    }
    remarks = [
        f"{_plots(plots, rows)} left out before and after: {why}"
        for why, rows in gaps.items()
        if rows.any()
    ]
    if not (usable & known).any():
        remarks.append("no plot has a corrected moisture: nothing to compare with")
    if np.isnan(standard_pct):
        remarks.append("the standard moisture is not known: no yields")
    return (*remarks, *_remark_blocks(plots))


def _remark_blocks(plots: pd.DataFrame) -> tuple[str, ...]:
    """Name the plots without a block in a trial with blocks."""
    if BLOCK.name not in plots:
        return ()
    missing = plots[BLOCK.name].isna().to_numpy()
    if missing.all() or not missing.any():
        return ()
    return (f"{_plots(plots, missing)} of no block: taken as a block of their own",)


def _numbers(plots: pd.DataFrame) -> list[np.ndarray]:
    """Return mass, area and both moistures, gaps as nan."""
    columns = (MASS.name, AREA.name, BEFORE_PCT, AFTER_PCT)
    return [plots[column].to_numpy(float, na_value=np.nan) for column in columns]


def _only_trial(plots: pd.DataFrame) -> str:
    """Return the one trial of the table."""
    trials = plots[TRIAL.name].unique()
    if len(trials) != 1:
        raise ValueError(
            f"read_trial_plots: the table holds {counted(len(trials), 'trial')}; "
            "expected the plots of one."
        )
    return str(trials[0])


def _names(column: pd.Series) -> np.ndarray:
    """Return a column of names as text, gaps named."""
    return column.astype(object).where(column.notna(), NOT_GIVEN).to_numpy(str)


def _plots(plots: pd.DataFrame, rows: np.ndarray) -> str:
    """Return the plots of the rows flagged as a phrase."""
    noun = "plot" if rows.sum() == 1 else "plots"
    return f"{noun} {listed(plots[PLOT.name][rows])}"
