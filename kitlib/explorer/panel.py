"""The explorer's panel: it wires what is done to what follows, and computes nothing."""

import asyncio
import json
from collections.abc import Coroutine, Mapping, Sequence
from datetime import datetime
from functools import partial
from math import isfinite
from pathlib import Path
from typing import Any

import anywidget
import numpy as np
import pandas as pd
import traitlets

from kitlib.explorer import pictures, record
from kitlib.explorer.explorer import (
    CONTROLS,
    ExploredCurve,
    Look,
    SeasonExplorer,
    number_text,
    read_number,
    say,
)
from kitlib.season.season import SeasonAudit, audit_season
from kitlib.words import terms
from kitlib.words.findings import KitError
from kitlib.words.terms import counted, show

KEEP_AFTER = 0.5  # choices are kept once nothing was done for so long [s]
MOST_ENTRIES = 12
RECORDS = "what_if recorded_at curve offset bias newly_selected reason inputs_sha256"
CURVES = "curve offset tilt audit_action audit_offset n n_trials bias bias_low"
CURVES += " bias_high rmsep_left_out rmsep_left_out_low rmsep_left_out_high"
UNSHOWN = "what_if season choices page row_sha256 page_sha256"
_ANYWHERE = ("curve", "step", "offset_of", "open")  # also without samples


