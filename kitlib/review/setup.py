"""How one curve was set up: its offset, what could be wrong with it, repeatability."""

from dataclasses import dataclass
from math import isfinite

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit
from kitlib.intake.settings import Season
from kitlib.review.history import Settings, season_setting
from kitlib.review.setup_causes import CauseFound, SetupFacts, causes_of
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
from kitlib.statistics.arrays import tried
from kitlib.statistics.lines import gain
from kitlib.words.estimates import Estimate, not_known

IN_ANOTHER = "harvested in another"


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveSetup:
    """How a curve was set up; parts that are not known are None or say why.

    Attributes
    ----------
    causes : tuple of CauseFound
        What could have put the offset wrong, the largest first.
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

    causes: tuple[CauseFound, ...]
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
    sd_run: float,
    season: Season,
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
    sd_error, sd_run : float
        SD of one sample's error about the curve, from the season, and of a run,
        its own or its sensor's. [% moisture]
    season : Season
    """
    level = season.confidence
    loaded = loaded_offset(register)
    reference_se = audit.reference_se if audit else np.nan
    asked = _offset(runs, loaded, reference_se)
    by_season = not_known("no sample speaks for the curve")
    configuration = _configuration_curve(register, plots, audit)
    settings = Settings(
        loaded=loaded,
        at_setup=asked.setting if asked else not_known("no set-up runs to tell"),
        by_season=season_setting(loaded, audit.bias) if audit else by_season,
    )
    unloaded = looks_unloaded(asked, runs, loaded, level)
    reach = _reach(asked, sd_error, level)
    facts = SetupFacts(
        runs=runs,
        plots=plots,
        register=register,
        audit=audit,
        asked=asked,
        settings=settings,
        read_before_loading=unloaded,
        reach=reach,
        sd_run=sd_run,
        elsewhere=configuration.change,
        standard_pct=season.standard_moisture_of(register["crop"]),
        limits=season.setup,
        setting_step=season.setting_step,
        level=level,
    )
    return CurveSetup(
        causes=causes_of(facts),
        configuration=configuration,
        settings=settings,
        offset=asked,
        looks_unloaded=unloaded,
        reach=reach,
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
    samples, reference = audit.samples, audit.reference_se
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
