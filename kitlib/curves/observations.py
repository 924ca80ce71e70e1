"""What the statistician must know of each curve besides its bias."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit
from kitlib.curves.doubts import robust_spread, stuck_findings, suspected_swaps
from kitlib.curves.effects import DAY, OTHER_CONFIGURATION, Effect
from kitlib.curves.rules import shown_apart
from kitlib.intake.settings import Season
from kitlib.words.findings import Finding
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, listed, show, show_span

# What is looked at of the plots a curve served.
OBSERVED = ["trial", "curve", "chamber_config", "harvested_at", "recorded_pct"]
OBSERVED += ["grain_temp_c"]
# Colder or wetter grain is outside what sensors are built for. [°C; % moisture]
COLDEST, WETTEST = 5.0, 25.0


def observe_curve(audit: CurveAudit, plots, season: Season) -> list[Finding]:
    """Return what is worth knowing of one curve.

    Parameters
    ----------
    audit : CurveAudit
    plots : DataFrame
        The plots the curve served, in any order; columns `OBSERVED`.
    season : Season
    """
    parts = (
        _few(audit),
        _sample_moistures(audit),
        _shape(audit, season),
        _single_samples(audit),
        _effects(audit, season),
        _served_plots(audit, plots),
        _representation(audit),
        _rounding(audit, season),
        _gain_between_trials(audit, season),
        _estimates_only(plots),
    )
    found = [
        Finding(code=code, curve=audit.curve, message=f"curve {audit.curve}: {said}.")
        for part in parts
        for code, said in part
    ]
    told = [one.finding(audit.curve) for one in audit.contradictions if one.code]
    return told + found + stuck_findings(audit.curve, plots)


Observed = Iterator[tuple[str, str]]


def _few(audit: CurveAudit) -> Observed:
    """Yield what comes of few samples or trials."""
    if audit.n_trials == 1:
        yield (
            "one-trial",
            f"{counted(audit.n, 'sample')}, all of one trial: how trials differ is "
            "not known, so neither is how far its bias holds elsewhere",
        )
    if audit.n < threshold("samples_for_line"):
        yield (
            "few-samples",
            f"{counted(audit.n, 'sample')}; AACC 39-01.01 asks for at least "
            f"{threshold('samples_for_line'):g} before a slope is judged",
        )


def _sample_moistures(audit: CurveAudit) -> Observed:
    """Yield whether the samples' moistures spread enough for a slope."""
    found = audit
    if found.span < threshold("span_at_least"):
        yield (
            "narrow-spread",
            f"its samples span {show(found.span, 1)} points; at least "
            f"{threshold('span_at_least'):g} are common practice",
        )
    elif not found.spread_is_wide:
        yield (
            "narrow-spread",
            f"SD of the reference is {show(found.sd_reference)}, under "
            f"{threshold('spread_for_slope'):g} × SEP (AACC 39-01.01): its slope says "
            "little",
        )


def _shape(audit: CurveAudit, season: Season) -> Observed:
    """Yield whether the errors bend or spread with moisture."""
    bend = audit.curvature
    ends = bend.interval(season.confidence)
    if ends.low > 0 or ends.high < 0:
        yield (
            "bent",
            f"mid-range errors lie {show(bend.value, sign=True)} points "
            f"({show_span(*ends, sign=True)}) from the line through both ends",
        )
    spread = audit.spread
    if spread is not None:
        ends = spread.interval(season.confidence)
        if ends.low > 1:
            yield (
                "spread-rises",
                f"errors spread {show(spread.ratio, 1)} times ({show_span(*ends, 1)}) "
                f"as wide at {show(spread.span.high, 1)} % as at "
                f"{show(spread.span.low, 1)} %",
            )


def _single_samples(audit: CurveAudit) -> Observed:
    """Yield samples or trials that carry the result, and labels to check."""
    found, samples = audit, audit.samples
    if audit.n > 2 and found.influence is not None:
        one = found.influence
        for name, what, shift in (
            (one.sample, "sample", one.sample_shift),
            (one.trial, "trial", one.trial_shift),
        ):
            if abs(shift) > audit.allowed_bias / 2:
                yield (
                    "influential",
                    f"without {what} {name} the bias would move by "
                    f"{show(shift, sign=True)} points; check its label and weights",
                )
    spread = robust_spread(samples.error)
    if spread > 0:
        for pair in suspected_swaps(
            samples.sensor, samples.reference, samples.sample, samples.trial, spread
        ):
            yield (
                "suspected-swap",
                f"samples {listed(pair)} of one trial are both far off and would both "
                "fit if exchanged; check their labels. Nothing was exchanged",
            )


