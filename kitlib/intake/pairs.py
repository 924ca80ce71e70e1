"""Each sample beside the readings of its plot; every other row with its reason."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from kitlib.intake.reference import Reference, benchtop_means
from kitlib.intake.schema import (
    PLACE,
    ROWS_PER_SOURCE,
    SAMPLE_KEYS,
    CheckedTable,
    at_places,
    by_value,
    found,
    plot_places,
)
from kitlib.intake.settings import Season, Selection, toml_text
from kitlib.words.findings import Finding
from kitlib.words.terms import columns_of, counted, crop_key, listed

OVEN, BENCHTOP = "oven", "benchtop"
BAND_WIDTH = 2  # [% moisture]
_OF_READING = [*PLACE, "curve", "recorded_pct", "sensor_pct"]
_OF_READING += ["curve_known", "crop_agrees"]
_FROM_PLOT = ["entry", "block", "location", "crop", "harvested_at", "grain_temp_c"]
_FROM_PLOT += ["test_weight_kg_hl"]
# A parallel curve of another sensor is described in the register, not the plot.
_FROM_REGISTER = ["sensor", "chamber_config"]

PAIR_COLUMNS = list(columns_of("pairs"))

# Why a reading cannot serve: of a sample's plot, and of a further reading.
_REFUSED = {
    "no-reading": "the plot has no sensor reading",
    "curve-unknown": "the plot names curve {curve}, not in the register",
    "crop-differs": "the plot is {crop}, but curve {curve} is for another crop",
}
_READING_REFUSED = {
    "plot-missing": "there is no such plot",
    "no-reading": "the reading has no number",
    "reading-twice": "the plot's own row already holds a reading of this curve",
    "curve-unknown": "its curve is not in the register",
    "crop-differs": "its curve is for another crop than its plot's",
}


@dataclass
class Pairing:
    """Samples paired with readings, and what could not be."""

    # One row per sample × curve, columns `PAIR_COLUMNS`. `sensor_pct` is the reading
    # restated to the offset in the register, `recorded_pct` the one recorded; `used`
    # marks the pairs the bias rests on.
    pairs: pd.DataFrame
    plots: pd.DataFrame  # every plot kept, restated likewise, with `curve_known`
    left_out: pd.DataFrame  # every row not used, of every table, with its reason
    counts: pd.DataFrame  # per table: rows read = used + left out
    findings: list[Finding] = field(default_factory=list)


def pair_samples(
    tables: dict[str, CheckedTable], reference: Reference, season: Season
) -> Pairing:
    """Return every sample beside the readings of its plot; each row accounted for.

    The season says which reasons for taking a sample are blind to the reading.
    """
    findings: list[Finding] = []
    register = curve_register(tables["curves"].frame)
    plots = _restated(tables["plots"].frame, tables["curves"].frame, register, findings)
    samples = _samples_of_both(reference, tables["benchtop"].frame)
    at = plot_places(plots, samples)
    placed, sampled = at >= 0, np.unique(at[at >= 0])
    further = tables["readings"].frame
    more, further_at, orphans = _further_readings(plots, further, register)
    own = plots[[*_OF_READING, *_FROM_PLOT, *_FROM_REGISTER]].iloc[sampled]
    readings = own.assign(parallel=False)
    here = np.isin(further_at, sampled)
    if here.any():
        more, further_at = more[here].assign(parallel=True), further_at[here]
        for column in _FROM_PLOT:
            more[column] = at_places(plots[column], further_at).array
        for column in _FROM_REGISTER:
            more[column] = more["curve"].map(register[column])
        readings = pd.concat([readings, more], ignore_index=True)
    joined = samples[placed].merge(readings, on=PLACE, how="left")
    refusal = _refusals(joined)
    pairs = _finished(joined[refusal == ""], season.selection)
    refused = _refused_samples(samples, placed, joined, refusal, tables["plots"])
    left = _rows_left_out(tables, reference, samples, refused, orphans)
    findings += _findings_of_refusals(tables, refused, orphans)
    findings += _chosen_on_suspicion(pairs, tables["oven"].frame, season)
    counts = []
    for name in ("plots", OVEN, BENCHTOP, "readings"):
        n_left, read = int((left["table"] == name).sum()), tables[name].read
        counts.append((name, read, read - n_left, n_left))
    columns = ["table", "read", "used", "left_out"]
    return Pairing(pairs, plots, left, pd.DataFrame(counts, columns=columns), findings)


def why_nothing_used(pairing: Pairing) -> str:
    """Return in a sentence why no curve can be audited, for want of samples."""
    oven = pairing.pairs[pairing.pairs["basis"] == OVEN]
    dishes: Any = pairing.counts.set_index("table").loc[OVEN, "read"]
    if not dishes:
        why = "there are no air-oven results."
    elif oven.empty:
        why = f"none of the {counted(dishes, 'dish', 'dishes')} could be set beside "
        why += "the reading of its plot; left_out.csv says why, row by row."
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


def offset_in_use(register: pd.Series, readings: pd.DataFrame) -> float:
    """Return the offset of a curve's last readings, nan where it is not on record.

    It need not be the one in the register. `register` is the curve's row of
    `curve_register`, `readings` its rows of `Pairing.plots` or of `Pairing.pairs`.
    """
    if register["offset_mixed"]:
        return np.nan
    readings = readings[readings["sensor_pct"].notna()]
    time = readings["harvested_at"]
    last = readings[time == time.max()] if time.notna().any() else readings
    # Restated to the register's offset, a reading moves by that less the one in force.
    moved = (last["sensor_pct"] - last["recorded_pct"]).round(6).unique()
    if len(moved) > 1:
        return np.nan
    return round(float(register["offset_loaded"]) - sum(moved), 6)


def _restated(plots, curves, register, findings) -> pd.DataFrame:
    """Return the plots with readings restated to the offset in the register."""
    change, in_force = _change_to_register(plots, register), plots["offset_in_force"]
    mixed = plots["curve"].isin(register.index[register["offset_mixed"]])
    for curve, group in plots[mixed & in_force.isna()].groupby("curve"):
        rows, n = curves.index[curves["curve"] == curve], counted(len(group), "plot")
        findings += found("register-mixed", "curves", rows, str(curve), n=n)
    for curve, group in plots[change != 0].groupby("curve"):
        parts = {"n": counted(len(group), "reading")}
        parts["offset"] = register.at[curve, "offset_loaded"]
        findings += found("offset-restated", "plots", group.index, str(curve), **parts)
    return plots.assign(
        recorded_pct=plots["sensor_pct"],
        sensor_pct=plots["sensor_pct"] + change,
        curve_known=plots["curve"].isin(register.index),
        crop_agrees=_crops_agree(plots["curve"], plots["crop"], register),
    )


def _change_to_register(readings, register) -> pd.Series:
    """Return what restates readings from the offset in force to the register's."""
    loaded = by_value(readings["curve"], register["offset_loaded"].get).astype(float)
    return (loaded - readings["offset_in_force"]).fillna(0.0)


