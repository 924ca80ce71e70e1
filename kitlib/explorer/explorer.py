"""A season that is asked what other choices would do; its audit is never touched."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from math import ceil, floor, isfinite, nan
from typing import Any, TypeVar

import numpy as np

from kitlib.curves.advice import Recommendation, recommend
from kitlib.curves.evidence import Samples
from kitlib.explorer.what_if import (
    Outlook,
    TrialLines,
    Turn,
    crossings,
    newly_selected,
    offset_stops,
    outlook,
    own_turn,
    stacked,
    tilt_stops,
    trial_lines,
)
from kitlib.intake.schema import by_value
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import Interval
from kitlib.trials.ranks import RankChanges, rank_changes, selection_count
from kitlib.trials.yields import compared, read_trial_plots, yield_unit
from kitlib.words.terms import crop_key

RUN = 1.0  # changes of one control within so many seconds are undone together [s]
Found = TypeVar("Found")


# ---- what is chosen ----------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What a user has chosen for one curve."""

    offset: float  # added to a reading at the mean reading of the samples [% moisture]
    tilt: float  # added more per point above it; 0 leaves the slope alone
    band: Interval  # reference moistures whose samples count [% moisture, wet basis]
    left_out: frozenset[int]  # positions of the samples picked out


@dataclass(frozen=True, kw_only=True)
class State:
    """All that a user has chosen."""

    curve: str  # the one looked at; empty if the season has none
    trial: str  # the one looked at; empty: the first that changes
    select: float  # share of a trial's entries selected if below 1, else their number
    # Moisture yields are stated at by crop, and choices by curve: not the audit's own.
    standard: Mapping[str, float] = field(default_factory=dict)
    choices: Mapping[str, Choice] = field(default_factory=dict)


class Kept:
    """Keeps what was made of the last key, by name."""

    def __init__(self) -> None:
        self._last: dict[str, tuple[Any, Any]] = {}

    def __call__(self, name: str, key: object, make: Callable[[], Found]) -> Found:
        """Return what was made of this key, made anew if the last one differs."""
        if name not in self._last or self._last[name][0] != key:
            self._last[name] = (key, make())
        return self._last[name][1]


# ---- one curve ---------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class Part:
    """The samples that count and what depends on them alone."""

    counted: np.ndarray  # of all samples
    samples: Samples
    own: Turn  # the change they call for
    recorded: Outlook  # without a change


class ExploredCurve:
    """One audited curve: its samples, and what a choice does to them."""

    def __init__(self, season: SeasonAudit, curve: str):
        self.season, settings = season, season.settings
        self.audit, self.advice = season.audits[curve], season.advice[curve]
        found, register = self.audit.samples, self.audit.register
        self.names, self.trials = found.sample.astype(str), found.trial.astype(str)
        # All that the audit rests on; trials as whole numbers, for speed.
        codes = np.unique(self.trials, return_inverse=True)[1]
        self.samples = replace(found, trial=codes)
        self.own = own_turn(self.samples)  # the correction they call for
        allowed = float(self.audit.tolerance.at(self.audit.mean_reference))
        self.stops = offset_stops(settings.setting_step, self.own.offset, allowed)
        self.tilts = tilt_stops(self.own.tilt)
        # Offset loaded during the season [% moisture], moisture the audit states yields
        # at [% wet basis]; nan if not known.
        mixed = register["offset_mixed"]
        self.loaded = nan if mixed else float(register["offset_loaded"])
        self.standard_pct = settings.standard_moisture_of(self.audit.crop)
        bushel = settings.bushel_of(self.audit.crop)
        self.unit = yield_unit(settings.yield_unit, bushel)
        self.kept = Kept()
        # The audit's own choice; whole points of moisture hold all samples.
        reference, pivot = self.samples.reference, self.own.pivot
        self.start = Choice(
            offset=float(self.advice.correction.apply(pivot)) - pivot,
            tilt=self.advice.correction.tilt,
            band=Interval(float(floor(min(reference))), float(ceil(max(reference)))),
            left_out=frozenset(),
        )
        start = self.start.offset, self.start.tilt
        self.audited = self._outlook(self.samples, *start, pivot)

    def _outlook(self, samples: Samples, offset, tilt=0.0, pivot=0.0) -> Outlook:
        """Return the figures of one correction, with intervals."""
        level = self.season.settings.confidence
        return outlook(samples, self.audit.tolerance, [offset], tilt, pivot, level)

    def part(self, choice: Choice) -> Part:
        """Return the samples that count, and what depends on them alone."""

        def make() -> Part:
            counted = flag_counted(self.samples.reference, choice.band, choice.left_out)
            samples = self.samples if counted.all() else only(self.samples, counted)
            return Part(
                counted=counted,
                samples=samples,
                own=own_turn(samples) if samples.n else self.own,
                recorded=self._outlook(samples, 0.0),
            )

        return self.kept("part", (choice.band, choice.left_out), make)

    def turn(self, choice: Choice) -> Turn:
        """Return what a choice adds to the curve's readings."""
        return Turn(choice.offset, choice.tilt, self.part(choice).own.pivot)

    def chosen(self, choice: Choice) -> Outlook:
        """Return the figures of a choice."""
        part = self.part(choice)
        at = (choice.offset, choice.tilt, part.own.pivot if choice.tilt else 0.0)
        return self.kept("chosen", choice, lambda: self._outlook(part.samples, *at))

    def grid(self, choice: Choice) -> Outlook:
        """Return the figures of a choice, were its offset any stop of the slider."""
        part, tolerance = self.part(choice), self.audit.tolerance
        at = (self.stops, choice.tilt, part.own.pivot if choice.tilt else 0.0)
        key = (choice.band, choice.left_out, choice.tilt)
        return self.kept("grid", key, lambda: outlook(part.samples, tolerance, *at))

    def advice_on(self, counted: np.ndarray) -> Recommendation | None:
        """Return what the audit would advise on some samples alone, None on none.

        The audit's own functions are run on them. The samples that do not count are
        taken as the audit takes those not blind to the reading: set apart.
        """
        if counted.all():
            return self.advice
        if not counted.any():
            return None

        def make() -> Recommendation:
            used = self.audit.pairs["used"].to_numpy(bool, copy=True)
            used[used] = counted
            pairs = self.audit.pairs.assign(used=used)
            return recommend(replace(self.audit, pairs=pairs))

        return self.kept("advice", counted.tobytes(), make)


