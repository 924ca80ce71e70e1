"""The demo season as three programmes of unlike habits would export it.

Run as a script it writes demo_data/exports anew. Everything in it is invented, as the
season is.

- The combines' programme: one workbook, a sheet for each combine under two lines of
  title, pounds and square feet, month before day, the register and the runs of known
  samples in sheets of their own.
- The lab's: semicolons, decimal commas, German words, both dishes in one row, a row
  of sums.
- The benchtop meters': tabs, French words, a row of units, day before month.
"""

import sys
from pathlib import Path

import pandas as pd

LB, FT2, LB_BU = 0.45359237, 0.09290304, 45.359237 / 35.23907016688
TITLE = ("Plot harvest 2025, all combines", "invented data, never measured")


def read(demo: Path, table: str) -> pd.DataFrame:
    """Return a table of the demo season, every cell as text."""
    return pd.read_csv(demo / f"{table}.csv", dtype=str, keep_default_na=False)


def rescaled(cells: pd.Series, factor: float, decimals: int, more: float = 0.0):
    """Return numbers in another unit; what is no number stays as it is."""
    numbers = pd.to_numeric(cells, errors="coerce")
    return (
        (numbers * factor + more)
        .round(decimals)
        .astype(object)
        .where(numbers.notna(), cells.where(cells != "", None))
    )


def as_numbers(cells: pd.Series) -> pd.Series:
    """Return cells as a spreadsheet holds them."""
    return rescaled(cells, 1.0, 6)


def times(cells: pd.Series, form: str) -> pd.Series:
    """Return times in another form."""
    return pd.to_datetime(cells, format="ISO8601").dt.strftime(form)


def combine_workbook(demo: Path, out: Path) -> None:
    """Write the combines' workbook."""
    p, us = read(demo, "plots"), "%m/%d/%Y %H:%M:%S"
    plots = pd.DataFrame(
        {
            "Trial": p["trial"],
            "Plot #": p["plot"],
            "Entry Name": p["entry"],
            "Crop": p["crop"].replace({"maize": "Corn", "soybean": "Soybeans"}),
            "Calibration": p["curve"],
            "Moist %": as_numbers(p["sensor_pct"]),
            "Grain Wt (lb)": rescaled(p["plot_mass_kg"], 1 / LB, 3),
            "Plot Area (sq ft)": rescaled(p["plot_area_m2"], 1 / FT2, 3),
            "Rep": p["block"],
            "Row": p["row"],
            "Range": p["range"],
            "Location": p["location"],
            "Combine": p["sensor"],
            "Chamber config": p["chamber_config"],
            "Harvest Date": times(p["harvested_at"], us),
            "Active Offset": as_numbers(p["offset_in_force"]),
            "TW lb/bu": rescaled(p["test_weight_kg_hl"], 1 / LB_BU, 2),
            "Grain Temp (°F)": rescaled(p["grain_temp_c"], 1.8, 1, 32),
            "Notes": p["remark"],
        }
    )
    c, r = read(demo, "curves"), read(demo, "readings")
    curves = pd.DataFrame(
        {
            "Calibration": c["curve"],
            "Crop": c["crop"].replace({"maize": "Corn", "soybean": "Soybeans"}),
            "Offset loaded": as_numbers(c["offset_loaded"]),
            "Combine": c["sensor"],
            "Chamber config": c["chamber_config"],
            "Date built": times(c["built_on"], "%m/%d/%Y"),
            "Low moisture": as_numbers(c["low_pct"]),
            "High moisture": as_numbers(c["high_pct"]),
            "SEP at set-up": as_numbers(c["sep_at_setup"]),
            "Samples at set-up": as_numbers(c["n_at_setup"]),
            "Parallel to": c["parallel_of"],
        }
    )
    readings = pd.DataFrame(
        {
            "Trial": r["trial"],
            "Plot #": r["plot"],
            "Calibration": r["curve"],
            "Moist %": as_numbers(r["sensor_pct"]),
        }
    )
    sheets = {
        **{f"Combine {name}": own for name, own in plots.groupby("Combine")},
        "Calibrations": curves,
        "Second readings": readings,
        "Set-up runs": setup_runs(demo),
        "Check runs": check_runs(demo),
    }
    with pd.ExcelWriter(out / "combines 2025.xlsx") as book:
        for name, table in sheets.items():
            table.to_excel(book, sheet_name=name, index=False, startrow=2)
            book.sheets[name]["A1"], book.sheets[name]["A2"] = TITLE


