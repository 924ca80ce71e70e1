"""A season that is asked what other choices would do; its audit is never touched."""

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from math import ceil, floor, isfinite, nan
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from kitlib.curves.advice import Recommendation, recommend
from kitlib.curves.audit import Correction
from kitlib.curves.evidence import Samples
from kitlib.explorer.what_if import (
    EntryLines,
    MeansOverTrials,
    Outlook,
    PlotYields,
    TrialLines,
    Turn,
    changed_selections,
    crossings,
    offset_stops,
    outlook,
    own_turn,
    stacked,
    standard_scale,
    tilt_stops,
    trial_lines,
)
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import Interval
from kitlib.trials.ranks import RankChanges, rank_changes, selection_count
from kitlib.trials.yields import NOT_GIVEN, YieldUnit, yield_per_point, yield_unit
from kitlib.words.terms import crop_key

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


RUN = 1.0  # changes of one control within so many seconds are undone together [s]


@dataclass(frozen=True, kw_only=True)
class State:
    """All that a user has chosen.

    Attributes
    ----------
    curve, trial : str
        The curve and the trial looked at; either may be empty.
    select : float
        Share of a trial's entries that is selected if below 1, else their number.
    standard : dict
        Moisture yields are stated at, by crop, where it is not the audit's.
    choices : dict of Choice
        By curve, where it is not the audit's own.
    """

    curve: str
    trial: str
    select: float
    standard: Mapping[str, float] = field(default_factory=dict)
    choices: Mapping[str, Choice] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialLook:
    """What the choices do to one trial, at the standard moisture chosen. [kg/ha]"""

    lines: TrialLines
    before: np.ndarray
    after: np.ndarray
    ranks: RankChanges
    count: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """All that follows from the choices for the curve looked at.

    Attributes
    ----------
    state : State
    curve : ExploredCurve
    choice : Choice
    part : Part
    turn : Turn
        What is added to the curve's readings.
    audited, chosen : Outlook
        Figures under the audit's correction and under the choice, one offset each.
    grid : Outlook
        Figures at every stop of the offset.
    changed : ndarray of int
        Entries selected that were not as recorded, over the curve's trials, by stop.
    newly, audited_newly : int
        The same under the choice, and under the audit's own corrections.
    newly_span : tuple of int
        Least and most over offsets as far from the one chosen as the interval of the
        bias reaches.
    moves : dict
        By trial: names of the entries that move in, and of those that drop out.
    trial : TrialLook or None
        The trial looked at.
    """

    state: State
    curve: ExploredCurve
    choice: Choice
    part: Part
    turn: Turn
    audited: Outlook
    chosen: Outlook
    grid: Outlook
    changed: np.ndarray
    newly: int
    audited_newly: int
    newly_span: tuple[int, int]
    moves: dict[str, tuple[list[str], list[str]]]
    trial: TrialLook | None