class ExplorerPanel(anywidget.AnyWidget):
    """What a shift would do, for one curve of a season at a time.

    The page sends actions, `{"do": name, "value": ...}`, in order; `act` does one, and
    the traits are what the page shows. What is put on record goes to the folder
    <season name>/explore of `out`.
    """

    _esm = Path(__file__).with_name("panel.js")
    _css = Path(__file__).with_name("panel.css")
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
        self._drawn: dict[str, tuple[pictures.ErrorPicture, pictures.OffsetPicture]]
        self._drawn, self._ranks = {}, pictures.RankPicture()
        self._written = 0
        self._recorded: tuple = ()
        self._later: asyncio.TimerHandle | None = None
        self._task: asyncio.Task | None = None
        self._loop: asyncio.AbstractEventLoop | None = None  # of the notebook
        self._stage("Reading and auditing the season …", -1)
        self.on_msg(lambda _, action, __: self._receive(action))

    def __repr__(self) -> str:
        """Say what a notebook shows until it is run."""
        return f"{pictures.NOT_THE_AUDIT}. Run the notebook to see the explorer."

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
        self.home = self.out / audit.settings.name
        self.explorer = SeasonExplorer(audit)
        if kept := record.kept_choices(self.explorer, self.home):
            self.explorer.history = [kept]
            self.status = "Your choices of last time are back."
        self._show()

    async def _serve(self) -> None:
        """Make the trials of the crop looked at ready, with progress."""
        explorer = self.explorer
        # While they are read, a curve of another crop may be chosen.
        while curve := explorer.curves.get(explorer.state.curve):
            if curve.audit.crop in explorer.served:
                return
            steps, told = explorer.serve(curve.audit.crop), -1.0
            while (share := await asyncio.to_thread(next, steps, None)) is not None:
                if 1 > share > told + 0.02:
                    told = share
                    self.view = {**self.view, "share": share}
            self._show()

    def run(self, work: Coroutine) -> None:
        """Do work beside the page if there is a loop to do it in, else at once."""
        self._loop = _running_loop()
        if self._loop:
            self._task = self._loop.create_task(work)
        else:
            asyncio.run(work)

    async def ready(self) -> None:
        """Wait until the panel shows all there is."""
        if self._task:
            await self._task

    # ---- doing

    def _receive(self, action: dict[str, Any]) -> None:
        """Do what the page asks for, and answer whatever came of it.

        JupyterLab sends it to a thread of the page's own, which ends with the page;
        what is begun there would end too, and two pages would act at once.
        """
        if self._loop and self._loop is not _running_loop():
            self._loop.call_soon_threadsafe(self._receive, action)
            return
        try:
            self.act(action["do"], action.get("value"))
        finally:
            self.answered = [action["page"], action["number"]]

    def act(self, name: str, value: Any = None) -> None:
        """Do one action; a refusal is said in the status and changes nothing."""
        can = hasattr(self, "explorer") and (self.view["ready"] or name in _ANYWHERE)
        if name == "ping" or not can:
            return
        self.status, before = "", self.explorer.state
        try:
            if name == "step":
                self.explorer.step(value)
            elif name == "reset":
                self.explorer.reset()
            elif name in CONTROLS:
                self.explorer.control(self.look, name, value)
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
        if not self._task or self._task.done():  # else it goes on to the crop chosen
            self.run(self._serve())

    def _do_curve(self, name: str) -> None:
        self.explorer.choose("curve", curve=name)

    def _do_offset_of(self, asked: list[str]) -> None:
        name, text = asked
        stops = self.explorer.curves[name].stops
        offset = read_number(text, stops[0], stops[-1], "points")
        self.explorer.choose("offset", of=name, offset=offset)

    def _do_click_errors(self, place: list[float]) -> None:
        picture, _ = self._drawn[self.look.state.curve]
        at = picture.sample_at(self.look, *place)
        if at is not None:
            left_out = self.look.choice.left_out ^ {at}
            self.explorer.choose(f"sample {at}", left_out=left_out)

    def _do_click_offsets(self, place: list[float]) -> None:
        _, picture = self._drawn[self.look.state.curve]
        self.explorer.choose("offset", offset=picture.offset_at(place[0]))

    def _do_record(self, reason: str) -> None:
        same = (self.explorer.state, " ".join(reason.split()))
        if same == self._recorded:
            self.status = "This is on record already, with this reason."
            return
        told = self.explorer, self.look, reason, self.home, datetime.now()
        try:
            number = record.write_record(*told)
        except KitError as refusal:
            raise KitError(f"Not put on record: {refusal}") from refusal
        self._recorded, self._written = same, self._written + 1
        self.status = f"Put on record as {number}, in {self.home / 'explore'}."

    def _do_delete(self, numbers: list[int]) -> None:
        record.delete_records(self.home, numbers)
        self._recorded, self._written = (), self._written + 1
        self.compared = None  # it may show what is gone
        self.status = f"Deleted: {', '.join(map(str, numbers))}."

    def _do_open(self, numbers: list[int]) -> None:
        [row] = self._picked(numbers, 1).itertuples()
        try:
            chosen = self.explorer.restored(json.loads(str(row.choices)))
        except (ValueError, LookupError, TypeError, AttributeError) as edited:
            raise KitError(say("edited", number=row.what_if)) from edited
        self.explorer.take(chosen)
        self.status = f"Record {row.what_if} is open again: {row.reason}"

    def _do_compare(self, numbers: list[int]) -> None:
        two = self._picked(numbers, 2)
        table = in_brackets(two.drop(columns=UNSHOWN.split())).T
        table.columns = pd.Index([f"Record {k}" for k in two["what_if"]])
        differ = np.flatnonzero(table.iloc[:, 0] != table.iloc[:, 1]).tolist()
        table = table.reset_index(names="Figure")
        self.compared = page_table(say("compared"), table, strong=differ)

    def _picked(self, numbers: list[int], wanted: int) -> pd.DataFrame:
        """Return the records picked, if they are as many as are wanted."""
        records = record.read_records(self.home)
        picked = records[records["what_if"].isin(numbers)]
        if len(picked) != wanted:
            raise KitError(say("picked", picked=len(picked), wanted=wanted))
        return picked

    def _keep_soon(self) -> None:
        """Keep the choices on disk, once nothing was done for a moment."""
        if self._later:
            self._later.cancel()
        keep = partial(record.keep_choices, self.explorer, self.home)
        if self._loop:
            self._later = self._loop.call_later(KEEP_AFTER, keep)
        else:
            keep()

    # ---- showing

    def _stage(self, said: str, share: float, curve: str = "") -> None:
        """Say what is going on, or why there is nothing to show."""
        view = {"label": pictures.NOT_THE_AUDIT, "said": said, "status": self.status}
        self.view = {**view, "share": share, "curve": curve, "ready": False}

    def _show(self) -> None:
        """Show what follows from what is chosen, pictures first, advice last."""
        name = self.explorer.state.curve
        curve = self.explorer.curves.get(name)
        if curve is None:
            self.figures, self.reach = pd.DataFrame(), self._reach()
            why = "no_sample" if self.explorer.options else "no_curve"
            self._stage(say(why, curve=name), 1, name)
            return
        self.look = look = Look(self.explorer)
        self.figures = record.figures_frame(look)
        with self.hold_sync():
            if name not in self._drawn:
                drawn = pictures.ErrorPicture(curve), pictures.OffsetPicture(curve)
                self._drawn[name] = drawn
            self.errors, self.offsets = (each.show(look) for each in self._drawn[name])
            if look.trial:
                self.ranks = self._ranks.show(look)
            self.reach = curve.kept("reach", "", partial(self._reach, curve))
            quick = look.part.counted.all() or not look.part.counted.any()
            later = ["Working out the advice …"]
            advice = record.advice_in_words(look) if quick else later
            self.view = {**self._view(look), "advice": advice}
        if not quick:
            self.view = {**self.view, "advice": record.advice_in_words(look)}

    def _reach(self, curve: ExploredCurve | None = None) -> dict[str, Any]:
        """Return what the lists, and the sliders of a curve, reach over."""
        options = self.explorer.options.items()
        lists: dict[str, Any] = {"curves": [[k, f"{crop}: {k}"] for k, crop in options]}
        if curve is None:
            return lists
        samples, error = curve.samples, curve.samples.error
        lists["samples"] = []
        for k in np.argsort(-np.abs(error), kind="stable").tolist():  # largest first
            of_it = {"name": curve.names[k], "trial": curve.trials[k]}
            of_it["reference"] = samples.reference[k]
            lists["samples"].append([k, say("sample", error=error[k], **of_it)])
        return lists | {"stops": curve.stops.size, "tilts": curve.tilts.size}

    def _view(self, look: Look) -> dict[str, Any]:
        """Return the words, tables and choices that the page shows, but the advice."""
        explorer, curve, choice = self.explorer, look.curve, look.choice
        name, select, standard = curve.audit.curve, look.state.select, look.standard_pct
        drawn = (*self._drawn[name], self._ranks)
        offset, tilt, own = choice.offset, choice.tilt, curve.own
        by = f"{show(offset, sign=bool(offset))} points"
        more = f"{show(tilt, 3, sign=bool(tilt))} per point"
        offset_notes = {
            "minus the bias": abs(offset - own.offset) < 1e-9,
            "no change": offset == 0,
            "in its interval": curve.advice.interval.holds(offset),
        }
        own_tilt = abs(tilt - own.tilt) < 1e-9
        tilt_notes = {"no tilt": tilt == 0, "the samples own": own_tilt}
        return {
            "label": pictures.NOT_THE_AUDIT,
            "said": record.choice_in_words(look),
            "status": self.status,
            "share": int(look.served),
            "ready": True,
            "curve": name,
            "offset": _slider(offset, curve.stops, by, offset_notes),
            "tilt": _slider(tilt, curve.tilts, more, tilt_notes),
            "slope": bool(choice.tilt),
            "slopeOff": not isfinite(look.part.own.tilt),
            "band": [number_text(end) for end in choice.band],
            "leftOut": sorted(choice.left_out),
            "standard": number_text(standard) if isfinite(standard) else "",
            "select": f"{100 * select if select < 1 else select:.10g}",
            "selectLabel": f"Selected, {'% of ' if select < 1 else ''}entries",
            "can": [explorer.at > 0, explorer.at < len(explorer.history) - 1],
            "reasons": self._written,
            "figures": figures_table(look, self.figures),
            "trials": record.trial_labels(look),
            "trial": look.trial.lines.trial if look.trial else "",
            "entries": entries_table(look),
            "allCurves": curves_table(explorer),
            "records": explorer.kept("records", self._written, self._records),
            "compared": self.compared,
            "alts": [picture.alt(look) for picture in drawn],
        }

    def _records(self) -> dict[str, Any]:
        """Return what is on record, the newest first."""
        records = record.read_records(self.home)[RECORDS.split()].iloc[::-1]
        other = records["inputs_sha256"] != record.inputs_digest(self.explorer.season)
        told = records.assign(
            recorded_at=records["recorded_at"].str.replace("T", " "),
            inputs_sha256=np.where(other, "other inputs", ""),
        )
        caption = f"{counted(len(records), 'record')} in this season's folder."
        return page_table(caption, in_brackets(told))


