"""Whether a curve was set up as good practice asks, rule by rule."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitlib.review.setup_rules import (
    BROKEN,
    CONFIGURATION,
    FIRST_SAMPLE,
    LESS,
    LOAD_CELLS,
    MASS,
    MET,
    NOT_RECORDED,
    REWETTED,
    RUNS,
    SAMPLES,
    SETUP_RULES,
    SPAN,
    TEMPERATURE,
    SetupRule,
)
from kitlib.words.terms import counted, listed, show, show_span

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