def flag_counted(reference, band: Interval, left_out) -> np.ndarray:
    """Flag the samples that count: inside a moisture band and not picked out."""
    counted = (reference >= band.low) & (reference <= band.high)
    counted[list(left_out)] = False
    return counted


def only(samples: Samples, counted: np.ndarray) -> Samples:
    """Return the samples flagged True."""
    values = {name: value[counted] for name, value in vars(samples).items()}
    return replace(samples, **values)


# ---- the season --------------------------------------------------------------------


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
    """All that follows from the choices for the curve looked at."""

    state: State
    curve: ExploredCurve
    choice: Choice
    part: Part
    turn: Turn  # what is added to the curve's readings
    chosen: Outlook
    grid: Outlook  # at every stop of the offset
    # Entries selected that were not as recorded, over the curve's trials: at every
    # stop, as chosen, and under the audit's own corrections.
    changed: np.ndarray
    newly: int
    audited_newly: int
    # Least and most over offsets as far away as the interval of the bias reaches.
    newly_span: tuple[int, int]
    moves: dict[str, tuple[list[str], list[str]]]  # by trial: who moves in, drops out
    trial: TrialLook | None


class SeasonExplorer:
    """What choices would do to a season's curves and trials.

    Attributes
    ----------
    options : dict
        Crop by curve of the register.
    past, future : list of State
        What can be undone, and done again, the next one last.
    served : dict
        By crop: its trials, by name, ready for every offset and slope.
    """

    def __init__(self, season: SeasonAudit):
        self.season = season
        register = season.tables["curves"].frame.drop_duplicates("curve", keep="last")
        rows = register.sort_values(["crop", "curve"]).itertuples()
        self.options = {str(row.curve): str(row.crop) for row in rows}
        settings = season.settings
        self._select = settings.selection_count or settings.selection_share
        curve = next(iter(self.options), "")
        self.state = State(curve=curve, trial="", select=self._select)
        self.past: list[State] = []
        self.future: list[State] = []
        self.served: dict[str, dict[str, TrialLines]] = {}
        self._curves: dict[str, ExploredCurve] = {}
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
        season, served = self.season, {}
        standard = season.settings.standard_moisture_of(crop)
        trials = season.trials if isfinite(standard) else []
        for k, name in enumerate(trials, start=1):
            rows = season.plots_of(name)
            rows = rows[by_value(rows["crop"], crop_key) == crop]
            if rows["curve"].isin(list(season.audits)).any():
                plots = read_trial_plots(rows, standard)
                plots = plots[compared(plots)]
                if len(plots):
                    checks = season.settings.check_entries
                    served[name] = trial_lines(name, plots, season.audits, checks)
            yield k / len(trials)
        self.served[crop] = served

    # ---- choosing

    def choose(
        self, control: str, now: float = 0.0, of: str = "", **changed: Any
    ) -> None:
        """Change fields of the choice for a curve, or of the state for all curves.

        A run of changes of one control, told by the time they are made at, is undone
        together. `of` is the curve; left out, the one looked at.
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
        own = choice == self.curve(curve).start
        return others if own else {**others, curve: choice}

    def take(self, state: State, keep: bool = True) -> None:
        """Go over to a state; the one before can be gone back to."""
        if keep:
            self.past.append(self.state)
        self.future.clear()
        self.state, self._last = state, ("", 0.0)

    def reset(self) -> None:
        """Go back to the audit's own choice for the curve looked at."""
        curve = self.curve(self.state.curve)
        standard = dict(self.state.standard)
        standard.pop(curve.audit.crop, None)
        choices = self._with(curve.audit.curve, curve.start)
        self.choose("reset", choices=choices, standard=standard, select=self._select)

    def undo(self) -> None:
        """Go back by one change."""
        self._step(self.past, self.future)

    def redo(self) -> None:
        """Do again what was undone last."""
        self._step(self.future, self.past)

    def _step(self, source: list[State], target: list[State]) -> None:
        """Go over to the next state of one list; the other takes the one before."""
        if source:
            target.append(self.state)
            self.state, self._last = source.pop(), ("", 0.0)

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
                picked = np.isin(self.curve(curve).names, choice["left_out"])
                left_out = frozenset(np.flatnonzero(picked).tolist())
                changed = {"left_out": left_out, "band": Interval(*choice["band"])}
                choices[curve] = Choice(**{**choice, **changed})
        curve = told["curve"] if told["curve"] in self.options else self.state.curve
        return State(**{**told, "choices": choices, "curve": curve})

    # ---- what follows

    def turns(self, crop: str, own: bool = False) -> dict[str, Turn]:
        """Return what is added to the readings of a crop's curves.

        With `own` the audit's own corrections, whatever was chosen.
        """
        found = {}
        for name, audit in self.season.audits.items():
            if audit.crop == crop:
                curve = self.curve(name)
                found[name] = curve.turn(curve.start if own else self.choice(name))
        return found

    def standard_pct(self, curve: str) -> float:
        """Return the moisture yields are stated at; nan if not known."""
        explored = self.curve(curve)
        return self.state.standard.get(explored.audit.crop, explored.standard_pct)

    def trials_of(self, curve: str) -> dict[str, TrialLines]:
        """Return the trials a curve served, as far as they are ready."""
        every = self.served.get(self.season.audits[curve].crop, {})
        return {k: v for k, v in every.items() if curve in v.per_point}

    def look(self) -> Look:
        """Return all that follows for the curve looked at, but for the advice.

        Whatever does not depend on what was changed is kept from the last look.
        """
        name, select = self.state.curve, self.state.select
        curve, choice = self.curve(name), self.choice(name)
        turn, chosen, stops = curve.turn(choice), curve.chosen(choice), curve.stops
        crop = curve.audit.crop
        turns, ready = self.turns(crop), (name, crop in self.served)
        trials = self.kept("trials", ready, lambda: self.trials_of(name))
        stacks = self.kept("stacks", ready, lambda: stacked(trials.values()))
        every = turns | {name: turn._replace(offset=stops)}
        # About no tilt the pivot is of no consequence.
        still = turns | {name: turn._replace(offset=0.0) if turn.tilt else Turn()}
        changed = self.kept(
            "changed",
            (ready, still, select),
            lambda: np.zeros(stops.size, int) + newly_selected(stacks, every, select),
        )
        moves = _moves(stacks, turns, select)
        newly = sum(len(entered) for entered, _ in moves.values())
        reach = np.ptp(chosen.spans.get("bias", (0, 0))) / 2
        near = changed[np.abs(stops - choice.offset) <= reach]
        return Look(
            state=self.state,
            curve=curve,
            choice=choice,
            part=curve.part(choice),
            turn=turn,
            chosen=chosen,
            grid=curve.grid(choice),
            changed=changed,
            newly=newly,
            audited_newly=self.kept(
                "audited",
                (ready, select),
                lambda: int(newly_selected(stacks, self.turns(crop, own=True), select)),
            ),
            newly_span=(int(near.min(initial=newly)), int(near.max(initial=newly))),
            moves=moves,
            trial=self._trial_look(trials, turns, moves) if trials else None,
        )

    def _trial_look(self, trials, turns, moves) -> TrialLook:
        """Return the trial looked at: the one chosen, else the first that changes."""
        name = self.state.curve
        # It stays the same while the offset moves, whatever changes in it.
        first = self.kept("first", name, lambda: next(iter(moves), next(iter(trials))))
        lines = trials.get(self.state.trial, trials[first])
        count = selection_count(self.state.select, int(lines.candidate.sum()))
        after = lines.means(turns)
        # At another standard moisture a yield holds the same dry matter.
        audited_pct, chosen_pct = self.curve(name).standard_pct, self.standard_pct(name)
        scale = (100 - audited_pct) / (100 - chosen_pct)
        return TrialLook(
            lines=lines,
            before=lines.before * scale,
            after=after * scale,
            ranks=rank_changes(lines.before, after, count, lines.candidate),
            count=count,
        )


def _moves(stacks, turns, select: float) -> dict[str, tuple[list[str], list[str]]]:
    """Return by trial, sorted, who moves in and who drops out, where anyone does."""
    found = {}
    for lines in stacks:
        entered, left = crossings(lines, turns, select)
        for k in np.flatnonzero((entered | left).any(axis=-1)):
            names = lines.entries[k]
            both = names[entered[k]].tolist(), names[left[k]].tolist()
            found[str(lines.trial[k])] = both
    return dict(sorted(found.items()))
