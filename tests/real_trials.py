"""Real maize trials as a season: recorded moisture stands for sensor and oven alike.

There is no second method in the data, so sensor = oven = recorded moisture; what is
real are moistures, test weights and yields, and with them ranks and alarms.
"""

from pathlib import Path

import pandas as pd

PLOT_AREA_M2 = 13.94  # two rows 0.91 m apart and 7.6 m long
YIELD_AT_PCT = 15.5  # taken as the moisture that the yields are stated at
TWO_YEARS = Path(__file__).parent / "oracle" / "data" / "texas_maize_2001_2003.csv"


def read_trials(path: Path = TWO_YEARS) -> pd.DataFrame:
    """Return the plots of the trials: year, loc, env, rep, gen, moisture and so on."""
    return pd.read_csv(path, comment="#")


def plots_of(trials: pd.DataFrame) -> pd.DataFrame:
    """Return the trials as a plots table."""
    kg = trials["yield"] * PLOT_AREA_M2 / 10  # t/ha to kg on the plot
    wet = (100 - YIELD_AT_PCT) / (100 - trials["moisture"])
    return pd.DataFrame(
        {
            "trial": trials["env"],
            "plot": (trials.groupby("env").cumcount() + 1).map("{:04d}".format),
            "entry": trials["gen"],
            "crop": "maize",
            "curve": "M",
            "sensor_pct": trials["moisture"],
            "plot_mass_kg": (kg * wet).round(6),
            "plot_area_m2": PLOT_AREA_M2,
            "block": trials["rep"],
            "location": trials["loc"],
            "test_weight_kg_hl": trials["testweight"],
        }
    )


def write_season(trials: pd.DataFrame, folder: Path, every: int = 8) -> Path:
    """Write a season folder; every so many plots a sample goes to the oven."""
    plots = plots_of(trials)
    sampled = plots[plots["sensor_pct"].notna()].iloc[::every]
    oven = pd.DataFrame(
        {
            "sample": sampled["trial"] + "-" + sampled["plot"],
            "trial": sampled["trial"],
            "plot": sampled["plot"],
            "method": "S352.2",
            "moisture_pct": sampled["sensor_pct"],
        }
    )
    plots.to_csv(folder / "plots.csv", index=False)
    oven.to_csv(folder / "oven.csv", index=False)
    (folder / "curves.csv").write_text("curve,crop,offset_loaded\nM,maize,0.0\n")
    (folder / "season.toml").write_text('name = "Real maize trials"\n')
    return folder
