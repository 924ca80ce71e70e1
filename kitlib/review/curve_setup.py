"""How one curve was set up: practice, the offset asked for, repeatability."""

from dataclasses import dataclass
from math import isfinite

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit
from kitlib.curves.samples import tried
from kitlib.review.configurations import OtherConfiguration, other_configuration
from kitlib.review.curve_runs import IN_FORCE, loaded_offset, offsets_in
from kitlib.review.offset_settings import Settings, season_setting
from kitlib.review.repeatability import Repeatability
from kitlib.review.setup_offset import Reach, SetupOffset, reach_of, setup_offset
from kitlib.review.setup_review import SetupCheck, review_setup
from kitlib.statistics.gain import gain
from kitlib.words.estimates import Estimate, not_known

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
        configuration=_configuration(register, plots, audit),
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


def _configuration(
    register: pd.Series, plots: pd.DataFrame, audit: CurveAudit | None
) -> OtherConfiguration:
    """Return the plots harvested in another configuration, with its effect."""
    effects = audit.effects if audit else ()
    told = [e.change for e in effects if e.name.startswith(IN_ANOTHER)]
    change = told[0] if told else not_known("no sample was taken in both")
    return other_configuration(
        register["chamber_config"], plots["chamber_config"], change
    )
