"""One audited curve, asked what another choice would do to its samples."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from math import ceil, floor, nan
from typing import Any, TypeVar

import numpy as np

from kitlib.curves.advice import Recommendation, recommend
from kitlib.curves.audit import Correction
from kitlib.curves.evidence import Samples
from kitlib.explorer.what_if import (
    MeansOverTrials,
    Outlook,
    Turn,
    offset_stops,
    outlook,
    own_turn,
    tilt_stops,
)
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import Interval
from kitlib.trials.yields import YieldUnit, yield_unit

Found = TypeVar("Found")


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
    """

    offset: float
    tilt: float
    band: Interval
    left_out: frozenset[int]


@dataclass(frozen=True, kw_only=True, eq=False)
class Part:
    """The samples that count and what depends on them alone."""

    counted: np.ndarray
    samples: Samples
    own: Turn
    means: MeansOverTrials
    recorded: Outlook


class Kept:
    """Keeps what was made of the last key, by name."""

    def __init__(self) -> None:
        self._last: dict[str, tuple[Any, Any]] = {}

    def __call__(self, name: str, key: object, make: Callable[[], Found]) -> Found:
        """Return what was made of this key, made anew if the last one differs."""
        if name not in self._last or self._last[name][0] != key:
            self._last[name] = (key, make())
        return self._last[name][1]


class ExploredCurve:
    """One audited curve: its samples, and what a choice does to them.

    Attributes
    ----------
    audit, advice : CurveAudit, Recommendation
    names, trials : ndarray of str
        Sample and trial of each sample.
    samples : Samples
        All that the audit rests on; trials as whole numbers, for speed.
    own : Turn
        The correction they call for.
    stops, tilts : ndarray
        Where the sliders stop, ascending.
    """

    def __init__(self, season: SeasonAudit, curve: str):
        self.season = season
        self.audit, self.advice = season.audits[curve], season.advice[curve]
        found = self.audit.samples
        self.names, self.trials = found.sample.astype(str), found.trial.astype(str)
        codes = np.unique(self.trials, return_inverse=True)[1]
        self.samples = replace(found, trial=codes)
        self.own = own_turn(self.samples)
        self.tilts = tilt_stops(self.own.tilt)
        allowed = float(self.audit.tolerance.at(self.audit.mean_reference))
        step = season.settings.setting_step
        self.stops = offset_stops(step, self.own.offset, allowed)
        self.kept = Kept()

    @property
    def band(self) -> Interval:
        """Whole points of moisture that hold all samples. [% moisture, wet basis]"""
        reference = self.samples.reference
        return Interval(float(floor(reference.min())), float(ceil(reference.max())))

    @property
    def standard_pct(self) -> float:
        """Moisture the audit states yields at; nan if not known. [% wet basis]"""
        return self.season.settings.standard_moisture_of(self.audit.crop)

    @property
    def loaded(self) -> float:
        """Offset loaded during the season; nan if not known. [% moisture]"""
        register = self.audit.register
        return nan if register["offset_mixed"] else float(register["offset_loaded"])

    @property
    def unit(self) -> YieldUnit:
        """Unit yields are shown in."""
        settings = self.season.settings
        return yield_unit(settings.yield_unit, settings.bushel_of(self.audit.crop))

    @cached_property
    def start(self) -> Choice:
        """The audit's own choice: its correction, all samples counted."""
        correction = self.advice.correction
        return Choice(
            offset=offset_at(correction, self.own.pivot),
            tilt=correction.tilt,
            band=self.band,
            left_out=frozenset(),
        )

    @cached_property
    def audited(self) -> Outlook:
        """The figures of all samples under the audit's own correction."""
        part, start = self._part(self.start), self.start
        at = ([start.offset], start.tilt, part.own.pivot)
        return outlook(part.samples, self.audit.tolerance, *at, means=part.means)

    def part(self, choice: Choice) -> Part:
        """Return the samples that count, and what depends on them alone."""
        return self.kept(
            "part", (choice.band, choice.left_out), lambda: self._part(choice)
        )

    def _part(self, choice: Choice) -> Part:
        """Work out what depends on the samples that count alone."""
        counted = flag_counted(self.samples.reference, choice.band, choice.left_out)
        samples = self.samples if counted.all() else only(self.samples, counted)
        means = MeansOverTrials(samples.trial, self.season.settings.confidence)
        own = own_turn(samples) if samples.n else self.own
        return Part(
            counted=counted,
            samples=samples,
            own=own,
            means=means,
            recorded=outlook(samples, self.audit.tolerance, [0.0], means=means),
        )

    def turn(self, choice: Choice) -> Turn:
        """Return what a choice adds to the curve's readings."""
        return Turn(choice.offset, choice.tilt, self.part(choice).own.pivot)

    def outlooks(self, choice: Choice) -> tuple[Outlook, Outlook, Outlook]:
        """Return the figures of the audit, of a choice, and at every stop."""
        part, tolerance = self.part(choice), self.audit.tolerance
        pivot = part.own.pivot if choice.tilt else 0.0
        at = ([choice.offset], choice.tilt, pivot)
        chosen = self.kept(
            "chosen",
            choice,
            lambda: outlook(part.samples, tolerance, *at, means=part.means),
        )
        key = (choice.band, choice.left_out, choice.tilt)
        grid = self.kept(
            "grid",
            key,
            lambda: outlook(part.samples, tolerance, self.stops, choice.tilt, pivot),
        )
        return self.audited, chosen, grid

    def advice_on(self, counted: np.ndarray) -> Recommendation | None:
        """Return what the audit would advise on some samples alone, None on none.

        The audit's own functions are run on them. The samples that do not count are
        taken as the audit takes those not blind to the reading: set apart.
        """
        if counted.all():
            return self.advice
        if not counted.any():
            return None
        return self.kept("advice", counted.tobytes(), lambda: self._advice_on(counted))

    def _advice_on(self, counted: np.ndarray) -> Recommendation:
        """Audit the curve as if only some of its samples counted."""
        used = self.audit.pairs["used"].to_numpy(bool, copy=True)
        used[used] = counted
        return recommend(replace(self.audit, pairs=self.audit.pairs.assign(used=used)))


def offset_at(correction: Correction, pivot: float) -> float:
    """Return what a correction adds to a reading at the pivot. [% moisture]"""
    return float(correction.apply(pivot)) - pivot


def flag_counted(reference, band: Interval, left_out) -> np.ndarray:
    """Flag the samples that count: inside a moisture band and not picked out.

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
    values = {name: value[counted] for name, value in vars(samples).items()}
    return replace(samples, **values)