def _effects(audit: CurveAudit, season: Season) -> Observed:
    """Yield conditions that the error moves with."""
    for effect in audit.effects:
        if effect.name.startswith(OTHER_CONFIGURATION):
            yield "configuration-differs", _difference_in_words(effect, season)
        elif effect.q_value < threshold("false_discovery_rate"):
            drifts = effect.name == DAY
            ends = effect.change.interval(season.confidence)
            yield (
                "error-drifts" if drifts else "error-moves-with",
                f"as {effect.name} goes from {show(effect.low, 1)} to "
                f"{show(effect.high, 1)} {effect.unit} the error moves by "
                f"{show(effect.change.value, sign=True)} points "
                f"({show_span(*ends, sign=True)}; at equal moisture, not adjusted for "
                "the other conditions)",
            )


def _difference_in_words(effect: Effect, season: Season) -> str:
    """Return how far the error differs between two chamber configurations."""
    if not effect.change.known:
        return f"plots {effect.name}; how far that moves the error is not known"
    ends = effect.change.interval(season.confidence)
    return (
        f"samples {effect.name} have an error {show(effect.change.value, sign=True)} "
        f"points ({show_span(*ends, sign=True)}) from the others'"
    )


def _served_plots(audit: CurveAudit, plots: pd.DataFrame) -> Observed:
    """Yield what the readings of the plots the curve served say."""
    low, high = audit.register["low_pct"], audit.register["high_pct"]
    readings = plots["recorded_pct"]
    outside = int(((readings < low) | (readings > high)).sum())
    if outside:
        yield (
            "outside-curve",
            f"{counted(outside, 'plot')} of {len(plots)} read outside the {low:g} to "
            f"{high:g} % it was built for",
        )
    own = audit.register["chamber_config"]
    other = plots["chamber_config"].notna() & (plots["chamber_config"] != own)
    named = any(e.name.startswith(OTHER_CONFIGURATION) for e in audit.effects)
    if pd.notna(own) and other.any() and not named:
        yield (
            "configuration-differs",
            f"{counted(int(other.sum()), 'plot')} harvested in another chamber "
            f"configuration than its own ({own}); no sample tells how far that moves "
            "the error",
        )


def _representation(audit: CurveAudit) -> Observed:
    """Yield how far the samples speak for the plots served."""
    cover = audit.coverage
    if cover is None or not cover.n_plots:
        return
    if cover.share_outside > 0:
        yield (
            "outside-audit",
            f"{cover.share_outside:.0%} of its {cover.n_plots} plots read below "
            f"{show(cover.low, 1)} or above {show(cover.high, 1)} %, where there is no "
            "sample; the audit does not speak for them",
        )
    moved = cover.bias.value - audit.bias.value
    if np.isfinite(moved) and abs(moved) > audit.allowed_bias / 2:
        yield (
            "bias-over-plots",
            f"over the moistures of the harvested plots the bias is "
            f"{show(cover.bias.value, sign=True)}, not "
            f"{show(audit.bias.value, sign=True)} points",
        )


def _rounding(audit: CurveAudit, season: Season) -> Observed:
    """Yield whether the step of the setting is coarse against the allowed bias."""
    if season.setting_step / 2 > audit.allowed_bias / 2:
        yield (
            "setting-rounded",
            f"a setting in steps of {season.setting_step:g} can leave "
            f"{season.setting_step / 2:g} of the allowed {show(audit.allowed_bias)}",
        )


def _gain_between_trials(audit: CurveAudit, season: Season) -> Observed:
    """Yield whether the errors rise between trials and not within them."""
    gain = audit.gain_by_trials
    if shown_apart(gain.apart.interval(season.confidence), 0.0):
        within = show_span(*gain.within.interval(season.confidence), 3)
        between = show_span(*gain.between.interval(season.confidence), 3)
        yield (
            "slope-between-trials",
            f"the gain is {show(gain.within.value, 3)} ({within}) within trials and "
            f"{show(gain.between.value, 3)} ({between}) between them: what makes the "
            "errors rise is something that wet and dry trials differ in, not a slope",
        )


def _estimates_only(plots: pd.DataFrame) -> Observed:
    """Yield how many plots were too cold or too wet for any sensor."""
    cold = plots["grain_temp_c"] < COLDEST
    wet = plots["recorded_pct"] > WETTEST
    n = int((cold | wet).sum())
    if n:
        yield (
            "beyond-estimates",
            f"{counted(n, 'plot')} of {len(plots)} ({n / len(plots):.0%}) read below "
            f"{COLDEST:g} °C ({int(cold.sum())}) or above {WETTEST:g} % moisture "
            f"({int(wet.sum())}): estimates only",
        )
