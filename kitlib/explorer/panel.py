"""The explorer's panel: it wires what is done to what follows, and computes nothing."""

import asyncio
from collections.abc import Callable, Coroutine, Sequence
from datetime import datetime
from math import isfinite, nan
from pathlib import Path
from time import monotonic
from typing import Any, NamedTuple

import anywidget
import numpy as np
import pandas as pd
import traitlets

from kitlib.curves.advice import Recommendation
from kitlib.explorer.explorer import ExploredCurve, Look, SeasonExplorer
from kitlib.explorer.pictures import (
    NOT_THE_AUDIT,
    ErrorPicture,
    OffsetPicture,
    RankPicture,
)
from kitlib.explorer.record import (
    FIGURE_ROWS,
    choice_in_words,
    delete_records,
    figures_frame,
    figures_note,
    inputs_digest,
    keep_choices,
    kept_choices,
    read_records,
    trial_in_words,
    write_record,
)
from kitlib.explorer.what_if import Outlook
from kitlib.intake.files import file_name
from kitlib.season.season import SeasonAudit, audit_season
from kitlib.statistics.estimates import Interval
from kitlib.words.findings import KitError
from kitlib.words.terms import columns_of, counted, show, show_span, shown

MOST_ENTRIES = 12


class NotUsed(KitError):
    """A number was typed that cannot be used."""


class Shown(NamedTuple):
    """A table as the page shows it; columns in `right` hold numbers."""

    caption: str
    heads: list[str]
    rows: list[list[str]]
    right: range
    note: str = ""
    strong: Sequence[int] = ()


def figures_table(look: Look) -> Shown:
    """Return the samples' figures with intervals: recorded, audited and chosen."""
    cases = (look.part.recorded, look.audited, look.chosen)
    rows = [
        ["Samples / trials", *(f"{case.n} / {case.n_trials}" for case in cases)],
        ["Offset (points)", *(show(case.offsets[0], sign=True) for case in cases)],
    ]
    for label, *what in FIGURE_ROWS:
        rows.append([label, *(_with_interval(case, *what) for case in cases)])
    newly = ["–", "–", "–"]
    if look.trial:
        low, high = look.newly_span
        newly = ["0", str(look.audited_newly), f"{look.newly} ({low} to {high})"]
    rows.append(["Entries newly selected", *newly])
    audit = f"Audit: {look.curve.advice.action}"
    heads = ["Figure", "As recorded", audit, "What if"]
    caption = f"Curve {look.curve.audit.curve}: what its samples show, and how many "
    caption += "entries of all its trials would be selected that were not."
    return Shown(caption, heads, rows, range(1, 4), figures_note(look))


def _with_interval(found: Outlook, name, scale, decimals, sign) -> str:
    """Return a figure with its interval in brackets, where there is one."""
    shown = show(scale * getattr(found, name)[0], decimals, sign)
    low, high = found.spans.get(name, (nan, nan))
    if not (isfinite(low) and isfinite(high)):
        return shown
    return f"{shown} ({show_span(scale * low, scale * high, decimals, sign)})"


def entries_table(look: Look) -> Shown:
    """Return the entries of the trial looked at that cross or lie near the line."""
    trial, unit = look.trial, look.curve.unit
    if trial is None:
        return Shown(trial_in_words(look), [], [], range(0))
    ranks, names = trial.ranks, trial.lines.entries
    crosses = ranks.entered | ranks.left
    far = np.abs(ranks.rank_after - trial.count - 0.5)  # nan, so last, for checks
    near = np.lexsort((far, ~crosses))[:MOST_ENTRIES]
    near = near[np.lexsort((names[near], ranks.rank_after[near]))]
    fates = np.select(
        [ranks.entered, ranks.left, ranks.selected_after],
        ["moves in", "drops out", "stays in"],
        "stays out",
    )
    rows = [
        [
            str(names[k]),
            f"{ranks.rank_before[k]:.0f} → {ranks.rank_after[k]:.0f}"
            if trial.lines.candidate[k]
            else "check",
            show(unit.of(trial.after[k]), unit.decimals),
            show(unit.of(trial.after[k] - trial.before[k]), unit.decimals + 1, True),
            str(fates[k]),
        ]
        for k in near
    ]
    hidden = counted(names.size - near.size, "entry", "entries")
    note = f"{hidden} farther from the line not shown. Means: {trial.lines.model}."
    heads = [
        "Entry",
        "Rank",
        f"Yield ({unit.name})",
        f"Change ({unit.name})",
        "What if",
    ]
    bold = np.flatnonzero(crosses[near]).tolist()
    return Shown(trial_in_words(look), heads, rows, range(1, 4), note, bold)


