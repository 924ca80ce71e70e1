"""Values that can hardly be: columns in another unit or form, and single ones far off.

A wrong unit changes every value of a column, so that no row stands out. What shows it
is the header, a row of units, what the crop makes possible, the season's other trials,
and the other tables that measured the same grain.
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from kitlib.intake.foreign import named_unit
from kitlib.intake.reference import dish_moisture
from kitlib.intake.schema import (
    FACTORS,
    MOISTURES,
    PLACE,
    SAMPLE_KEYS,
    SCHEMAS,
    TIME,
    CheckedTable,
    by_value,
    found,
    quantity_of,
)
from kitlib.words.findings import Finding
from kitlib.words.limits import BUSHEL_LB, PLAUSIBLE_YIELD, threshold
from kitlib.words.terms import counted, crop_key, listed, show

Frames = dict[str, pd.DataFrame]

FEWEST = 5  # values a group needs before one of it, or the group, is judged
# What a trial's moisture, test weight and evenness let expect of its yield, against
# the season's other trials: wetter, heavier and more even trials yield more. Fitted
# on 58 maize trials of six years and rounded towards 0; each part is limited, since
# elsewhere it may be otherwise (tests/calibration/ALARMS.md).
_EXPLAINED = {  # feature: log of yield a unit of it, and how far it is followed
    "moisture": (0.05, 6.0),  # [points]
    "weight": (4.0, 0.1),  # [log of test weight]
    "spread": (-0.25, 1.0),  # [log of the spread of log yields]
}
_USUAL_SPREADS = 2.75  # spreads (SDs) of the trials it was found on in a limit
_PRIOR = 5.0  # trials that the limit itself is worth beside a season's own
_LEAST_RATIO = np.log(1.6)  # below it no evidence makes a trial doubtful
# Sensor, oven and benchtop medians further apart than this are no matter of
# calibration: the largest bias of 4 meters on 881 maize samples was 3.5 points
# (Hurburgh, Hazen and Bern 1985). [% moisture]
_TABLES_APART = 5.0
# No grain is harvested, and no meter checked, so dry: common practice, no source. [%]
_DRIEST = 4.0
_POUND = -np.log(FACTORS["lb"])
_MIXED_SHARE = 0.1  # share of a trial's plots below which they are judged one by one
_HEAVIEST = 88.0  # no grain's test weight is higher [kg/hL]
_WARMEST, _COLDEST = 45.0, -5.0  # a median beyond is more likely another unit [°C]
_ROBUST = 1.4826  # median of distances to SD, for values of normal distribution
# How the yield of a trial changes if one unit is taken for the other.
_TAKEN_FOR = {
    "kg are taken for lb": -_POUND,
    "lb are taken for kg": _POUND,
    "g are taken for kg": np.log(1000),
    "ft² are taken for m²": np.log(FACTORS["ft2"]),
    "m² are taken for ft²": -np.log(FACTORS["ft2"]),
}


def doubtful_units(tables: dict[str, CheckedTable]) -> list[Finding]:
    """Return the columns that look like, or are headed as, another unit or form."""
    frames = {name: table.frame for name, table in tables.items()}
    judges = [_fractions, _tables_apart, trial_yields, mixed_trials, _same_mass]
    judges += [_test_weights, _temperatures]
    return [*_headers(tables), *(doubt for judge in judges for doubt in judge(frames))]


def _headers(tables: dict[str, CheckedTable]) -> Iterator[Finding]:
    """Yield columns whose header or row of units names another unit than was said."""
    for name, source in ((n, s) for n, table in tables.items() for s in table.sources):
        for column, header in source.headers.items():
            quantity = quantity_of(column)
            read_as = getattr(source.units, quantity) if quantity else ""
            texts = {"header": header, "row of units": source.units_row.get(column, "")}
            for what, text in texts.items():
                # Our own header keeps its name whatever the unit.
                told = "" if text == column else named_unit(text, quantity)
                if told and told != read_as:
                    parts = {"file": source.name, "column": column, "unit": read_as}
                    parts |= {"what": what, "text": text, "quantity": quantity}
                    yield from found("header-unit", name, told=told, **parts)


def _fractions(frames: Frames) -> Iterator[Finding]:
    """Yield moistures that look like fractions, or like tenths: no grain is so dry."""
    for table, frame in frames.items():
        for column in (c for c in MOISTURES if c in frame):
            by = frame["trial" if "trial" in frame else "curve"]
            small = frame[column].between(0, 1, inclusive="neither")
            share = f"{small.sum()} of {counted(frame[column].count(), 'value')}"
            parts = {"column": column, "share": share, "by": by.name}
            parts["told"] = listed(sorted(by[small].unique()), 40)
            whole = small.sum() > 0.9 * frame[column].count()
            key = "fractions" if whole else "fractions-in-part"
            yield from found(key, table, frame.index[small], **parts)
            middle = frame[column].groupby(by).median()
            dry = middle[middle.between(1, _DRIEST, inclusive="left")]
            parts["told"] = listed([f"{n} ({show(m, 1)})" for n, m in dry.items()], 40)
            rows = frame.index[by.isin(dry.index)]
            yield from found("too-dry", table, rows, limit=_DRIEST, **parts)


def _tables_apart(frames: Frames) -> Iterator[Finding]:
    """Yield tables whose moistures differ by more than any calibration could."""
    oven, bench = frames["oven"], frames["benchtop"]
    dishes = oven[SAMPLE_KEYS].assign(oven=dish_moisture(oven))
    medians = {
        "plots": frames["plots"].groupby(PLACE)["sensor_pct"].median(),
        "oven": dishes.groupby(PLACE)["oven"].median(),
        "benchtop": bench.groupby(PLACE)["moisture_pct"].median(),
    }
    names = {"plots": "sensor", "oven": "oven", "benchtop": "benchtop meter"}
    for one, other in (("plots", "oven"), ("benchtop", "oven"), ("plots", "benchtop")):
        apart = (medians[one] - medians[other]).dropna()
        if len(apart) < FEWEST or abs(apart.median()) <= _TABLES_APART:
            continue
        hints = _weighing_hints(oven, medians[one]) if other == "oven" else []
        parts = {"one": names[one], "other": names[other]}
        parts["n"] = counted(len(apart), "plot")
        parts["points"] = show(apart.median(), 1, sign=True)
        parts["hints"] = f": {listed(hints)}" if hints else ""
        for table in (one, other):
            yield from found("tables-apart", table, **parts)


def _weighing_hints(oven: pd.DataFrame, others: pd.Series) -> list[str]:
    """Return what in the dishes' weights could make the oven so different."""
    weighed = oven[oven["wet_g"].notna()]
    if weighed.empty:
        return ["were moistures given on dry basis, or after a first drying?"]
    hints = []
    if (weighed["tare_g"] == 0).all():
        hints.append("all tares are 0; are the weights those of dish and grain?")
    net = dish_moisture(weighed.assign(tare_g=0.0))
    keys = pd.MultiIndex.from_frame(weighed[PLACE])
    apart = (others.reindex(keys).to_numpy() - net).median()
    if (weighed["tare_g"] > 0).any() and abs(apart) < _TABLES_APART / 2:
        hints.append("the weights fit if the tare is taken off already")
    if weighed["prestage_wet_g"].isna().all():
        hints.append("was the grain dried in two stages and the first one forgotten?")
    return hints


