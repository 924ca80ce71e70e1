"""Every plot with moisture and yield as recorded, corrected and by oven."""

import numpy as np
import pandas as pd

from kitlib.intake.distinct import PlotPlaces, by_value
from kitlib.intake.pairs import Pairing
from kitlib.intake.season import Season
from kitlib.trials.yields import (
    flag_unusable_plots,
    yield_kg_ha,
)


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