def curves_table(explorer: SeasonExplorer) -> Shown:
    """Return what is chosen for every audited curve."""
    rows = []
    for name in explorer.season.audits:
        curve, choice = explorer.curve(name), explorer.choice(name)
        _, chosen, _ = curve.outlooks(choice)
        tilt = show(choice.tilt, 3, sign=True) if choice.tilt else "none"
        advice = f"{curve.advice.action}, {show(curve.start.offset, sign=True)}"
        row = [f"{curve.audit.crop}: {name}", number_text(choice.offset), tilt, advice]
        row.append(f"{chosen.n} / {chosen.n_trials}")
        rows.append(
            [*row, *(_with_interval(chosen, *FIGURE_ROWS[k][1:]) for k in (0, 2))]
        )
    heads = ["Curve", "Offset (points)", "Tilt", "Audit", "Samples / trials"]
    heads += ["Bias left", "RMSEP on trials left out"]
    caption = "What is chosen for every curve; trials that several curves served are "
    return Shown(f"{caption}ranked with all of it.", heads, rows, range(1, 7))


def records_table(records: pd.DataFrame, inputs: str) -> Shown:
    """Return what is on record, the newest first."""
    columns = ["what_if", "recorded_at", "curve", "offset", "bias", "newly_selected"]
    columns += ["reason", "inputs_sha256"]
    rows = [
        [
            str(number),
            str(time).replace("T", " "),
            str(curve),
            show(offset, sign=True),
            show(bias, sign=True),
            f"{newly:.0f}" if isfinite(newly) else "–",
            str(reason),
            "" if made_on == inputs else "other inputs",
        ]
        for number, time, curve, offset, bias, newly, reason, made_on in (
            records[columns].iloc[::-1].to_numpy(object).tolist()
        )
    ]
    heads = ["Record", "Time", "Curve", "Offset", "Bias left", "Newly selected"]
    caption = f"{counted(len(rows), 'record')} in this season's folder."
    return Shown(caption, [*heads, "Reason", "Made on"], rows, range(3, 6))


def compared_table(two: pd.DataFrame) -> Shown:
    """Return two records side by side, a row for each column that a reader reads."""
    hidden = ("what_if", "season", "choices", "page", "row_sha256", "page_sha256")
    read = [k for k in columns_of("what_if") if k in two and k not in hidden]
    rows = [[column.head, *cells] for column, cells in shown(two[read], "what_if")]
    caption = "Two records side by side; rows that differ are in bold."
    differ = [k for k, (_, one, other) in enumerate(rows) if one != other]
    heads = ["Figure", *(f"Record {k}" for k in two["what_if"])]
    return Shown(caption, heads, rows, range(0), strong=differ)


def advice_in_words(look: Look, without: Recommendation | None) -> list[str]:
    """Return what the audit advises, and what it would on the samples that count.

    `without` comes from `ExploredCurve.advice_on`, None where no sample counts.
    """
    curve, part = look.curve, look.part
    every, level = curve.samples.n, curve.season.settings.confidence
    said = [f"All {counted(every, 'sample')}: {_advised(curve.advice, level)}"]
    if part.counted.all():
        return said
    gone = every - part.samples.n
    if without is None:
        return [*said, f"Without these {gone}: no sample is left to say anything."]
    return [*said, f"Without {counted(gone, 'sample')}: {_advised(without, level)}"]


def _advised(advice: Recommendation, level: float) -> str:
    """Return one recommendation in a sentence or two."""
    interval = show_span(*advice.interval, sign=True)
    reason = advice.reason[0].upper() + advice.reason[1:]
    return (
        f"{advice.action}; −bias {show(advice.offset, sign=True)} points "
        f"({level:.0%} interval {interval}). {reason}"
    )


def sample_labels(curve: ExploredCurve) -> list[tuple[int, str]]:
    """Return the samples as a list to pick from shows them, the largest error first."""
    samples = curve.samples
    order = np.argsort(-np.abs(samples.error), kind="stable").tolist()
    return [
        (
            k,
            f"{show(samples.error[k], 2, sign=True)} points at "
            f"{show(samples.reference[k], 1)} %  ·  {curve.names[k]}  ·  "
            f"{curve.trials[k]}",
        )
        for k in order
    ]


