"""The explorer's panel: it wires what is done to what follows, and computes nothing."""

import asyncio
import json
from collections.abc import Callable, Coroutine, Mapping, Sequence
from datetime import datetime
from math import isfinite
from pathlib import Path
from time import monotonic
from typing import Any

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
    choice_in_words,
    delete_records,
    figures_frame,
    figures_note,
    figures_of,
    inputs_digest,
    keep_choices,
    kept_choices,
    read_records,
    trial_in_words,
    write_record,
)
from kitlib.intake.outputs import file_name
from kitlib.season.season import SeasonAudit, audit_season
from kitlib.statistics.estimates import Interval
from kitlib.words.findings import KitError
from kitlib.words.terms import NOT_KNOWN, columns_of, counted, show, show_span, shown

HERE = Path(__file__).parent
NO_CURVE = "The curve register is empty: there is nothing to explore."
NO_SAMPLE = "no sample taken blind to the reading speaks for it."
KEEP_AFTER = 0.5  # choices are kept once nothing was done for so long [s]
MOST_ENTRIES = 12
RECORDS = "what_if recorded_at curve offset bias newly_selected reason inputs_sha256"
_PLAIN = ("undo", "redo", "reset")
_ANYWHERE = ("curve", "undo", "redo", "offset_of", "open")  # also without samples


class NotUsed(KitError):
    """What was typed or picked cannot be used."""


