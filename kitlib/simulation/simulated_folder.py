"""The folder of an invented season: its files as a user would have them."""

from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.intake.schema import SCHEMAS
from kitlib.intake.season import SETTINGS_FILE
from kitlib.simulation.programme import CROPS
from kitlib.simulation.scenario import REPORT_DATE, SEASON_NAME, SEASON_YEAR
from kitlib.simulation.simulated_harvest import check_entries
from kitlib.words.errors import refuse

TRUTH_FILE = "truth.csv"
BENCHTOP_HEADERS = {
    "sample": "Sample ID",
    "trial": "Trial",
    "plot": "Plot no.",
    "meter": "Meter",
    "moisture_pct": "Moisture %",
    "reading": "Run",
    "read_at": "Read at",
    "grain_temp_c": "Grain °C",
    "test_weight_kg_hl": "Test weight kg/hl",
}

_SETTINGS = """\
# An invented season: places, trials, entries, labs and all readings are made up
# by `moisture-audit simulate`. Nothing in this folder was ever measured.
name = "{name}"
year = {year}
report_date = {report_date}
seed = {seed}
confidence = 0.95
setting_step = 0.1
selection_share = 0.2
check_entries = [{checks}]

[standard_moisture]
{standards}

# The benchtop meters' program exports these headers of its own.
[columns.benchtop]
{headers}
"""

_README = """\
# An invented season

Everything in this folder is made up: the breeding programme, its places, trials,
entries, sensors and labs, and every reading. It was written by
`moisture-audit simulate`; the same arguments give the same bytes.

| file | holds |
|---|---|
| `season.toml` | the settings of the audit |
| `plots.csv` | the harvested plots with what the sensors read |
| `oven.csv` | the air-oven dishes |
| `benchtop.csv` | the benchtop meters' readings, under headers of their own |
| `curves.csv` | the register of curves |
| `readings.csv` | a curve recorded in parallel on the same plots |
| `setup_runs.csv`, `check_runs.csv` | runs of known samples, at set-up and weekly |
| `truth.csv` | the true errors of every curve, and what an audit should find |
| `truth_plots.csv` | every plot's true moisture and true yield |
| `faults.csv` | the rows that were spoilt on purpose; the header of a file is row 1 |

An audit reads none of the last three. Dishes may disagree by chance in samples
that `faults.csv` does not list: a repeatability limit is passed by one pair in
twenty.

The sizes of the errors follow published studies: about 85 % of the random error
belongs to the sample, 10 % to the repeat reading and 5 % to the oven, and it grows
with moisture (Hurburgh, Hazen and Bern, Trans. ASAE 28 (1985) 634-640; Paulsen,
Hill and Dixon, Trans. ASAE 27 (1984) 1917).
"""


def refuse_other_folder(folder: Path) -> None:
    """Refuse to write over anything that was not simulated."""
    if folder.exists() and not folder.is_dir():
        refuse(str(folder), ["it is a file; expected a folder. Name another one."])
    simulated = (folder / TRUTH_FILE).exists()
    if folder.is_dir() and any(folder.iterdir()) and not simulated:
        problem = "it holds files that were not simulated; expected an empty folder."
        refuse(str(folder), [f"{problem} Name a new one."])


def write_folder(folder: Path, tables: dict[str, pd.DataFrame], seed: int) -> Path:
    """Write the tables, the settings and a README of a simulated season.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    tables : dict of DataFrame
        By file name, the truth first: a run that was cut short can then be
        repeated. Of a table that the audit reads, the columns it knows.
    seed : int
        Seed of the season, used by the audit's resampling as well.

    Returns
    -------
    Path
        The folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        if name in SCHEMAS:
            table = table[[name for name in SCHEMAS[name].columns if name in table]]
        headers = BENCHTOP_HEADERS if name == "benchtop" else {}
        _write_table(table.rename(columns=headers), folder / f"{name}.csv")
    _write_text(_settings(seed), folder / SETTINGS_FILE)
    _write_text(_README, folder / "README.md")
    return folder


def _settings(seed):
    """Return the text of season.toml."""
    return _SETTINGS.format(
        name=SEASON_NAME,
        year=SEASON_YEAR,
        report_date=REPORT_DATE,
        seed=seed,
        checks=", ".join(f'"{name}"' for name in check_entries()),
        standards="\n".join(f"{crop.crop} = {crop.anchor_pct}" for crop in CROPS),
        headers="\n".join(
            f'{ours} = "{own}"' for ours, own in BENCHTOP_HEADERS.items()
        ),
    )


def _write_table(table, path):
    """Write a table as CSV; times in ISO 8601, an empty cell for what is missing."""
    times = table.select_dtypes("datetime").columns
    texts = {name: np.datetime_as_string(table[name], unit="s") for name in times}
    table.assign(**texts).to_csv(
        path, index=False, lineterminator="\n", encoding="utf-8"
    )


def _write_text(text, path):
    """Write a text file with the same line ends everywhere."""
    path.write_text(text, encoding="utf-8", newline="\n")
