"""A season that is asked what other choices would do; its audit is never touched."""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from math import ceil, floor, isfinite, nan
from time import monotonic
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from kitlib.curves.advice import Recommendation, recommend
from kitlib.curves.evidence import Samples
from kitlib.explorer import what_if
from kitlib.explorer.what_if import TrialLines, Turn
from kitlib.intake.pairs import curve_register
from kitlib.intake.schema import by_value
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import Interval
from kitlib.trials.ranks import rank_changes, selection_count
from kitlib.trials.yields import compared, read_trial_plots, yield_unit
from kitlib.words.findings import KitError
from kitlib.words.terms import Sentences, crop_key

say = Sentences("kitlib.explorer")
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
    choices: Mapping[str, Choice]  # by curve
    # Moisture yields are stated at, by crop: not the audit's own. [% wet basis]
    standard: Mapping[str, float] = field(default_factory=dict)


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
    recorded: pd.DataFrame  # without a change


class ExploredCurve:
    """One audited curve: its samples, and what a choice does to them."""

    def __init__(self, season: SeasonAudit, curve: str):
        self.season, settings = season, season.settings
        self.audit, self.advice = season.audits[curve], season.advice[curve]
        self.kept, found = Kept(), self.audit.samples
        self.names, self.trials = found.sample.astype(str), found.trial.astype(str)
        # All that the audit rests on; trials as whole numbers, for speed.
        codes = np.unique(self.trials, return_inverse=True)[1]
        self.samples = replace(found, trial=codes)
        self.own = what_if.own_turn(self.samples)  # the correction they call for
        limit = float(self.audit.tolerance.at(self.audit.mean_reference))
        self.stops = what_if.offset_stops(settings.setting_step, self.own.offset, limit)
        self.tilts = what_if.tilt_stops(self.own.tilt)
        # Offset loaded during the season [% moisture], moisture the audit states yields
        # at [% wet basis]; nan if not known.
        register = self.audit.register
        self.loaded = register["offset_loaded"] if not register["offset_mixed"] else nan
        self.standard_pct = settings.standard_moisture_of(self.audit.crop)
        bushel = settings.bushel_of(self.audit.crop)
        self.unit = yield_unit(settings.yield_unit, bushel)
        # The audit's own choice; whole points of moisture hold all samples.
        reference, by = self.samples.reference, self.advice.correction
        self.start = Choice(
            offset=float(by.apply(self.own.pivot)) - self.own.pivot,
            tilt=by.tilt,
            band=Interval(float(floor(min(reference))), float(ceil(max(reference)))),
            left_out=frozenset(),
        )
        self.audited = self._outlook(self.samples, self.turn(self.start))

    def _outlook(self, samples: Samples, turn: Turn) -> pd.DataFrame:
        """Return the figures of one correction, with intervals."""
        level = self.season.settings.confidence
        return what_if.outlook(samples, self.audit.tolerance, turn, level)

    def part(self, choice: Choice) -> Part:
        """Return the samples in the band that are not left out."""

        def make() -> Part:
            reference, (low, high) = self.samples.reference, choice.band
            counted = (reference >= low) & (reference <= high)
            counted[list(choice.left_out)] = False
            samples = self.samples if counted.all() else only(self.samples, counted)
            return Part(
                counted=counted,
                samples=samples,
                own=what_if.own_turn(samples) if samples.n else self.own,
                recorded=self._outlook(samples, Turn()),
            )

        return self.kept("part", (choice.band, choice.left_out), make)

    def turn(self, choice: Choice) -> Turn:
        """Return what a choice adds to the curve's readings."""
        return Turn(choice.offset, choice.tilt, self.part(choice).own.pivot)

    def chosen(self, choice: Choice) -> pd.DataFrame:
        """Return the figures of a choice."""
        samples, turn = self.part(choice).samples, self.turn(choice)
        return self.kept("chosen", choice, lambda: self._outlook(samples, turn))

    def grid(self, choice: Choice) -> pd.DataFrame:
        """Return the figures of a choice, were its offset any stop of the slider."""
        part, tolerance = self.part(choice), self.audit.tolerance
        turn = Turn(self.stops, choice.tilt, part.own.pivot)
        key = (choice.band, choice.left_out, choice.tilt)
        return self.kept(
            "grid", key, lambda: what_if.outlook(part.samples, tolerance, turn)
        )

    def advice_on(self, counted: np.ndarray) -> Recommendation | None:
        """Return what the audit would advise on some samples alone, None on none.

        The audit's own functions are run on them. The samples that do not count are
        taken as the audit takes those not blind to the reading: set apart.
        """
        if counted.all():
            return self.advice
        if not counted.any():
            return None
        used = self.audit.pairs["used"].to_numpy(bool, copy=True)
        used[used] = counted
        found = replace(self.audit, pairs=self.audit.pairs.assign(used=used))
        return self.kept("advice", counted.tobytes(), lambda: recommend(found))


