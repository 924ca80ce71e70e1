"""One season audited: each interval beside what it is after, and what advice costs."""

from dataclasses import dataclass, replace
from math import nan

import numpy as np
from curves import SEASON, audit_of

from calibration.scenarios import CropScenario, Scenario
from calibration.seasons import DrawnSeason, draw_one_more, draw_season
from calibration.truth import Truth
from kitlib.curves.advice import Recommendation, recommend
from kitlib.curves.audit import CurveAudit
from kitlib.curves.corrections import line_correction, offset_correction
from kitlib.curves.curve import (
    Performance,
    anchor_of,
    audit_bands,
    mixed_bias,
    sensor_gain,
    two_phase_bias,
)
from kitlib.curves.effects import Samples, coverage, effect_of, mean_over, tried
from kitlib.statistics.agreement import agreement, sd_reference
from kitlib.statistics.left_out import leave_one_trial_out, sep_interval
from kitlib.statistics.lines import curvature, prediction_line, span_of, spread_trend
from kitlib.statistics.pooling import pool_offsets
from kitlib.statistics.robust_lines import passing_bablok
from kitlib.statistics.sums import trial_sums
from kitlib.words.estimates import NO_INTERVAL, Interval

CROP = "wheat"
# What recommend() does not ask for is left as it is here, which saves half the time;
# a test holds its advice against that of the whole audit.
TEMPLATE = audit_of([15.0, 16.0, 17.0], [15.1, 16.2, 16.9], ["A", "B", "C"], crop=CROP)


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
    audit, sep = audit_drawn(drawn)
    checks = list(_checked(scenario, truth, drawn, audit, sep))
    limits, one_more = sep.error_limits(audit.bias), draw_one_more(scenario, rng)
    checks.append(
        Checked(quantity="error of a new sample", interval=limits, true=one_more)
    )
    return checks, cost_of(truth, audit, recommend(audit, SEASON))


def samples_of(drawn: DrawnSeason) -> Samples:
    """Return the samples of a season as the audit takes them."""
    n = drawn.samples.trial.size
    return Samples(
        sensor=drawn.samples.sensor_pct,
        reference=drawn.reference_pct,
        reference_se=np.full(n, drawn.reference_se),
        trial=drawn.samples.trial,
        sample=np.arange(n),
    )


def audit_drawn(drawn: DrawnSeason):
    """Return the audit of a drawn season as far as advice needs it, and the SEP's."""
    s = samples_of(drawn)
    found = _performance(s)
    sums = trial_sums(s.sensor, s.reference, s.trial)
    after, after_remark = tried(leave_one_trial_out, sums)
    sep = sep_interval(sums, SEASON.confidence)
    tolerance = SEASON.tolerance_of(CROP)
    audit = replace(
        TEMPLATE,
        found=found,
        sep_interval=sep.interval,
        after=after,
        after_remark=after_remark,
        bands=audit_bands(s, tolerance, SEASON.confidence),
        coverage=coverage(
            s, drawn.reference_se, drawn.harvest.sensor_pct, drawn.harvest.trial
        ),
        allowed_bias=SEASON.allowed_bias_at(CROP, found.mean_reference),
        max_sep=float(tolerance.at(found.mean_reference)),
    )
    return audit, sep


def _performance(s: Samples) -> Performance:
    """Return the parts of a performance that are checked or that advice rests on."""
    three = (s.sensor, s.reference, s.trial)
    anchor = anchor_of(s.sensor, SEASON.standard_moisture_of(CROP))
    line, line_remark = tried(prediction_line, *three, anchor)
    return replace(
        TEMPLATE.found,
        samples=s,
        anchor=anchor,
        agreement=agreement(s.sensor, s.reference),
        bias=mean_over(s.error, s.trial),
        bias_mixed=mixed_bias(s),
        reference_se=float(s.reference_se[0]),
        sd_reference=sd_reference(s.reference),
        line=line,
        line_remark=line_remark,
        gain=sensor_gain(s, float(s.reference_se[0])),
        curvature=curvature(*three),
        spread=spread_trend(*three),
        components=None,
    )


