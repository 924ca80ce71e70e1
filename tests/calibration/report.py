"""RESULTS.md from the tables of results/: every figure in it is of that run.

From the folder tests: python -m calibration.report > calibration/RESULTS.md
"""

import pandas as pd

from calibration.run import RESULTS
from calibration.scenarios import CROPS, SCENARIOS

STORIES = {scenario.name: scenario.story for scenario in (*SCENARIOS, *CROPS)}

HEAD = """# Do the intervals cover, and is the advice calm?

Made in the folder `tests` by `python -m calibration.run` on the committed code, seed
1: {seasons} seasons of each of {curves} curves and {crop_seasons} of each of {crops}
crops, with {versions}.
`python -m calibration.report` wrote this page from the tables of `results/`; it holds
no figure from elsewhere.

The fewest seasons tell a coverage of 95 % to ±{half:.0f} points. An interval is said to
miss the goal of 94 to 96 % only where its coverage's own 95 % interval (Wilson) lies
wholly beside it; `results/coverage.csv` holds all of them. True values: as the
scenario states them for biases of samples taken at random, gains and effects; all
others from 500,000 simulated plots (`truth.py`).

## Coverage of 95 % intervals

"Short" is a coverage below the goal, "long" one above it, on the safe side. Of so many
cells a few miss by chance. Where errors rise between trials but not within them
(*between-only*) there is no one gain, and the gain within trials is told beside it.

| interval | lowest to highest | meets the goal | short in | long in |
|---|---|---|---|---|
"""

UNEQUAL = """
## Where trials are of very unequal size, skewed or off altogether

The bias alone, {bias_seasons} seasons of each (`--bias-only`; widths are of the run
above).

| scenario | trials | coverage of the bias, CR2 | median width | by Kenward–Roger |
|---|---|---|---|---|
"""

CHOICE = """
The bias is told with CR2. Where one trial carries the mean, the others hardly tell
how trials differ, and with trials off altogether or skewed errors most seasons hold
none of what makes the mean uncertain: no interval can know of it. Kenward–Roger is no
better headline: its interval holds with two trials of 2 and 30 samples because it is
without use there. A wild cluster bootstrap-t was tried on scenarios of its own: it
holds a little more often than CR2 where errors are skewed, and where trials are alike
no better; with two or three trials it is without an end, its ends come from random
draws, and it gives no standard error and degrees of freedom, which the chances, the
advice and the plan rest on. So it was not
taken over.

## Advice

Share of seasons by action, and the RMSE in new trials against that of a curve left
alone and of the best of no change, an offset and a line, known from the truth.

| scenario | bias | gain | keep | shift | reslope | rebuild | unresolved | \
RMSE advised | left alone | best |
|---|---|---|---|---|---|---|---|---|---|---|
"""

POOLED = """
With a known SEP at set-up (*as-at-setup*, *worse-than-setup*) the SEP is held against
ISO 12099's limit, and *rebuild* says that it is beyond it.

## Offsets of a crop's curves

RMSE of the offset applied to a curve: none, as measured, and drawn towards the
others.

| crop | curves | none | measured | shrunken | coverage of the shrunken |
|---|---|---|---|---|---|
"""

END = """
Every second curve of the unequal crops is several times as scattered as the others.
Under five curves no shrunken offset is given.

## What a reader should take from it

Trust the biases and slopes of samples taken blind to the reading. Where they were
picked by their readings, read the bias and the gain over the harvested plots: they
hold, if errors go straight with the reading inside a trial. If one sensor serves all
trials, its bias says nothing of other sensors.
"""


def percent(share: float) -> str:
    """Return a share as a reader sees it."""
    return f"{100 * share:.1f} %"


def named(rows: pd.DataFrame) -> str:
    """Return scenarios with their coverage."""
    pairs = zip(rows["scenario"], rows["coverage"], strict=True)
    return ", ".join(f"*{name}* {percent(share)}" for name, share in pairs)