def only(samples: Samples, counted: np.ndarray) -> Samples:
    """Return the samples flagged True."""
    values = {name: value[counted] for name, value in vars(samples).items()}
    return replace(samples, **values)


# ---- the season --------------------------------------------------------------------


class SeasonExplorer:
    """What choices would do to a season's curves and trials.

    `options` are the crops by curve of the register, `curves` those that are audited,
    `served` the trials by crop, ready for every offset and slope, and `history` the
    states gone through, of which the one at `at` holds.
    """

    def __init__(self, season: SeasonAudit):
        self.season = season
        register = curve_register(season.tables["curves"].frame)
        self.options = register.sort_values(["crop_key", "curve"])["crop_key"].to_dict()
        self.curves = {name: ExploredCurve(season, name) for name in season.audits}
        self.served: dict[str, dict[str, TrialLines]] = {}
        self.kept = Kept()
        settings = season.settings
        self._select = settings.selection_count or settings.selection_share
        curve = next(iter(self.options), "")
        choices = {name: curve.start for name, curve in self.curves.items()}
        start = State(curve=curve, trial="", select=self._select, choices=choices)
        self.history, self.at = [start], 0
        self._last: tuple[str, float] = ("", 0.0)

    @property
    def state(self) -> State:
        """What is chosen now."""
        return self.history[self.at]

    def turns(self, crop: str, own: bool = False) -> dict[str, Turn]:
        """Return what is added to a crop's curves: as chosen, or the audit's own."""
        return {
            name: curve.turn(curve.start if own else self.state.choices[name])
            for name, curve in self.curves.items()
            if curve.audit.crop == crop
        }

    def serve(self, crop: str) -> Iterator[float]:
        """Make a crop's trials ready, one by one; yield the share that is done."""
        season, served = self.season, {}
        standard = season.settings.standard_moisture_of(crop)
        checks = season.settings.check_entries
        plots = season.plots[by_value(season.plots["crop"], crop_key) == crop]
        trials: Any = plots.groupby("trial") if isfinite(standard) else []
        for k, (name, rows) in enumerate(trials, start=1):
            if rows["curve"].isin(list(season.audits)).any():
                found = read_trial_plots(rows, standard)
                found = found[compared(found)]
                if not found["entry"].isin(checks).all():  # one can be selected
                    told = str(name), found, season.audits, checks
                    served[str(name)] = what_if.trial_lines(*told)
            yield k / len(trials)
        self.served[crop] = served

    # ---- choosing

    def choose(self, control: str, of: str = "", now: float = nan, **changed: Any):
        """Change fields of the choice for a curve, or of the state for all curves.

        A run of changes of one control, told by the time they are made at, is undone
        together. `of` is the curve; left out, the one looked at.
        """
        now = now if isfinite(now) else monotonic()
        curve, choices = of or self.state.curve, self.state.choices
        of_state = {k: v for k, v in changed.items() if k in State.__dataclass_fields__}
        of_choice = {k: v for k, v in changed.items() if k not in of_state}
        if of_choice:
            choice = replace(choices[curve], **of_choice)
            of_state["choices"] = {**choices, curve: choice}
        new = replace(self.state, **of_state)
        if new != self.state:
            in_a_run = self._last[0] == control and now - self._last[1] < RUN
            self.take(new, keep=not in_a_run)
            self._last = (control, now)

    def control(self, look: "Look", name: str, value: Any) -> None:
        """Change what a control of the page changes, from a look on."""
        field, chosen = CONTROLS[name]
        if name in (within := typed_within(look)):
            value = read_number(value, *within[name])
        self.choose(field, **{field: chosen(look, value)})

    def take(self, state: State, keep: bool = True) -> None:
        """Go over to a state; the one before can be gone back to if it is kept."""
        self.history[self.at + keep :] = [state]
        self.at, self._last = self.at + keep, ("", 0.0)

    def step(self, by: int) -> None:
        """Undo a change, by -1, or do it again, by 1, where there is one."""
        at = min(max(self.at + by, 0), len(self.history) - 1)
        self.at, self._last = at, ("", 0.0)

    def reset(self) -> None:
        """Go back to the audit's own choice for the curve looked at."""
        curve, own = self.curves[self.state.curve], dict(self.state.standard)
        own.pop(curve.audit.crop, None)
        start = vars(curve.start)
        self.choose("reset", standard=own, select=self._select, **start)

    def saved(self) -> dict[str, Any]:
        """Return the state as plain texts and numbers, samples by name.

        Choices that are the audit's own are left out: they follow the audit.
        """
        told, choices = asdict(self.state), {}
        for name, choice in self.state.choices.items():
            curve = self.curves[name]
            if choice != curve.start:
                names = curve.names[sorted(choice.left_out)].tolist()
                plain = {"left_out": names, "band": list(choice.band)}
                choices[name] = vars(choice) | plain
        return told | {"choices": choices}

    def restored(self, told: Mapping[str, Any]) -> State:
        """Return the state that was saved; what the season has no more is left out."""
        choices = {name: curve.start for name, curve in self.curves.items()}
        for name in choices.keys() & told["choices"].keys():
            choice = told["choices"][name]
            picked = np.isin(self.curves[name].names, choice["left_out"])
            left_out = frozenset(np.flatnonzero(picked).tolist())
            changed = {"left_out": left_out, "band": Interval(*choice["band"])}
            choices[name] = Choice(**choice | changed)
        curve = told["curve"] if told["curve"] in self.options else self.state.curve
        return State(**{**told, "choices": choices, "curve": curve})


