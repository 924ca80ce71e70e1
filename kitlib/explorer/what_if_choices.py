"""What can be chosen for a curve: offsets to try, samples to count, and a choice."""

from dataclasses import dataclass, replace
from math import nan

import numpy as np

from kitlib.curves.evidence import Samples
from kitlib.statistics.sums import trial_sums
from kitlib.words.estimates import Interval

MOST_STOPS = 201
FEWEST_STEPS = 10
TILT_STEP, LEAST_TILT = 0.01, 0.5


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What a user has chosen for one curve.

    Attributes
    ----------
    offset : float
        What is added to a reading at the samples' mean reading. [% moisture]
    tilt : float
        What is added more per point above it; 0 leaves the slope alone.
    band : Interval
        Reference moistures whose samples count. [% moisture, wet basis]
    left_out : frozenset of int
        Positions of the samples picked out.
    standard_pct : float
        Moisture yields are stated at. [% wet basis]
    select : float
        Share of a trial's entries that is selected if below 1, else their number.
    trial : str
        The trial looked at; empty for none.
    """

    offset: float
    tilt: float
    band: Interval
    left_out: frozenset[int]
    standard_pct: float
    select: float
    trial: str


@dataclass(frozen=True, kw_only=True)
class OwnLine:
    """The correction that samples themselves call for.

    Attributes
    ----------
    offset : float
        −bias. [% moisture]
    tilt : float
        Prediction slope − 1; nan where the samples define no slope.
    pivot : float
        Their mean reading, about which the tilt turns. [% moisture, wet basis]
    """

    offset: float
    tilt: float
    pivot: float


def own_line(samples: Samples) -> OwnLine:
    """Return the correction that samples call for: −bias, and their slope.

    Estimand: the best correction of samples like these, each counted once, as the
    bias and the prediction slope of the audit.

    Examples
    --------
    >>> four = Samples(sensor=np.array([15.0, 17.0, 19.0, 21.0]),
    ...     reference=np.array([15.2, 16.8, 18.4, 20.0]), reference_se=np.ones(4),
    ...     trial=np.array(list("AABB")), sample=np.array(list("abcd")))
    >>> own = own_line(four)
    >>> round(own.offset, 9), round(own.tilt, 9), own.pivot
    (-0.4, -0.2, 18.0)
    """
    if samples.n == 0:
        return OwnLine(offset=nan, tilt=nan, pivot=nan)
    tilt = nan
    if samples.n > 1:
        sums = trial_sums(samples.sensor, samples.reference, samples.trial)
        tilt = float(sums.total.slope) - 1
    return OwnLine(
        offset=-float(samples.error.mean()) + 0.0,
        tilt=tilt,
        pivot=float(samples.sensor.mean()),
    )


def offset_stops(step: float, own_offset: float, tolerance: float) -> np.ndarray:
    """Return the offsets to choose from: whole steps, and the samples' own offset.

    Parameters
    ----------
    step : float
        Step in which an offset can be entered at the sensor. [% moisture]
    own_offset : float
        −bias, which need not be a whole step. [% moisture]
    tolerance : float
        At the mean moisture. The stops reach twice as far beyond zero and the own
        offset, and ten steps at least. [% moisture]

    Returns
    -------
    ndarray
        Ascending. Where the step is so fine that there would be more than 200
        stops, every second, third, ... step.

    Examples
    --------
    >>> offset_stops(0.5, -0.7, 0.8)[8:14].round(3).tolist()
    [-2.0, -1.5, -1.0, -0.7, -0.5, 0.0]
    """
    reach = max(2 * tolerance, FEWEST_STEPS * step)
    low, high = min(0.0, own_offset) - reach, max(0.0, own_offset) + reach
    wide = step * int(np.ceil((high - low) / step / (MOST_STOPS - 4)))
    steps = np.arange(np.floor(low / wide), np.ceil(high / wide) + 1)
    # Twelve decimals: 3 × 0.1 shall be the 0.3 that a user types.
    return np.unique(np.append(np.round(steps * wide, 12) + 0.0, own_offset))


def tilt_stops(own_tilt: float) -> np.ndarray:
    """Return the tilts to choose from: whole steps, none, and the samples' own.

    Parameters
    ----------
    own_tilt : float
        Prediction slope − 1. [points per point]

    Examples
    --------
    >>> tilt_stops(0.123)[60:65].tolist()
    [0.1, 0.11, 0.12, 0.123, 0.13]
    """
    whole = int(np.ceil(max(LEAST_TILT, 2 * abs(own_tilt)) / TILT_STEP))
    steps = np.round(np.arange(-whole, whole + 1) * TILT_STEP, 12) + 0.0
    return np.unique(np.append(steps, own_tilt))


def flag_counted(reference, band: Interval, left_out) -> np.ndarray:
    """Flag the samples that count: inside a moisture band and not picked out.

    Parameters
    ----------
    reference : array_like, shape (n,)
        [% moisture, wet basis]
    band : Interval
        Moistures from low to high, ends included. [% moisture, wet basis]
    left_out : iterable of int
        Positions of the samples picked out.

    Examples
    --------
    >>> flag_counted([14.0, 16.0, 18.0], Interval(14, 17), {1}).tolist()
    [True, False, False]
    """
    reference = np.asarray(reference, float)
    counted = (reference >= band.low) & (reference <= band.high)
    counted[list(left_out)] = False
    return counted


def only(samples: Samples, counted: np.ndarray) -> Samples:
    """Return the samples flagged True."""
    return replace(
        samples, **{name: values[counted] for name, values in vars(samples).items()}
    )