def log_yield(plots: pd.DataFrame) -> pd.Series:
    """Return the log of the mass per area as harvested, nan where it has none."""
    mass, area = plots["plot_mass_kg"], plots["plot_area_m2"]
    return pd.Series(np.log((mass / area).where((mass > 0) & (area > 0)) * 1e4))


def trial_features(plots: pd.DataFrame) -> pd.DataFrame:
    """Return what tells a trial's yield apart from a wrong unit, by crop and trial.

    Columns: grain (log of the median yield, kg/ha), moisture (median, %), weight (log
    of the median test weight), spread (log of the robust SD of the log yields).
    """
    grain = log_yield(plots)
    keys = [by_value(plots["crop"], crop_key), plots["trial"]]
    away = (grain - grain.groupby(keys).transform("median")).abs()
    features = {
        "grain": grain.groupby(keys).median(),
        "moisture": plots["sensor_pct"].groupby(keys).median(),
        "weight": np.log(plots["test_weight_kg_hl"].groupby(keys).median()),
        "spread": np.log(away.groupby(keys).median().clip(lower=0.02)),
    }
    return pd.DataFrame(features).dropna(subset=["grain"])


def beyond_evidence(trial: pd.Series, others: pd.DataFrame) -> float:
    """Return the log ratio of a trial's yield to what is expected of it.

    `trial` is a row of `trial_features`, `others` those of the crop's other trials, at
    least one. 0 where the evidence does not suffice to doubt the unit.
    """
    centre = others.median()
    away = trial - centre
    limit = threshold("trial_apart" if np.isfinite(away["weight"]) else "trial_alone")
    limit = np.log(limit)
    # Years differ: where the others lie closer together, or further apart, than the
    # trials that the limit was found on, it is drawn in or widened, as far as so few
    # trials can tell. The fewer they are, the less their median is worth.
    usual = limit / _USUAL_SPREADS
    spread = _ROBUST * _unexplained(others - centre).abs().median() / usual
    own = max(len(others) - 1, 0)
    limit *= np.sqrt((_PRIOR + own * spread**2) / (_PRIOR + own))
    limit *= np.sqrt(1 + 1 / len(others))
    left = float(_unexplained(away.to_frame().T).iloc[0])
    shown = abs(left) > limit and abs(away["grain"]) > _LEAST_RATIO
    return left if shown and left * away["grain"] > 0 else 0.0