# ---- what follows ------------------------------------------------------------------


class Look:
    """All that follows from the choices for the curve looked at, but for the advice.

    Whatever does not depend on what was changed is kept from the last look.
    """

    def __init__(self, explorer: SeasonExplorer):
        self.state, name = explorer.state, explorer.state.curve
        self.curve, self.choice = explorer.curves[name], explorer.state.choices[name]
        self.part = self.curve.part(self.choice)
        self.chosen = self.curve.chosen(self.choice)
        self.grid = self.curve.grid(self.choice)  # at every stop of the offset
        self.turn = self.curve.turn(self.choice)  # what is added to the readings
        # Moisture that yields are stated at; nan if not known.
        crop, own = self.curve.audit.crop, self.curve.standard_pct
        self.standard_pct = self.state.standard.get(crop, own)
        # The trials that the curve served, as far as they are ready.
        every = explorer.served.get(crop, {})
        self.trials = {k: v for k, v in every.items() if name in v.per_point}
        self.trial: TrialLook | None = None
        self.served = crop in explorer.served  # else its trials are being read
        self._rank(explorer, explorer.kept, (name, self.served))

    def _rank(self, explorer: SeasonExplorer, kept: Kept, ready: tuple) -> None:
        """Count and name the entries that cross the line in the curve's trials."""
        crop, name, select = self.curve.audit.crop, ready[0], self.state.select
        stops, turn, turns = self.curve.stops, self.turn, explorer.turns(crop)
        stacks = kept("stacks", ready, lambda: what_if.stacked(self.trials.values()))

        def newly(turns: Mapping[str, Turn]) -> Any:
            return what_if.newly_selected(stacks, turns, select)

        # Entries selected that were not as recorded: under the audit's own corrections,
        # at every stop, and as chosen.
        own = kept("own", (ready, select), lambda: newly(explorer.turns(crop, True)))
        self.audited_newly = int(own)
        moved = turns | {name: turn._replace(offset=stops)}
        # About no tilt the pivot is of no consequence.
        still = turns | {name: turn._replace(offset=0.0) if turn.tilt else Turn()}
        none, key = np.zeros(stops.size, int), (ready, still, select)
        self.changed = kept("changed", key, lambda: none + newly(moved))
        # By trial: who moves in, and who drops out.
        self.moves: dict[str, tuple[list[str], list[str]]] = {}
        for lines in stacks:
            entered, left = what_if.crossings(lines, turns, select)
            for k in np.flatnonzero((entered | left).any(axis=-1)):
                who, trial = lines.entries[k], str(lines.trial[k])
                self.moves[trial] = who[entered[k]].tolist(), who[left[k]].tolist()
        self.moves = dict(sorted(self.moves.items()))
        self.newly = sum(len(entered) for entered, _ in self.moves.values())
        # Least and most over offsets as far away as the interval of the bias reaches.
        reach = (self.chosen["bias_high"][0] - self.chosen["bias_low"][0]) / 2
        near = np.abs(stops - self.choice.offset) <= reach
        counts = [self.newly, *self.changed[near].tolist()]
        self.newly_span = min(counts), max(counts)
        if self.trials:
            # It stays the same while the offset moves, whatever changes in it.
            first = kept("first", name, lambda: [*self.moves, *self.trials][0])
            lines = self.trials.get(self.state.trial, self.trials[first])
            # At another standard moisture a yield holds the same dry matter.
            scale = (100 - self.curve.standard_pct) / (100 - self.standard_pct)
            self.trial = TrialLook(lines, turns, select, scale)


