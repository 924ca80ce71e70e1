"""What good set-up practice asks of a curve: each number with why it matters.

Whether a curve was set up as good practice asks, rule by rule.

How one curve was set up: practice, the offset asked for, repeatability.
"""

from dataclasses import dataclass
from math import isfinite, nan

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit
from kitlib.curves.effects import tried
from kitlib.review.history import Settings, season_setting
from kitlib.review.setup_runs import (
    IN_FORCE,
    OtherConfiguration,
    Reach,
    Repeatability,
    SetupOffset,
    loaded_offset,
    offsets_in,
    other_configuration,
    reach_of,
    setup_offset,
)
from kitlib.statistics.lines import gain
from kitlib.words.estimates import Estimate, not_known
from kitlib.words.limits import PRACTICE
from kitlib.words.terms import counted, listed, show, show_span

OWN_CHOICE = "own choice"

SAMPLES, SPAN, FIRST_SAMPLE = "setup-samples", "setup-span", "setup-first-sample"
RUNS, MASS, TEMPERATURE = "setup-runs", "setup-mass", "setup-temperature"
REWETTED, LOAD_CELLS = "setup-rewetted", "setup-load-cells"
CONFIGURATION = "setup-configuration"
# How a rule fared.
MET, LESS, BROKEN = "met", "met, less than preferred", "not met"
NOT_RECORDED = "not recorded"


@dataclass(frozen=True, kw_only=True)
class SetupRule:
    """One rule of setting a curve up.

    Attributes
    ----------
    asks : str
        The rule in words.
    why : str
        What goes wrong where it is not met.
    at_least, preferred : float
        The number it rests on, and the better one, in the unit `asks` names; nan
        where it has none.
    source : str
        Where the number comes from.
    """

    asks: str
    why: str
    at_least: float = nan
    preferred: float = nan
    source: str = PRACTICE


# Keyed by the code of the finding. 2.7 kg are 6 lb.
SETUP_RULES: dict[str, SetupRule] = {
    SAMPLES: SetupRule(
        asks="at least 2 samples of known moisture",
        why="one sample cannot tell its own oddity from an error of the sensor",
        at_least=2,
    ),
    SPAN: SetupRule(
        asks="at least 3 points between the driest and the wettest, 10 preferred",
        why="samples alike in moisture say nothing of wetter or drier grain",
        at_least=3,
        preferred=10,
    ),
    FIRST_SAMPLE: SetupRule(
        asks="first a sample within 2 points of the standard moisture, its test "
        "weight known",
        why="the first sample anchors the curve, and the moisture model leans on test "
        "weight",
        at_least=2,
        source=f"{PRACTICE}; how near is near: {OWN_CHOICE}",
    ),
    RUNS: SetupRule(
        asks="each sample run at least twice, three to five times recommended",
        why="one run does not tell the sample from the chance of its filling",
        at_least=2,
        preferred=3,
    ),
    MASS: SetupRule(
        asks="at least 2.7 kg (6 lb) of grain in each sample",
        why="too little grain does not fill the chamber as a plot does",
        at_least=2.7,
    ),
    TEMPERATURE: SetupRule(
        asks="grain within 5 °C of the ambient temperature",
        why="the reading of warm or cold grain holds an error of temperature",
        at_least=5,
        source=f"{PRACTICE}; how near is near: {OWN_CHOICE}",
    ),
    REWETTED: SetupRule(
        asks="grain of natural moisture, never rewetted",
        why="water added to dry grain lies elsewhere in the kernel and reads "
        "differently",
    ),
    LOAD_CELLS: SetupRule(
        asks="the load cells behind mass and bulk density verified beforehand",
        why="an error of mass is one of test weight, and so of moisture",
    ),
    CONFIGURATION: SetupRule(
        asks="a curve of its own for each chamber configuration",
        why="volume changes test weight, and the moisture model leans on test weight",
    ),
}