class ExplorerPanel(anywidget.AnyWidget):
    """What a shift would do, for one curve of a season at a time.

    The page sends actions, `{"do": name, "value": ...}`, in order; `act` does one, and
    the traits are what the page shows. What is put on record goes to the folder
    <season name>/explore of `out`.
    """

    _esm = HERE / "panel.js"
    _css = HERE / "panel.css"
    view = traitlets.Dict().tag(sync=True)  # words, tables and choices
    reach = traitlets.Dict().tag(sync=True)  # of the sliders and lists of a curve
    errors = traitlets.Bytes().tag(sync=True)
    offsets = traitlets.Bytes().tag(sync=True)
    ranks = traitlets.Bytes().tag(sync=True)
    answered: traitlets.List = traitlets.List().tag(sync=True)
    explorer: SeasonExplorer  # once the season is audited
    look: Look  # what is shown, while the view is ready: the curve has samples

    def __init__(self, out: str | Path):
        super().__init__()
        self.out, self.home = Path(out), Path(out)
        self.figures = pd.DataFrame()  # what the page shows as numbers, unrounded
        self.status = ""
        self.compared: dict[str, Any] | None = None
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

    # ---- getting ready

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
        audit = self.explorer.season.audits.get(self.explorer.state.curve)
        if audit is None or audit.crop in self.explorer.served:
            return
        steps, told = self.explorer.serve(audit.crop), -1.0
        while (share := await asyncio.to_thread(next, steps, None)) is not None:
            if share - told > 0.02:
                told = share
                self.view = {**self.view, "share": share}
        self._show()

    def run(self, work: Coroutine) -> None:
        """Do work beside the page if there is a loop to do it in, else at once."""
        try:
            self._task = asyncio.get_running_loop().create_task(work)
        except RuntimeError:
            asyncio.run(work)

    async def ready(self) -> None:
        """Wait until the panel shows all there is."""
        if self._task:
            await self._task

    # ---- doing

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
        self.status, before = "", self.explorer.state
        try:
            if name in _PLAIN:
                getattr(self.explorer, name)()
            elif name == "curve":
                self._choose(name, curve=value)
            elif name in CONTROLS:
                field, chosen = CONTROLS[name]
                self._choose(field, **{field: chosen(self.look, value)})
            else:
                getattr(self, f"_do_{name}")(value)
        except KitError as refusal:
            self.status = str(refusal)
        except OSError as failure:
            self.status = f"{failure.strerror}: {failure.filename}. "
            self.status += "Nothing was written."
        self._show()
        if self.explorer.state != before:
            self._keep_soon()
        self.run(self._serve())

    def _choose(self, control: str, of: str = "", **changed: Any) -> None:
        """Change what is chosen."""
        self.explorer.choose(control, monotonic(), of, **changed)

    def _do_offset_of(self, asked: list[str]) -> None:
        name, text = asked
        offset = _offset(self.explorer.curve(name), text)
        self._choose("offset", name, offset=offset)

    def _do_click_errors(self, place: list[float]) -> None:
        picture, _ = self._pictures[self.explorer.state.curve]
        at = picture.sample_at(self.look, *place)
        if at is not None:
            self._choose(f"sample {at}", left_out=self.look.choice.left_out ^ {at})

    def _do_click_offsets(self, place: list[float]) -> None:
        _, picture = self._pictures[self.explorer.state.curve]
        self._choose("offset", offset=picture.offset_at(place[0]))

    def _do_record(self, reason: str) -> None:
        same = (self.explorer.state, " ".join(reason.split()))
        if same == self._recorded:
            self.status = "This is on record already, with this reason."
            return
        now = datetime.now()
        try:
            number = write_record(self.explorer, self.look, reason, self.home, now)
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
        self.explorer.take(self.explorer.restored(json.loads(str(row.choices))))
        self.status = f"Record {row.what_if} is open again: {row.reason}"

    def _do_compare(self, numbers: list[int]) -> None:
        two = self._picked(numbers, 2)
        hidden = ("what_if", "season", "choices", "page", "row_sha256", "page_sha256")
        read = [k for k in columns_of("what_if") if k in two and k not in hidden]
        table = in_brackets(two[read]).T
        table.columns = pd.Index([f"Record {k}" for k in two["what_if"]])
        differ = np.flatnonzero(table.iloc[:, 0] != table.iloc[:, 1]).tolist()
        caption = "Two records side by side; rows that differ are in bold."
        table = table.reset_index(names="Figure")
        self.compared = page_table(caption, table, strong=differ)

    def _picked(self, numbers: list[int], wanted: int) -> pd.DataFrame:
        """Return the records picked, if they are as many as are wanted."""
        records = read_records(self.home)
        picked = records[records["what_if"].isin(numbers)]
        if len(picked) != wanted:
            raise NotUsed(f"{len(picked)} picked; expected {wanted}. Tick the records.")
        return picked

    def _keep_soon(self) -> None:
        """Keep the choices on disk, once nothing was done for a moment."""
        if self._later:
            self._later.cancel()
        try:
            later = asyncio.get_running_loop().call_later
            self._later = later(KEEP_AFTER, keep_choices, self.explorer, self.home)
        except RuntimeError:
            keep_choices(self.explorer, self.home)

    # ---- showing

    def _stage(self, said: str, share: float, curve: str = "") -> None:
        """Say what is going on, or why there is nothing to show."""
        view = {"label": NOT_THE_AUDIT, "said": said, "status": self.status}
        self.view = {**view, "share": share, "curve": curve, "ready": False}

    def _show(self) -> None:
        """Show what follows from what is chosen, pictures first, advice last."""
        explorer, name = self.explorer, self.explorer.state.curve
        if not explorer.options:
            self._stage(NO_CURVE, 1)
            return
        if name not in explorer.season.audits:
            self.figures = pd.DataFrame()
            self.reach = {"curves": self._curves()}
            self._stage(f"Curve {name}: {NO_SAMPLE}", 1, name)
            return
        self.look = look = explorer.look()
        self.figures = figures_frame(look)
        curve, flags = look.curve, look.part.counted
        quick = flags.all() or not flags.any()
        with self.hold_sync():
            if name not in self._pictures:
                self._pictures[name] = ErrorPicture(curve), OffsetPicture(curve)
            errors, offsets = self._pictures[name]
            self.errors, self.offsets = errors.show(look), offsets.show(look)
            if look.trial:
                self.ranks = self._rank_picture.show(look)
            self.reach = curve.kept("reach", "", lambda: self._reach(curve))
            advice = advice_in_words(look) if quick else ["Working out the advice …"]
            self.view = {**self._view(look), "advice": advice}
        if not quick:
            self.view = {**self.view, "advice": advice_in_words(look)}

    def _curves(self) -> list[list[str]]:
        """Return the curves as a list shows them."""
        return [[k, f"{crop}: {k}"] for k, crop in self.explorer.options.items()]

    def _reach(self, curve: ExploredCurve) -> dict[str, Any]:
        """Return what the sliders and lists of a curve reach over."""
        samples, error = curve.samples, curve.samples.error
        return {
            "curves": self._curves(),
            "stops": curve.stops.size,
            "tilts": curve.tilts.size,
            # The largest error first.
            "samples": [
                [
                    k,
                    f"{show(error[k], 2, sign=True)} points at "
                    f"{show(samples.reference[k], 1)} %  ·  {curve.names[k]}  ·  "
                    f"{curve.trials[k]}",
                ]
                for k in np.argsort(-np.abs(error), kind="stable").tolist()
            ],
        }

    def _view(self, look: Look) -> dict[str, Any]:
        """Return the words, tables and choices that the page shows, but the advice."""
        explorer, curve, choice = self.explorer, look.curve, look.choice
        name, select = curve.audit.curve, look.state.select
        standard = explorer.standard_pct(name)
        pictures = (*self._pictures[name], self._rank_picture)
        alts = [picture.alt(look) for picture in pictures]
        return {
            "label": NOT_THE_AUDIT,
            "said": choice_in_words(look),
            "status": self.status,
            "share": int(curve.audit.crop in explorer.served),
            "ready": True,
            "curve": name,
            "offset": _slider(curve, choice.offset, curve.stops, offset_label),
            "tilt": _slider(curve, choice.tilt, curve.tilts, tilt_label),
            "slope": bool(choice.tilt),
            "slopeOff": not isfinite(look.part.own.tilt),
            "band": [number_text(end) for end in choice.band],
            "leftOut": sorted(choice.left_out),
            "standard": number_text(standard) if isfinite(standard) else "",
            "select": f"{100 * select if select < 1 else select:.10g}",
            "selectLabel": f"Selected, {'% of ' if select < 1 else ''}entries",
            "can": [bool(explorer.past), bool(explorer.future)],
            "reasons": self._written,
            "figures": figures_table(look, self.figures),
            "trials": trial_labels(explorer, look),
            "trial": look.trial.lines.trial if look.trial else "",
            "entries": entries_table(look),
            "allCurves": curves_table(explorer),
            "records": explorer.kept("records", self._written, self._records),
            "compared": self.compared,
            "alts": dict(zip(("errors", "offsets", "ranks"), alts, strict=True)),
        }

    def _records(self) -> dict[str, Any]:
        """Return what is on record, the newest first."""
        records = read_records(self.home)[RECORDS.split()].iloc[::-1]
        other = records["inputs_sha256"] != inputs_digest(self.explorer.season)
        told = records.assign(
            recorded_at=records["recorded_at"].str.replace("T", " "),
            inputs_sha256=np.where(other, "other inputs", ""),
        )
        caption = f"{counted(len(records), 'record')} in this season's folder."
        return page_table(caption, in_brackets(told), range(3, 6))


