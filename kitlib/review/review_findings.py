"""What a season's review finds: of set-up, of check samples, of other seasons."""

from collections.abc import Iterator
from math import isfinite

from kitlib.intake.settings import Season
from kitlib.review.parallel import NO_DIFFERENCE, Comparison
from kitlib.review.review import CurveCondition, CurveReview, SeasonReview
from kitlib.review.setup_causes import CAUSES, DOUBTFUL, UNRECORDED
from kitlib.words.findings import Finding
from kitlib.words.terms import counted, listed, show, show_span

_OPTIONAL = {
    "setup_runs": "the offset at set-up, what could be wrong with it and the "
    "repeatability of the sensor",
    "check_runs": "whether curves held through the season",
    "readings": "which of two curves would have served better",
}
Found = Iterator[tuple[str, str]]


def review_findings(review: SeasonReview) -> list[Finding]:
    """Return all that the review of a season found, curve by curve.

    Parameters
    ----------
    review : SeasonReview

    Returns
    -------
    list of Finding
        Codes of `findings.KINDS`.
    """
    level = review.season.settings.confidence
    found = []
    for name, part in _OPTIONAL.items():
        if review.season.tables[name].frame.empty:
            said = f"there are no {name}, so {part} could not be judged."
            found.append(Finding(code="review-open", table=name, message=said))
    for why in review.unread:
        found.append(Finding(code="history-not-read", message=f"{why}."))
    for one in review.curves.values():
        found += condition_findings(one, review.season.settings)
        found += _of_curve(one, _history(one, level))
    for comparison in review.parallel:
        found += _parallel(comparison)
    return found


def condition_findings(one: CurveCondition, settings: Season) -> list[Finding]:
    """Return what was found of a curve's set-up and of its check samples."""
    level = settings.confidence
    parts = (_setup(one), _offset(one, settings), _checks(one, level))
    return [found for part in parts for found in _of_curve(one, part)]


def tells_a_cause(found: Finding) -> bool:
    """Whether a finding is of a set-up's causes, which reports tell in a table."""
    told_twice = found.code == "setup-misloaded"  # what it says is to be acted on
    in_table = found.code in CAUSES or found.code == "setup-not-recorded"
    return in_table and not told_twice


def _of_curve(one: CurveCondition, found: Found) -> list[Finding]:
    """Return what was found of a curve as findings."""
    return [
        Finding(code=code, curve=one.curve, message=f"curve {one.curve}: {said}.")
        for code, said in found
    ]


def _setup(one: CurveCondition) -> Found:
    """Yield what may have put the offset wrong at set-up, and what is not recorded."""
    if one.setup.offset is None:
        return  # said once for the whole table, or by the table of causes
    for cause in one.setup.causes:
        if cause.found.verdict == DOUBTFUL:
            yield cause.code, cause.sentence()
    open_ones = [c for c in one.setup.causes if c.found.verdict == UNRECORDED]
    if open_ones:
        titles = [f"{c.cause.title.lower()} ({c.found.said})" for c in open_ones]
        yield "setup-not-recorded", f"not recorded, so not judged: {'; '.join(titles)}"


def _offset(one: CurveCondition, season: Season) -> Found:
    """Yield whether the offset found at set-up held, or why nobody can say."""
    settings, level = one.setup.settings, season.confidence
    if one.setup.looks_unloaded:
        yield (
            "setup-unclear",
            f"its set-up runs err by about minus the offset loaded "
            f"({show(settings.loaded, sign=True)}), as if read before it was; the "
            "column offset_in_force in setup_runs would tell",
        )
        return
    moved = settings.moved
    ends = moved.interval(level)
    if isfinite(ends.low) and not ends.holds(0.0):
        way = "higher" if moved.value > 0 else "lower"
        yield (
            "offset-not-held",
            f"this season's results call for an offset {show(abs(moved.value))} points "
            f"{way} than set-up gave (difference {show_span(*ends, sign=True)})",
        )


def _checks(one: CurveCondition, level: float) -> Found:
    """Yield whether its check samples stayed where they were."""
    chart = one.chart
    if chart is None:
        return
    if chart.remark:
        yield "check-not-judged", chart.remark
    out = {name: day for name, day in chart.first_out.items() if day is not None}
    if out:
        days = [f"{day:%Y-%m-%d} by {name}" for name, day in out.items()]
        yield "check-out-of-limits", f"check samples out of limits: {listed(days)}"
    ends = chart.drift.interval(level)
    if isfinite(ends.low) and not ends.holds(0.0):
        yield (
            "check-drifts",
            f"the error of its check samples moves by "
            f"{show(chart.drift.value, sign=True)} points in 30 days "
            f"({show_span(*ends, sign=True)})",
        )
    for sample, change in chart.runs.own_change.items():
        yield (
            "check-sample-changed",
            f"check sample {sample} changed by {show(change, sign=True)} points by its "
            "oven re-test; that is taken out of its errors",
        )


def _history(one: CurveReview, level: float) -> Found:
    """Yield whether this season's offset departs from what was seen before."""
    history = one.history
    if history.within(level) is False:
        yield (
            "history-departs",
            f"the season asks for a setting of {show(history.now.value, sign=True)}; "
            f"earlier ones foretell {show(history.expected.value, sign=True)} "
            f"({show_span(*history.expected.interval(level), sign=True)})",
        )


def _parallel(found: Comparison) -> list[Finding]:
    """Return which of two curves was shown to be better, or tighter."""
    said = [
        ("parallel-better", "RMSEP as loaded", found.better, found.rmsep),
        ("parallel-tighter", "SEP", found.tighter, found.sep),
    ]
    names = f"curves {found.first} and {found.second} on {counted(found.n, 'sample')}"
    return [
        Finding(
            code=code,
            curve=better,
            message=f"{names}: {what} {show(values[0])} and {show(values[1])} points; "
            f"{better} is better.",
        )
        for code, what, better, values in said
        if better != NO_DIFFERENCE
    ]