# The register's column that says whether the load cells were verified beforehand.
VERIFIED = "load_cells_verified"


@dataclass(frozen=True, kw_only=True)
class SetupCheck:
    """How one rule of set-up practice fared on one curve.

    Attributes
    ----------
    code : str
        A key of `SETUP_RULES`.
    verdict : str
        met, met but less than preferred, not met, or not recorded.
    found : str
        What was found, as a phrase.
    """

    code: str
    verdict: str
    found: str

    @property
    def rule(self) -> SetupRule:
        """The rule with its number and the reason it matters."""
        return SETUP_RULES[self.code]


def review_setup(
    runs: pd.DataFrame, register: pd.Series, standard_pct: float
) -> tuple[SetupCheck, ...]:
    """Return how each rule of set-up practice fared on one curve.

    Parameters
    ----------
    runs : DataFrame
        Rows of `setup_runs` of the curve; none if they were not recorded.
    register : Series
        Its row of the curve register.
    standard_pct : float
        Standard moisture of its crop, nan if not known. [% moisture, wet basis]

    Returns
    -------
    tuple of SetupCheck
        One for each rule, in the order of `SETUP_RULES`.
    """
    known = runs[runs["known_pct"].notna() & runs["sensor_pct"].notna()]
    if known.empty:
        none = "no set-up runs are recorded"
        found = {code: (NOT_RECORDED, none) for code in SETUP_RULES}
    else:
        found = {
            SAMPLES: _samples(known),
            SPAN: _span(known),
            FIRST_SAMPLE: _first_sample(known, standard_pct),
            RUNS: _runs(known),
            MASS: _mass(known),
            TEMPERATURE: _temperature(known),
            REWETTED: _rewetted(known),
            CONFIGURATION: _configuration(known, register),
        }
    found[LOAD_CELLS] = _load_cells(register)
    return tuple(
        SetupCheck(code=code, verdict=found[code][0], found=found[code][1])
        for code in SETUP_RULES
    )


def _judged(code: str, value: float) -> str:
    """Return the verdict on a number that had better be large."""
    rule = SETUP_RULES[code]
    if value < rule.at_least:
        return BROKEN
    return LESS if value < rule.preferred else MET


def _samples(runs):
    """Judge how many samples of known moisture there were."""
    n = runs["sample"].nunique()
    return _judged(SAMPLES, n), counted(n, "sample")


def _span(runs):
    """Judge how far the known moistures spread."""
    low, high = runs["known_pct"].min(), runs["known_pct"].max()
    return _judged(SPAN, high - low), (
        f"{show(high - low, 1)} points, {show(low, 1)} to {show(high, 1)} %"
    )


def _first_sample(runs, standard_pct):
    """Judge whether the first sample lay near the standard moisture."""
    # The table is in the order of the file; runs without a time keep it.
    first = runs.sort_values("run_at", kind="stable").iloc[0]
    weight = first["known_test_weight_kg_hl"]
    said = f"sample {first['sample']} at {show(first['known_pct'], 1)} %, test weight "
    said += f"{show(weight, 1)} kg/hL" if pd.notna(weight) else "not recorded"
    if not np.isfinite(standard_pct):
        return NOT_RECORDED, f"{said}; the standard moisture is not known"
    said += f"; the standard moisture is {standard_pct:g} %"
    away = abs(first["known_pct"] - standard_pct)
    if away > SETUP_RULES[FIRST_SAMPLE].at_least:
        return BROKEN, said
    return (MET if pd.notna(weight) else NOT_RECORDED), said


def _runs(runs):
    """Judge how often each sample was run; the worst sample counts."""
    often = runs.groupby("sample").size()
    fewest, most = int(often.min()), int(often.max())
    said = f"{fewest} to {most} runs" if most > fewest else counted(fewest, "run")
    short = int((often < SETUP_RULES[RUNS].at_least).sum())
    if short:
        said += f" a sample; {short} of {len(often)} run less than twice"
    else:
        said += " a sample"
    return _judged(RUNS, fewest), said