def _running_loop() -> asyncio.AbstractEventLoop | None:
    """Return the loop that runs in this thread, None if there is none."""
    try:
        return asyncio.get_running_loop()
    except RuntimeError:
        return None


def explorer_panel(season: str | Path, out: str | Path) -> ExplorerPanel:
    """Return the explorer of a season folder, which says why if there is none.

    In a notebook the panel is shown at once and filled while one looks on; `await
    panel.ready()` waits for all of it. What is put on record goes to the folder
    <season name>/explore of `out`.
    """
    panel = ExplorerPanel(out)
    panel.run(panel.fill(season))
    return panel


# ---- words and tables ----------------------------------------------------------------


def _slider(value, stops, said: str, notes: Mapping[str, bool]) -> dict[str, Any]:
    """Return a slider: nearest stop, number, words and the first note that holds."""
    note = next((f", {note}" for note, holds in notes.items() if holds), "")
    at = int(np.argmin(np.abs(stops - value)))
    return {"at": at, "text": number_text(value), "said": said + note}


def page_table(
    caption: str, frame: pd.DataFrame, note: str = "", strong: Sequence[int] = ()
) -> dict[str, Any]:
    """Return a table of texts as the page takes it; rows in `strong` are in bold."""
    heads, rows = list(frame.columns), frame.to_numpy(object).tolist()
    told = {"caption": caption, "heads": heads, "rows": rows}
    return told | {"note": note, "strong": list(strong)}


