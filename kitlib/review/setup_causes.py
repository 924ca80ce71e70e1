"""What could have put a curve's offset wrong at set-up, and by how much.

Every cause is sized in points of moisture from the season's own numbers where they
tell, so that the largest is looked at first.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np
import pandas as pd
from scipy.stats import norm

from kitlib.curves.audit import CurveAudit
from kitlib.intake.settings import SetupLimits
from kitlib.review.history import Settings
from kitlib.review.setup_runs import Reach, SetupOffset, offsets_in
from kitlib.words.estimates import Estimate
from kitlib.words.terms import counted, listed, show, show_span

USUAL = "usual practice"
# Points per °C that moisture meters for maize leave uncorrected, the upper end of
# 0.04 to 0.09. Of use where the season shows no rate of its own.
METER_RATE = 0.09
METER_RATE_SOURCE = "Paulsen, Hill and Dixon 1984"
# How a cause fared.
SOUND, THIN, DOUBTFUL = "in order", "could be better", "doubtful"
UNRECORDED = "not recorded"
NO_RUNS = "no set-up runs are recorded"
# The register's column that says whether the plot scale was checked before set-up.
SCALE = "scale_checked"


@dataclass(frozen=True, kw_only=True, eq=False)
class SetupFacts:
    """All that is known of one curve's set-up.

    Attributes
    ----------
    runs, plots : DataFrame
        Its set-up runs and the plots it served.
    register : Series
        Its row of the register.
    audit : CurveAudit or None
        Its season; None where it has no sample.
    asked : SetupOffset or None
        What the runs say of its offset.
    settings : Settings
    read_before_loading : bool
        Whether the runs look as if read before the offset was loaded.
    reach : Reach or None
        How well an offset from so many samples can be known.
    sd_run : float
        SD of a run of the same grain. [% moisture]
    elsewhere : Estimate
        Error of samples in another chamber configuration less that of the rest.
    standard_pct : float
        Standard moisture of its crop. [% moisture, wet basis]
    limits : SetupLimits
        From which numbers on a cause is in doubt.
    setting_step : float
        Step in which an offset can be entered. [% moisture]
    level : float
    """

    runs: pd.DataFrame
    plots: pd.DataFrame
    register: pd.Series
    audit: CurveAudit | None
    asked: SetupOffset | None
    settings: Settings
    read_before_loading: bool
    reach: Reach | None
    sd_run: float
    elsewhere: Estimate
    standard_pct: float
    limits: SetupLimits
    setting_step: float
    level: float

    @property
    def known(self) -> pd.DataFrame:
        """Runs with both a known moisture and a reading."""
        return self.runs[self.runs[["known_pct", "sensor_pct"]].notna().all(axis=1)]

    @property
    def tilt(self) -> float:
        """Change of the error for each point of moisture, as the season has it."""
        return self.audit.gain.value - 1 if self.audit else nan

    @property
    def tail(self) -> float:
        """How many SDs the half-width of an interval is."""
        return float(norm.ppf((1 + self.level) / 2))

    def shift(self, trusted: pd.Series) -> float:
        """Return how far the runs not trusted move the offset, nan if none is left."""
        runs = self.known
        error = runs["sensor_pct"] - offsets_in(runs, self.settings.loaded)
        error = error - runs["known_pct"]
        whole = error.groupby(runs["sample"]).mean().mean()
        rest = error[trusted].groupby(runs["sample"]).mean().mean()
        return float(abs(whole - rest))


@dataclass(frozen=True, kw_only=True)
class Found:
    """What was found of one cause.

    Attributes
    ----------
    verdict : str
        In order, could be better, doubtful, or not recorded.
    said : str
        What was found, as a phrase.
    size : float
        How far it can have moved the offset; nan where nothing tells. [% moisture]
    basis : str
        What the size was computed from.
    """

    verdict: str
    said: str
    size: float = nan
    basis: str = ""


@dataclass(frozen=True, kw_only=True)
class Cause:
    """Something that puts an offset wrong at set-up.

    Attributes
    ----------
    title, why : str
        What it is, and how it passes into the offset.
    source : str
        Who asks for care here.
    judge : callable
        Takes `SetupFacts` with at least one known run, returns `Found`.
    """

    title: str
    why: str
    source: str
    judge: Callable[[SetupFacts], Found]


@dataclass(frozen=True, kw_only=True)
class CauseFound:
    """One cause on one curve: `code` is a key of `CAUSES` and of the findings."""

    code: str
    found: Found

    @property
    def cause(self) -> Cause:
        """What it is, why it matters and who says so."""
        return CAUSES[self.code]

    def sentence(self) -> str:
        """Return what was found, what it can have done, and how."""
        size = f"it can have moved the offset by up to {show(self.found.size)} points"
        if not isfinite(self.found.size):
            size = "how far that moved the offset is not known"
        return f"{self.found.said}; {size}. {self.cause.why}"


def causes_of(facts: SetupFacts) -> tuple[CauseFound, ...]:
    """Return what was found of every cause, the largest first, those unsized last."""
    found = [
        CauseFound(code=code, found=_judged(code, cause, facts))
        for code, cause in CAUSES.items()
    ]
    return tuple(sorted(found, key=lambda one: -np.nan_to_num(one.found.size, nan=-1)))


def _judged(code: str, cause: Cause, facts: SetupFacts) -> Found:
    """Return what was found of a cause; the scale alone is told without any run."""
    if facts.known.empty and code != WEIGHING:
        return Found(verdict=UNRECORDED, said=NO_RUNS)
    return cause.judge(facts)


def _typed(facts: SetupFacts) -> Found:
    """Compare the offset loaded with the one the runs give."""
    wrong = facts.settings.misloaded
    if facts.read_before_loading or not wrong.known:
        said = "what offset the set-up readings include is not recorded"
        return Found(verdict=UNRECORDED, said=said)
    ends = wrong.interval(facts.level)
    off = isfinite(ends.low) and not ends.holds(0.0)
    off = off and abs(wrong.value) > facts.setting_step / 2
    given = facts.settings.at_setup
    said = f"{show(facts.settings.loaded, sign=True)} was loaded, the set-up runs give "
    said += f"{show(given.value, sign=True)}"
    if isfinite(ends.low):
        said += f" ({show_span(*given.interval(facts.level), sign=True)})"
    return Found(
        verdict=DOUBTFUL if off else SOUND,
        said=said,
        size=abs(wrong.value),
        basis="offset loaded less the one from set-up",
    )


def _chance(facts: SetupFacts) -> Found:
    """Judge how well an offset from so many samples can be known."""
    n = facts.known["sample"].nunique()
    said = counted(n, "known sample")
    size, basis = nan, ""
    if facts.reach is not None:
        size, basis = facts.reach.at_best, "scatter of this season's samples"
    elif facts.asked is not None:
        ends = facts.settings.at_setup.interval(facts.level)
        size, basis = (ends.high - ends.low) / 2, "scatter of the known samples"
    allowed = facts.audit.allowed_bias if facts.audit else nan
    if size > allowed:
        said += f", which fix the offset to ±{show(size)} points; allowed are "
        said += f"±{show(allowed)}"
    doubtful = n < facts.limits.samples or size > allowed
    return Found(
        verdict=DOUBTFUL if doubtful else SOUND, said=said, size=size, basis=basis
    )


def _fillings(facts: SetupFacts) -> Found:
    """Judge how often the chamber was filled with each sample; the fewest count."""
    often = facts.known.groupby("sample").size()
    limits, fewest = facts.limits, int(often.min())
    said = f"{show_span(fewest, int(often.max()), 0)} fillings of a sample"
    if fewest == often.max():
        said = f"{counted(fewest, 'filling')} of each sample"
    short = int((often < limits.runs).sum())
    if 0 < short < len(often):
        said += f"; {short} of {len(often)} filled fewer than {limits.runs} times"
    verdict = THIN if fewest < limits.runs_wanted else SOUND
    size = facts.tail * facts.sd_run * sqrt(float((1 / often).mean()) / len(often))
    return Found(
        verdict=DOUBTFUL if short else verdict,
        said=said,
        size=size,
        basis="SD of repeated runs" if isfinite(size) else "",
    )


def _range(facts: SetupFacts) -> Found:
    """Compare the moistures of the known samples with those harvested."""
    known, limits = facts.known["known_pct"], facts.limits
    low, high = float(known.min()), float(known.max())
    said = f"known samples {show_span(low, high, 1)} %"
    harvested = facts.plots["sensor_pct"].dropna()
    outside = (harvested < low) | (harvested > high)
    size = nan
    if len(harvested):
        said += f", {int(outside.sum())} of {len(harvested)} plots outside"
        by_sample = facts.known.groupby("sample")["known_pct"].mean()
        size = abs(facts.tilt * (float(harvested.mean()) - float(by_sample.mean())))
    thin = high - low < limits.span_wanted or outside.mean() > limits.outside_share
    return Found(
        verdict=DOUBTFUL if high - low < limits.span else THIN if thin else SOUND,
        said=said,
        size=size,
        basis="this season's slope times the distance of the mean moistures"
        if isfinite(size)
        else "",
    )


def _start(facts: SetupFacts) -> Found:
    """Judge how far from the standard moisture the set-up began."""
    # The table is in the order of the file; runs without a time keep it.
    first = facts.known.sort_values("run_at", kind="stable").iloc[0]
    said = f"begun at {show(first['known_pct'], 1)} % (sample {first['sample']})"
    if not isfinite(facts.standard_pct):
        said += "; the standard moisture is not known"
        return Found(verdict=UNRECORDED, said=said)
    away = abs(first["known_pct"] - facts.standard_pct)
    size = abs(facts.tilt) * away
    return Found(
        verdict=DOUBTFUL if away > facts.limits.from_standard else SOUND,
        said=f"{said}, {show(away, 1)} points from the standard "
        f"{facts.standard_pct:g} %",
        size=size,
        basis="this season's slope times that distance" if isfinite(size) else "",
    )


def _temperature(facts: SetupFacts) -> Found:
    """Judge the grain's temperature against the air's, and against the harvest's."""
    runs = facts.known
    apart = (runs["grain_temp_c"] - runs["air_temp_c"]).dropna()
    if apart.empty:
        said = "grain and air temperature are not recorded"
        return Found(verdict=UNRECORDED, said=said)
    off = int((apart.abs() > facts.limits.from_air_c).sum())
    said = f"grain {show_span(apart.min(), apart.max(), 1, sign=True)} °C from the "
    said += f"air; {off} of {len(apart)} runs over {facts.limits.from_air_c:g} °C"
    said += _unrecorded(runs, apart)
    colder = float(apart.mean())
    harvest = float(facts.plots["grain_temp_c"].mean())
    if isfinite(harvest):
        colder = float(runs["grain_temp_c"].mean()) - harvest
        warmer = "warmer" if colder > 0 else "colder"
        said += f"; on average {show(abs(colder), 1)} °C {warmer} than at harvest"
    rate, source = _temperature_rate(facts.audit)
    return Found(
        verdict=DOUBTFUL if off else SOUND,
        said=said,
        size=abs(rate * colder),
        basis=f"{show(rate, 3)} points per °C ({source})",
    )