def trial_labels(explorer: SeasonExplorer, look: Look) -> list[tuple[str, str]]:
    """Return the curve's trials as a list shows them, those that change first."""
    trials = explorer.trials_of(look.curve.audit.curve)
    changed = [
        (name, f"{name}: {_named('in', entered)}; {_named('out', left)}")
        for name, (entered, left) in look.moves.items()
    ]
    rest = [(name, f"{name}: no change") for name in trials if name not in look.moves]
    return changed + rest


def _named(where: str, names: list[str]) -> str:
    """Return who moves in or out, as a phrase."""
    return f"{where} {', '.join(names) or 'none'}"


def offset_label(curve: ExploredCurve, offset: float) -> str:
    """Return an offset in words, as its slider is read aloud."""
    said = f"{show(offset, sign=True)} points"
    if abs(offset - curve.own.offset) < 1e-9:
        return f"{said}, minus the bias"
    if offset == 0:
        return "0.00 points, no change"
    return f"{said}, in its interval" if curve.advice.interval.holds(offset) else said


def tilt_label(curve: ExploredCurve, tilt: float) -> str:
    """Return a tilt in words, as its slider is read aloud."""
    if tilt == 0:
        return "0.000, no tilt"
    own = abs(tilt - curve.own.tilt) < 1e-9
    return f"{show(tilt, 3, sign=True)} per point{', the samples own' if own else ''}"


def number_text(value: float) -> str:
    """Return a number as a box to type in shows it: up to four decimals.

    Examples
    --------
    >>> number_text(-0.894736), number_text(0.3), number_text(20.0)
    ('-0.8947', '0.30', '20.00')
    """
    whole, _, decimals = f"{value + 0.0:.4f}".partition(".")
    return f"{whole}.{decimals.rstrip('0'):0<2}"


def read_number(text: str, low: float, high: float, unit: str) -> float:
    """Return a number as someone types it, a comma taken as a decimal point.

    Raises
    ------
    NotUsed
        If it is no number, or lies outside `low` to `high`.

    Examples
    --------
    >>> read_number("15,5", 0, 60, "%"), read_number(" −0.35 ", -2, 2, "points")
    (15.5, -0.35)
    """
    plain = text.strip().replace("−", "-")
    if plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    try:
        number = float(plain) if plain.isascii() and "_" not in plain else float("nan")
    except ValueError:
        number = float("nan")
    if not isfinite(number):
        raise NotUsed(f"“{text}” is no number and is not used. Type one such as 0.35.")
    if not low <= number <= high:
        reach = f"{number_text(low)} to {number_text(high)} {unit}"
        raise NotUsed(f"{text} is not used: expected {reach}.")
    return number


HERE = Path(__file__).parent
NO_CURVE = "The curve register is empty: there is nothing to explore."
NO_SAMPLE = "no sample taken blind to the reading speaks for it."
_PLAIN, _SHOWN = ("undo", "redo", "reset"), ("curve", "trial")
_ANYWHERE = ("curve", "undo", "redo", "offset_of", "open")  # also without samples
KEEP_AFTER = 0.5  # choices are kept once nothing was done for so long [s]