def _mass(runs):
    """Judge how much grain the samples held."""
    mass = runs["sample_mass_kg"].dropna()
    if mass.empty:
        return NOT_RECORDED, "the mass of the samples is not recorded"
    light = int((mass < SETUP_RULES[MASS].at_least).sum())
    said = f"{show_span(mass.min(), mass.max())} kg; {light} of {len(mass)} runs below "
    said += f"{SETUP_RULES[MASS].at_least:g} kg"
    return (BROKEN if light else MET), said + _unrecorded(runs, mass)


def _temperature(runs):
    """Judge whether the grain had the temperature of the air."""
    apart = (runs["grain_temp_c"] - runs["ambient_temp_c"]).dropna()
    if apart.empty:
        return NOT_RECORDED, "grain and ambient temperature are not recorded"
    off = int((apart.abs() > SETUP_RULES[TEMPERATURE].at_least).sum())
    said = f"grain {show_span(apart.min(), apart.max(), 1, sign=True)} °C from "
    said += f"ambient; {off} of {len(apart)} runs beyond"
    return (BROKEN if off else MET), said + _unrecorded(runs, apart)


def _rewetted(runs):
    """Judge whether any grain had been rewetted."""
    told = runs["rewetted"].dropna().astype(bool)
    if told.empty:
        return NOT_RECORDED, "whether grain was rewetted is not recorded"
    wetted = runs.loc[told.index[told], "sample"].unique()
    said = f"{len(wetted)} of {runs['sample'].nunique()} samples rewetted"
    return (BROKEN if len(wetted) else MET), said + _unrecorded(runs, told)


def _unrecorded(runs, told) -> str:
    """Say for how many runs a value is not recorded; empty if for none."""
    lacking = len(runs) - len(told)
    return f"; not recorded for {counted(lacking, 'run')}" if lacking else ""


def _configuration(runs, register):
    """Judge whether the runs and the register agree on one chamber configuration."""
    told = sorted(runs["chamber_config"].dropna().unique())
    own = register.get("chamber_config")
    if not told:
        return NOT_RECORDED, "the chamber configuration of the runs is not recorded"
    said = f"set up in {listed(told)}"
    if pd.isna(own):
        return (BROKEN if len(told) > 1 else MET), f"{said}; the register names none"
    if told == [own]:
        return MET, said
    return BROKEN, f"{said}; the register says {own}"


def _load_cells(register):
    """Judge whether the load cells were verified beforehand."""
    verified = register.get(VERIFIED)
    if verified is None or pd.isna(verified):
        return NOT_RECORDED, "whether the load cells were verified is not recorded"
    return (MET, "verified") if bool(verified) else (BROKEN, "not verified")


IN_ANOTHER = "harvested in another"


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveSetup:
    """How a curve was set up; parts that are not known are None or say why.

    Attributes
    ----------
    checks : tuple of SetupCheck
        How each rule of practice fared.
    configuration : OtherConfiguration
        Plots harvested in another chamber configuration.
    settings : Settings
        The offset loaded, as the set-up runs and as the season ask for it.
    offset : SetupOffset or None
        What the set-up runs say of it.
    looks_unloaded : bool
        Whether the runs look as if read before the offset was loaded.
    reach : Reach or None
        How near an offset from so few samples could have been.
    repeats : Repeatability
        Of a run, from repeated set-up and check runs.
    gain_by_repeats : Estimate
        Gain with the repeatability as the sensor's error, beside the audit's.
    """

    checks: tuple[SetupCheck, ...]
    configuration: OtherConfiguration
    settings: Settings
    offset: SetupOffset | None
    looks_unloaded: bool
    reach: Reach | None
    repeats: Repeatability
    gain_by_repeats: Estimate


