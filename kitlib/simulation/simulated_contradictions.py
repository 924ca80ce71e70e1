"""Rows that contradict themselves or one another, for trying out the checks."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

Tables = dict[str, pd.DataFrame]
Rows = list[tuple[str, int]]


def _write_text(tables: Tables, _samples: Iterator[str]) -> tuple[Rows, str]:
    """Write a word where a reading belongs."""
    plots = tables["plots"]
    plots["sensor_pct"] = plots["sensor_pct"].astype(object)
    plots.loc[plots.index[0], "sensor_pct"] = "wet"
    return [("plots", plots.index[0])], "a word in place of the reading"


def _repeat_plot(tables: Tables, _samples: Iterator[str]) -> tuple[Rows, str]:
    """Enter a plot a second time, with another mass."""
    plots = tables["plots"]
    twin = plots.iloc[[1]].assign(plot_mass_kg=plots["plot_mass_kg"].iloc[1] + 1)
    tables["plots"] = pd.concat([plots, twin], ignore_index=True)
    return [("plots", len(plots))], "a second row of a plot, with another mass"


def _change_crop(tables: Tables, _samples: Iterator[str]) -> tuple[Rows, str]:
    """Give a plot another crop than its curve's."""
    plots = tables["plots"]
    plots.loc[plots.index[2], "crop"] = "barley"
    return [("plots", plots.index[2])], "a crop other than the curve's"


def _exchange_weighings(tables: Tables, samples: Iterator[str]) -> tuple[Rows, str]:
    """Exchange the wet and the dry weighing of a dish."""
    oven = tables["oven"]
    weighed = oven[oven["wet_g"].notna()].drop_duplicates("sample")
    row = _first_of(weighed, samples)
    oven.loc[row, ["wet_g", "dry_g"]] = oven.loc[row, ["dry_g", "wet_g"]].to_numpy()
    return [("oven", label) for label in row], "wet and dry weighing exchanged"


def _weigh_early(tables: Tables, samples: Iterator[str]) -> tuple[Rows, str]:
    """Weigh a dish the day before its sample was taken."""
    oven = tables["oven"]
    row = _first_of(oven.drop_duplicates("sample"), samples)
    oven.loc[row, "weighed_at"] = oven.loc[row, "sampled_at"] - np.timedelta64(1, "D")
    return [("oven", label) for label in row], "weighed a day before it was taken"


def _first_of(dishes, samples):
    """Return the row of the next of `samples` among dishes; none if there is none."""
    labels = pd.Series(dishes.index, index=dishes["sample"])
    found = next((labels[sample] for sample in samples if sample in labels), None)
    return dishes.index[dishes.index == found]


CONTRADICTIONS = (
    ("not-a-number", _write_text),
    ("plot-twice", _repeat_plot),
    ("crop-differs", _change_crop),
    ("dry-heavier-than-wet", _exchange_weighings),
    ("weighed-before-taken", _weigh_early),
)