def coverage_rows(coverage: pd.DataFrame) -> list[str]:
    """Return a row for each kind of interval."""
    rows = []
    for quantity, found in coverage.dropna(subset="coverage").groupby(
        "quantity", sort=False
    ):
        short, long = (found[found["goal"] == word] for word in ("below", "above"))
        met = f"{(found['goal'] == 'met').sum()} of {len(found)}"
        low, high = percent(found["coverage"].min()), percent(found["coverage"].max())
        cells = (quantity, f"{low} to {high}", met, named(short), named(long))
        rows.append("| " + " | ".join(cells) + " |")
    return rows


def bias_rows(bias: pd.DataFrame, coverage: pd.DataFrame) -> list[str]:
    """Return the bias's intervals of the scenarios run for longer."""
    rows = []
    for found in bias.itertuples():
        ends = f"{percent(found.low)} to {percent(found.high)}"
        cells = [f"*{found.scenario}*", STORIES[found.scenario]]
        cells.append(f"{percent(found.coverage)} ({ends})")
        own = coverage[coverage["scenario"] == found.scenario].set_index("quantity")
        for method in ("CR2", "Kenward-Roger"):
            known = own["median_width"].get(f"bias, {method}")
            shown = "not run" if known is None else f"{known:.2f}"
            cells.append(shown if known is None or known < 100 else "over 100")
        rows.append("| " + " | ".join(cells) + " |")
    return rows


def decision_rows(decisions: pd.DataFrame) -> list[str]:
    """Return a row for each scenario."""
    rows = []
    for row in decisions.itertuples():
        actions = (row.keep, row.shift, row.reslope, row.rebuild, row.unresolved)
        rmse = (row.rmse_advised, row.rmse_none, row.rmse_best)
        cells = [row.scenario, f"{row.true_bias:g}", f"{row.gain:g}"]
        cells += [percent(share) for share in actions] + [f"{one:.3f}" for one in rmse]
        rows.append("| " + " | ".join(cells) + " |")
    return rows


def pooling_rows(pooling: pd.DataFrame, coverage: pd.DataFrame) -> list[str]:
    """Return a row for each crop."""
    shrunken = coverage[coverage["quantity"] == "shrunken offset"].set_index("scenario")
    rows = []
    for row in pooling.itertuples():
        own = shrunken.loc[row.scenario]
        ends = f"{percent(own['from'])} to {percent(own['to'])}"
        rmse = (row.rmse_none, row.rmse_raw, row.rmse_shrunken)
        cells = [STORIES[row.scenario], str(row.curves)]
        cells += [f"{one:.3f}" for one in rmse]
        rows.append(f"| {' | '.join(cells)} | {percent(own['coverage'])} ({ends}) |")
    return rows


def main() -> None:
    """Print the page."""
    coverage, decisions, pooling, bias = (
        pd.read_csv(RESULTS / f"{name}.csv")
        for name in ("coverage", "decisions", "pooling", "bias")
    )
    bias = bias.rename(columns={"from": "low", "to": "high"})
    seasons, most = decisions["seasons"].min(), decisions["seasons"].max()
    head = HEAD.format(
        seasons=seasons if seasons == most else f"{seasons} to {most}",
        curves=len(decisions),
        crop_seasons=pooling["seasons"].min(),
        crops=len(pooling),
        versions=(RESULTS / "versions.txt").read_text(encoding="utf-8").strip(),
        half=100 * 1.96 * (0.95 * 0.05 / seasons) ** 0.5,
    )
    print(head + "\n".join(coverage_rows(coverage)))
    if absent := [name for name in STORIES if name not in set(coverage["scenario"])]:
        print(f"\nNot in this run: {', '.join(absent)}.")
    print(
        UNEQUAL.format(bias_seasons=bias["seasons"].min())
        + "\n".join(bias_rows(bias, coverage))
    )
    print(CHOICE + "\n".join(decision_rows(decisions)))
    print(POOLED + "\n".join(pooling_rows(pooling, coverage)))
    print(END, end="")


if __name__ == "__main__":
    main()
