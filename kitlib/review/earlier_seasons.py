"""What earlier seasons' output folders say of their curves."""

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

CURVES_FILE = "curves.csv"
NEEDED = ("curve", "crop", "offset_loaded", "bias", "bias_se", "bias_df")
OPTIONAL = ("sensor", "built_on")


@dataclass(frozen=True, kw_only=True, eq=False)
class EarlierSeason:
    """The curves of an earlier season, as its output folder has them.

    Attributes
    ----------
    name : str
        Name of the folder, which is the season's.
    curves : DataFrame
        Columns `NEEDED`, and those of `OPTIONAL`, empty where the file lacks them.
    """

    name: str
    curves: pd.DataFrame


def read_earlier(folder: str | Path) -> tuple[EarlierSeason | None, str]:
    """Return an earlier season's curves, or None and why they cannot be read.

    Parameters
    ----------
    folder : str or Path
        Output folder of an earlier run, with its curves.csv.
    """
    folder = Path(folder)
    path, place = folder / CURVES_FILE, f"{folder.resolve().name}/{CURVES_FILE}"
    try:
        table = pd.read_csv(path, dtype={name: str for name in ("curve", "crop")})
    except OSError as error:
        return None, f"{place} cannot be opened: {error.strerror or error}"
    except (ValueError, UnicodeDecodeError) as error:
        return None, f"{place} is not readable as CSV: {str(error).splitlines()[0]}"
    lacking = [name for name in NEEDED if name not in table]
    if lacking:
        return None, f"{place} lacks the column(s) {', '.join(lacking)}"
    for name in NEEDED[2:]:
        table[name] = pd.to_numeric(table[name], errors="coerce")
    for name in OPTIONAL:
        table[name] = table.get(name, pd.Series(pd.NA, index=table.index)).astype("str")
    table["curve"] = _plain(table["curve"])
    table = table.drop_duplicates("curve", keep="last")
    return EarlierSeason(name=folder.resolve().name, curves=table), ""


def _plain(cells: pd.Series) -> pd.Series:
    """Return texts without the apostrophe that keeps a spreadsheet from running them.

    See `kitlib.intake.outputs.defused`.
    """
    risky = cells.str.match(r"'[=+\-@\t\r]", na=False)
    return cells.mask(risky, cells.str.slice(1))


def earlier_folders(place: str | Path) -> list[Path]:
    """Return the output folders of earlier seasons that lie in a folder, by name.

    None if `place` is empty; folders without a curves.csv are passed over.
    """
    if not str(place):
        return []
    return sorted(path.parent for path in Path(place).glob(f"*/{CURVES_FILE}"))
