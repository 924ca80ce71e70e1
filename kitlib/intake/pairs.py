"""Every row of every table accounted for: used, or left out with its reason.

Each sample beside the reading of its plot; every other row with its reason.
"""

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from kitlib.intake.reference import Reference, benchtop_means, hours_between
from kitlib.intake.schema import (
    ROWS_PER_SOURCE,
    Table,
    at_places,
    by_value,
    left_out_rows,
    plot_places,
)
from kitlib.intake.settings import Season, Selection, toml_text
from kitlib.words.findings import Finding
from kitlib.words.terms import counted, crop_key, listed


def refused_samples(samples, placed, joined, refusal, plots: Table) -> pd.DataFrame:
    """Return each sample that is in no pair: sample, trial, plot, code, reason."""
    gone_plots = _faulty_plots(plots)
    rows = []
    for sample in samples[~placed].itertuples():
        code, reason = gone_plots.get(
            (sample.trial, sample.plot),
            ("plot-missing", f"trial {sample.trial} has no plot {sample.plot}"),
        )
        rows.append((sample.sample, sample.trial, sample.plot, code, reason))
    faults = _reading_faults(plots)
    lost = joined["sample"][refusal != ""]
    saved = joined["sample"][(refusal == "") & joined["sample"].isin(lost)]
    for at in lost.index[~lost.isin(saved)]:
        rows.append(_refused(joined.loc[at], refusal[at], faults))
    return pd.DataFrame(
        rows, columns=["sample", "trial", "plot", "code", "reason"], dtype=object
    ).drop_duplicates("sample")


def _faulty_plots(plots: Table) -> dict:
    """Return why each plot row that was left out was, by trial and plot."""
    return {
        (row.trial, row.plot): (row.code, f"its plot's row was left out: {row.reason}")
        for rows in plots.left_out
        for row in rows.itertuples()
    }


def _reading_faults(plots: Table) -> dict:
    """Return what is wrong with the readings of plots, by trial and plot."""
    faulty: dict[Any, tuple[str, str]] = {
        row: (code, f"plots, {said}")
        for row, (code, said) in plots.faults.items()
        if "sensor_pct" in said
    }
    if not faulty:
        return {}
    rows = plots.frame.loc[plots.frame.index.isin(list(faulty)), ["trial", "plot"]]
    return {(row.trial, row.plot): faulty[row.Index] for row in rows.itertuples()}


def _refused(row, code: str, faults: dict) -> tuple:
    """Return one sample that its plot's row cannot serve, with the reason."""
    words = {
        "no-reading": "its plot has no sensor reading",
        "curve-unknown": f"its plot names curve {row['curve']}, not in the register",
        "crop-differs": f"its plot is {row['crop']}, but curve {row['curve']} is for "
        "another crop",
    }
    reason = words[code]
    if code == "no-reading" and (row["trial"], row["plot"]) in faults:
        code, reason = faults[row["trial"], row["plot"]]
    return row["sample"], row["trial"], row["plot"], code, reason


def rows_left_out(tables, reference, refused, orphans, findings) -> pd.DataFrame:
    """Return every row not used, of every table, and find what the tables did not."""
    parts = [part for name in tables for part in tables[name].left_out]
    parts += reference.left_out
    reasons = refused.set_index("sample")
    oven, benchtop = tables["oven"].frame, tables["benchtop"].frame
    parts += _of_refused(oven.loc[reference.dishes_used], "oven", reasons)
    parts += _benchtop_left_out(benchtop, reasons, tables["benchtop"])
    parts.append(_readings_left_out(tables["readings"], orphans))
    findings += refusal_findings(refused, oven, benchtop)
    findings += reading_findings(tables["readings"].frame, orphans)
    left = pd.concat([part for part in parts if len(part)] or parts[-1:])
    left = left.sort_values(["table", "row"], kind="stable", ignore_index=True)
    source, row = left["row"] // ROWS_PER_SOURCE, left["row"] % ROWS_PER_SOURCE
    files = [
        tables[table].sources[at].name if tables[table].sources else ""
        for table, at in zip(left["table"], source, strict=True)
    ]
    return left.assign(file=files, row=row)