class TrialLook:
    """What the choices do to one trial, at the standard moisture chosen. [kg/ha]"""

    def __init__(self, lines: TrialLines, turns, select: float, scale: float):
        self.lines, after = lines, lines.means(turns)
        self.count = selection_count(select, int(lines.candidate.sum()))
        self.before, self.after = lines.before * scale, after * scale
        self.ranks = rank_changes(lines.before, after, self.count, lines.candidate)


# ---- what is typed -----------------------------------------------------------------

_NUMBER = re.compile(r"[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)")
# By control: what it changes, and to what, from the look and the value that is sent.
CONTROLS: dict[str, tuple[str, Callable[[Look, Any], Any]]] = {
    "trial": ("trial", lambda look, name: name),
    "offset_at": ("offset", lambda look, at: float(look.curve.stops[at])),
    "offset": ("offset", lambda look, offset: offset),
    "slope": ("tilt", lambda look, on: float(on and np.nan_to_num(look.part.own.tilt))),
    "tilt_at": ("tilt", lambda look, at: float(look.curve.tilts[at])),
    "tilt": ("tilt", lambda look, tilt: tilt),
    "band_low": ("band", lambda look, low: look.choice.band._replace(low=low)),
    "band_high": ("band", lambda look, high: look.choice.band._replace(high=high)),
    "leave_out": ("left_out", lambda look, picked: frozenset(picked)),
    "standard": (
        "standard",
        lambda look, pct: {**look.state.standard, look.curve.audit.crop: pct},
    ),
    # Ten decimals: 7 % shall be the share that 0.07 is.
    "select": (
        "select",
        lambda look, n: round(n / 100, 10) if look.state.select < 1 else n,
    ),
}


def typed_within(look: Look) -> dict[str, tuple[float, float, str]]:
    """Return the least and the most that each box to type in takes, and their unit."""
    curve, (low, high), share = look.curve, look.choice.band, look.state.select < 1
    return {
        "offset": (curve.stops[0], curve.stops[-1], "points"),
        "tilt": (curve.tilts[0], curve.tilts[-1], "points per point"),
        "band_low": (0, high, "%"),
        "band_high": (low, 100, "%"),
        "standard": (1, 60, "%"),
        "select": (0.1, 99, "% of the entries") if share else (1, 10_000, "entries"),
    }


def read_number(text: str, low: float, high: float, unit: str) -> float:
    """Return a number as someone types it, a comma taken as a decimal point."""
    plain = text.strip().replace("−", "-")
    if not _NUMBER.fullmatch(plain):
        raise KitError(say("no_number", text=text))
    number = float(plain.replace(",", "."))
    reach = f"{number_text(low)} to {number_text(high)} {unit}"
    if unit == "entries" and not number.is_integer():
        reach = "a whole number of entries"
    elif low <= number <= high:
        return number
    raise KitError(say("beyond", text=text, reach=reach))


def number_text(value: float) -> str:
    """Return a number as a box to type in shows it: two to four decimals."""
    whole, _, decimals = f"{round(value, 4) + 0.0:.4f}".partition(".")
    return f"{whole}.{decimals.rstrip('0'):0<2}"
