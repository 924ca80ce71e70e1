"""How often real trials give an alarm as they are, and with planted mistakes.

    python tests/calibration/alarms.py barrero.csv > tests/calibration/ALARMS.md

The file holds the data set barrero.maize of agridat (columns as in
tests/oracle/data/texas_maize_2001_2003.csv). Each harvest year is a season.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from real_trials import plots_of, read_trials, write_season

from kitlib.intake import units
from kitlib.intake.units import odd_readings, odd_yields
from kitlib.runs.before_audit import check_season

POUND = np.log(2.20462262)
EVIDENCE = ("moisture", "weight", "spread")


def features_of(trials: pd.DataFrame) -> pd.DataFrame:
    """Return the features of every trial of every year, by year and trial."""
    years = {
        year: units.trial_features(plots_of(own)).droplevel(0)
        for year, own in trials.groupby("year")
    }
    return pd.concat(years, names=["year", "trial"])


def alarmed(features: pd.DataFrame, planted: float = 0.0) -> pd.Series:
    """Return which trials are told of, each planted alone in its year."""
    found = {}
    for (year, name), trial in features.iterrows():
        others = features.loc[year].drop(name)
        changed = trial + pd.Series({"grain": planted}).reindex(trial.index).fillna(0)
        found[year, name] = units.beyond_evidence(changed, others) != 0
    return pd.Series(found)


def fitted(features: pd.DataFrame) -> pd.Series:
    """Return what evidence says of the log of yield, within years."""
    centred = features - features.groupby(level="year").transform("mean")
    x = centred[list(EVIDENCE)]
    return pd.Series(np.linalg.lstsq(x, centred["grain"], rcond=None)[0], EVIDENCE)


def with_places_known(features: pd.DataFrame, place: pd.Series) -> str:
    """Return what knowing the places' other years would add, years left out.

    What a place left over in the other years, drawn towards none by one trial, is
    taken off. The kit is given one season and does not know it.
    """
    away, limits = [], []
    for year in features.index.unique("year"):
        rest, own = features.drop(year, level="year"), features.loc[[year]]
        rule, at = fitted(rest), place[rest.index].to_numpy()
        left = pd.Series(_left(rest, rule))
        sums, n = (left.groupby(at).transform(how) for how in ("sum", "size"))
        limits += [2.8 * np.std(left - (sums - left) / n)] * len(own)
        usual = left.groupby(at).agg(lambda of_one: of_one.sum() / (of_one.size + 1))
        away.append(_left(own, rule) - place[own.index].map(usual).fillna(0))
    every, limit = np.concatenate(away), np.array(limits)
    found = np.mean(every + POUND > limit)
    return f"{np.mean(np.abs(every) > limit):.1%} false, {found:.0%} found"


def with_years_left_out(features: pd.DataFrame) -> list[str]:
    """Return, a row a year, a rule fitted on the other years and tried on that one."""
    rows = []
    for year in features.index.unique("year"):
        rest = features.drop(year, level="year")
        rule = fitted(rest)
        limit = 2.8 * np.std(_left(rest, rule))
        own = _left(features.loc[[year]], rule)
        false = np.mean(np.abs(own) > limit)
        found = np.mean(own + POUND > limit)
        numbers = " | ".join(f"{rule[name]:.3f}" for name in EVIDENCE)
        rows.append(
            f"| {year} | {numbers} | {np.exp(limit):.2f} | {false:.1%} | {found:.0%} |"
        )
    return rows


def _left(features: pd.DataFrame, rule: pd.Series) -> np.ndarray:
    """Return each trial's log yield less that of the others and the evidence."""
    left = []
    for (year, name), trial in features.iterrows():
        away = trial - features.loc[year].drop(name).median()
        left.append(away["grain"] - away[list(EVIDENCE)] @ rule)
    return np.array(left)