_READING_REASONS = {
    "plot-missing": "there is no such plot",
    "no-reading": "the reading has no number",
    "reading-twice": "its plot's own row already holds a reading of this curve",
    "curve-unknown": "its curve is not in the register",
    "crop-differs": "its curve is for another crop than its plot's",
}


def _readings_left_out(readings: Table, codes) -> pd.DataFrame:
    """Return the further readings that serve no plot or no curve."""
    gone = readings.frame.loc[codes.index]
    default = [(code, _READING_REASONS[code]) for code in codes]
    said = [
        readings.faults.get(int(row), own)
        for row, own in zip(gone.index, default, strict=True)
    ]
    left = left_out_rows(gone, "readings", "", [words for _, words in said])
    left["code"] = [code for code, _ in said]
    return left


def _of_refused(rows, table: str, reasons) -> list[pd.DataFrame]:
    """Return a table's rows of refused samples with the samples' reasons."""
    gone = rows[rows["sample"].isin(reasons.index)]
    left = left_out_rows(gone, table, "", gone["sample"].map(reasons["reason"]).array)
    left["code"] = gone["sample"].map(reasons["code"]).to_numpy(object)
    return [left]


def _benchtop_left_out(benchtop, reasons, table: Table) -> list[pd.DataFrame]:
    """Return benchtop readings of refused samples and those without a number."""
    empty = benchtop["moisture_pct"].isna()
    default = ("cell-empty", "the reading has no number")
    said = [table.faults.get(int(row), default) for row in benchtop.index[empty]]
    left = left_out_rows(benchtop[empty], "benchtop", "", [words for _, words in said])
    left["code"] = [code for code, _ in said]
    return [left, *_of_refused(benchtop[~empty], "benchtop", reasons)]


def refusal_findings(refused, oven, benchtop) -> list[Finding]:
    """Return one finding per reason for samples that could not be paired.

    It names the sample's dishes or, if it has none, its benchtop readings.
    """
    keys = ["sample", "trial", "plot"]
    wanted = pd.MultiIndex.from_frame(refused[keys])
    dishes = pd.MultiIndex.from_frame(oven[keys])
    at_bench = ~wanted.isin(dishes)
    found = []
    for table, frame, part in (
        ("oven", oven, refused[~at_bench]),
        ("benchtop", benchtop, refused[at_bench]),
    ):
        places = pd.MultiIndex.from_frame(frame[keys])
        for code, group in part.groupby("code", sort=True):
            said = f"{counted(len(group), 'sample')} left out: "
            reasons = zip(group["sample"], group["reason"], strict=True)
            said += f"{listed([f'{s} ({r})' for s, r in reasons], most=5)}."
            rows = frame.index[places.isin(pd.MultiIndex.from_frame(group[keys]))]
            at = tuple(map(int, rows))
            found.append(Finding(code=code, message=said, table=table, rows=at))
    return found


def reading_findings(readings, codes) -> list[Finding]:
    """Return one finding per reason for further readings that are not used."""
    found = []
    for code, rows in codes.groupby(codes).groups.items():
        if code == "no-reading":
            continue  # an empty cell, told of where the cells are read
        named = readings.loc[rows, ["trial", "plot"]].itertuples(index=False)
        said = f"{counted(len(rows), 'reading')} left out: {_READING_REASONS[code]} "
        said += f"({listed([f'{trial} {plot}' for trial, plot in named], most=5)})."
        at = tuple(map(int, rows))
        found.append(Finding(code=code, message=said, table="readings", rows=at))
    return found


