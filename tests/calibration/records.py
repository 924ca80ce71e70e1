"""How often records are doubted, rightly and falsely, in seasons made for it.

The scenarios are unlike those of `kitlib.simulation`: few trials, trials of 1 to 20
samples, heavy tails, a sensor that drifts, errors of trials that follow each other.
Run as `python -m calibration.records [SEASONS]` with tests/ on the path.
"""

import sys
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kitlib.curves.records import contradictions_by_curve
from kitlib.intake.pairs import PAIR_COLUMNS
from kitlib.intake.reference import compare_labs
from kitlib.intake.settings import Season

SETTINGS = Season(name="records")
START = pd.Timestamp("2025-09-01 09:00")
UNEQUAL = (1, 1, 2, 3, 4, 5, 6, 8, 12, 20)


@dataclass(frozen=True, kw_only=True)
class Doubt:
    """A season of curves on one crop, and what of its record is wrong."""

    name: str
    curves: int = 4
    trials: int = 8
    sizes: tuple[int, ...] = (5,)  # samples by trial, over and over
    sd_trial: float = 0.15  # of the error a trial shares [points]
    sd_sample: float = 0.3
    tails: float = np.inf  # degrees of freedom of both
    drift: float = 0.0  # of the error from the first trial to the last [points]
    memory: float = 0.0  # correlation of a trial's error with that before
    gain: float = 1.0  # sensor points per point of moisture
    recorded: float = 0.0  # change of offset on record in mid-season [points]
    loaded: float = 0.0  # and the one truly made
    lab_apart: float | None = None  # second lab in half the trials, off by so much
    apart: float = 0.8  # SD of the curves' offsets before any was set [points]
    shared: bool = False  # whether the curves share the trials
    swapped: bool = False  # whether two curves are exchanged in one trial


SOUND = Doubt(name="as usual")
FALSE = (
    SOUND,
    replace(SOUND, name="four trials", trials=4),
    replace(SOUND, name="five trials of 3", trials=5, sizes=(3,)),
    replace(SOUND, name="1 to 20 samples", trials=10, sizes=UNEQUAL),
    replace(SOUND, name="heavy tails", trials=10, tails=3.0),
    replace(SOUND, name="unequal, heavy", trials=10, sizes=UNEQUAL, tails=3.0),
    replace(SOUND, name="drift of 0.3", trials=10, drift=0.3),
    replace(SOUND, name="trials remember 0.5", trials=10, memory=0.5),
    replace(SOUND, name="gain of 0.9", trials=10, gain=0.9),
)


def draw_season(doubt: Doubt, rng: np.random.Generator) -> pd.DataFrame:
    """Return the pairs of a season, columns as in `Pairing.pairs`."""
    curves = [draw_curve(doubt, k, rng) for k in range(doubt.curves)]
    pairs = pd.concat(curves, ignore_index=True)
    if doubt.swapped:
        here = pairs["trial"] == f"T{rng.integers(doubt.trials):02d}"
        names = {"C0": "C1", "C1": "C0"}
        pairs.loc[here, "curve"] = pairs.loc[here, "curve"].replace(names)
    pairs["sample"] = [f"s{k}" for k in range(len(pairs))]
    return pairs.reindex(columns=PAIR_COLUMNS)