def explorer_panel(season: str | Path, out: str | Path) -> ExplorerPanel:
    """Return the explorer of a season folder, which says why if there is none.

    The season is audited anew. In a notebook the panel is shown at once and filled
    while one looks on; `await panel.ready()` waits for all of it.

    Parameters
    ----------
    season, out : str or Path
        Season and output folder; what is put on record goes to <season name>/explore.
    """
    panel = ExplorerPanel(out)
    panel.run(panel.fill(season))
    return panel


# ---- numbers that are typed ----------------------------------------------------------


def read_number(text: str, low: float, high: float, unit: str) -> float:
    """Return a number as someone types it, a comma taken as a decimal point."""
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


def number_text(value: float) -> str:
    """Return a number as a box to type in shows it: up to four decimals.

    Examples
    --------
    >>> number_text(-0.894736), number_text(0.3), number_text(20.0)
    ('-0.8947', '0.30', '20.00')
    """
    whole, _, decimals = f"{value + 0.0:.4f}".partition(".")
    return f"{whole}.{decimals.rstrip('0'):0<2}"


def _offset(curve: ExploredCurve, text: str) -> float:
    """Return an offset that the slider reaches."""
    return read_number(text, curve.stops[0], curve.stops[-1], "points")


def _tilt(curve: ExploredCurve, text: str) -> float:
    """Return a tilt that the slider reaches."""
    return read_number(text, curve.tilts[0], curve.tilts[-1], "points per point")