def _unexplained(away: pd.DataFrame) -> pd.Series:
    """Return log ratios of yields less what moisture, weight and evenness explain."""
    left = away["grain"]
    for feature, (per, most) in _EXPLAINED.items():
        left = left - per * away[feature].clip(-most, most).fillna(0)
    return left


def trial_yields(frames: Frames) -> Iterator[Finding]:
    """Yield, in one line a crop, the trials whose mass per area is hardly possible."""
    plots = frames["plots"]
    for crop, trials in trial_features(plots).groupby(level=0):
        trials = trials.droplevel(0)
        known = str(crop) if crop in PLAUSIBLE_YIELD else "any other"
        low, high = np.log(PLAUSIBLE_YIELD[known])
        away = trials["grain"] - trials["grain"].median()
        impossible = ~trials["grain"].between(low, high)
        doubts = {}
        # Only these can differ from the others by `_LEAST_RATIO`.
        odd = trials[(away.abs() > _LEAST_RATIO / 2) | impossible]
        for name, trial in odd.iterrows():
            others = trials.drop(name)
            left = beyond_evidence(trial, others) if len(others) else 0.0
            if left or impossible[name]:
                doubts[name] = left or float(away[name])
        if not doubts:
            continue
        logs = trials["grain"].loc[list(doubts)]
        told = [f"{name} ({np.exp(float(log)):.0f})" for name, log in logs.items()]
        rest = np.exp(trials["grain"].drop(list(doubts)).median())
        others = f"The other trials have about {rest:.0f}. " if rest > 0 else ""
        rows = plots.index[plots["trial"].isin(list(doubts))]
        ratio = np.median(list(doubts.values()))
        mistake = min(_TAKEN_FOR, key=lambda name: abs(_TAKEN_FOR[name] - ratio))
        parts = {"crop": crop, "told": listed(told, 40), "rest": others}
        parts |= {"low": np.exp(low), "high": np.exp(high), "mistake": mistake}
        yield from found("trial-yields", "plots", rows, **parts)


def mixed_trials(frames: Frames) -> Iterator[Finding]:
    """Yield, in one line, the trials whose plots look weighed in two units."""
    plots = frames["plots"]
    grain = log_yield(plots).dropna()
    by_trial = grain.groupby(plots["trial"])
    width = by_trial.quantile(0.95) - by_trial.quantile(0.05)
    mixed = {}
    for trial in width.index[(width > 0.7 * _POUND) & (by_trial.size() >= 2 * FEWEST)]:
        values = by_trial.get_group(trial)
        heavy = in_two_units(values, plots.loc[values.index, "entry"])
        if heavy.any():
            mixed[trial] = values.index[heavy]
    told = [f"{trial} ({counted(len(r), 'plot')})" for trial, r in mixed.items()]
    rows = sorted(row for own in mixed.values() for row in own)
    yield from found("mixed-trials", "plots", rows, told=listed(told, 40))


