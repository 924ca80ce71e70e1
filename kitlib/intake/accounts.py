"""Every row of every table accounted for: used, or left out with its reason."""

import pandas as pd

from kitlib.intake.cells import Table, left_out_rows
from kitlib.words.findings import Finding
from kitlib.words.terms import counted, listed


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
    faulty = {
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
    return left.sort_values(["table", "row"], kind="stable", ignore_index=True)


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
            place = {"table": table, "rows": tuple(map(int, rows))}
            found.append(Finding(code=code, message=said, **place))
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
        place = {"table": "readings", "rows": tuple(map(int, rows))}
        found.append(Finding(code=code, message=said, **place))
    return found


def row_counts(tables, left) -> pd.DataFrame:
    """Return rows read, used and left out of each table that rows are paired from."""
    rows = []
    for name in ("plots", "oven", "benchtop", "readings"):
        n_left = int((left["table"] == name).sum())
        read = tables[name].read
        rows.append((name, read, read - n_left, n_left))
    return pd.DataFrame(rows, columns=["table", "read", "used", "left_out"])
