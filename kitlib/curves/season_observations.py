"""What is worth knowing of the season's readings and plots as a whole."""

import numpy as np
import pandas as pd

from kitlib.curves.doubts import doubtful_samples
from kitlib.intake.season import Season
from kitlib.statistics.readings import stuck_readings
from kitlib.words.findings import Finding
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, listed


def stuck_findings(curve: str, plots: pd.DataFrame) -> list[Finding]:
    """Name trials in which a curve's readings stood still; each reading once."""
    found = []
    for trial, rows, readings in _readings_by_trial(plots):
        told = set()
        for stuck in stuck_readings(readings):
            if stuck.value in told:  # a run of what already piles up at an end
                continue
            told.add(stuck.value)
            where = "in a row" if stuck.where == "run" else f"at the {stuck.where}"
            said = f"curve {curve}: {stuck.count} plots of trial {trial} read "
            said += f"{stuck.value:g} % ({where})."
            place = {"curve": curve, "trial": trial, "table": "plots"}
            place["rows"] = tuple(sorted(map(int, rows[readings == stuck.value])))
            found.append(Finding(code="reading-stuck", message=said, **place))
    return found


def _readings_by_trial(plots: pd.DataFrame):
    """Yield each trial, its rows in the file and readings, in order of harvest."""
    read = plots[plots["recorded_pct"].notna()]
    codes, trials = pd.factorize(read["trial"], sort=True)
    # Plots whose time is not known come last, as they stand in the table.
    order = np.lexsort((read["harvested_at"].to_numpy(), codes))
    rows = read.index.to_numpy()[order]
    readings = read["recorded_pct"].to_numpy(float)[order]
    ends = np.cumsum(np.bincount(codes, minlength=len(trials)))
    for trial, start, end in zip(trials, np.r_[0, ends], ends, strict=False):
        yield str(trial), rows[start:end], readings[start:end]


def observe_season(pairing, oven: pd.DataFrame, season: Season) -> list[Finding]:
    """Return what is worth knowing of the season as a whole.

    `oven` holds the dishes, indexed by row in the file.
    """
    findings = []
    if pairing.plots.empty:
        said = "there are no plots, so nothing can be audited."
        findings.append(Finding(code="season-empty", table="plots", message=said))
    findings += _unusable_plots(pairing.plots)
    for crop in sorted(pairing.plots["crop"].dropna().unique()):
        if not season.crop_is_known(crop):
            said = (
                f"no tolerance or standard moisture is known for {crop!r}; the widest "
            )
            said += "tolerance is used and yields stay as harvested. Set "
            said += f"[tolerance.{crop}] and [standard_moisture] in season.toml."
            findings.append(Finding(code="crop-unknown", message=said))
    pairs = pairing.pairs
    late = pairs[pairs["hours_to_oven"] > threshold("hours_to_oven")]
    late = late.drop_duplicates("sample")
    if len(late):
        said = f"{counted(len(late), 'sample')} waited over "
        said += f"{threshold('hours_to_oven'):g} hours for the oven: "
        said += f"{listed(late['sample'])}. A sample that dries makes the sensor look "
        said += "high."
        rows = tuple(map(int, oven.index[oven["sample"].isin(late["sample"])]))
        late_found = Finding(code="late-oven", table="oven", rows=rows, message=said)
        findings.append(late_found)
    return findings + doubtful_samples(pairing, oven)


def _unusable_plots(plots: pd.DataFrame) -> list[Finding]:
    """Name the plots whose yield cannot be calculated, by what is wrong."""
    mass, area = plots["plot_mass_kg"], plots["plot_area_m2"]
    moisture = plots["recorded_pct"]
    reasons = {
        "no plot_mass_kg": mass.isna(),
        "a plot_mass_kg that is not above 0": mass <= 0,
        "no plot_area_m2": area.isna(),
        "a plot_area_m2 that is not above 0": area <= 0,
        "no sensor reading": moisture.isna(),
        "a moisture of 100 %": moisture >= 100,
    }
    found = []
    for reason, which in reasons.items():
        rows = plots[which]
        if len(rows):
            names = [f"{r.trial} {r.plot}" for r in rows.head(5).itertuples()]
            said = f"{counted(len(rows), 'plot')} with {reason}: {listed(names)}"
            said += f" and {len(rows) - 5} more" if len(rows) > 5 else ""
            said += ". Their yield is not known; the rest of their trials is."
            place = tuple(map(int, rows.index))
            found.append(
                Finding(code="plot-unusable", table="plots", rows=place, message=said)
            )
    return found