def in_two_units(values: pd.Series, entries: pd.Series) -> np.ndarray:
    """Return which log yields of a trial belong to a second, heavier unit.

    Each plot is its entry's level, plus the log of 2.2046 if it is in lb, plus an
    error of normal distribution; the shares are found by expectation and maximisation.
    All False unless this fits far better than one unit does. Entries with one plot
    say nothing, so where most are such, the trial's own level stands for theirs.
    """
    y = values.to_numpy(float)
    again = entries.duplicated(keep=False)
    code = pd.factorize(entries)[0] if again.mean() > 0.5 else np.zeros(len(y), int)
    counts = np.bincount(code)

    def level(of):
        return (np.bincount(code, of) / counts)[code]

    alone = np.sqrt(np.mean((y - level(y)) ** 2))
    best, heavy = -np.inf, np.zeros(len(y))
    for share in (0.25, 0.75):
        chance = (y.argsort().argsort() / len(y) > 1 - share).astype(float)
        sd = alone / 1.5
        for _ in range(60):
            mean = level(y - _POUND * chance)
            light = (1 - share) * np.exp(-0.5 * ((y - mean) / sd) ** 2)
            lb = share * np.exp(-0.5 * ((y - mean - _POUND) / sd) ** 2)
            total = light + lb + 1e-300
            chance = lb / total
            squares = (y - mean - _POUND * chance) ** 2
            squares += _POUND**2 * chance * (1 - chance)
            sd = max(np.sqrt(squares.mean()), 0.03)
            share = float(np.clip(chance.mean(), 1e-3, 1 - 1e-3))
        gain = 2 * (np.log(total).sum() - len(y) * np.log(sd / alone) + len(y) / 2)
        if gain > best:
            best, heavy = gain, chance
    part = (heavy > 0.5).mean()
    shown = best > threshold("mixed_units") and _MIXED_SHARE <= part <= 1 - _MIXED_SHARE
    return (heavy > 0.5) & shown


def _same_mass(frames: Frames) -> Iterator[Finding]:
    """Yield trials whose plots all weigh the same."""
    plots = frames["plots"]
    by_trial = plots.groupby("trial")["plot_mass_kg"]
    same = by_trial.nunique()[by_trial.nunique().eq(1) & by_trial.count().ge(FEWEST)]
    rows = plots.index[plots["trial"].isin(same.index)]
    yield from found("same-mass", "plots", rows, told=listed(same.index, 40))


def _test_weights(frames: Frames) -> Iterator[Finding]:
    """Yield test weights that look like lb/bu, by the crop and by the other meter."""
    column, plots, bench = "test_weight_kg_hl", frames["plots"], frames["benchtop"]
    pounds = {crop: bushel.value for crop, bushel in BUSHEL_LB.items()}
    crops = plots.drop_duplicates("trial").set_index("trial")["crop"].map(crop_key)
    for table, frame in (("plots", plots), ("benchtop", bench)):
        by_trial = frame.groupby("trial")[column]
        weights = by_trial.median()[by_trial.count() >= FEWEST]
        # A bushel's pounds are nearly its lb/bu; the same grain has 1.29 times as
        # many kg/hL, so hardly any has as few as a tenth more than the pounds.
        bushel = crops.map(pounds).reindex(weights.index).astype(float)
        odd = (weights < 1.1 * bushel) | (weights > _HEAVIEST)
        told = [f"{t} ({show(w, 1)})" for t, w in weights[odd].items()]
        rows = frame.index[frame["trial"].isin(weights.index[odd])]
        yield from found("test-weights", table, rows, told=listed(told, 40))
    # A merge, for a join on an index of several keys fails where a table is empty.
    read = bench.groupby(PLACE)[column].mean().rename("bench").reset_index()
    both = plots.merge(read, on=PLACE)[[column, "bench"]].dropna()
    ratio = (both[column] / both["bench"]).median()
    if len(both) >= FEWEST and abs(np.log(ratio)) > np.log(1.12):
        n = counted(len(both), "plot")
        for table in ("plots", "benchtop"):
            yield from found("test-weight-ratio", table, ratio=ratio, n=n)