def row_counts(tables, left) -> pd.DataFrame:
    """Return rows read, used and left out of each table that rows are paired from."""
    rows = []
    for name in ("plots", "oven", "benchtop", "readings"):
        n_left = int((left["table"] == name).sum())
        read = tables[name].read
        rows.append((name, read, read - n_left, n_left))
    return pd.DataFrame(rows, columns=["table", "read", "used", "left_out"])


OVEN, BENCHTOP = "oven", "benchtop"
BAND_WIDTH = 2

PAIR_COLUMNS = [
    "sample",
    "trial",
    "plot",
    "entry",
    "block",
    "location",
    "crop",
    "curve",
    "sensor",
    "chamber_config",
    "parallel",
    "basis",
    "used",
    "selection_reason",
    "recorded_pct",
    "sensor_pct",
    "reference_pct",
    "reference_se",
    "n_dishes",
    "method",
    "lab",
    "benchtop_pct",
    "meter",
    "error",
    "band_low",
    "harvested_at",
    "hours_to_oven",
    "grain_temp_c",
    "test_weight_kg_hl",
    "benchtop_test_weight_kg_hl",
]


@dataclass
class Pairing:
    """Samples paired with readings, and what could not be.

    Attributes
    ----------
    pairs : DataFrame
        One row per sample × curve, columns `PAIR_COLUMNS`. `sensor_pct` is the
        reading restated to the offset in the register; `recorded_pct` is as
        recorded. `used` marks the pairs the bias rests on.
    plots : DataFrame
        Every plot kept, with `sensor_pct` restated and `curve_known`.
    left_out : DataFrame
        Every row of plots, oven, benchtop and readings not used, with its reason.
    counts : DataFrame
        Per table: rows read, used and left out; read = used + left out.
    findings : list of Finding
    """

    pairs: pd.DataFrame
    plots: pd.DataFrame
    left_out: pd.DataFrame
    counts: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)


def pair_samples(
    tables: dict[str, Table], reference: Reference, season: Season
) -> Pairing:
    """Return every sample beside the readings of its plot.

    Parameters
    ----------
    tables : dict of Table
        The checked tables.
    reference : Reference
        The samples' reference values.
    season : Season
        Says which reasons for taking a sample are blind to the reading.

    Returns
    -------
    Pairing
        For each table, rows read = rows used + rows left out.
    """
    findings: list[Finding] = []
    register = curve_register(tables["curves"].frame)
    plots = _restated(tables["plots"].frame, tables["curves"].frame, register, findings)
    samples = _samples_of_both(reference, tables["benchtop"].frame)
    at = plot_places(plots, samples)
    placed, sampled = at >= 0, np.unique(at[at >= 0])
    further = tables["readings"].frame
    more, further_at, orphans = _further_readings(plots, further, register)
    readings = _readings_at(sampled, plots, more, further_at, register)
    joined = samples[placed].merge(readings, on=["trial", "plot"], how="left")
    refusal = _refusals(joined)
    pairs = _finished(joined[refusal == ""], season.selection)
    refused = refused_samples(samples, placed, joined, refusal, tables["plots"])
    left = rows_left_out(tables, reference, refused, orphans, findings)
    counts = row_counts(tables, left)
    return Pairing(
        pairs,
        plots,
        left,
        counts,
        findings + _selection_findings(pairs, tables["oven"].frame, season),
    )


def why_nothing_used(pairing: Pairing) -> str:
    """Return in a sentence why no curve can be audited, for want of samples."""
    oven = pairing.pairs[pairing.pairs["basis"] == OVEN]
    dishes: Any = pairing.counts.set_index("table").loc["oven", "read"]
    if not dishes:
        why = "there are no air-oven results."
    elif oven.empty:
        why = (
            f"none of the {counted(dishes, 'dish', 'dishes')} could be set beside the "
        )
        why += "reading of its plot; left_out.csv says why, row by row."
    elif not oven["used"].any():
        reasons = listed([repr(r) for r in oven["selection_reason"].unique()], most=5)
        why = f"all samples were taken for a reason ({reasons}) that [selection] in "
        why += "season.toml does not call blind to the reading."
    else:
        why = "no curve has samples enough."
    return f"no curve could be audited: {why}"