def _band(band: Interval, low: str = "", high: str = "") -> Interval:
    """Return a moisture band with another end."""
    if low:
        return band._replace(low=read_number(low, 0, band.high, "%"))
    return band._replace(high=read_number(high, band.low, 100, "%"))


def _standard(look: Look, text: str) -> dict[str, float]:
    """Return the standard moistures; the audit's own one is left out."""
    number, crop = read_number(text, 1, 60, "%"), look.curve.audit.crop
    others = {k: v for k, v in look.state.standard.items() if k != crop}
    return others if number == look.curve.standard_pct else {**others, crop: number}


def _select(look: Look, text: str) -> float:
    """Return the share, or where the season selects a number the number, selected."""
    if look.state.select < 1:
        # Ten decimals: 7 % shall be the share that 0.07 is.
        return round(read_number(text, 0.1, 99, "% of the entries") / 100, 10)
    if not (select := read_number(text, 1, 10_000, "entries")).is_integer():
        raise NotUsed(f"{text} is not used: expected a whole number of entries.")
    return select


# By action: what it changes, and to what, from the look and the value that is sent.
CONTROLS: Mapping[str, tuple[str, Callable[[Look, Any], Any]]] = {
    "trial": ("trial", lambda look, name: name),
    "offset_at": ("offset", lambda look, at: float(look.curve.stops[at])),
    "offset": ("offset", lambda look, text: _offset(look.curve, text)),
    "slope": ("tilt", lambda look, on: float(on and np.nan_to_num(look.part.own.tilt))),
    "tilt_at": ("tilt", lambda look, at: float(look.curve.tilts[at])),
    "tilt": ("tilt", lambda look, text: _tilt(look.curve, text)),
    "band_low": ("band", lambda look, text: _band(look.choice.band, low=text)),
    "band_high": ("band", lambda look, text: _band(look.choice.band, high=text)),
    "leave_out": ("left_out", lambda look, picked: frozenset(picked)),
    "standard": ("standard", _standard),
    "select": ("select", _select),
}


# ---- words and tables ----------------------------------------------------------------


def _slider(curve: ExploredCurve, value: float, stops: np.ndarray, label: Callable):
    """Return a slider: its nearest stop, the number in its box, and its words."""
    at = int(np.argmin(np.abs(stops - value)))
    return {"at": at, "text": number_text(value), "said": label(curve, value)}


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


def trial_labels(explorer: SeasonExplorer, look: Look) -> list[list[str]]:
    """Return the curve's trials as a list shows them, those that change first."""
    changed, rest = [], []
    for name in explorer.trials_of(look.curve.audit.curve):
        if name in look.moves:
            entered, left = (", ".join(k) or "none" for k in look.moves[name])
            changed.append([name, f"{name}: in {entered}; out {left}"])
        else:
            rest.append([name, f"{name}: no change"])
    return changed + rest


def advice_in_words(look: Look) -> list[str]:
    """Return what the audit advises, and what it would on the samples that count."""
    curve, part, every = look.curve, look.part, look.curve.samples.n
    level = curve.season.settings.confidence

    def advised(advice: Recommendation) -> str:
        interval = show_span(*advice.interval, sign=True)
        return (
            f"{advice.action}; −bias {show(advice.offset, sign=True)} points "
            f"({level:.0%} interval {interval}). "
            f"{advice.reason[0].upper()}{advice.reason[1:]}"
        )

    said = [f"All {counted(every, 'sample')}: {advised(curve.advice)}"]
    if part.counted.all():
        return said
    without, gone = curve.advice_on(part.counted), every - part.samples.n
    if without is None:
        return [*said, f"Without these {gone}: no sample is left to say anything."]
    return [*said, f"Without {counted(gone, 'sample')}: {advised(without)}"]