def _temperatures(frames: Frames) -> Iterator[Finding]:
    """Yield temperatures that look like degrees Fahrenheit."""
    for table, frame in frames.items():
        for column in (c for c in map(str, frame) if c.endswith("temp_c")):
            by = "trial" if "trial" in frame else "curve"
            medians = frame.groupby(by)[column].median()
            odd = medians[(medians > _WARMEST) | (medians < _COLDEST)]
            told = listed([f"{name} ({value:.0f})" for name, value in odd.items()], 40)
            rows, parts = frame.index[frame[by].isin(odd.index)], {"column": column}
            yield from found("temperatures", table, rows, told=told, by=by, **parts)


def values_apart(frames: Frames) -> Iterator[Finding]:
    """Yield single values far from their group's.

    The limits are defaults of this kit, wide enough that honest harvest data rarely
    pass them (tests/calibration/ALARMS.md).
    """
    plots, name = frames["plots"], "mass per area in kg/ha"
    yield from _apart(odd_yields(plots), "plots", "its trial and entry", name)
    yield from _apart(odd_readings(plots), "plots", "its trial and entry")
    rules = [(t, c, rule) for t, of in SCHEMAS.items() for c, rule in of.items()]
    for table, column, rule in rules:
        if rule.near and rule.kind != TIME:
            values = scaled = frames[table][column].astype(float)
            most = rule.apart
            if not column.endswith("_c"):
                scaled, most = pd.Series(np.log(values.where(values > 0))), np.log(most)
            far = _distance(scaled, frames[table][rule.near]).abs() > most
            yield from _apart(values[far], table, f"its {rule.near}")
    for table in ("setup_runs", "check_runs"):
        runs, limit = frames[table], threshold("run_apart")
        known, error = runs["known_pct"], runs["sensor_pct"] - runs["known_pct"]
        far = _distance(error, runs["curve"]).abs()
        spread = _ROBUST * far.groupby(runs["curve"]).transform("median")
        odd = error[(far > 6 * spread) & (far > limit)].round(2)
        yield from _apart(odd, table, "its curve", "sensor_pct − known_pct")
        own = known.groupby(runs["sample"]).transform("median")
        yield from _apart(known[(known - own).abs() > limit], table, "its sample")


def _distance(values: pd.Series, groups) -> pd.Series:
    """Return how far each value lies from its group's median, in a group of many."""
    by_group = values.groupby(groups)
    many = by_group.transform("count") >= FEWEST
    return (values - by_group.transform("median")).where(many)


def _apart(values: pd.Series, table: str, where: str, name="") -> list[Finding]:
    """Return one finding for the values of a column that stand apart."""
    shown = listed([f"{value:g}" for value in values], most=5)
    parts = {"name": name or values.name, "where": where, "shown": shown}
    return found("value-apart", table, values.index, **parts)


def _unlike(values: pd.Series, plots: pd.DataFrame, from_trial: float, spreads: float):
    """Return how far plots lie from their entry's others, where they stand out.

    A plot stands out if it is further from its trial's median than `from_trial`, and
    further from the other plots of its entry (from the trial, if the entry has fewer
    than three) than so many robust SDs of such distances in its trial: dry and
    flooded corners of real trials differ as much as many a slip.
    """
    trial = plots["trial"]
    away = _distance(values, trial)
    by_entry = values.groupby([trial, plots["entry"]])
    n = by_entry.transform("count")
    others = (by_entry.transform("sum") - values) / (n - 1)
    left = (values - others.where(n > 2)).fillna(away)
    spread = _ROBUST * left.abs().groupby(trial).transform("median")
    return left.abs().where((away.abs() > from_trial) & (left.abs() > spreads * spread))


def odd_yields(plots: pd.DataFrame) -> pd.Series:
    """Return plots whose mass per area is hardly possible beside the others. [kg/ha]"""
    grain = log_yield(plots)
    left = _unlike(grain, plots, np.log(1.5), threshold("plot_yield_spreads"))
    return np.exp(grain[left > np.log(threshold("plot_yield_factor"))]).round()


def odd_readings(plots: pd.DataFrame) -> pd.Series:
    """Return readings far outside the spread of their trial and entry. [%]

    A reading that several plots share is told of as that of a sensor that stuck.
    """
    reading = plots["sensor_pct"]
    left = _unlike(reading, plots, threshold("reading_apart"), 5)
    shared = reading.groupby([plots["trial"], reading]).transform("size") > 2
    return reading[(left > 3) & ~shared]