def curve_register(curves: pd.DataFrame) -> pd.DataFrame:
    """Return one row per curve, the last one built, its crop's key and if it is mixed.

    `offset_mixed` says that the register shows several offsets for the curve.
    """
    by_time = curves.sort_values("built_on", na_position="first", kind="stable")
    register = by_time.drop_duplicates("curve", keep="last").set_index("curve")
    offsets = curves.groupby("curve")["offset_loaded"].nunique(dropna=False)
    register = register.assign(
        offset_mixed=offsets.reindex(register.index) > 1,
        crop_key=register["crop"].map(crop_key),
    )
    return register.sort_index()


def _restated(plots, curves, register, findings) -> pd.DataFrame:
    """Return the plots with readings restated to the offset in the register."""
    loaded = by_value(plots["curve"], register["offset_loaded"].get).astype(float)
    in_force = plots["offset_in_force"]
    change = (loaded - in_force).where(in_force.notna(), 0.0).fillna(0.0)
    mixed = plots["curve"].isin(register.index[register["offset_mixed"]])
    for curve, group in plots[mixed & in_force.isna()].groupby("curve"):
        said = f"the register shows several offsets for curve {curve}, and "
        said += f"{counted(len(group), 'plot')} do not say which was in force. Add "
        said += "offset_in_force to the plots; no new setting is given until then."
        rows = tuple(map(int, curves.index[curves["curve"] == curve]))
        finding = Finding(
            code="offsets-mixed", table="curves", rows=rows, curve=curve, message=said
        )
        findings.append(finding)
    restated = plots["curve"][change != 0].value_counts().sort_index()
    for curve, n in restated.items():
        said = f"{counted(n, 'reading')} taken under another offset "
        said += f"restated to {register.at[curve, 'offset_loaded']:+g} points."
        moved = plots.index[(change != 0) & (plots["curve"] == curve)]
        rows = tuple(map(int, moved))
        finding = Finding(
            code="offset-restated", table="plots", rows=rows, curve=curve, message=said
        )
        findings.append(finding)
    return plots.assign(
        recorded_pct=plots["sensor_pct"],
        sensor_pct=plots["sensor_pct"] + change,
        curve_known=plots["curve"].isin(register.index),
        crop_agrees=_crops_agree(plots["curve"], plots["crop"], register),
    )


def _crops_agree(curves: pd.Series, crops: pd.Series, register) -> pd.Series:
    """Return whether each curve is for the crop it read."""
    codes, names = zip(*map(pd.factorize, (curves, crops)), strict=True)
    wanted = np.array([*map(register["crop_key"].get, names[0]), None], object)
    found = np.array([*map(crop_key, names[1]), ""], object)
    return pd.Series((wanted[:, None] == found)[codes], curves.index)


_FROM_PLOT = [
    "entry",
    "block",
    "location",
    "crop",
    "harvested_at",
    "grain_temp_c",
    "test_weight_kg_hl",
]
# A parallel curve of another sensor is described in the register, not the plot.
_FROM_REGISTER = ["sensor", "chamber_config"]
_CROP_CURVE = ("crop", "curve")
_OF_READING = ["trial", "plot", "curve", "recorded_pct", "sensor_pct"]
_OF_READING += ["curve_known", "crop_agrees"]


def _further_readings(plots, further, register):
    """Return the further readings that can serve, their plots' places, and the rest.

    The last value holds the code of each reading that cannot, by its row.
    """
    at = plot_places(plots, further)
    crop, own = (at_places(plots[c], at).set_axis(further.index) for c in _CROP_CURVE)
    more = further[["trial", "plot", "curve", "sensor_pct"]].assign(
        recorded_pct=further["sensor_pct"],
        curve_known=further["curve"].isin(register.index),
        crop_agrees=_crops_agree(further["curve"], crop, register),
    )
    codes = _refusals(more).mask(at < 0, "plot-missing")
    codes = codes.mask(own == further["curve"], "reading-twice")
    serves = (codes == "").to_numpy()
    return more[serves], at[serves], codes[~serves]


