"""What the explorer's panel is made of: words, tables and places for pictures."""

from html import escape

import ipywidgets as widgets

from kitlib.explorer.live_pictures import NOT_THE_AUDIT
from kitlib.pages.blocks import Table
from kitlib.pages.looks import parts_of

# Colours are the theme's own, so that words are read in the dark and in the light. The
# listener is for the keyboard: in command mode a notebook takes arrow keys and letters
# for itself wherever the focus is, unless the element in focus keeps its own keys.
_STYLE = """<style onload="this.closest('.kit-explorer').addEventListener('focusin',
  event => event.target.setAttribute('data-lm-suppress-shortcuts', 'true'))">
.kit-explorer table {border-collapse: collapse; margin: 4px 0; line-height: 1.45}
.kit-explorer th, .kit-explorer td {
  padding: 2px 9px; border-bottom: 1px solid var(--jp-border-color2)}
.kit-explorer th {vertical-align: bottom}
.kit-explorer td {white-space: nowrap}
.kit-explorer .widget-html-content {
  color: var(--jp-ui-font-color1); line-height: 1.45; white-space: normal}
.kit-explorer .widget-html-content p {margin: 2px 0}
.kit-explorer h3 {margin: 10px 0 4px 0}
.kit-explorer .kit-label {
  font-weight: bold; border-left: 5px solid var(--jp-warn-color1); padding: 3px 10px}
.kit-explorer select[multiple] {font-variant-numeric: tabular-nums}
</style>"""

NO_SAMPLE = "no sample taken blind to the reading speaks for it."
HOW_TO_PICK = (
    "Samples by the size of their error: error in points, air-oven moisture, sample, "
    "trial. Those picked do not count; Ctrl or Shift picks several."
)
NO_CURVE = "The curve register is empty: there is nothing to explore."


class SentencePanel(widgets.VBox):
    """A panel that says in a sentence why there is nothing else to show.

    Attributes
    ----------
    said : HTML
        The sentence.
    tables : list of Table
        What the panel shows, as tables; none here.
    """

    def __init__(self, sentence: str = ""):
        self.said = widgets.HTML(sentences(sentence))
        super().__init__([styled(), self.said])
        self.add_class("kit-explorer")
        self.tables: list[Table] = []

    def __repr__(self) -> str:
        """Say what a notebook shows until it is run."""
        return f"{NOT_THE_AUDIT}. Run the notebook to see the explorer."


def styled() -> widgets.HTML:
    """Return the style of the panel."""
    return widgets.HTML(_STYLE)


def picture_place() -> widgets.Image:
    """Return a place for a picture: two side by side on a notebook's page."""
    layout = widgets.Layout(
        width="calc(50% - 8px)",
        min_width="320px",
        max_width="430px",
        height="auto",
        margin="0 8px 8px 0",
        object_fit="contain",
    )
    return widgets.Image(format="png", layout=layout)


def sentences(*said: str) -> str:
    """Return sentences as HTML; line ends stay, nothing is read as markup."""
    lines = (line for sentence in said for line in sentence.splitlines())
    return "".join(f"<p>{escape(line)}</p>" for line in lines)


def html_of(table: Table) -> str:
    """Return a table as HTML."""
    return "".join(part.html() for part in parts_of(table))
