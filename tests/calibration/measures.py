"""One season audited: each interval beside what it is after, and what advice costs."""

from dataclasses import dataclass, replace
from math import nan

import numpy as np
import pandas as pd
from curves import audit_of

from calibration.scenarios import CropScenario, Scenario
from calibration.seasons import DrawnSeason, draw_one_more, draw_season
from calibration.truth import Truth
from kitlib.curves.advice import Recommendation, recommend
from kitlib.curves.audit import LINE, OFFSET, CurveAudit
from kitlib.curves.evidence import effect_of, two_phase_bias
from kitlib.statistics.agreement import span_of
from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.estimates import NO_INTERVAL, Interval
from kitlib.statistics.pooling import pool_offsets

CROP = "wheat"


@dataclass(frozen=True, kw_only=True)
class Checked:
    """One interval of one season and the value it should hold."""

    quantity: str
    interval: Interval
    true: float

    @property
    def known(self) -> bool:
        """Whether there was an interval at all."""
        return self.interval.low == self.interval.low

    @property
    def holds(self) -> bool:
        """Whether it held the true value."""
        return self.interval.holds(self.true)


@dataclass(frozen=True, kw_only=True)
class Cost:
    """RMSE in new trials of one season's advice and of what could have been done."""

    action: str
    open_question: str
    advised: float
    none: float
    offset: float
    line: float

    @property
    def best(self) -> float:
        """The least of the three that the samples could give, known from the truth."""
        return float(np.nanmin([self.none, self.offset, self.line]))


def audit_season(
    scenario: Scenario, truth: Truth, rng: np.random.Generator
) -> tuple[list[Checked], Cost]:
    """Draw one season and return its intervals and the cost of its advice."""
    drawn = draw_season(scenario, rng)
    audit = audit_drawn(drawn, scenario.setup_sd)
    checks = list(_checked(scenario, truth, drawn, audit))
    limits, one_more = audit.new_sample, draw_one_more(scenario, rng)
    checks.append(
        Checked(quantity="error of a new sample", interval=limits, true=one_more)
    )
    return checks, cost_of(truth, audit, recommend(audit))


def audit_drawn(drawn: DrawnSeason, setup_sd: float = 0.0) -> CurveAudit:
    """Return the audit of a drawn season."""
    harvest = drawn.harvest
    plots = {"trial": harvest.trial.astype(str), "sensor_pct": harvest.sensor_pct}
    plots |= {"recorded_pct": harvest.sensor_pct, "grain_temp_c": harvest.temperature}
    return audit_of(
        drawn.samples.sensor_pct,
        drawn.reference_pct,
        drawn.samples.trial,
        crop=CROP,
        plots=pd.DataFrame(plots),
        reference_se=drawn.reference_se,
        sep_at_setup=setup_sd or nan,
        n_at_setup=40 if setup_sd else nan,
    )


def _checked(scenario: Scenario, truth: Truth, drawn, audit: CurveAudit):
    """Yield every interval of one season with its true value."""
    s = audit.samples
    bias = audit.bias.interval()
    yield Checked(quantity="bias, CR2", interval=bias, true=truth.bias)
    mixed = audit.bias_mixed.interval()
    yield Checked(quantity="bias, Kenward-Roger", interval=mixed, true=truth.bias)
    if scenario.sensors:
        these = truth.bias + float(drawn.samples.sensor_error.mean())
        for name, interval in (("CR2", bias), ("Kenward-Roger", mixed)):
            name = f"bias of these sensors, {name}"
            yield Checked(quantity=name, interval=interval, true=these)
    if scenario.bench:
        yield _two_phase(drawn, truth)
    yield from _line_checked(truth, audit)
    yield Checked(quantity="gain", interval=audit.gain.interval(), true=truth.gain)
    interval = audit.new_trials.interval
    yield Checked(quantity="total SD", interval=interval, true=truth.total_sd)
    yield from _shape_checked(truth, audit)
    warmth = drawn.samples.temperature
    effect = effect_of("grain temperature", "°C", warmth, s.reference, s.error, s.trial)
    change = truth.per_degree * (effect.high - effect.low)
    interval = effect.change.interval()
    yield Checked(quantity="effect of temperature", interval=interval, true=change)
    over_plots = audit.coverage
    yield Checked(
        quantity="bias over the plots",
        interval=over_plots.bias.interval(),
        true=scenario.bias + float(drawn.harvest.sensor_error.mean()),
    )
    yield Checked(
        quantity="gain over the plots",
        interval=over_plots.gain.interval(),
        true=truth.gain,
    )
    if scenario.choice != "random":
        yield Checked(
            quantity="bias of the samples, for the plots",
            interval=bias,
            true=scenario.bias,
        )
    for band in audit.bands.itertuples():
        mean = truth.by_reference.get(band.band_low, nan)
        interval = Interval(band.low, band.high)
        yield Checked(quantity="band means", interval=interval, true=mean)