def value_alarms(trials: pd.DataFrame, planted: float = 0.0) -> float:
    """Return the share of plots told of, by yield, each planted alone if asked."""
    plots = plots_of(trials).reset_index(drop=True)
    if not planted:
        told = odd_yields(plots).index.union(odd_readings(plots).index)
        return len(told) / len(plots)
    hits, tried = 0, plots.index[:: len(plots) // 40]
    for row in tried:
        changed = plots.copy()
        changed.loc[row, "plot_mass_kg"] *= np.exp(planted)
        hits += row in odd_yields(changed).index
    return hits / len(tried)


def mixed(trials: pd.DataFrame, share: float) -> float:
    """Return the share of trials told of, with that share of their plots in lb."""
    plots = plots_of(trials).reset_index(drop=True)
    chance = np.random.default_rng(1).random(len(plots))
    heavy = np.where(chance < share, np.exp(POUND), 1.0)
    told = list(
        units.mixed_trials(
            {"plots": plots.assign(plot_mass_kg=plots["plot_mass_kg"] * heavy)}
        )
    )
    rows = [row for found in told for row in found.rows]
    return plots.loc[rows, "trial"].nunique() / plots["trial"].nunique()


def whole_checks(trials: pd.DataFrame) -> list[str]:
    """Return, a row a year, the alarms of `moisture-audit check` on it as it is."""
    rows = []
    for year, own in trials.groupby("year"):
        with tempfile.TemporaryDirectory() as folder:
            found = check_season(write_season(own, Path(folder))).findings
        told = {code: 0 for code in ("unit-doubtful", "value-apart")}
        for each in found:
            if each.code in told:
                told[each.code] += max(len(each.rows), 1)
        counts = " | ".join(str(n) for n in told.values())
        rows.append(f"| {year} | {own['env'].nunique()} | {len(own)} | {counts} |")
    return rows


def main(path: str) -> None:
    """Print the report."""
    trials = read_trials(Path(path))
    features = features_of(trials)
    n = len(features)
    as_they_are = alarmed(features)
    in_lb, in_kg = alarmed(features, POUND), alarmed(features, -POUND)
    bare = features.assign(weight=np.nan)
    bare_lb, bare_kg = alarmed(bare, POUND), alarmed(bare, -POUND)
    print(f"""# Alarms on real trials

{n} maize trials of {features.index.get_level_values(0).nunique()} harvest years \
(agridat `barrero.maize`; Barrero and others 2013), each year a season.
Made by `python tests/calibration/alarms.py`; sensor = oven = recorded moisture.

| trials told of as another unit | with test weight | without |
|---|---|---|
| as they are | {as_they_are.mean():.1%} | {alarmed(bare).mean():.1%} |
| one trial's masses in lb for kg | {in_lb.mean():.0%} | {bare_lb.mean():.0%} |
| one trial's masses in kg for lb | {in_kg.mean():.0%} | {bare_kg.mean():.0%} |

## Years left out

Evidence and limit (2.8 SD) fitted on the other years, then tried on the year.
What the kit uses is rounded towards zero and limited, not these numbers.

| year | log yield per point | per log test weight | per log spread | limit, times | \
false | found |
|---|---|---|---|---|---|---|""")
    print("\n".join(with_years_left_out(features)))
    place = trials.drop_duplicates(["year", "env"]).set_index(["year", "env"])["loc"]
    print("\nWith what the same places showed in the other years, all years together:")
    print(f"{with_places_known(features, place)}.")
    years = dict(list(trials.groupby("year")))
    false = np.average(
        [value_alarms(own) for own in years.values()],
        weights=[len(own) for own in years.values()],
    )
    print(f"""
## Single plots

Plots told of as they are: {false:.2%}. One plot in lb for kg is told of in \
{np.mean([value_alarms(own, POUND) for own in years.values()]):.0%}, in kg for lb in \
{np.mean([value_alarms(own, -POUND) for own in years.values()]):.0%}.

## lb and kg mixed within a trial, at random over its plots

| share of plots in lb | trials told of |
|---|---|""")
    for share in (0.0, 0.2, 0.35, 0.5):
        told = np.mean([mixed(own, share) for own in years.values()])
        print(f"| {share:.0%} | {told:.0%} |")
    print("""
## `moisture-audit check` on the years as they are

| year | trials | plots | rows with unit alarms | plots with value alarms |
|---|---|---|---|---|""")
    print("\n".join(whole_checks(trials)))


if __name__ == "__main__":
    main(sys.argv[1])