def setup_runs(demo: Path) -> pd.DataFrame:
    """Return the runs at set-up as the combines' programme lists them."""
    s = read(demo, "setup_runs")
    return pd.DataFrame(
        {
            "Calibration": s["curve"],
            "Sample": s["sample"],
            "Known moisture (%)": as_numbers(s["known_pct"]),
            "Sensor reading (%)": as_numbers(s["sensor_pct"]),
            "Fill": s["run"],
            "Grain mass (lb)": rescaled(s["grain_mass_kg"], 1 / LB, 4),
            "Lab test weight (lb/bu)": rescaled(
                s["lab_test_weight_kg_hl"], 1 / LB_BU, 3
            ),
            "Grain Temp (°F)": rescaled(s["grain_temp_c"], 1.8, 2, 32),
            "Air Temp (°F)": rescaled(s["air_temp_c"], 1.8, 2, 32),
            "Water added": s["water_added"],
            "Date": times(s["run_at"], "%m/%d/%Y %H:%M:%S"),
            "Chamber config": s["chamber_config"],
        }
    )


def check_runs(demo: Path) -> pd.DataFrame:
    """Return the weekly runs as the combines' programme lists them."""
    c = read(demo, "check_runs")
    return pd.DataFrame(
        {
            "Calibration": c["curve"],
            "Sample": c["sample"],
            "Known moisture (%)": as_numbers(c["known_pct"]),
            "Sensor reading (%)": as_numbers(c["sensor_pct"]),
            "Date": times(c["run_at"], "%m/%d/%Y %H:%M:%S"),
            "Run": c["run"],
        }
    )


def oven_file(demo: Path, out: Path) -> None:
    """Write the lab's file, both dishes of a sample in one row."""
    o = read(demo, "oven")
    german = {
        "sample": "Proben-Nr.",
        "trial": "Versuch",
        "plot": "Parzelle",
        "method": "Verfahren",
        "lab": "Labor",
        "selection_reason": "Auswahlgrund",
        "sampled_at": "Probenahme",
        "weighed_at": "Eingewogen am",
    }
    weights = {
        "moisture_pct": "Feuchte {} (%)",
        "tare_g": "Tara {} (g)",
        "wet_g": "Einwaage {} (g)",
        "dry_g": "Rückwaage {} (g)",
        "prestage_wet_g": "Vortrocknung feucht {} (g)",
        "prestage_dry_g": "Vortrocknung trocken {} (g)",
    }
    wide = o[list(german)].drop_duplicates(ignore_index=True)
    for dish in ("1", "2"):
        own = o.loc[o["dish"] == dish, [*german, *weights]]
        own = own.rename(columns={c: name.format(dish) for c, name in weights.items()})
        wide = wide.merge(own, on=list(german), how="left")
    for name in ("sampled_at", "weighed_at"):
        wide[name] = times(wide[name], "%d.%m.%Y %H:%M:%S")
    numbers = [c for c in wide if c not in german]
    wide[numbers] = wide[numbers].apply(lambda c: c.str.replace(".", ",", regex=False))
    text = wide.rename(columns=german).to_csv(sep=";", index=False, lineterminator="\n")
    last = ["Summe", f"{len(wide)} Proben", *[""] * (len(wide.columns) - 2)]
    path = out / "Trockenschrank 2025.csv"
    path.write_bytes(f"{text}{';'.join(last)}\n".encode("cp1252"))


def benchtop_file(demo: Path, out: Path) -> None:
    """Write the benchtop meters' file, a row of units under its headers."""
    b = pd.read_csv(demo / "benchtop.csv", dtype=str, keep_default_na=False)
    b.columns = ["sample", "trial", "plot", "meter", "pct", "run", "at", "temp", "tw"]
    french = pd.DataFrame(
        {
            "N° échantillon": b["sample"],
            "Essai": b["trial"],
            "N° parcelle": b["plot"],
            "Appareil": b["meter"],
            "Humidité": b["pct"],
            "N° lecture": b["run"],
            "Mesuré le": times(b["at"], "%d/%m/%Y %H:%M:%S"),
            "Température du grain": b["temp"],
            "Poids spécifique": b["tw"],
        }
    )
    lines = french.to_csv(sep="\t", index=False, lineterminator="\n").splitlines()
    lines.insert(1, "\t".join(["", "", "", "", "%", "", "", "°C", "kg/hl"]))
    (out / "humidimetre 2025.txt").write_bytes(("\n".join(lines) + "\n").encode())


def export_demo(demo: Path, out: Path) -> None:
    """Write the exports of the demo season into a folder."""
    out.mkdir(parents=True, exist_ok=True)
    combine_workbook(demo, out)
    oven_file(demo, out)
    benchtop_file(demo, out)


if __name__ == "__main__":
    HERE = Path(__file__).parent.parent / "demo_data"
    export_demo(HERE, Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "exports")
