"""The explorer's panel: it wires controls to what follows, and computes nothing."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import ipywidgets as widgets

from kitlib.explorer.choice_pictures import SensitivityPicture, TrialPicture
from kitlib.explorer.explorer import CurveExplorer
from kitlib.explorer.explorer_controls import Controls
from kitlib.explorer.explorer_look import Look
from kitlib.explorer.explorer_tables import (
    advice_in_words,
    choice_in_words,
    entries_table,
    figures_table,
    trial_in_words,
)
from kitlib.explorer.live_pictures import NOT_THE_AUDIT
from kitlib.explorer.panel_parts import (
    HOW_TO_PICK,
    NO_CURVE,
    NO_SAMPLE,
    SentencePanel,
    html_of,
    picture_place,
    sentences,
    styled,
)
from kitlib.explorer.sample_pictures import AgreementPicture, ErrorPicture
from kitlib.explorer.what_if_files import explore_folder, write_what_if
from kitlib.season.season import SeasonAudit, audit_season
from kitlib.words.errors import KitError

_WRAPPED = widgets.Layout(flex_flow="row wrap", align_items="flex-start")


class ExplorerPanel(SentencePanel):
    """What a shift would do, for one curve of a season at a time.

    Parameters
    ----------
    season : SeasonAudit
    out : str or Path
        Output folder; what is put on record goes to <season name>/explore in it.

    Attributes
    ----------
    controls : Controls
    reset, write : Button
    reason : Text
    status, advice, figures, entries : HTML
        Words and tables.
    errors, sensitivity, agreement, ranks : Image
        Pictures.
    explorer : CurveExplorer or None
        Of the curve chosen; None where no sample speaks for it.
    look : Look or None
        What is shown.
    """

    def __init__(self, season: SeasonAudit, out: str | Path):
        super().__init__(NO_CURVE)
        self.season, self.folder = season, explore_folder(season, out)
        self.explorer: CurveExplorer | None = None
        self.look: Look | None = None
        self._opened: dict[str, tuple] = {}
        self._setting = False
        self._make_parts()
        self._wire()
        self.children = [styled(), *self._laid_out()]
        if self.controls.curve.options:
            self._open()

    def _make_parts(self) -> None:
        """Make the widgets."""
        self.controls = Controls(self.season)
        self.label = widgets.HTML(f'<div class="kit-label">{NOT_THE_AUDIT}</div>')
        self.reset = widgets.Button(
            description="Reset to the audit's own choice",
            layout=widgets.Layout(width="250px"),
        )
        self.figures, self.advice = widgets.HTML(), widgets.HTML()
        self.entries, self.status = widgets.HTML(), widgets.HTML()
        self.errors, self.sensitivity = picture_place(), picture_place()
        self.agreement, self.ranks = picture_place(), picture_place()
        # Sent when it is left, whole: letter by letter the last ones would come to the
        # kernel after the click that they are meant for.
        self.reason = widgets.Text(
            description="Reason",
            continuous_update=False,
            placeholder="why this what-if is kept",
            layout=widgets.Layout(width="98%", max_width="560px"),
        )
        self.write = widgets.Button(
            description="Put on record", layout=widgets.Layout(width="160px")
        )

    def _laid_out(self) -> list[widgets.Widget]:
        """Return the widgets in reading order."""
        c, wrap = self.controls, _WRAPPED
        self.body = widgets.VBox(
            [
                c.offset,
                widgets.HBox([c.slope, c.trial], layout=wrap),
                c.tilt,
                self.figures,
                widgets.HBox([self.errors, self.sensitivity], layout=wrap),
                widgets.HBox([self.agreement, self.ranks], layout=wrap),
                widgets.HTML("<h3>Which samples count</h3>"),
                c.band,
                widgets.HTML(sentences(HOW_TO_PICK)),
                c.left_out,
                self.advice,
                widgets.HTML("<h3>Yields and selection</h3>"),
                widgets.HBox([c.standard, c.select], layout=wrap),
                self.entries,
                widgets.HTML("<h3>Put this what-if on record</h3>"),
                widgets.HBox([self.reason, self.write], layout=wrap),
                self.status,
            ]
        )
        top = widgets.HBox([self.label, self.reset], layout=wrap)
        return [top, c.curve, self.said, self.body]

    def _wire(self) -> None:
        """Let every control and button do its part."""
        self.controls.curve.observe(self._open, names="value")
        self.controls.slope.observe(self._turn_slope, names="value")
        for control in self.controls.choosing:
            control.observe(self._refresh, names="value")
        self.reset.on_click(self._reset)
        self.write.on_click(self._write)

    def _open(self, _change=None) -> None:
        """Take up the curve chosen, or say why there is nothing to see."""
        curve = self.controls.curve.value
        known = curve in self.season.audits
        self.body.layout.display = "" if known else "none"
        self.reset.disabled = not known
        self.status.value = ""
        if not known:
            self.explorer, self.look, self.tables = None, None, []
            self.said.value = sentences(f"Curve {curve}: {NO_SAMPLE}")
            return
        if curve not in self._opened:
            explorer = CurveExplorer(self.season, curve)
            self._opened[curve] = (explorer, *_pictures(explorer))
        self.explorer, *self.pictures = self._opened[curve]
        with self._at_once():
            self.controls.open(self.explorer)

    def _reset(self, _button) -> None:
        """Go back to the audit's own choice."""
        if self.explorer is None:
            return
        with self._at_once():
            self.controls.set(self.explorer.start())

    def _turn_slope(self, change) -> None:
        """Start from the samples' own tilt when the slope is switched on."""
        self.controls.tilt.disabled = not change["new"]
        if change["new"] and not self._setting:
            with self._at_once():
                self.controls.set_tilt(self.look.own.tilt)

    @contextmanager
    def _at_once(self) -> Iterator[None]:
        """Set several controls and look once."""
        self._setting = True
        try:
            yield
        finally:
            self._setting = False
        self._refresh()

    def _refresh(self, _change=None) -> None:
        """Show what follows from what the controls say, pictures first."""
        if self._setting or self.explorer is None:
            return
        explorer = self.explorer
        self.look = look = explorer.look(self.controls.choice())
        self._show_pictures(look)
        self.said.value = sentences(choice_in_words(explorer, look))
        self.tables = [figures_table(explorer, look)]
        self.figures.value = html_of(self.tables[0])
        if look.trial:
            self.tables.append(entries_table(explorer, look))
            self.entries.value = html_of(self.tables[1])
        else:
            self.entries.value = sentences(trial_in_words(explorer, look))
        advice = explorer.advice_on(look.counted)
        self.advice.value = sentences(*advice_in_words(explorer, look, advice))

    def _show_pictures(self, look: Look) -> None:
        """Show the pictures of a look; without a trial there are three."""
        errors, sensitivity, agreement, ranks = self.pictures
        self.errors.value = errors.show(look)
        self.sensitivity.value = sensitivity.show(look)
        self.agreement.value = agreement.show(look)
        self.ranks.layout.display = "" if look.trial else "none"
        if look.trial:
            self.ranks.value = ranks.show(look)

    def _write(self, _button) -> None:
        """Put what is shown on record, or say why not."""
        if self.explorer is None:
            return
        try:
            what = self.explorer, self.look, self.reason.value
            written = write_what_if(*what, self.folder)
        except KitError as refusal:
            self.status.value = sentences(f"Not put on record: {refusal}")
        except OSError as failure:
            why = f"{failure.strerror}: {failure.filename}"
            self.status.value = sentences(f"Not put on record: {why}")
        else:
            self.reason.value = ""
            said = (
                f"Put on record: a row of {written.table} and the page {written.page}."
            )
            self.status.value = sentences(said)


def explorer_panel(season: str | Path, out: str | Path) -> SentencePanel:
    """Return the explorer of a season folder, or a sentence why there is none.

    Parameters
    ----------
    season : str or Path
        The season folder; it is audited anew.
    out : str or Path
        Output folder; what is put on record goes to <season name>/explore in it.
    """
    try:
        return ExplorerPanel(audit_season(season), out)
    except KitError as refusal:
        return SentencePanel(str(refusal))


def _pictures(explorer: CurveExplorer) -> tuple:
    """Return the live pictures of a curve."""
    return (
        ErrorPicture(explorer),
        SensitivityPicture(explorer),
        AgreementPicture(explorer),
        TrialPicture(explorer.unit),
    )