def _crops_agree(curves: pd.Series, crops: pd.Series, register) -> pd.Series:
    """Return whether each curve is for the crop it read."""
    wanted = by_value(curves, register["crop_key"].get, missing=None)
    return wanted == by_value(crops, crop_key, missing="")


def _further_readings(plots, further, register):
    """Return the further readings that can serve, their plots' places, and the rest.

    The last value holds the code of each reading that cannot, by its row.
    """
    at = plot_places(plots, further)
    own = at_places(plots["curve"], at).set_axis(further.index)
    crop = at_places(plots["crop"], at).set_axis(further.index)
    change = _change_to_register(further, register)
    more = further[[*PLACE, "curve"]].assign(
        sensor_pct=further["sensor_pct"] + change,
        recorded_pct=further["sensor_pct"],
        curve_known=further["curve"].isin(register.index),
        crop_agrees=_crops_agree(further["curve"], crop, register),
    )
    codes = _refusals(more).mask(at < 0, "plot-missing")
    codes = codes.mask(own == further["curve"], "reading-twice")
    serves = (codes == "").to_numpy()
    return more[serves], at[serves], codes[~serves]


def _refusals(joined) -> pd.Series:
    """Return the code for which each reading cannot be paired, or an empty text."""
    codes = pd.Series("", index=joined.index, dtype=object)
    codes[joined["sensor_pct"].isna()] = "no-reading"
    codes[~joined["crop_agrees"].astype(bool)] = "crop-differs"
    codes[~joined["curve_known"].astype(bool)] = "curve-unknown"
    return codes


def _samples_of_both(reference: Reference, benchtop: pd.DataFrame) -> pd.DataFrame:
    """Return every sample with an oven or a benchtop result, or both."""
    oven = reference.samples.drop(columns=["crop"], errors="ignore")
    bench = benchtop_means(benchtop)
    bench = bench.sort_values("n_readings", ascending=False, kind="stable")
    both = oven.merge(bench.drop_duplicates(SAMPLE_KEYS), on=SAMPLE_KEYS, how="outer")
    both["basis"] = np.where(both["reference_pct"].notna(), OVEN, BENCHTOP)
    return both


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
        hours_to_oven=(joined["weighed_at"] - taken).dt.total_seconds() / 3600,
        crop=by_value(joined["crop"], crop_key),
    )
    pairs = pairs.sort_values(["crop", "curve", "trial", "plot", "sample"])
    return pairs[PAIR_COLUMNS].reset_index(drop=True)


def _chosen_on_suspicion(pairs, oven, season: Season) -> list[Finding]:
    """Say which samples were taken for a reason that is not blind to the reading."""
    apart = pairs[(pairs["basis"] == OVEN) & ~pairs["used"] & ~pairs["parallel"]]
    times = apart["selection_reason"].value_counts()
    reasons = listed([f"{reason!r} {n}" for reason, n in times.items()], most=6)
    blind = map(toml_text, season.selection.blind)
    parts = {"n": counted(len(apart), "sample"), "blind": ", ".join(blind)}
    rows = oven.index[oven["sample"].isin(apart["sample"])]
    return found("suspicious-sample", OVEN, rows, reasons=reasons, **parts)