def page_table(
    caption: str,
    frame: pd.DataFrame,
    right: Sequence[int] = (),
    note: str = "",
    strong: Sequence[int] = (),
) -> dict[str, Any]:
    """Return a table of texts as the page takes it; columns in `right` hold numbers."""
    return {
        "caption": caption,
        "heads": list(frame.columns),
        "rows": frame.to_numpy(object).tolist(),
        "right": [k in right for k in range(len(frame.columns))],
        "note": note,
        "strong": list(strong),
    }


def in_brackets(frame: pd.DataFrame) -> pd.DataFrame:
    """Return columns of what_if as a reader sees them, intervals in brackets."""
    heads: list[str] = []
    cells: list[list[str]] = []
    for column, texts in shown(frame, "what_if"):
        if column.label == "Interval":
            for k, span in enumerate(texts):
                cells[-1][k] += f" ({span})" if span != NOT_KNOWN else ""
        else:
            heads.append(column.head)
            cells.append(texts)
    return pd.DataFrame(dict(enumerate(cells)), dtype=object).set_axis(heads, axis=1)


def figures_table(look: Look, figures: pd.DataFrame) -> dict[str, Any]:
    """Return the samples' figures with intervals: recorded, audited and chosen."""
    table = in_brackets(figures.drop(columns="case")).T.reset_index()
    heads = ["Figure", "As recorded", f"Audit: {look.curve.advice.action}", "What if"]
    caption = f"Curve {look.curve.audit.curve}: what its samples show, and how many "
    caption += "entries of all its trials would be selected that were not."
    table = table.set_axis(heads, axis=1)
    return page_table(caption, table, range(1, 4), figures_note(look))


def entries_table(look: Look) -> dict[str, Any]:
    """Return the entries of the trial looked at that cross or lie near the line."""
    trial, unit = look.trial, look.curve.unit
    if trial is None:
        return page_table(trial_in_words(look), pd.DataFrame())
    ranks, names = trial.ranks, trial.lines.entries
    crosses = ranks.entered | ranks.left
    far = np.abs(ranks.rank_after - trial.count - 0.5)  # nan, so last, for checks
    near = np.lexsort((far, ~crosses))[:MOST_ENTRIES]
    near = near[np.lexsort((names[near], ranks.rank_after[near]))]
    fates = [ranks.entered, ranks.left, ranks.selected_after]
    fate = np.select(fates, ["moves in", "drops out", "stays in"], "stays out")
    after, change = unit.of(trial.after), unit.of(trial.after - trial.before)
    rows = []
    for k in near.tolist():
        places = f"{ranks.rank_before[k]:.0f} → {ranks.rank_after[k]:.0f}"
        rank = places if trial.lines.candidate[k] else "check"
        yields = show(after[k], unit.decimals), show(change[k], unit.decimals + 1, True)
        rows.append((names[k], rank, *yields, fate[k]))
    heads = ["Entry", "Rank", f"Yield ({unit.name})", f"Change ({unit.name})"]
    table = pd.DataFrame(rows, columns=[*heads, "What if"])
    hidden = counted(names.size - near.size, "entry", "entries")
    note = f"{hidden} farther from the line not shown. Means: {trial.lines.model}."
    bold = np.flatnonzero(crosses[near]).tolist()
    return page_table(trial_in_words(look), table, range(1, 4), note, bold)


def curves_table(explorer: SeasonExplorer) -> dict[str, Any]:
    """Return what is chosen for every audited curve."""
    rows = []
    for name in explorer.season.audits:
        curve, choice = explorer.curve(name), explorer.choice(name)
        row = {"curve": f"{curve.audit.crop}: {name}", "offset": choice.offset}
        row |= {"tilt": choice.tilt, "audit_action": curve.advice.action}
        row |= {"audit_offset": curve.start.offset}
        rows.append(row | figures_of(curve.chosen(choice), ("bias", "rmsep_left_out")))
    frame = pd.DataFrame(rows)
    table = in_brackets(frame)
    table[columns_of("what_if")["offset"].head] = frame["offset"].map(number_text)
    caption = "What is chosen for every curve; trials that several curves served are "
    shown_so = page_table(f"{caption}ranked with all of it.", table, range(1, 9))
    return {**shown_so, "names": list(explorer.season.audits)}