def _readings_at(sampled, plots, more, further_at, register) -> pd.DataFrame:
    """Return the plots' own readings and the further ones, at the places sampled."""
    own = plots[[*_OF_READING, *_FROM_PLOT, *_FROM_REGISTER]].iloc[sampled]
    own = own.assign(parallel=False)
    here = np.isin(further_at, sampled)
    more, at = more[here].assign(parallel=True), further_at[here]
    for column in _FROM_PLOT:
        more[column] = at_places(plots[column], at).array
    for column in _FROM_REGISTER:
        more[column] = more["curve"].map(register[column])
    return pd.concat([own, more], ignore_index=True) if len(more) else own


def _samples_of_both(reference: Reference, benchtop: pd.DataFrame) -> pd.DataFrame:
    """Return every sample with an oven or a benchtop result, or both."""
    oven = reference.samples.drop(columns=["crop"], errors="ignore")
    bench = benchtop_means(benchtop)
    bench = bench.sort_values("n_readings", ascending=False, kind="stable")
    bench = bench.drop_duplicates(["sample", "trial", "plot"])
    both = oven.merge(bench, on=["sample", "trial", "plot"], how="outer")
    both["basis"] = np.where(both["reference_pct"].notna(), OVEN, BENCHTOP)
    return both


def _refusals(joined) -> pd.Series:
    """Return the code for which each reading cannot be paired, or an empty text."""
    codes = pd.Series("", index=joined.index, dtype=object)
    codes[joined["sensor_pct"].isna()] = "no-reading"
    codes[~joined["crop_agrees"].astype(bool)] = "crop-differs"
    codes[~joined["curve_known"].astype(bool)] = "curve-unknown"
    return codes


def _finished(joined, selection: Selection) -> pd.DataFrame:
    """Return the pairs with error, band, times and whether the bias rests on them."""
    # Only samples taken blind to the reading say how large the bias is.
    reason = joined["selection_reason"].fillna("")
    blind = by_value(reason, selection.is_blind).astype(bool)
    taken = joined["harvested_at"].fillna(joined["sampled_at"])
    moisture = joined["reference_pct"].fillna(joined["benchtop_pct"])
    pairs = joined.assign(
        error=joined["sensor_pct"] - joined["reference_pct"],
        used=blind & (joined["basis"] == OVEN),
        band_low=np.floor(moisture / BAND_WIDTH) * BAND_WIDTH,
        hours_to_oven=hours_between(taken, joined["weighed_at"]),
        crop=by_value(joined["crop"], crop_key),
    )
    pairs = pairs.sort_values(["crop", "curve", "trial", "plot", "sample"])
    return pairs[PAIR_COLUMNS].reset_index(drop=True)


def _selection_findings(pairs, oven, season: Season) -> list[Finding]:
    """Say which samples were taken for a reason that is not blind to the reading."""
    apart = pairs[(pairs["basis"] == OVEN) & ~pairs["used"] & ~pairs["parallel"]]
    if apart.empty:
        return []
    times = apart["selection_reason"].value_counts()
    reasons = [f"{reason!r} {n}" for reason, n in times.items()]
    said = f"{counted(len(apart), 'sample')} chosen because of their reading or for a "
    said += f"reason not known to be blind to it ({listed(reasons, most=6)}) are shown "
    said += "separately and left out of the bias. If a reason is blind to the reading, "
    blind = [toml_text(reason) for reason in [*season.selection.blind, times.index[0]]]
    said += f"name it in season.toml under [selection]: blind = [{', '.join(blind)}]."
    rows = tuple(oven.index[oven["sample"].isin(apart["sample"])])
    return [Finding(code="suspicious-sample", table="oven", rows=rows, message=said)]