def curve_setup(
    register: pd.Series,
    runs: pd.DataFrame,
    plots: pd.DataFrame,
    audit: CurveAudit | None,
    repeats: Repeatability,
    sd_error: float,
    standard_pct: float,
    level: float,
) -> CurveSetup:
    """Return how a curve was set up.

    Parameters
    ----------
    register : Series
        Its row of the register.
    runs, plots : DataFrame
        Its set-up runs, and the plots it served.
    audit : CurveAudit or None
        What the season says of it.
    repeats : Repeatability
        Of its runs.
    sd_error : float
        SD of one sample's error about the curve, from the season. [% moisture]
    standard_pct : float
        Standard moisture of its crop. [% moisture, wet basis]
    level : float
    """
    loaded = loaded_offset(register)
    reference_se = audit.found.reference_se if audit else np.nan
    asked = _offset(runs, loaded, reference_se)
    by_season = not_known("no sample speaks for the curve")
    return CurveSetup(
        checks=review_setup(runs, register, standard_pct),
        configuration=_configuration_curve(register, plots, audit),
        settings=Settings(
            loaded=loaded,
            at_setup=asked.setting if asked else not_known("no set-up runs to tell"),
            by_season=season_setting(loaded, audit.bias) if audit else by_season,
        ),
        offset=asked,
        looks_unloaded=looks_unloaded(asked, runs, loaded, level),
        reach=_reach(asked, sd_error, level),
        repeats=repeats,
        gain_by_repeats=gain_by_repeats(audit, repeats),
    )


def _offset(runs: pd.DataFrame, loaded: float, sd_reference: float):
    """Return the offset a curve's set-up runs ask for, None without a whole run."""
    whole = runs[["known_pct", "sensor_pct"]].notna().all(axis=1)
    offset = offsets_in(runs, loaded)
    whole &= np.isfinite(offset)
    if not whole.any():
        return None
    used = runs[whole]
    return setup_offset(
        used["known_pct"],
        used["sensor_pct"],
        used["sample"],
        offset[whole.to_numpy()],
        sd_reference,
    )


def _reach(asked: SetupOffset | None, sd_error: float, level: float) -> Reach | None:
    """Return how near the offset could have been, None where that is not known."""
    if asked is None or not isfinite(sd_error):
        return None
    return reach_of(asked.n_samples, sd_error, level)


def looks_unloaded(
    found: SetupOffset | None, runs: pd.DataFrame, loaded: float, level: float
) -> bool:
    """Say whether set-up runs look as if read before the offset was loaded.

    They do where, with the offset taken to be in the readings, they ask for
    another one than was loaded, and for the one loaded if it was not.
    """
    if found is None or IN_FORCE in runs or not abs(loaded) > 0:
        return False
    ends = found.setting.interval(level)
    return not ends.holds(loaded) and ends.shifted(-loaded).holds(loaded)


def gain_by_repeats(audit: CurveAudit | None, repeats: Repeatability) -> Estimate:
    """Return the gain with the repeatability as the sensor's whole error."""
    if audit is None or not repeats.sd > 0:
        return not_known("no sample was run twice, so the repeatability is not known")
    samples, reference = audit.found.samples, audit.found.reference_se
    if not isfinite(reference):
        return not_known("the error of the reference is not known: one dish a sample")
    found, why = tried(
        gain,
        samples.sensor,
        samples.reference,
        repeats.sd,
        reference,
        samples.trial,
    )
    return found if found is not None else not_known(why)


def _configuration_curve(
    register: pd.Series, plots: pd.DataFrame, audit: CurveAudit | None
) -> OtherConfiguration:
    """Return the plots harvested in another configuration, with its effect."""
    effects = audit.effects if audit else ()
    told = [e.change for e in effects if e.name.startswith(IN_ANOTHER)]
    change = told[0] if told else not_known("no sample was taken in both")
    return other_configuration(
        register["chamber_config"], plots["chamber_config"], change
    )
