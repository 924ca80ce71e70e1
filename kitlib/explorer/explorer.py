"""One curve of an audited season, asked what another choice would do."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from math import ceil, floor
from typing import TypeVar

import numpy as np

from kitlib.curves.advice import Recommendation
from kitlib.curves.corrections import Correction
from kitlib.curves.evidence import Samples
from kitlib.explorer.entry_lines import EntryLines, TrialLines
from kitlib.explorer.explorer_look import Look
from kitlib.explorer.served_trials import served_trials
from kitlib.explorer.what_if import Outlook, outlook
from kitlib.explorer.what_if_advice import advice_on
from kitlib.explorer.what_if_choices import (
    Choice,
    OwnLine,
    flag_counted,
    offset_stops,
    only,
    own_line,
)
from kitlib.explorer.what_if_yields import (
    TrialOutlook,
    changed_selections,
    stacked,
    standard_scale,
    trial_outlook,
)
from kitlib.season.season import SeasonAudit
from kitlib.trials.yields import YieldUnit, yield_unit
from kitlib.words.estimates import Interval

Found = TypeVar("Found")


@dataclass(frozen=True, kw_only=True, eq=False)
class _Part:
    """The samples that count and what depends on them alone, as in `Look`."""

    counted: np.ndarray
    samples: Samples
    own: OwnLine
    recorded: Outlook


class CurveExplorer:
    """What choices would do to one curve; the audit itself is never touched.

    Parameters
    ----------
    season : SeasonAudit
    curve : str
        One of the season's audited curves.

    Attributes
    ----------
    audit : CurveAudit
    advice : Recommendation
    samples : Samples
        All that the audit rests on, in its order.
    own : OwnLine
        The correction they call for.
    stops : ndarray
        The offsets to choose from, ascending. [% moisture]
    """

    def __init__(self, season: SeasonAudit, curve: str):
        self.season = season
        self.audit, self.advice = season.audits[curve], season.advice[curve]
        self.samples = self.audit.samples
        self.own = own_line(self.samples)
        self.stops = offset_stops(
            season.settings.setting_step,
            self.own.offset,
            float(self.audit.tolerance.at(self.audit.mean_reference)),
        )
        self._last: dict[str, tuple] = {}

    @property
    def band(self) -> Interval:
        """Whole points of moisture that hold all samples. [% moisture, wet basis]"""
        reference = self.samples.reference
        return Interval(floor(reference.min()), ceil(reference.max()))

    @property
    def standard_pct(self) -> float:
        """Moisture the audit states yields at; nan if not known. [% wet basis]"""
        return self.season.settings.standard_moisture_of(self.audit.crop)

    @property
    def loaded(self) -> float:
        """Offset loaded during the season; nan if not known. [% moisture]"""
        register = self.audit.register
        return np.nan if register["offset_mixed"] else float(register["offset_loaded"])

    @property
    def unit(self) -> YieldUnit:
        """Unit yields are shown in."""
        settings = self.season.settings
        return yield_unit(settings.yield_unit, settings.bushel_of(self.audit.crop))

    def start(self) -> Choice:
        """Return the audit's own choice: its correction, all samples counted."""
        settings, correction = self.season.settings, self.advice.correction
        wanted = offset_at(correction, self.own.pivot)
        return Choice(
            offset=float(self.stops[np.argmin(np.abs(self.stops - wanted))]),
            # A line recommended is the samples' own; its tilt is one of their stops.
            tilt=self.own.tilt if correction.tilt else 0.0,
            band=self.band,
            left_out=frozenset(),
            standard_pct=self.standard_pct,
            select=settings.selection_count or settings.selection_share,
            trial=next(iter(self.trials), ""),
        )

    @cached_property
    def audited(self) -> Outlook:
        """The figures of all samples under the audit's own correction."""
        correction, pivot = self.advice.correction, self.own.pivot
        offset, tilt = offset_at(correction, pivot), correction.tilt
        return outlook(self.samples, self.audit.tolerance, [offset], tilt, pivot)

    @cached_property
    def audited_changed(self) -> int:
        """Entries newly selected under the audit's own correction, all trials."""
        correction, pivot = self.advice.correction, self.own.pivot
        offsets, turn = [offset_at(correction, pivot)], (correction.tilt, pivot)
        select = self.start().select
        return int(changed_selections(self._stacks, offsets, *turn, select=select)[0])

    @cached_property
    def trials(self) -> dict[str, TrialLines]:
        """The trials the curve served, ready for every offset and slope."""
        return served_trials(self.season, self.audit.curve)

    @cached_property
    def _stacks(self) -> list[EntryLines]:
        """The same, trials of one size put together."""
        return stacked(self.trials.values())

    def look(self, choice: Choice) -> Look:
        """Return all that follows from a choice, but for the advice.

        Whatever does not depend on what was changed is kept from the last look.

        Raises
        ------
        ValueError
            If the offset is not one of the `stops`.
        """
        at = int(np.searchsorted(self.stops, choice.offset))
        if at == self.stops.size or self.stops[at] != choice.offset:
            raise ValueError(
                f"CurveExplorer.look: offset is {choice.offset}; expected one of stops."
            )
        which = (choice.band, choice.left_out)
        part = self._kept("part", which, lambda: self._part(choice))
        pivot = part.own.pivot if part.samples.n else self.own.pivot
        turn = (choice.tilt, pivot if choice.tilt else 0.0)
        return Look(
            choice=choice,
            counted=part.counted,
            samples=part.samples,
            own=part.own,
            pivot=pivot,
            recorded=part.recorded,
            outlook=self._kept(
                "outlook", (*which, *turn), lambda: self._outlook(part.samples, *turn)
            ),
            changed=self._kept(
                "changed", (choice.select, *turn), lambda: self._changed(choice, pivot)
            ),
            at=at,
            trial=self._of_trial(choice, pivot),
        )

    def _part(self, choice: Choice) -> _Part:
        """Return what depends on the samples that count alone."""
        counted = flag_counted(self.samples.reference, choice.band, choice.left_out)
        samples = self.samples if counted.all() else only(self.samples, counted)
        return _Part(
            counted=counted,
            samples=samples,
            own=own_line(samples),
            recorded=outlook(samples, self.audit.tolerance, [0.0]),
        )

    def _outlook(self, samples: Samples, tilt: float, pivot: float) -> Outlook:
        """Return the samples' figures at every stop."""
        return outlook(samples, self.audit.tolerance, self.stops, tilt, pivot)

    def _changed(self, choice: Choice, pivot: float) -> np.ndarray:
        """Return the entries newly selected at every stop."""
        turn, select = (choice.tilt, pivot), choice.select
        return changed_selections(self._stacks, self.stops, *turn, select=select)

    def _of_trial(self, choice: Choice, pivot: float) -> TrialOutlook | None:
        """Return what a choice does to the trial looked at."""
        if choice.trial not in self.trials:
            return None
        return trial_outlook(
            self.trials[choice.trial],
            choice.offset,
            choice.tilt,
            pivot,
            select=choice.select,
            scale=standard_scale(self.standard_pct, choice.standard_pct),
        )

    def advice_on(self, counted: np.ndarray) -> Recommendation | None:
        """Return what the audit would advise on these samples alone, None on none."""
        if counted.all():
            return self.advice
        if not counted.any():
            return None
        which = (counted.tobytes(),)
        return self._kept("advice", which, lambda: advice_on(self.audit, counted))

    def _kept(self, name: str, key: tuple, make: Callable[[], Found]) -> Found:
        """Return what was made of the last key, made anew if the key differs."""
        if self._last.get(name, (None,))[0] != key:
            self._last[name] = (key, make())
        return self._last[name][1]


def offset_at(correction: Correction, pivot: float) -> float:
    """Return what a correction adds to a reading at the pivot. [% moisture]"""
    return float(correction.apply(pivot)) - pivot
