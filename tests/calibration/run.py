"""Season after season of every scenario: coverage of intervals, cost of advice.

From the folder tests: python -m calibration.run --seasons 2000 --seed 1
"""

import argparse
import time
from collections.abc import Iterable
from pathlib import Path
from zlib import crc32

import numpy as np
import pandas as pd
from scipy.stats import binomtest

from calibration.measures import audit_crop, audit_season
from calibration.scenarios import CROPS, SCENARIOS, Scenario
from calibration.seasons import draw_season
from calibration.truth import Truth, truth_of
from kitlib.curves.advice import ACTIONS
from kitlib.intake.outputs import versions
from kitlib.statistics.clustered import clustered_mean

RESULTS = Path(__file__).parent / "results"
GOAL = (0.94, 0.96)


def chance(scenario, seed: int) -> np.random.Generator:
    """Return a scenario's own stream of chance, whatever else is run."""
    return np.random.default_rng([seed, crc32(scenario.name.encode())])


def run_curve(scenario: Scenario, truth: Truth, seasons: int, seed: int):
    """Return the intervals and the costs of many seasons, one row each."""
    rng = chance(scenario, seed)
    checks, costs = [], []
    for season in range(seasons):
        found, cost = audit_season(scenario, truth, rng)
        checks += [(season, c.quantity, *c.interval, c.true) for c in found]
        costs.append({**vars(cost), "best": cost.best})
    return checked_table(checks), pd.DataFrame(costs)


def run_crop(scenario, seasons: int, seed: int):
    """Return the intervals of many seasons of a crop, and mean squared errors."""
    rng = chance(scenario, seed)
    checks, squares = [], []
    for season in range(seasons):
        found, squared = audit_crop(scenario, rng)
        checks += [(season, c.quantity, *c.interval, c.true) for c in found]
        squares.append(squared)
    return checked_table(checks), pd.DataFrame(squares)


def bias_row(scenario: Scenario, seasons: int, seed: int) -> dict:
    """Return the coverage of the bias alone, which costs little: for many seasons."""
    rng = chance(scenario, seed)
    true = scenario.bias + scenario.wild_share * scenario.wild_size
    held = 0
    for _ in range(seasons):
        drawn = draw_season(scenario, rng)
        error = drawn.samples.sensor_pct - drawn.reference_pct
        held += clustered_mean(error, drawn.samples.trial).interval().holds(true)
    share = covered(held / seasons, seasons)
    return {"scenario": scenario.name, "seasons": seasons, **share}


def checked_table(rows: Iterable[tuple]) -> pd.DataFrame:
    """Return intervals with the values they should hold."""
    table = pd.DataFrame(rows, columns=["season", "quantity", "low", "high", "true"])
    table["known"] = table["low"].notna() & table["true"].notna()
    inside = (table["low"] <= table["true"]) & (table["true"] <= table["high"])
    return table.assign(holds=inside, width=table["high"] - table["low"])


def coverage_table(scenario, checked: pd.DataFrame) -> pd.DataFrame:
    """Return how often the intervals of each quantity held the true value."""
    rows = []
    for quantity, group in checked.groupby("quantity", sort=False):
        known = group[group["known"]]
        rows.append(
            {
                "scenario": scenario.name,
                "quantity": quantity,
                "seasons": group["season"].nunique(),
                "intervals": len(group),
                "not_known": 1 - len(known) / len(group),
                **covered(known["holds"].mean(), known["season"].nunique()),
                "median_width": known["width"].median(),
                "median_true": known["true"].median(),
            }
        )
    return pd.DataFrame(rows)


def covered(share: float, seasons: int) -> dict:
    """Return a coverage, its 95 % interval (Wilson) and how it meets the goal.

    "met" where the interval of the coverage reaches into the goal. Several intervals
    of a season count as one season, as they share its errors.
    """
    if seasons == 0:
        return {"coverage": np.nan, "from": np.nan, "to": np.nan, "goal": "not known"}
    held = round(share * seasons)
    low, high = binomtest(held, seasons).proportion_ci(method="wilson")
    goal = "below" if high < GOAL[0] else "above" if low > GOAL[1] else "met"
    return {"coverage": share, "from": low, "to": high, "goal": goal}


def decision_row(scenario: Scenario, truth: Truth, costs: pd.DataFrame) -> dict:
    """Return how often each action was advised, and what it cost in new trials.

    The true bias is that over plots taken at random, which the advice is for.
    """
    share = costs["action"].value_counts(normalize=True).reindex(ACTIONS, fill_value=0)
    mean = costs[["advised", "none", "offset", "line", "best"]].mean()
    return {
        "scenario": scenario.name,
        "seasons": len(costs),
        "true_bias": scenario.bias,
        "gain": scenario.gain,
        **share.to_dict(),
        "open_slope": (costs["open_question"] == "slope").mean(),
        "false_shift": share["shift"] if scenario.bias == 0 else np.nan,
        "wrong_reslope": share["reslope"] if scenario.gain == 1 else np.nan,
        "wrong_rebuild": share["rebuild"] if scenario.straight else np.nan,
        **{f"rmse_{name}": value for name, value in mean.items()},
        "rmse_true_line": truth.best_rmse,
    }


def pooling_row(scenario, squares: pd.DataFrame) -> dict:
    """Return the RMSE of the offset applied to a curve, by what is applied."""
    rmse = np.sqrt(squares.mean())
    left = {f"rmse_{name}": value for name, value in rmse.items()}
    return {
        "scenario": scenario.name,
        "seasons": len(squares),
        "curves": scenario.curves,
        "sd_between": scenario.between,
        **left,
    }


class Results:
    """Tables in a folder; each scenario's rows replace those it had before."""

    def __init__(self, folder: Path):
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)

    def put(self, name: str, rows) -> None:
        """Put a scenario's rows into a table, scenarios in their order."""
        path, table = self.folder / f"{name}.csv", pd.DataFrame(rows).round(4)
        if path.exists():
            before = pd.read_csv(path)
            others = before[~before["scenario"].isin(table["scenario"])]
            table = pd.concat([others, table])
        order = [scenario.name for scenario in (*SCENARIOS, *CROPS)]
        place = table["scenario"].map(order.index)
        table.iloc[place.argsort(kind="stable")].to_csv(path, index=False)


def arguments() -> argparse.Namespace:
    """Return what the command was told."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seasons", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--bias-only", action="store_true")
    parser.add_argument("--scenario", action="append", help="only these; repeatable")
    parser.add_argument("--out", type=Path, default=RESULTS)
    return parser.parse_args()


def main() -> None:
    """Run the scenarios asked for and write their tables."""
    told = arguments()
    results = Results(told.out)
    used = ["python", "numpy", "scipy", "pandas", "statsmodels"]
    said = ", ".join(f"{name} {versions()[name]}" for name in used)
    (told.out / "versions.txt").write_text(said + "\n", encoding="utf-8")
    for scenario in (*SCENARIOS, *CROPS):
        if told.scenario and scenario.name not in told.scenario:
            continue
        start = time.perf_counter()
        if told.bias_only:
            results.put("bias", [bias_row(scenario, told.seasons, told.seed)])
            continue
        if isinstance(scenario, Scenario):
            truth = truth_of(scenario, told.seed)
            checked, costs = run_curve(scenario, truth, told.seasons, told.seed)
            results.put("decisions", [decision_row(scenario, truth, costs)])
        else:
            checked, squares = run_crop(scenario, told.seasons, told.seed)
            results.put("pooling", [pooling_row(scenario, squares)])
        results.put("coverage", coverage_table(scenario, checked))
        print(f"{scenario.name}: {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
