"""Labs, and oven methods, compared on the season's samples."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitlib.statistics.clustered import clustered_fit
from kitlib.words.errors import NoSpread, TooFewSamples
from kitlib.words.estimates import Estimate, not_known
from kitlib.words.findings import Finding
from kitlib.words.terms import listed, show, show_span

# Samples a curve (or meter and crop) needs before it can compare two labs.
_FEWEST_COMPARED = 5
UNNAMED_LAB = "lab not named"


@dataclass(frozen=True, kw_only=True)
class LabDifference:
    """How far one lab's (or one oven method's) results lie from the main one's.

    Attributes
    ----------
    what : str
        "lab" or "method".
    name, main : str
        The one compared, and the one that dried most samples.
    points : Estimate
        Result of `name` less that of `main` for grain of one moisture; not known,
        with the reason, where nothing was measured that both can be held against.
        [% moisture]
    low, high : float
        Ends of its interval, widened for the number of comparisons. [% moisture]
    through : str
        What they were compared by: "sensor" or "benchtop".
    moves : dict of str to float
        What each curve's bias would change by if `main` had dried all its samples.
        [% moisture]
    """

    what: str
    name: str
    main: str
    points: Estimate
    low: float
    high: float
    through: str
    moves: dict[str, float]

    def opens(self, curve: str, step: float) -> bool:
        """Say whether the difference leaves a curve's bias open by a setting step."""
        shown = self.low > 0 or self.high < 0
        return shown and abs(self.moves.get(curve, 0.0)) >= step


def compare_labs(
    pairs: pd.DataFrame, confidence: float = 0.95
) -> tuple[LabDifference, ...]:
    """Compare the labs, and the oven methods, that dried a season's samples.

    Two labs are compared within each curve that has samples of both: the sensor's
    error is regressed on lab and moisture, each curve with a level and a slope of its
    own, all curves pooled, trials as clusters (CR2). The same is done with the errors
    of the benchtop meter, within each meter and crop, and the narrower interval is
    taken.

    Parameters
    ----------
    pairs : DataFrame
        As in `Pairing.pairs`.
    confidence : float
        Level at which none of the differences is to be claimed by chance.

    Returns
    -------
    tuple of LabDifference
        Every lab and method against the one that dried most samples of the crop;
        empty where there is but one.
    """
    pairs = pairs[(pairs["basis"] == "oven") & ~pairs["parallel"]]
    pairs = pairs.assign(lab=pairs["lab"].fillna(UNNAMED_LAB))
    couples: dict[tuple[str, str, str], list] = {}
    for what in ("lab", "method"):
        if what == "method" and _one_method_each(pairs):
            continue  # a lab's own method cannot be told from the lab
        for crop, names in pairs.groupby("crop")[what]:
            by_size = names.value_counts().sort_index()
            main = str(by_size.idxmax())
            for name in by_size.index.drop([main]):
                couples.setdefault((what, str(name), main), []).append(crop)
    level = 1 - (1 - confidence) / max(len(couples), 1)
    return tuple(_compared(pairs, *couple, level) for couple in couples.items())


def _one_method_each(pairs: pd.DataFrame) -> bool:
    """Whether there are several labs, each with a method that no other has."""
    couples = pairs.drop_duplicates(["lab", "method"])
    return len(couples) == pairs["lab"].nunique() == pairs["method"].nunique() > 1


def _compared(pairs, names: tuple[str, str, str], crops, level) -> LabDifference:
    """Return how far one lab or method lies from the main one of some crops."""
    what, name, main = names
    both = pairs[pairs[what].isin([name, main])]
    bench = both[both["benchtop_pct"].notna() & both["meter"].notna()]
    bench_error = bench["benchtop_pct"] - bench["reference_pct"]
    sensor = both[both["used"]]
    routes = {
        "sensor": _lab_effect(sensor, sensor["error"], ["curve"], what, name),
        "benchtop": _lab_effect(bench, bench_error, ["meter", "crop"], what, name),
    }
    through = min(routes, key=lambda r: routes[r].se if routes[r].se > 0 else np.inf)
    points = routes[through]
    used = pairs[pairs["used"] & pairs["crop"].isin(crops)]
    share = (used[what] == name).groupby(used["curve"]).mean()
    low, high = points.interval(level)
    return LabDifference(
        what=what,
        name=name,
        main=main,
        points=points,
        low=low,
        high=high,
        through=through,
        moves={str(c): float(s * points.value) for c, s in share[share > 0].items()},
    )


def _lab_effect(rows, error, within, what, name) -> Estimate:
    """Return how much higher a lab's results are, by the errors against them."""
    group = rows.groupby(within)[what]
    many = group.transform("size") >= _FEWEST_COMPARED
    fit = many & (group.transform("nunique") > 1)
    rows, error = rows[fit], error[fit]
    codes = rows.groupby(within).ngroup().to_numpy()
    if rows.empty:
        return not_known(f"no samples of one {within[0]} were dried by both")
    level = (codes[:, None] == np.unique(codes)).astype(float)
    moisture = rows["reference_pct"] - rows["reference_pct"].mean()
    other = (rows[what] == name).to_numpy(float)
    design = np.column_stack([level, level * moisture.to_numpy()[:, None], other])
    try:
        fitted = clustered_fit(design, error, rows["trial"])
    except (TooFewSamples, NoSpread):
        return not_known(f"too few samples of one {within[0]} were dried by both")
    # A higher result is a lower error.
    return fitted.contrast([0.0] * (design.shape[1] - 1) + [-1.0])


def lab_findings(
    differences: Iterable[LabDifference], oven: pd.DataFrame, step: float
) -> list[Finding]:
    """Return which labs or methods disagree by enough to move a curve's bias."""
    found = []
    for each in differences:
        pair = f"{each.what} {each.name} and {each.what} {each.main}"
        pair = pair.replace(f"lab {UNNAMED_LAB}", UNNAMED_LAB)
        rows = oven.index[oven[each.what].fillna(UNNAMED_LAB) == each.name]
        if not each.points.known:
            said = f"{pair} cannot be compared: {each.points.remark}."
            found.append(Finding("labs-apart", said, "oven", tuple(rows)))
            continue
        open_curves = [curve for curve in each.moves if each.opens(curve, step)]
        if not open_curves:
            continue
        said = f"{pair} disagree: the first gives "
        said += f"{show(each.points.value, sign=True)} points ("
        said += f"{show_span(each.low, each.high, sign=True)}) on comparable samples, "
        said += f"judged by the {each.through}. The bias moves by "
        moved = [
            f"{show(each.moves[curve], sign=True)} (curve {curve})"
            for curve in open_curves
        ]
        found.append(
            Finding("labs-differ", f"{said}{listed(moved)}.", "oven", tuple(rows))
        )
    return found
