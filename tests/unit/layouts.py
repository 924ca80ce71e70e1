"""Seven invented ways in which programmes write one and the same small season.

Each function writes files into a folder and returns, by table and column, the header
that holds it; what the files do not tell is not in it.
"""

from pathlib import Path

import pandas as pd

LB, FT2, LB_BU = 0.45359237, 0.09290304, 1.287
TRIALS = ("Alder", "Birch")


def plots() -> pd.DataFrame:
    """Return the season's plots in our units."""
    rows = [
        {
            "trial": trial,
            "plot": f"{100 * t + n:03}",
            "entry": f"MZ-{n % 6:02}",
            "block": str(1 + n // 6),
            "moisture": round(16.4 + 0.37 * n + t, 1),
            "mass": round(7.2 + 0.11 * n, 2),
            "area": 7.95,
            "test_weight": round(71.5 - 0.2 * n, 1),
            "temp": round(14.0 + 0.3 * n, 1),
            "time": pd.Timestamp(2025, 10, 13 + 9 * t, 9, 4 * n),
            "offset": 0.2,
            "note": "lodged" if n == 4 else "",
        }
        for t, trial in enumerate(TRIALS, 1)
        for n in range(12)
    ]
    return pd.DataFrame(rows)


def dishes() -> pd.DataFrame:
    """Return two dishes of every third plot."""
    sampled = plots()[::3].reset_index(drop=True)
    frame = sampled[["trial", "plot"]].assign(
        sample=[f"S{n:02}" for n in sampled.index]
    )
    frame["weighed"] = sampled["time"] + pd.Timedelta(hours=30)
    for dish, shift in (("1", 0.0), ("2", 0.02)):
        frame[f"tare{dish}"] = [20.15 + 0.01 * n for n in frame.index]
        frame[f"wet{dish}"] = frame[f"tare{dish}"] + 15.0
        loss = 15.0 * (sampled["moisture"] - 0.3 + shift) / 100
        frame[f"dry{dish}"] = (frame[f"wet{dish}"] - loss).round(3)
    return frame


def us_workbook(folder: Path) -> dict:
    """One workbook: titles above, pounds and square feet, US dates, a notes sheet."""
    p, d = plots(), dishes()
    combine = pd.DataFrame(
        {
            "Trial": p["trial"],
            "Plot #": p["plot"],
            "Hybrid": p["entry"],
            "Rep": p["block"],
            "Crop": "Corn",
            "Calibration": "corn-1",
            "Moist %": p["moisture"],
            "Grain Wt (lb)": (p["mass"] / LB).round(2),
            "Plot Area (sq ft)": round(7.95 / FT2, 1),
            "TW lb/bu": (p["test_weight"] / LB_BU).round(1),
            "Harvest Date": p["time"].dt.strftime("%m/%d/%Y %H:%M"),
            "Notes": p["note"],
        }
    )
    oven = pd.concat(
        [
            pd.DataFrame(
                {
                    "Bag No.": d["sample"],
                    "Trial": d["trial"],
                    "Plot #": d["plot"],
                    "Dish": dish,
                    "Method": "S352.2",
                    "Tare": d[f"tare{dish}"],
                    "Wet Wt": d[f"wet{dish}"],
                    "Dry Wt": d[f"dry{dish}"],
                    "Date Weighed": d["weighed"].dt.strftime("%m/%d/%Y %H:%M"),
                }
            )
            for dish in ("1", "2")
        ]
    )
    curves = pd.DataFrame(
        {
            "Calibration": ["corn-1"],
            "Crop": ["Corn"],
            "Offset loaded": [0.2],
            "Low moisture": [11],
            "High moisture": [34],
            "SEP": [0.6],
        }
    )
    notes = pd.DataFrame({"To do": ["grease the auger"]})
    with pd.ExcelWriter(folder / "Harvest 2025.xlsx") as book:
        for name, table in (("Combine", combine), ("Oven results", oven)):
            table.to_excel(book, sheet_name=name, index=False, startrow=2)
            book.sheets[name]["A1"] = "Research harvest 2025 (invented)"
        curves.to_excel(book, sheet_name="Calibrations", index=False)
        notes.to_excel(book, sheet_name="To do", index=False)
    return {
        "plots": {
            "trial": "Trial",
            "plot": "Plot #",
            "entry": "Hybrid",
            "block": "Rep",
            "crop": "Crop",
            "curve": "Calibration",
            "sensor_pct": "Moist %",
            "plot_mass_kg": "Grain Wt (lb)",
            "plot_area_m2": "Plot Area (sq ft)",
            "test_weight_kg_hl": "TW lb/bu",
            "harvested_at": "Harvest Date",
            "remark": "Notes",
        },
        "oven": {
            "sample": "Bag No.",
            "trial": "Trial",
            "plot": "Plot #",
            "dish": "Dish",
            "method": "Method",
            "tare_g": "Tare",
            "wet_g": "Wet Wt",
            "dry_g": "Dry Wt",
            "weighed_at": "Date Weighed",
        },
        "curves": {
            "curve": "Calibration",
            "crop": "Crop",
            "offset_loaded": "Offset loaded",
            "low_pct": "Low moisture",
            "high_pct": "High moisture",
            "sep_at_setup": "SEP",
        },
    }


def file_a_trial(folder: Path) -> dict:
    """One file a trial, its name the trial's; the lab writes percents as results."""
    p, d = plots(), dishes()
    (folder / "harvest").mkdir()
    for trial, own in p.groupby("trial"):
        pd.DataFrame(
            {
                "plot_no": own["plot"],
                "variety": own["entry"],
                "replicate": own["block"],
                "species": "maize",
                "cal_name": "maize-1",
                "grain_moisture_pct": own["moisture"],
                "grain_mass_kg": own["mass"],
                "harvested_area_m2": own["area"],
                "grain_temp_c": own["temp"],
                "timestamp": own["time"].dt.strftime("%Y-%m-%d %H:%M:%S"),
            }
        ).to_csv(folder / "harvest" / f"{trial}.csv", index=False)
    pd.DataFrame(
        {
            "sample_id": d["sample"],
            "experiment": d["trial"],
            "plot_no": d["plot"],
            "oven_method": "S352.2",
            "oven_moisture_pct": 17.0,
            "why_taken": "random",
            "oven_date": d["weighed"].dt.strftime("%Y-%m-%d"),
        }
    ).to_csv(folder / "oven_lab.csv", index=False)
    pd.DataFrame(
        {
            "cal_name": ["maize-1"],
            "species": ["maize"],
            "current_offset": [0.2],
            "combine": ["S1"],
        }
    ).to_csv(folder / "calibrations.csv", index=False)
    return {
        "plots": {
            "plot": "plot_no",
            "entry": "variety",
            "block": "replicate",
            "crop": "species",
            "curve": "cal_name",
            "sensor_pct": "grain_moisture_pct",
            "plot_mass_kg": "grain_mass_kg",
            "plot_area_m2": "harvested_area_m2",
            "grain_temp_c": "grain_temp_c",
            "harvested_at": "timestamp",
        },
        "oven": {
            "sample": "sample_id",
            "trial": "experiment",
            "plot": "plot_no",
            "method": "oven_method",
            "moisture_pct": "oven_moisture_pct",
            "selection_reason": "why_taken",
            "weighed_at": "oven_date",
        },
        "curves": {
            "curve": "cal_name",
            "crop": "species",
            "offset_loaded": "current_offset",
            "sensor": "combine",
        },
    }


def wide_oven(folder: Path) -> dict:
    """Dishes side by side in the lab's workbook; a benchtop file; fractions."""
    p, d = plots(), dishes()
    pd.DataFrame(
        {
            "Trial Name": p["trial"],
            "Plot ID": p["plot"],
            "Line": p["entry"],
            "Range": p["block"],
            "Commodity": "maize",
            "Curve": "m1",
            "Harvest Mst": (p["moisture"] / 100).round(4),
            "Plot Weight [kg]": p["mass"],
            "Harvest Area [m2]": p["area"],
            "Harvested": p["time"].dt.strftime("%Y-%m-%dT%H:%M"),
        }
    ).to_csv(folder / "combine_export.csv", index=False)
    wide = pd.DataFrame({"Lab No": d["sample"], "Trial": d["trial"], "Plot": d["plot"]})
    for dish, letter in (("1", "A"), ("2", "B")):
        for what in ("tare", "wet", "dry"):
            wide[f"Pan {letter} {what}"] = d[f"{what}{dish}"]
    wide["Procedure"], wide["Oven in"] = "ISO 712-1", d["weighed"]
    wide["Reason"] = "stratified"
    wide.to_excel(folder / "Drying oven.xlsx", index=False)
    pd.DataFrame(
        {
            "Sample": d["sample"],
            "Trial": d["trial"],
            "Plot": d["plot"],
            "Instrument": "bench-1",
            "Moisture (%)": 17.2,
            "Run": 1,
            "Measured at": d["weighed"].dt.strftime("%Y-%m-%dT%H:%M"),
            "Test Weight (kg/hl)": 71.0,
        }
    ).to_csv(folder / "benchtop.csv", index=False)
    pd.DataFrame({"Curve": ["m1"], "Crop": ["maize"], "Offset": [0.2]}).to_csv(
        folder / "curve register.csv", index=False
    )
    return {
        "plots": {
            "trial": "Trial Name",
            "plot": "Plot ID",
            "entry": "Line",
            "range": "Range",
            "crop": "Commodity",
            "curve": "Curve",
            "sensor_pct": "Harvest Mst",
            "plot_mass_kg": "Plot Weight [kg]",
            "plot_area_m2": "Harvest Area [m2]",
            "harvested_at": "Harvested",
        },
        "oven": {
            "sample": "Lab No",
            "trial": "Trial",
            "plot": "Plot",
            "tare_g": ["Pan A tare", "Pan B tare"],
            "wet_g": ["Pan A wet", "Pan B wet"],
            "dry_g": ["Pan A dry", "Pan B dry"],
            "method": "Procedure",
            "weighed_at": "Oven in",
            "selection_reason": "Reason",
        },
        "benchtop": {
            "sample": "Sample",
            "trial": "Trial",
            "plot": "Plot",
            "meter": "Instrument",
            "moisture_pct": "Moisture (%)",
            "reading": "Run",
            "read_at": "Measured at",
            "test_weight_kg_hl": "Test Weight (kg/hl)",
        },
        "curves": {"curve": "Curve", "crop": "Crop", "offset_loaded": "Offset"},
    }


def _comma(values: pd.Series) -> pd.Series:
    return values.map(lambda value: f"{value:g}".replace(".", ","))


def german(folder: Path) -> dict:
    """Semicolons, decimal commas, cp1252, a row of sums; German trade words."""
    p, d = plots(), dishes()
    table = pd.DataFrame(
        {
            "Versuch": p["trial"],
            "Parz.-Nr.": p["plot"],
            "Prüfglied": p["entry"],
            "Wdh": p["block"],
            "Kultur": "Mais",
            "Kalibrierkurve": "mais-1",
            "Kornfeuchte (%)": _comma(p["moisture"]),
            "Kornmasse (kg)": _comma(p["mass"]),
            "Parzellenlänge (m)": "5,3",
            "Parzellenbreite (m)": "1,5",
            "hl-Gewicht (kg/hl)": _comma(p["test_weight"]),
            "Datum": p["time"].dt.strftime("%d.%m.%Y"),
            "Uhrzeit": p["time"].dt.strftime("%H:%M"),
            "Bemerkung": p["note"],
        }
    )
    text = table.to_csv(sep=";", index=False) + "Summe;;;;;;;191,5;;;;;;\n"
    (folder / "Mähdrescher.csv").write_text(text, encoding="cp1252")
    both = pd.concat(
        [
            pd.DataFrame(
                {
                    "Proben-Nr.": d["sample"],
                    "Versuch": d["trial"],
                    "Parz.-Nr.": d["plot"],
                    "Schale": dish,
                    "Tara g": _comma(d[f"tare{dish}"]),
                    "Einwaage (g)": _comma(d[f"wet{dish}"]),
                    "Rückwaage (g)": _comma(d[f"dry{dish}"]),
                    "Wasser %": "",
                    "Verfahren": "ISO 712-1",
                    "Labor": "Nord",
                    "Probenahme": d["weighed"].dt.strftime("%d.%m.%Y"),
                    "Auswahl": "random",
                }
            )
            for dish in ("1", "2")
        ]
    )
    text = both.to_csv(sep=";", index=False)
    (folder / "Trockenschrank.csv").write_text(text, encoding="cp1252")
    (folder / "Kalibrierungen.csv").write_text(
        "Kalibrierkurve;Kultur;Korrekturwert;Mähdrescher;Erstellt am\n"
        "mais-1;Mais;0,2;M1;18.11.2024\n",
        encoding="cp1252",
    )
    return {
        "plots": {
            "trial": "Versuch",
            "plot": "Parz.-Nr.",
            "entry": "Prüfglied",
            "block": "Wdh",
            "crop": "Kultur",
            "curve": "Kalibrierkurve",
            "sensor_pct": "Kornfeuchte (%)",
            "plot_mass_kg": "Kornmasse (kg)",
            "plot_area_m2": ["Parzellenlänge (m)", "Parzellenbreite (m)"],
            "test_weight_kg_hl": "hl-Gewicht (kg/hl)",
            "harvested_at": ["Datum", "Uhrzeit"],
            "remark": "Bemerkung",
        },
        "oven": {
            "sample": "Proben-Nr.",
            "trial": "Versuch",
            "plot": "Parz.-Nr.",
            "dish": "Schale",
            "tare_g": "Tara g",
            "wet_g": "Einwaage (g)",
            "dry_g": "Rückwaage (g)",
            "moisture_pct": "Wasser %",
            "method": "Verfahren",
            "lab": "Labor",
            "sampled_at": "Probenahme",
            "selection_reason": "Auswahl",
        },
        "curves": {
            "curve": "Kalibrierkurve",
            "crop": "Kultur",
            "offset_loaded": "Korrekturwert",
            "sensor": "Mähdrescher",
            "built_on": "Erstellt am",
        },
    }


def french(folder: Path) -> dict:
    """Day first with slashes, ND for a missing value; French trade words."""
    p, d = plots(), dishes()
    humidity = _comma(p["moisture"])
    humidity[5] = "ND"
    pd.DataFrame(
        {
            "Essai": p["trial"],
            "N° parcelle": p["plot"],
            "Variété": p["entry"],
            "Bloc": p["block"],
            "Espèce": "Maïs",
            "Courbe": "mais-1",
            "Humidité récolte (%)": humidity,
            "Poids parcelle (kg)": _comma(p["mass"]),
            "Surface (m²)": _comma(p["area"]),
            "Poids spécifique (kg/hl)": _comma(p["test_weight"]),
            "Température du grain (°C)": _comma(p["temp"]),
            "Date de récolte": p["time"].dt.strftime("%d/%m/%Y %H:%M"),
            "Remarques": p["note"],
        }
    ).to_csv(folder / "récolte.csv", sep=";", index=False)
    pd.DataFrame(
        {
            "N° échantillon": d["sample"],
            "Essai": d["trial"],
            "N° parcelle": d["plot"],
            "Méthode": "ISO 712-1",
            "Tare 1": _comma(d["tare1"]),
            "Masse humide 1": _comma(d["wet1"]),
            "Masse sèche 1": _comma(d["dry1"]),
            "Tare 2": _comma(d["tare2"]),
            "Masse humide 2": _comma(d["wet2"]),
            "Masse sèche 2": _comma(d["dry2"]),
            "Pesé le": d["weighed"].dt.strftime("%d/%m/%Y %H:%M"),
            "Motif": "stratified",
        }
    ).to_csv(folder / "étuve.csv", sep=";", index=False)
    pd.DataFrame(
        {"Courbe": ["mais-1"], "Espèce": ["Maïs"], "Décalage chargé": ["0,2"]}
    ).to_csv(folder / "courbes.csv", sep=";", index=False)
    return {
        "plots": {
            "trial": "Essai",
            "plot": "N° parcelle",
            "entry": "Variété",
            "block": "Bloc",
            "crop": "Espèce",
            "curve": "Courbe",
            "sensor_pct": "Humidité récolte (%)",
            "plot_mass_kg": "Poids parcelle (kg)",
            "plot_area_m2": "Surface (m²)",
            "test_weight_kg_hl": "Poids spécifique (kg/hl)",
            "grain_temp_c": "Température du grain (°C)",
            "harvested_at": "Date de récolte",
            "remark": "Remarques",
        },
        "oven": {
            "sample": "N° échantillon",
            "trial": "Essai",
            "plot": "N° parcelle",
            "method": "Méthode",
            "tare_g": ["Tare 1", "Tare 2"],
            "wet_g": ["Masse humide 1", "Masse humide 2"],
            "dry_g": ["Masse sèche 1", "Masse sèche 2"],
            "weighed_at": "Pesé le",
            "selection_reason": "Motif",
        },
        "curves": {
            "curve": "Courbe",
            "crop": "Espèce",
            "offset_loaded": "Décalage chargé",
        },
    }


def spanish(folder: Path) -> dict:
    """Spanish trade words; the lab names its samples alone, as the plots do too."""
    p, d = plots(), dishes()
    labels = p[["trial", "plot"]].merge(d[["trial", "plot", "sample"]], how="left")
    pd.DataFrame(
        {
            "Ensayo": p["trial"],
            "N.º de parcela": p["plot"],
            "Variedad": p["entry"],
            "Bloque": p["block"],
            "Cultivo": "Maíz",
            "Curva de calibración": "maíz-1",
            "Humedad a cosecha (%)": _comma(p["moisture"]),
            "Peso de la parcela (kg)": _comma(p["mass"]),
            "Superficie cosechada (m²)": _comma(p["area"]),
            "Peso hectolítrico (kg/hl)": _comma(p["test_weight"]),
            "Temperatura del grano (°C)": _comma(p["temp"]),
            "Fecha y hora": p["time"].dt.strftime("%d/%m/%Y %H:%M"),
            "N.º de muestra": labels["sample"],
            "Observaciones": p["note"],
        }
    ).to_csv(folder / "cosecha.csv", sep=";", index=False)
    pd.DataFrame(
        {
            "N.º de muestra": d["sample"],
            "Método": "ISO 712-1",
            "Tara 1": _comma(d["tare1"]),
            "Peso húmedo 1": _comma(d["wet1"]),
            "Peso seco 1": _comma(d["dry1"]),
            "Tara 2": _comma(d["tare2"]),
            "Peso húmedo 2": _comma(d["wet2"]),
            "Peso seco 2": _comma(d["dry2"]),
            "Fecha de pesada": d["weighed"].dt.strftime("%d/%m/%Y %H:%M"),
            "Motivo": "stratified",
        }
    ).to_csv(folder / "estufa.csv", sep=";", index=False)
    pd.DataFrame(
        {"Curva": ["maíz-1"], "Cultivo": ["Maíz"], "Corrección cargada": ["0,2"]}
    ).to_csv(folder / "curvas.csv", sep=";", index=False)
    return {
        "plots": {
            "trial": "Ensayo",
            "plot": "N.º de parcela",
            "entry": "Variedad",
            "block": "Bloque",
            "crop": "Cultivo",
            "curve": "Curva de calibración",
            "sensor_pct": "Humedad a cosecha (%)",
            "plot_mass_kg": "Peso de la parcela (kg)",
            "plot_area_m2": "Superficie cosechada (m²)",
            "test_weight_kg_hl": "Peso hectolítrico (kg/hl)",
            "grain_temp_c": "Temperatura del grano (°C)",
            "harvested_at": "Fecha y hora",
            "sample": "N.º de muestra",
            "remark": "Observaciones",
        },
        "oven": {
            "sample": "N.º de muestra",
            "method": "Método",
            "tare_g": ["Tara 1", "Tara 2"],
            "wet_g": ["Peso húmedo 1", "Peso húmedo 2"],
            "dry_g": ["Peso seco 1", "Peso seco 2"],
            "weighed_at": "Fecha de pesada",
            "selection_reason": "Motivo",
        },
        "curves": {
            "curve": "Curva",
            "crop": "Cultivo",
            "offset_loaded": "Corrección cargada",
        },
    }


def combine_log(folder: Path) -> dict:
    """Two tab-separated logs of two combines with a row of units under the headers."""
    p, d = plots(), dishes()
    for sensor, (trial, own) in zip(("S1", "S2"), p.groupby("trial"), strict=True):
        table = pd.DataFrame(
            {
                "Trial": trial,
                "Plot": own["plot"],
                "Entry Name": own["entry"],
                "Pass": own["block"],
                "Crop": "corn",
                "Cal": f"corn-{sensor}",
                "Moisture": own["moisture"],
                "Weight": (own["mass"] / LB).round(2),
                "Plot Length": 17.0,
                "Plot Width": round(7.95 / FT2 / 17, 3),
                "Test Wt": (own["test_weight"] / LB_BU).round(1),
                "Grain Temp": (own["temp"] * 1.8 + 32).round(1),
                "Active Offset": own["offset"],
                "Harvest Date": own["time"].dt.strftime("%m/%d/%Y"),
                "Harvest Time": own["time"].dt.strftime("%I:%M %p"),
                "Yield bu/ac": 150.1,
            }
        )
        lines = table.to_csv(sep="\t", index=False).splitlines()
        units = [*[""] * 6, "%", "lb", "ft", "ft", "lb/bu", "F", "%", *[""] * 3]
        lines.insert(1, "\t".join(units))
        text = "\n".join(["Harvest log", f"Combine {sensor}", *lines, ""])
        (folder / f"log_{sensor}.txt").write_text(text)
    pd.DataFrame(
        {
            "Barcode": d["sample"],
            "Trial": d["trial"],
            "Plot": d["plot"],
            "Drying Method": "S352.2",
            "Empty Dish": d["tare1"],
            "Before Drying": d["wet1"],
            "After Drying": d["dry1"],
            "Picked": "random",
        }
    ).to_csv(folder / "lab dishes.csv", index=False)
    pd.DataFrame(
        {
            "Cal": ["corn-S1", "corn-S2"],
            "Crop": "corn",
            "Bias Setting": [0.2, 0.2],
            "Date Built": ["2024-11-18", "2024-11-18"],
        }
    ).to_csv(folder / "calibrations.csv", index=False)
    return {
        "plots": {
            "trial": "Trial",
            "plot": "Plot",
            "entry": "Entry Name",
            "range": "Pass",
            "crop": "Crop",
            "curve": "Cal",
            "sensor_pct": "Moisture",
            "plot_mass_kg": "Weight",
            "plot_area_m2": ["Plot Length", "Plot Width"],
            "test_weight_kg_hl": "Test Wt",
            "grain_temp_c": "Grain Temp",
            "offset_in_force": "Active Offset",
            "harvested_at": ["Harvest Date", "Harvest Time"],
        },
        "oven": {
            "sample": "Barcode",
            "trial": "Trial",
            "plot": "Plot",
            "method": "Drying Method",
            "tare_g": "Empty Dish",
            "wet_g": "Before Drying",
            "dry_g": "After Drying",
            "selection_reason": "Picked",
        },
        "curves": {
            "curve": "Cal",
            "crop": "Crop",
            "offset_loaded": "Bias Setting",
            "built_on": "Date Built",
        },
    }


LAYOUTS = (us_workbook, file_a_trial, wide_oven, german, french, spanish, combine_log)
