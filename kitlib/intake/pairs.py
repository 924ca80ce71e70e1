"""Each sample beside the reading of its plot; every other row with its reason."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kitlib.intake.accounts import refused_samples, row_counts, rows_left_out
from kitlib.intake.cells import Table
from kitlib.intake.reference import Reference, benchtop_means, hours_between
from kitlib.words.findings import Finding
from kitlib.words.terms import counted, crop_key, listed

OVEN, BENCHTOP = "oven", "benchtop"
# Samples taken blind to the reading: only these say how large the bias is.
FAIR_REASONS = ("random", "stratified")
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


def pair_samples(tables: dict[str, Table], reference: Reference) -> Pairing:
    """Return every sample beside the readings of its plot.

    Parameters
    ----------
    tables : dict of Table
        The checked tables.
    reference : Reference
        The samples' reference values.

    Returns
    -------
    Pairing
        For each table, rows read = rows used + rows left out.
    """
    findings: list[Finding] = []
    register = curve_register(tables["curves"].frame)
    plots = _restated(tables["plots"].frame, tables["curves"].frame, register, findings)
    readings, orphans = _all_readings(plots, tables["readings"].frame, register)
    samples = _samples_of_both(reference, tables["benchtop"].frame)
    known = plots.set_index(["trial", "plot"]).index
    placed = pd.MultiIndex.from_frame(samples[["trial", "plot"]]).isin(known)
    joined = samples[placed].merge(readings, on=["trial", "plot"], how="left")
    refusal = _refusals(joined)
    pairs = _finished(joined[refusal == ""])
    refused = refused_samples(samples, placed, joined, refusal, tables["plots"])
    left = rows_left_out(tables, reference, refused, orphans, findings)
    counts = row_counts(tables, left)
    return Pairing(
        pairs,
        plots,
        left,
        counts,
        findings + _selection_findings(pairs, tables["oven"].frame),
    )


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
    loaded = plots["curve"].map(register["offset_loaded"]).astype(float)
    in_force = plots["offset_in_force"]
    change = (loaded - in_force).where(in_force.notna(), 0.0).fillna(0.0)
    mixed = plots["curve"].map(register["offset_mixed"]).eq(True)
    for curve, group in plots[mixed & in_force.isna()].groupby("curve"):
        said = f"the register shows several offsets for curve {curve}, and "
        said += f"{counted(len(group), 'plot')} do not say which was in force. Add "
        said += "offset_in_force to the plots; no new setting is given until then."
        rows = tuple(map(int, curves.index[curves["curve"] == curve]))
        finding = Finding(
            code="offsets-mixed", table="curves", rows=rows, curve=curve, message=said
        )
        findings.append(finding)
    for curve, group in plots.assign(by=change)[change != 0].groupby("curve"):
        said = f"{counted(len(group), 'reading')} taken under another offset "
        said += f"restated to {register.at[curve, 'offset_loaded']:+g} points."
        place = {"table": "plots", "rows": tuple(map(int, group.index))}
        finding = Finding(code="offset-restated", curve=curve, message=said, **place)
        findings.append(finding)
    return plots.assign(
        recorded_pct=plots["sensor_pct"],
        sensor_pct=plots["sensor_pct"] + change,
        curve_known=plots["curve"].isin(register.index),
        crop_agrees=plots["curve"].map(register["crop_key"])
        == plots["crop"].map(crop_key),
    )


_FROM_PLOT = [
    "entry",
    "block",
    "location",
    "crop",
    "sensor",
    "chamber_config",
    "harvested_at",
    "grain_temp_c",
    "test_weight_kg_hl",
]


def _all_readings(plots, further, register):
    """Return the readings of every plot and curve, and why others are not among them.

    The second value holds the code of each further reading refused, by its row.
    """
    shared = ["trial", "plot", *_FROM_PLOT]
    own = plots[[*shared, "curve", "recorded_pct", "sensor_pct"]].assign(
        parallel=False, curve_known=plots["curve_known"]
    )
    own["crop_agrees"] = plots["crop_agrees"]
    keys = ["trial", "plot", "curve"]
    more = further[["trial", "plot", "curve", "sensor_pct"]].reset_index()
    more = more.merge(plots[shared], on=["trial", "plot"], how="left", indicator=True)
    more = more.assign(
        recorded_pct=more["sensor_pct"],
        parallel=True,
        curve_known=more["curve"].isin(register.index),
        crop_agrees=more["curve"].map(register["crop_key"])
        == more["crop"].map(crop_key, na_action="ignore"),
    )
    again = more[keys].merge(own[keys], how="left", indicator="own")
    codes = _refusals(more).mask(more["_merge"] == "left_only", "plot-missing")
    codes = codes.mask((again["own"] == "both").to_numpy(), "reading-twice")
    orphans = pd.Series(codes.to_numpy(object), index=more["row_in_file"])
    orphans = orphans[orphans != ""]
    more = more[codes == ""].drop(columns=["_merge", "row_in_file"])
    # A parallel curve of another sensor is described in the register, not the plot.
    for column in ("sensor", "chamber_config"):
        more[column] = more["curve"].map(register[column])
    return pd.concat([own, more], ignore_index=True) if len(more) else own, orphans


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


def _finished(joined) -> pd.DataFrame:
    """Return the pairs with error, band, times and whether the bias rests on them."""
    reason = joined["selection_reason"].str.casefold()
    fair = reason.isna() | reason.isin(FAIR_REASONS)
    taken = joined["harvested_at"].fillna(joined["sampled_at"])
    moisture = joined["reference_pct"].fillna(joined["benchtop_pct"])
    pairs = joined.assign(
        error=joined["sensor_pct"] - joined["reference_pct"],
        used=fair & (joined["basis"] == OVEN),
        band_low=np.floor(moisture / BAND_WIDTH) * BAND_WIDTH,
        hours_to_oven=hours_between(taken, joined["weighed_at"]),
        crop=joined["crop"].map(crop_key),
    )
    pairs = pairs.sort_values(["crop", "curve", "trial", "plot", "sample"])
    return pairs[PAIR_COLUMNS].reset_index(drop=True)


def _selection_findings(pairs, oven) -> list[Finding]:
    """Say which samples were taken for a reason that bends the bias."""
    apart = pairs[(pairs["basis"] == OVEN) & ~pairs["used"] & ~pairs["parallel"]]
    if apart.empty:
        return []
    said = f"{counted(len(apart), 'sample')} not taken blind to the reading "
    said += f"({listed(sorted(set(apart['selection_reason'])))}) are shown apart: "
    said += f"{listed(apart['sample'])}."
    rows = tuple(map(int, oven.index[oven["sample"].isin(apart["sample"])]))
    return [Finding(code="suspicious-sample", table="oven", rows=rows, message=said)]