def _line_checked(truth: Truth, audit: CurveAudit):
    """Yield the intervals of the prediction line."""
    line = audit.line
    slope = line.slope.interval() if line else NO_INTERVAL
    yield Checked(quantity="prediction slope", interval=slope, true=truth.slope)
    at_anchor = line.bias.interval() if line else NO_INTERVAL
    true = truth.line_bias(audit.anchor)
    yield Checked(quantity="bias at the anchor", interval=at_anchor, true=true)
    robust = audit.robust_line.slope_interval if audit.robust_line else NO_INTERVAL
    yield Checked(
        quantity="slope, Passing-Bablok", interval=robust, true=truth.robust_slope
    )


def _shape_checked(truth: Truth, audit: CurveAudit):
    """Yield the intervals of curvature and of the ratio of spreads."""
    span = span_of(audit.samples.reference)
    points = span.high - span.low
    bend = -truth.bend * (points / 2) ** 2
    yield Checked(quantity="curvature", interval=audit.curvature.interval(), true=bend)
    yield Checked(
        quantity="spread ratio",
        interval=audit.spread.interval() if audit.spread else NO_INTERVAL,
        true=float(np.exp(truth.log_spread * points)),
    )


def _two_phase(drawn: DrawnSeason, truth: Truth) -> Checked:
    """Return the interval of the bias that uses the benchtop samples too."""
    bench, both = drawn.bench, drawn.in_oven
    reference = np.full(drawn.bench_pct.size, nan)
    reference[both] = drawn.reference_pct
    measured = {"sensor_pct": bench.sensor_pct, "benchtop_pct": drawn.bench_pct}
    known = {"reference_pct": reference, "trial": bench.trial, "used": both}
    found = two_phase_bias(pd.DataFrame(measured | known))
    return Checked(
        quantity="bias, two phases", interval=found.interval(), true=truth.bias
    )


def cost_of(truth: Truth, audit: CurveAudit, advice: Recommendation) -> Cost:
    """Return what advice and its alternatives cost in new trials."""

    def rmse(correction):
        return truth.rmse(correction.shift, correction.tilt, correction.pivot)

    return Cost(
        action=advice.action,
        open_question=advice.open_question,
        advised=rmse(advice.correction),
        none=truth.rmse(0.0, 0.0, 0.0),
        offset=rmse(audit.correction(OFFSET)),
        line=rmse(audit.correction(LINE)) if audit.line else nan,
    )


def audit_crop(
    scenario: CropScenario, rng: np.random.Generator
) -> tuple[list[Checked], dict[str, float]]:
    """Draw one season of a crop; return its intervals, and mean squared errors.

    The errors are those of the offset applied to each curve: none, as measured,
    as shrunk.
    """
    true = scenario.mean + scenario.between * rng.standard_normal(scenario.curves)
    own = [_offset(scenario, offset, k, rng) for k, offset in enumerate(true)]
    pooled = pool_offsets(
        [e.value for e in own], [e.se for e in own], [e.df for e in own]
    )
    one_more = scenario.mean + scenario.between * rng.standard_normal()
    checks = [
        Checked(
            quantity="pooled offset",
            interval=pooled.mean.interval(),
            true=scenario.mean,
        ),
        Checked(
            quantity="offset of a new curve",
            interval=pooled.new_curve.interval(),
            true=one_more,
        ),
    ]
    for name, found in (("raw offset, CR2", own), ("shrunken offset", pooled.shrunken)):
        checks += [
            Checked(quantity=name, interval=estimate.interval(), true=offset)
            for estimate, offset in zip(found, true, strict=True)
        ]
    left = {
        "none": true,
        "raw": np.array([e.value for e in own]) - true,
        "shrunken": np.array([e.value for e in pooled.shrunken]) - true,
    }
    return checks, {name: float(np.mean(d**2)) for name, d in left.items()}


def _offset(scenario: CropScenario, offset: float, place: int, rng):
    """Return the offset of one curve as its samples show it."""
    wider = scenario.unequal if place % 2 else 1.0
    trial = np.repeat(np.arange(len(scenario.samples)), scenario.samples)
    error = -offset + wider * scenario.sd_sample * rng.standard_normal(trial.size)
    own = rng.standard_normal(len(scenario.samples))[trial]
    error += wider * scenario.sd_trial * own
    found = clustered_mean(error, trial)
    return replace(found, value=-found.value)