def _temperature_rate(audit: CurveAudit | None) -> tuple[float, str]:
    """Return the error's change per °C, and whose it is: the season's if it has one."""
    for effect in audit.effects if audit else ():
        if effect.unit == "°C" and effect.change.known and effect.high > effect.low:
            rate = effect.change.value / (effect.high - effect.low)
            return rate, "this season's samples"
    return METER_RATE, METER_RATE_SOURCE


def _fill(facts: SetupFacts) -> Found:
    """Judge how much grain the samples held."""
    mass, least = facts.known["grain_mass_kg"].dropna(), facts.limits.grain_kg
    if mass.empty:
        said = "the mass of the samples is not recorded"
        return Found(verdict=UNRECORDED, said=said)
    light = mass < least
    said = f"{show_span(mass.min(), mass.max())} kg; {int(light.sum())} of {len(mass)} "
    said += f"runs under {least:g} kg{_unrecorded(facts.known, mass)}"
    return _by_shift(facts, light, said, "offset without the small samples")


def _wetted(facts: SetupFacts) -> Found:
    """Judge whether water had been added to any grain."""
    told = facts.known["water_added"].dropna().astype(bool)
    if told.empty:
        said = "whether water was added is not recorded"
        return Found(verdict=UNRECORDED, said=said)
    wetted = facts.known.loc[told.index[told], "sample"].nunique()
    said = f"water added to {wetted} of {facts.known['sample'].nunique()} samples"
    said += _unrecorded(facts.known, told)
    return _by_shift(facts, told, said, "offset without the wetted samples")