def _refused_samples(
    samples, placed, joined, refusal, plots: CheckedTable
) -> pd.DataFrame:
    """Return each sample that is in no pair: sample, trial, plot, code, reason."""
    gone_plots = {
        (row.trial, row.plot): (row.code, f"the plot's row was left out: {row.reason}")
        for rows in plots.left_out
        for row in rows.itertuples()
    }
    rows = []
    for sample, trial, plot in samples.loc[~placed, SAMPLE_KEYS].to_numpy():
        missing = ("plot-missing", f"trial {trial} has no plot {plot}")
        rows.append((sample, trial, plot, *gone_plots.get((trial, plot), missing)))
    # A reading may be missing for a fault in its cell, which then is the reason.
    faults = {
        tuple(plots.frame.loc[row, PLACE]): (code, f"plots, {said}")
        for row, (code, said) in plots.faults.items()
        if "sensor_pct" in said and row in plots.frame.index
    }
    saved = joined["sample"][refusal == ""]
    for at in joined.index[(refusal != "") & ~joined["sample"].isin(saved)]:
        lost, code = joined.loc[at], refusal[at]
        told = (code, _REFUSED[code].format(**lost[["crop", "curve"]]))
        if code == "no-reading":
            told = faults.get((lost["trial"], lost["plot"]), told)
        rows.append((*lost[SAMPLE_KEYS], *told))
    columns = [*SAMPLE_KEYS, "code", "reason"]
    return pd.DataFrame(rows, columns=columns, dtype=object).drop_duplicates("sample")


def _rows_left_out(tables, reference, samples, refused, orphans) -> pd.DataFrame:
    """Return every row not used, of every table."""
    parts = [part for table in tables.values() for part in table.left_out]
    parts += reference.left_out
    bench = tables[BENCHTOP].frame
    empty = bench["moisture_pct"].isna()
    reason = "the reading has no number"
    parts.append(tables[BENCHTOP].account_of(bench[empty], "cell-empty", reason))
    read, keys = bench[~empty], [*SAMPLE_KEYS, "meter"]
    meters = pd.MultiIndex.from_frame(samples[keys])
    own = pd.MultiIndex.from_frame(read[keys]).isin(meters)
    reason = "another meter read the sample more often, or stands first"
    parts.append(tables[BENCHTOP].account_of(read[~own], "other-meter", reason))
    reasons = refused.set_index("sample")
    dishes = tables[OVEN].frame.loc[reference.dishes_used]
    for name, used in ((OVEN, dishes), (BENCHTOP, read[own])):
        gone = used[used["sample"].isin(reasons.index)]
        told = reasons.loc[gone["sample"]]
        codes, words = told["code"].array, told["reason"].array
        parts.append(tables[name].account_of(gone, codes, words, quote=False))
    gone = tables["readings"].frame.loc[orphans.index]
    reasons = [_READING_REFUSED[code] for code in orphans]
    parts.append(tables["readings"].account_of(gone, orphans.array, reasons))
    left = pd.concat([part for part in parts if len(part)] or parts[-1:])
    left = left.sort_values(["table", "row"], kind="stable", ignore_index=True)
    source, row = left["row"] // ROWS_PER_SOURCE, left["row"] % ROWS_PER_SOURCE
    files = [
        tables[table].sources[at].name if tables[table].sources else ""
        for table, at in zip(left["table"], source, strict=True)
    ]
    return left.assign(file=files, row=row)


def _findings_of_refusals(tables, refused, orphans) -> Iterator[Finding]:
    """Yield one finding per reason for samples and further readings not used.

    A sample's finding names its dishes or, if it has none, its benchtop readings.
    """
    wanted = pd.MultiIndex.from_frame(refused[SAMPLE_KEYS])
    places = {
        name: pd.MultiIndex.from_frame(tables[name].frame[SAMPLE_KEYS])
        for name in (OVEN, BENCHTOP)
    }
    dried = wanted.isin(places[OVEN])
    for name, part in ((OVEN, refused[dried]), (BENCHTOP, refused[~dried])):
        for code, group in part.groupby("code", sort=True):
            by_reason = group.groupby("reason", sort=False)["sample"]
            each = [f"{listed(own, most=5)} ({why})" for why, own in by_reason]
            said = f"{counted(len(group), 'sample')} left out: {listed(each, most=5)}."
            own = places[name].isin(pd.MultiIndex.from_frame(group[SAMPLE_KEYS]))
            yield Finding(str(code), said, name, tuple(tables[name].frame.index[own]))
    for code, rows in orphans.groupby(orphans).groups.items():
        if code == "no-reading":
            continue  # an empty cell, told of where the cells are read
        plots = tables["readings"].frame.loc[rows, PLACE].itertuples(index=False)
        said = f"{counted(len(rows), 'reading')} left out: {_READING_REFUSED[code]} "
        said += f"({listed([f'{trial} {plot}' for trial, plot in plots], most=5)})."
        yield Finding(code, said, "readings", tuple(rows))