def draw_curve(doubt: Doubt, k: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return one curve's samples, trials three days apart."""

    def noise(sd, size):
        if np.isinf(doubt.tails):
            return rng.normal(0, sd, size)
        scale = sd / np.sqrt(doubt.tails / (doubt.tails - 2))
        return scale * rng.standard_t(doubt.tails, size)

    sizes = rng.permutation(np.resize(doubt.sizes, doubt.trials))
    trial = np.repeat(np.arange(doubt.trials), sizes)
    shared = noise(doubt.sd_trial, doubt.trials)
    for j in range(1, doubt.trials):
        kept = np.sqrt(1 - doubt.memory**2)
        shared[j] = doubt.memory * shared[j - 1] + kept * shared[j]
    # Grain dries through the season.
    day = trial / (doubt.trials - 1)
    moisture = 22 - 5 * day + rng.normal(0, 1.5, doubt.trials)[trial]
    moisture += rng.normal(0, 1.2, trial.size)
    error = shared[trial] + noise(doubt.sd_sample, trial.size) + doubt.drift * day
    error += (doubt.gain - 1) * (moisture - 18) + rng.normal(0, doubt.apart)
    later = trial >= doubt.trials // 2
    reference = moisture + rng.normal(0, 0.05, trial.size)
    labs = np.where((trial % 2 == 0) & (doubt.lab_apart is not None), "B", "A")
    reference += np.where(labs == "B", doubt.lab_apart or 0.0, 0.0)
    read = moisture + error + later * doubt.loaded
    restated = read - later * doubt.recorded
    names = trial if doubt.shared else trial + k * doubt.trials
    hours = rng.uniform(0, 8, doubt.trials)[trial]
    return pd.DataFrame(
        {
            "curve": f"C{k}",
            "crop": "maize",
            "trial": [f"T{name:02d}" for name in names],
            "plot": [f"p{name}" for name in range(trial.size)],
            "lab": labs,
            "method": "S352.2",
            "used": True,
            "parallel": False,
            "basis": "oven",
            "recorded_pct": read,
            "sensor_pct": restated,
            "reference_pct": reference,
            "reference_se": 0.05,
            "error": restated - reference,
            "harvested_at": START
            + pd.to_timedelta(3 * trial, unit="D")
            + pd.to_timedelta(hours, unit="h"),
        }
    )


def told(pairs: pd.DataFrame) -> set[str]:
    """Return the kinds of contradiction told of a season."""
    labs = compare_labs(pairs, SETTINGS.confidence)
    found = contradictions_by_curve(pairs, labs, SETTINGS).values()
    return {one.code or one.question for of_one in found for one in of_one}


def rates(doubt: Doubt, seasons: int, seed: int = 1) -> pd.Series:
    """Return the share of seasons in which each kind is told. [percent]."""
    rng = np.random.default_rng(seed)
    kinds = pd.Series(
        [kind for _ in range(seasons) for kind in told(draw_season(doubt, rng))]
    )
    return 100 * kinds.value_counts() / seasons


def table(doubts, seasons: int) -> pd.DataFrame:
    """Return the rates of scenarios side by side."""
    rows = {doubt.name: rates(doubt, seasons) for doubt in doubts}
    columns = ["offset-contradicted", "offset-unrecorded", "lab", "curves-exchanged"]
    return pd.DataFrame(rows).T.reindex(columns=columns).fillna(0.0).round(1)


def falsely_told() -> list[Doubt]:
    """Return the sound seasons: a right record, two labs alike, shared trials."""
    right = {"recorded": 0.5, "loaded": 0.5, "lab_apart": 0.0, "shared": True}
    return [replace(doubt, **right) for doubt in FALSE]


def rightly_told() -> list[Doubt]:
    """Return seasons whose record is wrong."""
    wrong = replace(SOUND, recorded=0.5, loaded=-0.5, name="wrong sign, 8 trials")
    shared = replace(SOUND, shared=True, swapped=True, curves=2)
    return [
        wrong,
        replace(wrong, trials=6, name="wrong sign, 6 trials"),
        replace(wrong, trials=4, name="wrong sign, 4 trials"),
        replace(wrong, recorded=-0.5, loaded=0.5, name="wrong sign of −0.5, 8 trials"),
        replace(SOUND, loaded=1.0, trials=10, name="1.0 loaded, not recorded"),
        replace(SOUND, lab_apart=-0.3, name="one lab 0.3 low"),
        *(
            replace(shared, apart=apart, name=f"swap, curves' offsets SD {apart}")
            for apart in (0.4, 0.8, 1.2)
        ),
    ]


def main() -> None:
    """Print both tables."""
    seasons = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print(table(falsely_told(), seasons).to_string())
    print(table(rightly_told(), seasons).to_string())


if __name__ == "__main__":
    main()