def in_brackets(frame: pd.DataFrame) -> pd.DataFrame:
    """Return columns of what_if as a reader sees them, intervals in brackets."""
    heads: list[str] = []
    cells: list[list[str]] = []
    for column, texts in terms.shown(frame, "what_if"):
        if column.label == "Interval":
            for k, span in enumerate(texts):
                cells[-1][k] += f" ({span})" if span != terms.NOT_KNOWN else ""
        else:
            heads.append(column.head)
            cells.append(texts)
    return pd.DataFrame(dict(enumerate(cells)), dtype=object).set_axis(heads, axis=1)


def figures_table(look: Look, figures: pd.DataFrame) -> dict[str, Any]:
    """Return the samples' figures with intervals: recorded, audited and chosen."""
    table = in_brackets(figures.drop(columns="case")).T.reset_index()
    heads = ["Figure", "As recorded", f"Audit: {look.curve.advice.action}", "What if"]
    caption = say("figures", curve=look.curve.audit.curve)
    return page_table(caption, table.set_axis(heads, axis=1), record.figures_note(look))


def entries_table(look: Look) -> dict[str, Any]:
    """Return the entries of the trial looked at that cross or lie near the line."""
    trial, unit, caption = look.trial, look.curve.unit, record.trial_in_words(look)
    if trial is None:
        return page_table(caption, pd.DataFrame())
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
    note = say("hidden", hidden=hidden, model=trial.lines.model)
    return page_table(caption, table, note, np.flatnonzero(crosses[near]).tolist())


def curves_table(explorer: SeasonExplorer) -> dict[str, Any]:
    """Return what is chosen for every audited curve."""
    curves, choices = explorer.curves, explorer.state.choices
    found = [curve.chosen(choices[name]) for name, curve in curves.items()]
    frame = pd.concat(found, ignore_index=True).assign(
        curve=[f"{curve.audit.crop}: {name}" for name, curve in curves.items()],
        tilt=[choices[name].tilt for name in curves],
        audit_action=[curve.advice.action for curve in curves.values()],
        audit_offset=[curve.start.offset for curve in curves.values()],
    )[CURVES.split()]
    table = in_brackets(frame)
    table[terms.columns_of("what_if")["offset"].head] = frame["offset"].map(number_text)
    return {**page_table(say("all_curves"), table), "names": list(curves)}
