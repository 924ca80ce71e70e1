"""What another offset or slope would do to a curve's samples: arrays in, arrays out.

Error is sensor - reference throughout; a correction adds `offset` to every reading
and `tilt` more per point above the `pivot`. About the mean reading of the samples the
tilt takes nothing from the bias, so that offset and slope can be chosen apart.
"""

from dataclasses import dataclass
from math import nan

import numpy as np

from kitlib.curves.evidence import Samples
from kitlib.statistics.left_out import left_out
from kitlib.statistics.sums import Sums, TrialSums, trial_sums
from kitlib.words.limits import Tolerance

NO_SAMPLE = "no sample is left"
ONE_TRIAL = "all samples are of one trial: none can be left out"
NEEDS_THREE = "a slope needs at least 3 trials to leave one out"
NO_LINE = "without one of the trials all readings are the same"


@dataclass(frozen=True, kw_only=True, eq=False)
class Outlook:
    """What the samples would show under each of several offsets.

    Attributes
    ----------
    offsets : ndarray, shape (k,)
        What is added to a reading at the pivot. [% moisture]
    n, n_trials : int
        Samples, and the trials they come from.
    bias, rmsep : ndarray, shape (k,)
        In-sample: of the very samples a correction may have been tuned to.
        [% moisture]
    share_within : ndarray, shape (k,)
        Share of the samples whose error is within the tolerance.
    rmsep_left_out : ndarray, shape (k,)
        See `rmsep_on_trials_left_out`. [% moisture]
    remark : str
        Why `rmsep_left_out` is not known; empty if it is.
    """

    offsets: np.ndarray
    n: int
    n_trials: int
    bias: np.ndarray
    rmsep: np.ndarray
    share_within: np.ndarray
    rmsep_left_out: np.ndarray
    remark: str = ""


def corrected_error(samples: Samples, offsets, tilt=0.0, pivot=0.0) -> np.ndarray:
    """Return what is left of the errors after a correction. [% moisture]

    Offsets of shape (...,) give errors of shape (..., n).
    """
    turned = samples.error + tilt * (samples.sensor - pivot)
    return turned + np.asarray(offsets, float)[..., None]


def outlook(
    samples: Samples, tolerance: Tolerance, offsets, tilt=0.0, pivot=0.0
) -> Outlook:
    """Return what samples would show under each of several offsets.

    Parameters
    ----------
    samples : Samples
    tolerance : Tolerance
    offsets : array_like, shape (k,)
        What is added to a reading at the pivot. [% moisture]
    tilt : float
        What is added more per point above the pivot; 0 leaves the slope alone.
    pivot : float
        [% moisture, wet basis]

    Returns
    -------
    Outlook
        All nan where there is no sample.

    Examples
    --------
    >>> two = Samples(sensor=np.array([15.5, 16.5]), reference=np.array([15.0, 15.5]),
    ...     reference_se=np.ones(2), trial=np.array(["A", "B"]), sample=np.array("ab"))
    >>> found = outlook(two, Tolerance(0, 0.6, "", ""), [0.0, -0.75])
    >>> found.bias.tolist(), found.rmsep.round(4).tolist(), found.share_within.tolist()
    ([0.75, 0.0], [0.7906, 0.25], [0.5, 1.0])
    """
    offsets = np.atleast_1d(np.asarray(offsets, float))
    if samples.n == 0:
        return _nothing_known(offsets)
    error = corrected_error(samples, offsets, tilt, pivot)
    left, remark = rmsep_on_trials_left_out(samples, offsets, tilt, pivot)
    within = np.abs(error) <= tolerance.at(samples.reference)
    return Outlook(
        offsets=offsets,
        n=samples.n,
        n_trials=samples.n_trials,
        bias=error.mean(axis=-1),
        rmsep=np.sqrt((error**2).mean(axis=-1)),
        share_within=within.mean(axis=-1),
        rmsep_left_out=left,
        remark=remark,
    )


def rmsep_on_trials_left_out(samples: Samples, offsets, tilt=0.0, pivot=0.0):
    """Return the RMSEP on trials that had no part in the correction.

    An offset chosen by looking at the samples is tuned to them as far as it follows
    them: that share of it, from 0 at no change to 1 at the samples' own offset and
    beyond, is taken from the other trials alone when a trial is left out. The rest
    counts as set without looking. Likewise for the tilt.

    Parameters
    ----------
    samples : Samples
        At least one.
    offsets : ndarray, shape (k,)
        What is added to a reading at the pivot. [% moisture]
    tilt, pivot : float
        As for `outlook`.

    Returns
    -------
    rmsep : ndarray, shape (k,)
        nan where not known. [% moisture]
    remark : str
        Why it is not known; empty if it is.

    Notes
    -----
    Own definition. Its ends are the audit's own (`leave_one_trial_out`): no change,
    the offset of the other trials, and with the samples' own tilt about their mean
    reading the line of the other trials.
    """
    unknown = np.full(offsets.shape, nan)
    if samples.n_trials < 2:
        return unknown, ONE_TRIAL
    sums = trial_sums(samples.sensor, samples.reference, samples.trial)
    total, rest = sums.total, sums.without_each
    by_tilt = float(followed(tilt, total.slope - 1))
    if by_tilt and len(sums.trials) < 3:
        return unknown, NEEDS_THREE
    if by_tilt and not np.isfinite(rest.slope).all():
        return unknown, NO_LINE
    by_offset = followed(offsets, -total.bias)[:, None]
    shift = offsets[:, None] + by_offset * (total.bias - rest.bias)
    turn = tilt + (by_tilt * (rest.slope - total.slope) if by_tilt else 0.0)
    about = pivot + by_tilt * (_mean_sensor(rest) - _mean_sensor(total))
    return _rmsep_of_lines(sums, shift, turn, about), ""


def followed(chosen, own) -> np.ndarray:
    """Return how far a choice follows the samples' own: from 0 to 1.

    Examples
    --------
    >>> followed([-0.3, 0.0, 0.1, 0.4, 0.6], 0.4).round(3).tolist()
    [0.0, 0.0, 0.25, 1.0, 1.0]
    """
    chosen = np.asarray(chosen, float)
    # Without an own one to follow, or a slope that is not known, nothing is tuned.
    if not (np.isfinite(own) and own):
        return np.zeros(chosen.shape)
    return np.clip(chosen / own, 0.0, 1.0)


def _mean_sensor(sums: Sums):
    """Return the mean reading. [% moisture, wet basis]"""
    return sums.mean_reference + sums.bias


def _rmsep_of_lines(sums: TrialSums, shift, turn, about) -> np.ndarray:
    """Return the RMSEP where every trial has a correction of its own, (k,)."""
    of_reference, of_error = sums.centre
    start = of_error + shift + turn * (of_reference + of_error - about)
    left = left_out(sums, start, turn + np.ones(len(sums.trials)))
    return np.sqrt(left.squares.sum(axis=-1) / left.n.sum())


def _nothing_known(offsets) -> Outlook:
    """Return the outlook of no sample."""
    unknown = np.full(offsets.shape, nan)
    return Outlook(
        offsets=offsets,
        n=0,
        n_trials=0,
        bias=unknown,
        rmsep=unknown,
        share_within=unknown,
        rmsep_left_out=unknown,
        remark=NO_SAMPLE,
    )