class SeasonExplorer:
    """What choices would do to a season's curves and trials.

    Attributes
    ----------
    season : SeasonAudit
    options : dict
        Crop by curve of the register.
    state : State
    served : dict
        By crop: its trials, by name, ready for every offset and slope.
    """

    def __init__(self, season: SeasonAudit):
        self.season = season
        register = season.tables["curves"].frame.drop_duplicates("curve", keep="last")
        rows = register.sort_values(["crop", "curve"]).itertuples()
        self.options = {str(row.curve): str(row.crop) for row in rows}
        settings = season.settings
        select = settings.selection_count or settings.selection_share
        self.state = State(curve=next(iter(self.options), ""), trial="", select=select)
        self.served: dict[str, dict[str, TrialLines]] = {}
        self._curves: dict[str, ExploredCurve] = {}
        self._past: list[State] = []
        self._future: list[State] = []
        self._last: tuple[str, float] = ("", 0.0)
        self.kept = Kept()

    def curve(self, name: str) -> ExploredCurve:
        """Return one of the audited curves."""
        if name not in self._curves:
            self._curves[name] = ExploredCurve(self.season, name)
        return self._curves[name]

    def choice(self, name: str) -> Choice:
        """Return what is chosen for a curve; the audit's own if nothing is."""
        return self.state.choices.get(name, self.curve(name).start)

    def serve(self, crop: str) -> Iterator[float]:
        """Make a crop's trials ready, one by one; yield the share that is done."""
        served: dict[str, TrialLines] = {}
        checks = self.season.settings.check_entries
        trials = _plots_by_trial(self.season, crop)
        for k, (name, plots) in enumerate(trials, start=1):
            if set(plots.curve.tolist()) & set(self.season.audits):
                served[name] = trial_lines(name, plots, self.season.audits, checks)
            yield k / len(trials)
        self.served[crop] = served

    # ---- choosing ------------------------------------------------------------------

    def choose(
        self, control: str, now: float = 0.0, of: str = "", **changed: Any
    ) -> None:
        """Change the choice for a curve, or what holds for all curves.

        Parameters
        ----------
        control : str
            What was moved: a run of changes of one control is undone together.
        now : float
            Time of the change. [s]
        of : str
            The curve; left out, the one looked at.
        **changed
            Fields of `Choice` or of `State`, with their new values.
        """
        of_state = {k: v for k, v in changed.items() if k in State.__dataclass_fields__}
        of_choice = {k: v for k, v in changed.items() if k not in of_state}
        new, curve = replace(self.state, **of_state), of or self.state.curve
        if of_choice:
            choice = replace(self.choice(curve), **of_choice)
            new = replace(new, choices=self._with(curve, choice))
        if new != self.state:
            in_a_run = self._last[0] == control and now - self._last[1] < RUN
            self.take(new, keep=not in_a_run)
            self._last = (control, now)

    def _with(self, curve: str, choice: Choice) -> dict[str, Choice]:
        """Return all choices with one changed; the audit's own ones are left out."""
        others = {k: v for k, v in self.state.choices.items() if k != curve}
        return (
            others if choice == self.curve(curve).start else {**others, curve: choice}
        )

    def take(self, state: State, keep: bool = True) -> None:
        """Go over to a state; the one before can be gone back to."""
        if keep:
            self._past.append(self.state)
        self._future.clear()
        self.state, self._last = state, ("", 0.0)

    def reset(self) -> None:
        """Go back to the audit's own choice for the curve looked at."""
        curve, settings = self.state.curve, self.season.settings
        crop = self.season.audits[curve].crop
        standard = {k: v for k, v in self.state.standard.items() if k != crop}
        select = settings.selection_count or settings.selection_share
        choices = self._with(curve, self.curve(curve).start)
        self.choose("reset", choices=choices, standard=standard, select=select)

    @property
    def can(self) -> tuple[bool, bool]:
        """Whether there is something to undo, and to do again."""
        return bool(self._past), bool(self._future)

    def open(self, choices: str) -> None:
        """Go over to the choices of a record, which are its JSON."""
        self.take(self.restored(json.loads(choices)))

    def undo(self) -> None:
        """Go back by one change."""
        if self._past:
            self._future.append(self.state)
            self.state, self._last = self._past.pop(), ("", 0.0)

    def redo(self) -> None:
        """Do again what was undone last."""
        if self._future:
            self._past.append(self.state)
            self.state, self._last = self._future.pop(), ("", 0.0)

    def saved(self) -> dict[str, Any]:
        """Return the state as plain texts and numbers, samples by name."""
        told = asdict(self.state)
        for curve, choice in told["choices"].items():
            names = self.curve(curve).names
            choice["left_out"] = [str(names[k]) for k in sorted(choice["left_out"])]
            choice["band"] = list(choice["band"])
        return told

    def restored(self, told: Mapping[str, Any]) -> State:
        """Return the state that was saved; what the season has no more is left out."""
        choices = {}
        for curve, choice in told["choices"].items():
            if curve in self.season.audits:
                names = self.curve(curve).names
                picked = np.flatnonzero(np.isin(names, choice["left_out"])).tolist()
                choices[curve] = Choice(
                    offset=choice["offset"],
                    tilt=choice["tilt"],
                    band=Interval(*choice["band"]),
                    left_out=frozenset(picked),
                )
        curve = told["curve"] if told["curve"] in self.options else self.state.curve
        return State(**{**told, "choices": choices, "curve": curve})

    # ---- what follows --------------------------------------------------------------

    def trials_of(self, curve: str) -> dict[str, TrialLines]:
        """Return the trials a curve served, as far as they are ready."""
        crop = self.season.audits[curve].crop
        served = self.served.get(crop, {})
        return self.kept(
            f"trials of {curve}",
            (crop in self.served),
            lambda: {k: v for k, v in served.items() if curve in v.slopes},
        )

    def turns(self, crop: str, own: bool = False) -> dict[str, Turn]:
        """Return what is added to the readings of a crop's curves.

        With `own` the audit's own corrections, whatever was chosen.
        """
        audits = self.season.audits.items()
        curves = [self.curve(name) for name, audit in audits if audit.crop == crop]
        choices = {c: c.start if own else self.choice(c.audit.curve) for c in curves}
        return {c.audit.curve: c.turn(choice) for c, choice in choices.items()}

    def standard_pct(self, curve: str) -> float:
        """Return the moisture yields are stated at; nan if not known."""
        explored = self.curve(curve)
        return self.state.standard.get(explored.audit.crop, explored.standard_pct)

    def look(self) -> Look:
        """Return all that follows for the curve looked at, but for the advice.

        Whatever does not depend on what was changed is kept from the last look.
        """
        name = self.state.curve
        curve, choice, select = self.curve(name), self.choice(name), self.state.select
        turn, part = curve.turn(choice), curve.part(choice)
        audited, chosen, grid = curve.outlooks(choice)
        turns = self.turns(curve.audit.crop)
        others = {k: v for k, v in turns.items() if k != name}
        trials = self.trials_of(name)
        key = (name, len(trials), tuple(others.items()))
        stacks = self.kept("stacks", key, lambda: _stacks(trials, name, others))
        changed = self.kept(
            "changed",
            (*key, turn.tilt, turn.pivot if turn.tilt else 0.0, select),
            lambda: changed_selections(stacks, curve.stops, *turn[1:], select=select),
        )
        moves = _moves(stacks, turn, select)
        newly = sum(len(entered) for entered, _ in moves.values())
        reach = np.ptp(chosen.spans.get("bias", (0, 0))) / 2
        near = changed[np.abs(curve.stops - choice.offset) <= reach]
        return Look(
            state=self.state,
            curve=curve,
            choice=choice,
            part=part,
            turn=turn,
            audited=audited,
            chosen=chosen,
            grid=grid,
            changed=changed,
            newly=newly,
            audited_newly=self._audited_newly(name, select),
            newly_span=(int(near.min(initial=newly)), int(near.max(initial=newly))),
            moves=moves,
            trial=self._trial_look(trials, turns, moves),
        )

    def _audited_newly(self, name: str, select: float) -> int:
        """Return the entries newly selected under the audit's own corrections."""
        trials, crop = self.trials_of(name), self.season.audits[name].crop

        def count() -> int:
            turns = self.turns(crop, own=True)
            offset, tilt, pivot = turns[name]
            stacks = _stacks(trials, name, turns)
            found = changed_selections(stacks, [offset], tilt, pivot, select=select)
            return int(found[0])

        return self.kept("audited newly", (name, len(trials), select), count)

    def _trial_look(self, trials, turns, moves) -> TrialLook | None:
        """Return the trial looked at: the one chosen, else the first that changes."""
        if not trials:
            return None
        own = self.state.curve
        # It stays the same while the offset moves, whatever changes in it.
        first = self.kept("first", own, lambda: next(iter(moves), next(iter(trials))))
        lines = trials.get(self.state.trial, trials[first])
        curve = self.curve(own)
        count = selection_count(self.state.select, int(lines.candidate.sum()))
        after = lines.about(own, turns).means(*turns[own])
        scale = standard_scale(curve.standard_pct, self.standard_pct(own))
        return TrialLook(
            lines=lines,
            before=lines.before * scale,
            after=after * scale,
            ranks=rank_changes(lines.before, after, count, lines.candidate),
            count=count,
        )


