"""Set-up and check runs of one curve, restated and made ready to be judged."""

from math import isfinite, nan

import numpy as np
import pandas as pd

from kitlib.curves.samples import tried
from kitlib.review.check_limits import SetupChart, setup_chart
from kitlib.review.check_occasions import CheckRuns, check_runs, offset_at
from kitlib.review.control_charts import calibration_line
from kitlib.review.repeatability import Repeatability, repeatability

# Optional column of set-up and check runs: the offset each reading holds.
IN_FORCE = "offset_in_force"


def loaded_offset(register: pd.Series) -> float:
    """Return the offset loaded, nan where several were and which is not known."""
    return nan if register["offset_mixed"] else float(register["offset_loaded"])


def offsets_in(runs: pd.DataFrame, default) -> np.ndarray:
    """Return the offset in each reading: as recorded, or `default`. [% moisture]."""
    default = np.broadcast_to(np.asarray(default, float), len(runs))
    if IN_FORCE not in runs:
        return default.copy()
    told = pd.to_numeric(runs[IN_FORCE], errors="coerce").to_numpy(float)
    return np.where(np.isfinite(told), told, default)


def repeated_runs(setup: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Return the errors of a curve's runs with a label for those that repeat another.

    Set-up runs repeat within a sample, check runs within a sample and day. Columns
    error, repeats.
    """
    parts = []
    for runs, days in ((setup, False), (checks, True)):
        whole = runs[runs[["known_pct", "sensor_pct"]].notna().all(axis=1)]
        label = whole["sample"].astype(str)
        if days:
            label = label + whole["run_at"].dt.strftime(" on %Y-%m-%d")
            whole, label = whole[label.notna()], label[label.notna()]
        error = whole["sensor_pct"] - whole["known_pct"] - offsets_in(whole, 0.0)
        parts.append(pd.DataFrame({"error": error, "repeats": label.astype(object)}))
    return pd.concat(parts, ignore_index=True)


def repeats_of(runs: pd.DataFrame) -> Repeatability:
    """Return the repeatability of runs as `repeated_runs` gives them."""
    return repeatability(runs["error"], runs["repeats"])


def checks_of(
    setup: pd.DataFrame, checks: pd.DataFrame, plots: pd.DataFrame, loaded: float
) -> CheckRuns | None:
    """Return a curve's check runs day by day, set-up runs of the same samples first.

    None where there are none.
    """
    if checks.empty or not isfinite(loaded):
        return None
    by_plots = offset_at(
        checks["run_at"], plots["harvested_at"], plots["offset_in_force"], loaded
    )
    early = setup[setup["sample"].isin(checks["sample"])]
    columns = ["sample", "known_pct", "sensor_pct", "run_at"]
    runs = pd.concat(
        [early[columns].assign(at_setup=True), checks[columns].assign(at_setup=False)],
        ignore_index=True,
    )
    offset = [offsets_in(early, loaded), offsets_in(checks, by_plots)]
    found = check_runs(runs, np.concatenate(offset), loaded)
    return found if len(found.cells) else None


def setup_chart_of(
    checks: CheckRuns | None, setup: pd.DataFrame, loaded: float, level: float
) -> SetupChart | None:
    """Return the chart of check samples against the set-up runs' line.

    The retained samples themselves are not on the line; each other counts once.
    """
    if checks is None:
        return None
    rest = setup[~setup["sample"].isin(checks.cells["sample"])]
    reading = rest["sensor_pct"] - offsets_in(rest, loaded) + loaded
    means = rest.assign(sensor_pct=reading).groupby("sample")
    means = means[["known_pct", "sensor_pct"]].mean().dropna()
    line, _ = tried(calibration_line, means["known_pct"], means["sensor_pct"])
    if line is None or not line.residual_sd > 0:
        return None
    return setup_chart(checks, line, level)
