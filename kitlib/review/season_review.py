"""Why the curves performed as they did, and what the next season should do."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

from kitlib.review.earlier_seasons import EarlierSeason, read_earlier
from kitlib.review.error_sources import ErrorSources
from kitlib.review.offset_history import OffsetHistory
from kitlib.review.parallel_curves import Comparison, compare_curves
from kitlib.review.plan_costs import HOURS, Costs
from kitlib.review.repeatability import Repeatability
from kitlib.review.season_curves import CurveReview, SeasonCurves
from kitlib.season.season_audit import SeasonAudit


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonReview:
    """A season explained.

    Attributes
    ----------
    season : SeasonAudit
    curves : dict of CurveReview
        Every curve of the register, in order of crop and name.
    parallel : tuple of Comparison
        Curves recorded on the same plots, pair by pair.
    crop_sources : dict of ErrorSources
        By crop, over the curves that served plots.
    repeats_by_sensor : dict of Repeatability
    sensor_histories : dict of OffsetHistory
        By sensor; none without earlier seasons.
    earlier : tuple of EarlierSeason
    unread : tuple of str
        Why an earlier season's folder was not used.
    costs : Costs
    """

    season: SeasonAudit
    curves: dict[str, CurveReview]
    parallel: tuple[Comparison, ...]
    crop_sources: dict[str, ErrorSources]
    repeats_by_sensor: dict[str, Repeatability]
    sensor_histories: dict[str, OffsetHistory]
    earlier: tuple[EarlierSeason, ...]
    unread: tuple[str, ...]
    costs: Costs


def review_season(
    season: SeasonAudit,
    earlier: Sequence[str | Path] = (),
    costs: Costs | None = None,
    wanted_half_width: float | None = None,
) -> SeasonReview:
    """Return why a season's curves performed as they did, and a plan for the next.

    Parameters
    ----------
    season : SeasonAudit
    earlier : sequence of str or Path
        Output folders of earlier seasons, the earliest first.
    costs : Costs, optional
        Of a trial visit, a sample, a dish and a benchtop reading, in one unit; by
        default the season's setting, or hours of work.
    wanted_half_width : float, optional
        Of the bias's interval, for every curve; by default the season's setting, or
        half the allowed bias. [% moisture]

    Returns
    -------
    SeasonReview
        Whatever a missing or empty table leaves open is not known, and says so.
    """
    settings = season.settings
    if costs is None:
        costs = Costs(**settings.costs.model_dump()) if settings.costs else HOURS
    wanted_half_width = wanted_half_width or settings.wanted_half_width
    past, unread = _earlier(settings.name, earlier)
    curves = SeasonCurves(season, past, costs, wanted_half_width)
    return SeasonReview(
        season=season,
        curves={curve: curves.review(curve) for curve in curves.order},
        parallel=tuple(_parallel(season)),
        crop_sources={c: s for c, s in curves.crop_sources.items() if s},
        repeats_by_sensor=curves.repeats,
        sensor_histories=curves.sensor_histories() if past else {},
        earlier=tuple(past),
        unread=tuple(unread),
        costs=costs,
    )


def _earlier(name: str, folders) -> tuple[list[EarlierSeason], list[str]]:
    """Return the earlier seasons that can be read, and why others are not used."""
    past, unread = [], []
    for folder in folders:
        found, why = read_earlier(folder)
        if found is not None and found.name == name:
            found, why = None, f"{found.name} is this very season"
        if found is None:
            unread.append(why)
        else:
            past.append(found)
    return past, unread


def _parallel(season: SeasonAudit):
    """Yield how each two curves recorded on the same plots compare."""
    pairs = season.pairing.pairs
    pairs = pairs[pairs["used"]]
    by_curve = {
        c: p.set_index(["trial", "plot", "sample"]) for c, p in pairs.groupby("curve")
    }
    beside = set(pairs.loc[pairs["parallel"], "curve"])
    for first, second in combinations(sorted(by_curve), 2):
        if not beside & {first, second}:
            continue  # two curves' own plots have no sample in common
        one, other = by_curve[first], by_curve[second]
        shared = one.index.intersection(other.index)
        if len(shared) > 1:
            one, other = one.loc[shared], other.loc[shared]
            yield compare_curves(
                first,
                second,
                one["error"],
                other["error"],
                one["reference_pct"],
                shared.get_level_values("trial"),
                season.settings.confidence,
            )
