"""The season's pairs taken apart by crop and curve: the only place that groups.

The benchtop meter's own bias, slope and SEP against the oven.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kitlib.curves.curve import Performance, audit_bands, performance, two_phase_bias
from kitlib.curves.effects import (
    Coverage,
    Effect,
    Samples,
    coverage,
    difference_between,
    effect_of,
    mean_over,
    p_of_zero,
    tried,
    with_q_values,
)
from kitlib.intake.cells import Table
from kitlib.intake.pairs import OVEN, Pairing, curve_register
from kitlib.intake.settings import Season
from kitlib.statistics.agreement import unexplained_error_limit
from kitlib.statistics.left_out import (
    LeaveOneTrialOut,
    leave_one_trial_out,
    sep_interval,
)
from kitlib.statistics.pooling import false_discovery
from kitlib.statistics.sums import trial_sums
from kitlib.words.estimates import NO_INTERVAL, Estimate, Interval
from kitlib.words.limits import Tolerance


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveAudit:
    """All that a season says of one curve.

    Attributes
    ----------
    crop, curve : str
    register : Series
        The curve's row of the register; `offset_mixed` says if several offsets
        were loaded in the season and the plots do not tell which.
    found : Performance
        The statistics of its samples.
    sep_interval : Interval
        Interval of the SEP, by `sep_method`. [% moisture]
    new_sample : Interval
        Where the error of one new sample of a new trial lies. [% moisture]
    after : LeaveOneTrialOut or None
        Performance without change, with an offset, with a line, always on trials
        left out; `after_remark` says why not.
    bands : DataFrame
        Mean error by 2-point band.
    tolerance, allowed_bias, max_sep : Tolerance, float, float
        What it is held to; `max_sep_source` says where the last comes from.
    two_phase : Estimate
        Bias with the benchtop samples used as well.
    coverage : Coverage or None
        How its samples cover the plots it served.
    apart : Estimate
        Mean error of the samples not taken blind to the reading.
    effects : tuple of Effect
    q_value : float
        False discovery rate of its bias over the season's curves.
    """

    crop: str
    curve: str
    register: pd.Series
    found: Performance
    sep_interval: Interval
    sep_method: str
    new_sample: Interval
    after: LeaveOneTrialOut | None
    after_remark: str
    bands: pd.DataFrame
    tolerance: Tolerance
    allowed_bias: float
    max_sep: float
    max_sep_source: str
    two_phase: Estimate
    n_two_phase: int
    coverage: Coverage | None
    apart: Estimate
    n_apart: int
    parallel: bool
    effects: tuple[Effect, ...] = ()
    q_value: float = np.nan

    @property
    def bias(self) -> Estimate:
        """Mean error, clustered by trial. [% moisture]."""
        return self.found.bias

    @property
    def n(self) -> int:
        """Samples the bias rests on."""
        return self.found.samples.n

    @property
    def n_trials(self) -> int:
        """Trials they come from."""
        return self.found.samples.n_trials


def audit_curves(pairing: Pairing, curves: Table, season: Season) -> list[CurveAudit]:
    """Return the audit of every crop × curve with a sample taken blind.

    Parameters
    ----------
    pairing : Pairing
    curves : Table
        The curve register.
    season : Season

    Returns
    -------
    list of CurveAudit
        In order of crop and curve, false discovery rates filled in.
    """
    register = curve_register(curves.frame)
    by_curve = pairing.pairs.groupby(["crop", "curve"], sort=True)
    readings = pairing.plots[["curve", "trial", "sensor_pct"]]
    harvested = dict(list(readings.groupby("curve")))
    audits = [
        audit_curve(crop, register.loc[curve], group, harvested.get(curve), season)
        for (crop, curve), group in by_curve
        if group["used"].any()
    ]
    return _with_discovery_rates(audits)


def audit_curve(
    crop: str, register: pd.Series, pairs: pd.DataFrame, plots, season: Season
) -> CurveAudit:
    """Return the audit of one curve on its pairs and the plots it served.

    Parameters
    ----------
    crop : str
    register : Series
        The curve's row of `pairs.curve_register`.
    pairs : DataFrame
        Its pairs, at least one of them used.
    plots : DataFrame or None
        Trial and reading, `sensor_pct`, of the plots it served; None if it was only
        recorded in parallel.
    season : Season
    """
    used = pairs[pairs["used"]]
    samples = Samples.of(used)
    found = performance(samples, season.standard_moisture_of(crop))
    tolerance = season.tolerance_of(crop)
    sums, remark = tried(trial_sums, samples.sensor, samples.reference, samples.trial)
    after, after_remark = tried(leave_one_trial_out, sums) if sums else (None, remark)
    sep = sep_interval(sums, season.confidence) if sums else None
    apart = pairs[(pairs["basis"] == OVEN) & ~pairs["used"]]
    max_sep, max_sep_source = _max_sep(crop, register, found, tolerance, season)
    return CurveAudit(
        crop=crop,
        curve=str(register.name),
        register=register,
        found=found,
        sep_interval=sep.interval if sep else NO_INTERVAL,
        sep_method=(sep.remark or sep.method) if sep else remark,
        new_sample=(
            sep.error_limits(found.bias, season.confidence) if sep else NO_INTERVAL
        ),
        after=after,
        after_remark=after_remark,
        bands=audit_bands(samples, tolerance, season.confidence),
        tolerance=tolerance,
        allowed_bias=season.allowed_bias_at(crop, found.mean_reference),
        max_sep=max_sep,
        max_sep_source=max_sep_source,
        two_phase=_two_phase(pairs),
        n_two_phase=int(pairs["benchtop_pct"].notna().sum()),
        coverage=_coverage(samples, found.reference_se, plots),
        apart=mean_over(
            apart["error"].to_numpy(float), apart["trial"].to_numpy(object)
        ),
        n_apart=len(apart),
        parallel=bool(pairs["parallel"].all()),
        effects=tuple(_effects(used, register)),
    )


def _coverage(samples: Samples, reference_se: float, plots) -> Coverage | None:
    """Return how the samples cover the plots served; None if it served none alone."""
    if plots is None:
        return None
    return coverage(samples, reference_se, plots["sensor_pct"], plots["trial"])


def _max_sep(crop, register, found, tolerance, season) -> tuple[float, str]:
    """Return the largest SEP the curve may have, and where the limit comes from."""
    own = season.max_sep.get(crop)
    if own:
        return own, "season.toml"
    at_setup, n_at_setup = register["sep_at_setup"], register["n_at_setup"]
    if at_setup > 0 and n_at_setup > 2 and found.samples.n > 1:
        limit = unexplained_error_limit(at_setup, found.samples.n, n_at_setup - 1)
        return limit, "TUE from the SEP at set-up (ISO 12099, from memory)"
    return float(tolerance.at(found.mean_reference)), "tolerance at the mean moisture"


def _two_phase(pairs: pd.DataFrame) -> Estimate:
    """Return the bias with the benchtop samples used as well."""
    fair = pairs["used"] | (pairs["basis"] != OVEN)
    benched = pairs[fair & pairs["benchtop_pct"].notna()]
    both = benched[benched["used"]]
    return two_phase_bias(
        (benched["sensor_pct"] - benched["benchtop_pct"]).to_numpy(float),
        benched["trial"].to_numpy(object),
        (both["benchtop_pct"] - both["reference_pct"]).to_numpy(float),
        both["trial"].to_numpy(object),
    )


def _effects(used: pd.DataFrame, register):
    """Yield what the errors of a curve move with."""
    error, trial = used["error"].to_numpy(float), used["trial"].to_numpy(object)
    days = (
        used["harvested_at"] - used["harvested_at"].min()
    ).dt.total_seconds() / 86400
    conditions = [
        ("day of the season", "days", days),
        ("grain temperature", "°C", used["grain_temp_c"]),
        ("test weight", "kg/hL", used["test_weight_kg_hl"]),
        ("time from harvest to oven", "hours", used["hours_to_oven"]),
    ]
    for name, unit, values in conditions:
        if values.notna().any():
            yield effect_of(name, unit, values.to_numpy(float), error, trial)
    own, at_harvest = register["chamber_config"], used["chamber_config"]
    other = at_harvest.notna() & (at_harvest != own)
    if pd.notna(own) and other.any():
        name = f"harvested in another chamber configuration than the curve's {own}"
        yield difference_between(name, other.to_numpy(bool), error, trial)


def _with_discovery_rates(audits: list[CurveAudit]) -> list[CurveAudit]:
    """Fill in the false discovery rates of all biases and of all effects."""
    q_values = false_discovery([p_of_zero(audit.bias) for audit in audits])
    effects = iter(with_q_values([e for audit in audits for e in audit.effects]))
    return [
        replace(
            audit,
            q_value=float(q),
            effects=tuple(next(effects) for _ in audit.effects),
        )
        for audit, q in zip(audits, q_values, strict=True)
    ]


BRIDGE_COLUMNS = [
    "crop",
    "meter",
    "n",
    "n_trials",
    "bias",
    "bias_low",
    "bias_high",
    "bias_method",
    "sep",
    "slope",
    "slope_low",
    "slope_high",
    "intercept",
]


def bridge_table(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return each benchtop meter's own bias, slope and SEP against the oven, by crop.

    Bias is benchtop − oven; slope and intercept are of oven on benchtop. One row
    per sample counts, however many curves read its plot.
    """
    both = pairs[pairs["used"] & pairs["benchtop_pct"].notna()]
    both = both.drop_duplicates(["sample", "trial", "plot"])
    rows = []
    for (crop, meter), group in both.groupby(["crop", "meter"], sort=True):
        samples = Samples.of(group.assign(sensor_pct=group["benchtop_pct"]))
        found = performance(samples)
        bias, slope = found.bias.interval(level), found.slope.interval(level)
        rows.append(
            {
                "crop": crop,
                "meter": meter,
                "n": samples.n,
                "n_trials": samples.n_trials,
                "bias": found.bias.value,
                "bias_low": bias.low,
                "bias_high": bias.high,
                "bias_method": found.bias.method or found.bias.remark,
                "sep": found.sep,
                "slope": found.slope.value,
                "slope_low": slope.low,
                "slope_high": slope.high,
                "intercept": found.line.intercept.value if found.line else np.nan,
            }
        )
    return pd.DataFrame(rows, columns=BRIDGE_COLUMNS)