def _stacks(trials: Mapping[str, TrialLines], curve: str, turns) -> list[EntryLines]:
    """Return trials as lines in one curve's change, those of one size together."""
    return stacked(lines.about(curve, turns) for lines in trials.values())


def _moves(stacks, turn: Turn, select: float) -> dict[str, tuple[list, list]]:
    """Return by trial, sorted, who moves in and who drops out, where anyone does."""
    found = {}
    for lines in stacks:
        entered, left = crossings(lines, turn.offset, *turn[1:], select=select)
        for k in np.flatnonzero((entered | left).any(axis=-1)):
            names = lines.entries[k]
            both = names[entered[k]].tolist(), names[left[k]].tolist()
            found[str(lines.trial[k])] = both
    return dict(sorted(found.items()))


def _plots_by_trial(season: SeasonAudit, crop: str) -> list[tuple[str, PlotYields]]:
    """Return the plots of a crop that the audit compares, by trial, sorted.

    They have a yield both as recorded and as corrected.
    """
    standard = season.settings.standard_moisture_of(crop)
    plots = season.plots
    if not isfinite(standard):
        return []
    compared = np.isfinite(plots["yield_before_kg_ha"] * plots["yield_after_kg_ha"])
    chosen = plots[(plots["crop"].map(crop_key) == crop) & compared]
    chosen = chosen.sort_values("trial", kind="stable")
    columns = {
        "entry": _names(chosen["entry"]),
        "curve": _names(chosen["curve"]),
        "reading": chosen["sensor_pct"].to_numpy(float),
        "per_point": yield_per_point(
            chosen["plot_mass_kg"], chosen["plot_area_m2"], standard
        ),
        "before": chosen["yield_before_kg_ha"].to_numpy(float),
        "after": chosen["yield_after_kg_ha"].to_numpy(float),
    }
    block, trial = _names(chosen["block"]), _names(chosen["trial"])
    names, starts = np.unique(trial, return_index=True)
    found = []
    for name, low, high in zip(names, starts, [*starts[1:], trial.size], strict=True):
        rows = slice(low, high)
        blocks = None if (block[rows] == NOT_GIVEN).all() else block[rows]
        own = {column: values[rows] for column, values in columns.items()}
        found.append((str(name), PlotYields(block=blocks, **own)))
    return found


def _names(column: pd.Series) -> np.ndarray:
    """Return a column of names as text, gaps named."""
    return column.astype(object).where(column.notna(), NOT_GIVEN).to_numpy(str)