def _checked(scenario: Scenario, truth: Truth, drawn, audit: CurveAudit, sep):
    """Yield every interval of one season with its true value."""
    found, s = audit.found, audit.found.samples
    bias = found.bias.interval()
    yield Checked(quantity="bias, CR2", interval=bias, true=truth.bias)
    mixed = found.bias_mixed.interval()
    yield Checked(quantity="bias, Kenward-Roger", interval=mixed, true=truth.bias)
    if scenario.sensors:
        these = truth.bias + float(drawn.samples.sensor_error.mean())
        for name, interval in (("CR2", bias), ("Kenward-Roger", mixed)):
            name = f"bias of these sensors, {name}"
            yield Checked(quantity=name, interval=interval, true=these)
    if scenario.bench:
        yield _two_phase(drawn, truth)
    yield from _line_checked(truth, audit)
    yield Checked(quantity="gain", interval=found.gain.interval(), true=truth.gain)
    yield Checked(quantity="total SD", interval=sep.interval, true=truth.total_sd)
    yield from _shape_checked(truth, found)
    effect = effect_of(
        "grain temperature", "°C", drawn.samples.temperature, s.error, s.trial
    )
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
    line = audit.found.line
    slope = line.slope.interval() if line else NO_INTERVAL
    yield Checked(quantity="prediction slope", interval=slope, true=truth.slope)
    at_anchor = line.bias.interval() if line else NO_INTERVAL
    true = truth.line_bias(audit.found.anchor)
    yield Checked(quantity="bias at the anchor", interval=at_anchor, true=true)
    s = audit.found.samples
    robust = passing_bablok(s.sensor, s.reference, trial=s.trial).slope_interval
    yield Checked(
        quantity="slope, Passing-Bablok", interval=robust, true=truth.robust_slope
    )


def _shape_checked(truth: Truth, found: Performance):
    """Yield the intervals of curvature and of the ratio of spreads."""
    span = span_of(found.samples.reference)
    points = span.high - span.low
    bend = -truth.bend * (points / 2) ** 2
    yield Checked(quantity="curvature", interval=found.curvature.interval(), true=bend)
    yield Checked(
        quantity="spread ratio",
        interval=found.spread.interval(),
        true=float(np.exp(truth.log_spread * points)),
    )


def _two_phase(drawn: DrawnSeason, truth: Truth) -> Checked:
    """Return the interval of the bias that uses the benchtop samples too."""
    bench, both = drawn.bench, drawn.in_oven
    found = two_phase_bias(
        bench.sensor_pct - drawn.bench_pct,
        bench.trial,
        drawn.bench_pct[both] - drawn.reference_pct,
        bench.trial[both],
    )
    return Checked(
        quantity="bias, two phases", interval=found.interval(), true=truth.bias
    )


def cost_of(truth: Truth, audit: CurveAudit, advice: Recommendation) -> Cost:
    """Return what advice and its alternatives cost in new trials."""

    def rmse(correction):
        return truth.rmse(correction.shift, correction.tilt, correction.pivot)

    return Cost(
        action=advice.action,
        advised=rmse(advice.correction),
        none=truth.rmse(0.0, 0.0, 0.0),
        offset=rmse(offset_correction(audit)),
        line=rmse(line_correction(audit)) if audit.found.line else nan,
    )


def audit_crop(
    scenario: CropScenario, rng: np.random.Generator
) -> tuple[list[Checked], dict[str, float]]:
    """Draw one season of a crop; return its intervals, and mean squared errors.

    The errors are those of the offset applied to each curve: none, as measured,
    as shrunk.
    """
    true = scenario.mean + scenario.between * rng.standard_normal(scenario.curves)
    own = [_offset(scenario, offset, rng) for offset in true]
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


def _offset(scenario: CropScenario, offset: float, rng):
    """Return the offset of one curve as its samples show it."""
    trial = np.repeat(np.arange(len(scenario.samples)), scenario.samples)
    error = -offset + scenario.sd_sample * rng.standard_normal(trial.size)
    error += scenario.sd_trial * rng.standard_normal(len(scenario.samples))[trial]
    found = mean_over(error, trial)
    return replace(found, value=-found.value)