class ExplorerPanel(anywidget.AnyWidget):
    """What a shift would do, for one curve of a season at a time.

    The page sends actions, `{"do": name, "value": ...}`, in order; `act` does one, and
    the traits below are what the page shows.

    Parameters
    ----------
    out : str or Path
        Output folder; what is put on record goes to <season name>/explore in it.

    Attributes
    ----------
    view, reach : dict
        Words, tables and choices; what the sliders and lists of a curve reach over.
    errors, offsets, ranks : bytes
        Pictures.
    explorer : SeasonExplorer
        Once the season is audited.
    look : Look
        What is shown, while `view` is ready: the curve has samples.
    figures : DataFrame
        What the page shows as numbers, unrounded.
    """

    _esm = HERE / "panel.js"
    _css = HERE / "panel.css"
    view = traitlets.Dict().tag(sync=True)
    reach = traitlets.Dict().tag(sync=True)
    errors = traitlets.Bytes().tag(sync=True)
    offsets = traitlets.Bytes().tag(sync=True)
    ranks = traitlets.Bytes().tag(sync=True)
    answered: traitlets.List = traitlets.List().tag(sync=True)
    explorer: SeasonExplorer
    look: Look

    def __init__(self, out: str | Path):
        super().__init__()
        self.out, self.home = Path(out), Path(out)
        self.figures = pd.DataFrame()
        self.status = ""
        self.compared: Shown | None = None
        self._audited = False
        self._pictures: dict[str, tuple[ErrorPicture, OffsetPicture]] = {}
        self._rank_picture = RankPicture()
        self._written = 0
        self._recorded: tuple = ()
        self._later: asyncio.TimerHandle | None = None
        self._task: asyncio.Task | None = None
        self._stage("Reading and auditing the season …", -1)
        self.on_msg(lambda _, action, __: self._receive(action))

    def __repr__(self) -> str:
        """Say what a notebook shows until it is run."""
        return f"{NOT_THE_AUDIT}. Run the notebook to see the explorer."

    # ---- getting ready -------------------------------------------------------------

    async def fill(self, season: str | Path) -> None:
        """Audit a season and show it, step by step, without holding up the page."""
        try:
            audit = await asyncio.to_thread(audit_season, season)
        except KitError as refusal:
            self._stage(str(refusal), 1)
        else:
            self.take(audit)
            await self._serve()

    def take(self, audit: SeasonAudit) -> None:
        """Show an audited season, its trials not yet ready."""
        self.home = self.out / file_name(audit.settings.name)
        self.explorer, self._audited = SeasonExplorer(audit), True
        if kept := kept_choices(self.explorer, self.home):
            self.explorer.state = self.explorer.restored(kept)
            self.status = "Your choices of last time are back."
        self._show()

    async def _serve(self) -> None:
        """Make the trials of the crop looked at ready, with progress."""
        explorer, curve = self.explorer, self.explorer.state.curve
        if curve not in explorer.season.audits:
            return
        crop = explorer.season.audits[curve].crop
        if crop in explorer.served:
            return
        steps, shown = explorer.serve(crop), -1.0
        while (share := await asyncio.to_thread(next, steps, None)) is not None:
            if share - shown > 0.02:
                shown = share
                self.view = {**self.view, "share": share}
        self._show()

    def run(self, work: Coroutine) -> None:
        """Do work beside the page if there is a loop to do it in, else at once."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            asyncio.run(work)
        else:
            self._task = loop.create_task(work)

    async def ready(self) -> None:
        """Wait until the panel shows all there is."""
        if self._task:
            await self._task

    # ---- doing ---------------------------------------------------------------------

    def _receive(self, action: dict[str, Any]) -> None:
        """Do what the page asks for, and answer whatever came of it."""
        try:
            self.act(action["do"], action.get("value"))
        finally:
            self.answered = [action["page"], action["number"]]

    def act(self, name: str, value: Any = None) -> None:
        """Do one action; a refusal is said in the status and changes nothing."""
        can = self._audited and (self.view["ready"] or name in _ANYWHERE)
        if name == "ping" or not can:
            return
        self.status = ""
        before = self.explorer.state
        try:
            if name in _PLAIN:
                getattr(self.explorer, name)()
            elif name in _SHOWN:
                self._choose(name, **{name: value})
            else:
                getattr(self, f"_do_{name}")(value)
        except KitError as refusal:
            self.status = str(refusal)
        except OSError as failure:
            self.status = (
                f"{failure.strerror}: {failure.filename}. Nothing was written."
            )
        self._show()
        if self.explorer.state != before:
            self._keep_soon()
        self.run(self._serve())

    def _choose(self, control: str, **changed: Any) -> None:
        """Change what is chosen."""
        self.explorer.choose(control, monotonic(), **changed)

    def _do_offset_at(self, at: int) -> None:
        self._choose("offset", offset=float(self.look.curve.stops[at]))

    def _do_offset(self, text: str) -> None:
        self._do_offset_of([self.explorer.state.curve, text])

    def _do_offset_of(self, asked: list[str]) -> None:
        name, text = asked
        stops = self.explorer.curve(name).stops
        offset = read_number(text, stops[0], stops[-1], "points")
        self.explorer.choose("offset", monotonic(), of=name, offset=offset)

    def _do_slope(self, on: bool) -> None:
        tilt = self.look.part.own.tilt if on else 0.0
        self._choose("slope", tilt=tilt if isfinite(tilt) else 0.0)

    def _do_tilt_at(self, at: int) -> None:
        self._choose("tilt", tilt=float(self.look.curve.tilts[at]))

    def _do_tilt(self, text: str) -> None:
        tilts = self.look.curve.tilts
        reach = tilts[0], tilts[-1]
        self._choose("tilt", tilt=read_number(text, *reach, "points per point"))

    def _do_band_low(self, text: str) -> None:
        high = self.look.choice.band.high
        self._choose("band", band=Interval(read_number(text, 0, high, "%"), high))

    def _do_band_high(self, text: str) -> None:
        low = self.look.choice.band.low
        self._choose("band", band=Interval(low, read_number(text, low, 100, "%")))

    def _do_leave_out(self, picked: list[int]) -> None:
        self._choose("samples", left_out=frozenset(picked))

    def _do_click_errors(self, place: list[float]) -> None:
        picture, _ = self._pictures[self.explorer.state.curve]
        at = picture.sample_at(self.look, *place)
        if at is not None:
            left_out = self.look.choice.left_out ^ {at}
            self._choose(f"sample {at}", left_out=frozenset(left_out))

    def _do_click_offsets(self, place: list[float]) -> None:
        _, picture = self._pictures[self.explorer.state.curve]
        self._choose("offset", offset=picture.offset_at(place[0]))

    def _do_standard(self, text: str) -> None:
        crop = self.look.curve.audit.crop
        standard = {**self.look.state.standard, crop: read_number(text, 1, 60, "%")}
        if standard[crop] == self.look.curve.standard_pct:
            del standard[crop]
        self._choose("standard", standard=standard)

    def _do_select(self, text: str) -> None:
        if self.look.state.select < 1:
            # Ten decimals: 7 % shall be the share that 0.07 is.
            select = round(read_number(text, 0.1, 99, "% of the entries") / 100, 10)
        elif not (select := read_number(text, 1, 10_000, "entries")).is_integer():
            raise NotUsed(f"{text} is not used: expected a whole number of entries.")
        self._choose("select", select=select)

    def _do_record(self, reason: str) -> None:
        same = (self.explorer.state, " ".join(reason.split()))
        if same == self._recorded:
            self.status = "This is on record already, with this reason."
            return
        try:
            number = write_record(
                self.explorer, self.look, reason, self.home, datetime.now()
            )
        except KitError as refusal:
            raise NotUsed(f"Not put on record: {refusal}") from refusal
        self._recorded, self._written = same, self._written + 1
        self.status = f"Put on record as {number}, in {self.home / 'explore'}."

    def _do_delete(self, numbers: list[int]) -> None:
        delete_records(self.home, numbers)
        self._recorded, self._written = (), self._written + 1
        self.status = f"Deleted: {', '.join(map(str, numbers))}."

    def _do_open(self, numbers: list[int]) -> None:
        [row] = self._picked(numbers, 1).itertuples()
        self.explorer.open(row.choices)
        self.status = f"Record {row.what_if} is open again: {row.reason}"

    def _do_compare(self, numbers: list[int]) -> None:
        self.compared = compared_table(self._picked(numbers, 2))

    def _picked(self, numbers: list[int], wanted: int):
        """Return the records picked, if they are as many as are wanted."""
        records = read_records(self.home)
        picked = records[records["what_if"].isin(numbers)]
        if len(picked) != wanted:
            raise NotUsed(f"{len(picked)} picked; expected {wanted}. Tick the records.")
        return picked

    def _keep_soon(self) -> None:
        """Keep the choices on disk, once nothing was done for a moment."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            keep_choices(self.explorer, self.home)
            return
        if self._later:
            self._later.cancel()
        self._later = loop.call_later(
            KEEP_AFTER, keep_choices, self.explorer, self.home
        )

    # ---- showing -------------------------------------------------------------------

    def _stage(self, said: str, share: float) -> None:
        """Say what is going on, or why there is nothing to show."""
        self.view = {
            "label": NOT_THE_AUDIT,
            "said": said,
            "status": "",
            "share": share,
            "curve": "",
            "ready": False,
        }

    def _show(self) -> None:
        """Show what follows from what is chosen, pictures first, advice last."""
        explorer = self.explorer
        state, audits = explorer.state, explorer.season.audits
        if not explorer.options:
            self._stage(NO_CURVE, 1)
            return
        curves = [[k, f"{crop}: {k}"] for k, crop in explorer.options.items()]
        if state.curve not in audits:
            self.figures = pd.DataFrame()
            self.reach = {"curves": curves}
            said = f"Curve {state.curve}: {NO_SAMPLE}"
            self.view = {**self.view, "said": said, "curve": state.curve, "share": 1}
            self.view = {**self.view, "ready": False, "status": self.status}
            return
        self.look = look = explorer.look()
        served = audits[state.curve].crop in explorer.served
        self.figures = figures_frame(look)
        quick = look.part.counted.all() or not look.part.counted.any()
        advice = self._advice(look) if quick else ["Working out the advice …"]
        with self.hold_sync():
            self._show_pictures(look)
            self.reach = self._reach(curves, look)
            self.view = self._view(look, served, advice)
        if not quick:
            self.view = {**self.view, "advice": self._advice(look)}

    def _advice(self, look: Look) -> list[str]:
        """Return the audit's advice on the samples that count, in words."""
        return advice_in_words(look, look.curve.advice_on(look.part.counted))

    def _show_pictures(self, look: Look) -> None:
        """Show the pictures of a look."""
        name = look.curve.audit.curve
        if name not in self._pictures:
            self._pictures[name] = ErrorPicture(look.curve), OffsetPicture(look.curve)
        errors, offsets = self._pictures[name]
        self.errors, self.offsets = errors.show(look), offsets.show(look)
        if look.trial:
            self.ranks = self._rank_picture.show(look)

    def _reach(self, curves: list, look: Look) -> dict[str, Any]:
        """Return what the sliders and lists of the curve reach over."""
        curve = look.curve
        return curve.kept(
            "reach",
            "",
            lambda: {
                "curves": curves,
                "stops": [offset_label(curve, k) for k in curve.stops.tolist()],
                "tilts": [tilt_label(curve, k) for k in curve.tilts.tolist()],
                "samples": [list(pair) for pair in sample_labels(curve)],
            },
        )

    def _view(self, look: Look, served: bool, advice: list[str]) -> dict[str, Any]:
        """Return the words, tables and choices that the page shows."""
        explorer, curve, choice = self.explorer, look.curve, look.choice
        name, share = curve.audit.curve, look.state.select < 1
        standard = explorer.standard_pct(name)
        inputs = inputs_digest(explorer.season)
        records = explorer.kept(
            "records",
            self._written,
            lambda: records_table(read_records(self.home), inputs),
        )
        errors, offsets = self._pictures[name]
        return {
            "label": NOT_THE_AUDIT,
            "said": choice_in_words(look),
            "status": self.status,
            "share": 1 if served else 0,
            "ready": True,
            "curve": name,
            "offset": _slider(choice.offset, curve.stops, offset_label, curve),
            "tilt": _slider(choice.tilt, curve.tilts, tilt_label, curve)
            | {"off": not choice.tilt},
            "slope": bool(choice.tilt),
            "slopeOff": not isfinite(look.part.own.tilt),
            "band": [number_text(end) for end in choice.band],
            "leftOut": sorted(choice.left_out),
            "standard": number_text(standard) if isfinite(standard) else "",
            "select": f"{100 * look.state.select if share else look.state.select:.10g}",
            "selectLabel": "Selected, % of entries" if share else "Selected, entries",
            "can": list(explorer.can),
            "reasons": self._written,
            "figures": _plain(figures_table(look)),
            "advice": advice,
            "trials": [list(pair) for pair in trial_labels(explorer, look)],
            "trial": look.trial.lines.trial if look.trial else "",
            "entries": _plain(entries_table(look)),
            "allCurves": _plain(curves_table(explorer))
            | {"names": list(explorer.season.audits)},
            "records": _plain(records),
            "compared": _plain(self.compared) if self.compared else None,
            "alts": {
                "errors": errors.alt(look),
                "offsets": offsets.alt(look),
                "ranks": self._rank_picture.alt(look),
            },
        }


def explorer_panel(season: str | Path, out: str | Path) -> ExplorerPanel:
    """Return the explorer of a season folder, which says why if there is none.

    In a notebook it is shown at once and filled while one looks on; `await
    panel.ready()` waits for all of it.

    Parameters
    ----------
    season : str or Path
        The season folder; it is audited anew.
    out : str or Path
        Output folder; what is put on record goes to <season name>/explore in it.
    """
    panel = ExplorerPanel(out)
    panel.run(panel.fill(season))
    return panel


def _slider(
    value: float, stops: np.ndarray, label: Callable[..., str], curve
) -> dict[str, Any]:
    """Return a slider: its nearest stop, the number in its box, and its words."""
    return {
        "at": int(np.argmin(np.abs(stops - value))),
        "text": number_text(value),
        "said": label(curve, value),
        "off": False,
    }


def _plain(table: Shown) -> dict[str, Any]:
    """Return a table as the page takes it."""
    right = [k in table.right for k in range(len(table.heads))]
    return {**table._asdict(), "right": right}