def _by_shift(facts: SetupFacts, doubted: pd.Series, said: str, basis: str) -> Found:
    """Return a cause sized by what the offset would be without the runs doubted."""
    doubted = doubted.reindex(facts.known.index, fill_value=False)
    if not doubted.any():
        return Found(verdict=SOUND, said=said, size=0.0, basis="no such run")
    size = facts.shift(~doubted)
    basis = basis if isfinite(size) else ""
    return Found(verdict=DOUBTFUL, said=said, size=size, basis=basis)


def _unrecorded(runs, told) -> str:
    """Say for how many runs a value is not recorded; empty if for none."""
    lacking = len(runs) - len(told)
    return f"; not recorded for {counted(lacking, 'run')}" if lacking else ""


def _chamber(facts: SetupFacts) -> Found:
    """Compare the chamber configurations of the runs and of the register."""
    told = facts.known["chamber_config"].dropna()
    own = facts.register.get("chamber_config")
    if told.empty:
        said = "the chamber configuration of the runs is not recorded"
        return Found(verdict=UNRECORDED, said=said)
    said = f"run in {listed(sorted(told.unique()))}"
    if pd.isna(own):
        mixed = told.nunique() > 1
        said = f"{said}; the register names no chamber configuration"
        return Found(verdict=DOUBTFUL if mixed else SOUND, said=said)
    other = told != own
    if other.any():
        said = f"{said}; the register says {own}"
    found = _by_shift(facts, other, said, "offset without the other configuration")
    if found.verdict == DOUBTFUL and not isfinite(found.size):
        change = facts.elsewhere.value
        basis = "this season's samples in both" if isfinite(change) else ""
        return Found(verdict=DOUBTFUL, said=said, size=abs(change), basis=basis)
    return found


def _reference(facts: SetupFacts) -> Found:
    """Judge how much of the known values' own error the offset keeps."""
    se = facts.audit.reference_se if facts.audit else nan
    if not isfinite(se):
        said = "the error of an oven result is not known: one dish a sample"
        return Found(verdict=UNRECORDED, said=said)
    n = facts.known["sample"].nunique()
    size = facts.tail * se / sqrt(n)
    allowed = facts.audit.tolerance.at(facts.audit.mean_reference) / 3
    return Found(
        verdict=DOUBTFUL if size > allowed else SOUND,
        said=f"oven results of {counted(n, 'sample')}, standard error {show(se)} each",
        size=size,
        basis="standard error of this season's oven results",
    )


def _weighing(facts: SetupFacts) -> Found:
    """Judge whether the scale was checked and test weights are on record."""
    checked, runs = facts.register.get(SCALE), facts.known
    weights = int(runs["lab_test_weight_kg_hl"].notna().sum())
    said = f"lab test weight recorded for {weights} of {counted(len(runs), 'run')}"
    if checked is None or pd.isna(checked):
        said = f"whether the plot scale was checked is not recorded; {said}"
        return Found(verdict=UNRECORDED, said=said)
    if not bool(checked):
        said = f"the plot scale was not checked before set-up; {said}"
        return Found(verdict=DOUBTFUL, said=said)
    whole = weights == len(runs)
    said = f"plot scale checked; {said}"
    return Found(verdict=SOUND if whole else UNRECORDED, said=said)


WEIGHING = "setup-weighing"
CAUSES: dict[str, Cause] = {
    "setup-misloaded": Cause(
        title="Offset loaded is not the one found",
        why="The difference is in every reading of the season",
        source="calculated from setup_runs and the register",
        judge=_typed,
    ),
    "setup-chance": Cause(
        title="Few known samples",
        why="Each sample has an error of its own, and a mean of few keeps much of it",
        source=f"{USUAL}; AACC Approved Method 39-01.01 takes at least 11 samples to "
        "check an instrument",
        judge=_chance,
    ),
    "setup-range": Cause(
        title="Harvest at other moistures than the known samples",
        why="Where the slope is off, an offset that fits one moisture is wrong at "
        "another",
        source="SDSU Extension, 23 August 2010: three samples near 15 % and three near "
        "25 %; spans as set in [setup]",
        judge=_range,
    ),
    "setup-start": Cause(
        title="Begun away from the standard moisture",
        why="An offset entered from that grain is carried to the moistures that "
        "matter by the slope",
        source=USUAL,
        judge=_start,
    ),
    "setup-temperature": Cause(
        title="Grain temperature",
        why="What the sensor leaves uncorrected of temperature goes into the offset",
        source=f"NDSU Extension 2013: warm the sample sealed, then measure; rate: "
        f"{METER_RATE_SOURCE}",
        judge=_temperature,
    ),
    "setup-wetted": Cause(
        title="Water added to the grain",
        why="Added water sits in the outer kernel for days and reads unlike the "
        "crop's own",
        source=f"{USUAL}; PTB and DLG test conformity on fresh grain",
        judge=_wetted,
    ),
    "setup-fill": Cause(
        title="Too little grain in the chamber",
        why="A chamber less full than behind a plot senses less grain",
        source=USUAL,
        judge=_fill,
    ),
    "setup-repeats": Cause(
        title="Few fillings of a sample",
        why="The same grain reads differently each time the chamber is filled",
        source=f"{USUAL}; the Canadian Grain Commission averages three readings of a "
        "mixed sample",
        judge=_fillings,
    ),
    "setup-reference": Cause(
        title="Error of the known values",
        why="What the oven results are wrong by on average becomes part of the offset",
        source="French Order of 1 July 2010, article 21: at most a third of the "
        "permissible error",
        judge=_reference,
    ),
    "setup-chamber": Cause(
        title="Run in another chamber configuration",
        why="The same grain reads differently where the chamber holds another volume",
        source=USUAL,
        judge=_chamber,
    ),
    WEIGHING: Cause(
        title="Scale and test weight",
        why="On some sensors moisture is computed with test weight",
        source="NIST, Weights and Measures article C-012 (2013): check test weight on "
        "samples of known test weight",
        judge=_weighing,
    ),
}
