"""A report's blocks on display in a notebook: words, tables and pictures."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from io import BytesIO

from IPython.display import display
from PIL import Image

from kitlib.pages.blocks import (
    Facts,
    Findings,
    Heading,
    Note,
    Paragraph,
    Picture,
    SideBySide,
    Table,
    Verdict,
)
from kitlib.pages.typeset import compiler
from kitlib.reports.lettering import printable

# PNG, not SVG: a notebook that is not trusted shows no SVG, and a browser without
# the typeface would set other letters than the ones that were measured.
_DPI, _SCREEN_DPI = 144, 96
_PNG_WIDTH = slice(16, 20)  # bytes that hold it
_PAGE = b"""
#set page(width: auto, height: auto, margin: 4pt, fill: white)
#let pictures = json(bytes(sys.inputs.pictures))
#let set-one(svg) = image(bytes(svg), format: "svg")
#grid(columns: pictures.len(), column-gutter: 12pt, ..pictures.map(set-one))
"""
_WHOLE = 24  # letters of a cell that is not broken over lines
NOTHING = "There is nothing to show."


def look(*blocks) -> None:
    """Show blocks in a notebook, one below the other; lists of blocks are taken apart.

    None in place of a block says that there is nothing to show.
    """
    for block in blocks:
        if isinstance(block, list | tuple):
            look(*(block or [None]))
        elif isinstance(block, Picture | SideBySide):
            _look_at_pictures(block)
        else:
            parts = parts_of(block)
            text = "\n".join(part.text() for part in parts)
            html = "".join(part.html() for part in parts)
            display({"text/plain": text, "text/html": html}, raw=True)


@dataclass(frozen=True)
class Words:
    """A line of text under an HTML tag."""

    said: str
    tag: str = "p"

    def text(self) -> str:
        """Return it as plain text."""
        return printable(self.said)

    def html(self) -> str:
        """Return it as HTML; nothing in it is read as markup."""
        return f"<{self.tag}>{escape(self.text())}</{self.tag}>"


@dataclass(frozen=True)
class Rows:
    """Rows of cells.

    Attributes
    ----------
    rows : sequence of sequence of str
    right : sequence of bool
        Columns set to the right.
    heads : int
        Rows at the top that are heads.
    strong : sequence of int
        Rows in bold.
    """

    rows: Sequence[Sequence[str]]
    right: Sequence[bool]
    heads: int = 0
    strong: Sequence[int] = ()

    def text(self) -> str:
        """Return them as lines, cells in columns of one width."""
        rows = [[printable(cell) for cell in row] for row in self.rows]
        widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
        return "\n".join(self._line(row, widths) for row in rows)

    def _line(self, row, widths) -> str:
        """Return one row, each cell set to its side."""
        cells = zip(row, widths, self.right, strict=True)
        aligned = (c.rjust(w) if to_right else c.ljust(w) for c, w, to_right in cells)
        return "  ".join(aligned).rstrip()

    def html(self) -> str:
        """Return them as an HTML table."""
        rows = [self._row(k, row) for k, row in enumerate(self.rows)]
        return f"<table>{''.join(rows)}</table>"

    def _row(self, k: int, row: Sequence[str]) -> str:
        """Return one row as HTML."""
        tag = "th" if k < self.heads else "td"
        weight = "; font-weight: bold" if k in self.strong else ""
        cells = []
        for cell, to_right in zip(map(printable, row), self.right, strict=True):
            style = f"text-align: {'right' if to_right else 'left'}{weight}"
            if tag == "td" and len(cell) <= _WHOLE:
                style += "; white-space: nowrap"
            cells.append(f'<{tag} style="{style}">{escape(cell)}</{tag}>')
        return f"<tr>{''.join(cells)}</tr>"


def parts_of(block) -> list[Words | Rows]:
    """Return the lines and rows that a block is shown by.

    Raises
    ------
    TypeError
        If it is no block that a notebook shows.

    Examples
    --------
    >>> [part.text() for part in parts_of(Paragraph("Nothing was sampled."))]
    ['Nothing was sampled.']
    """
    match block:
        case None:
            return [Words(NOTHING)]
        case Heading():
            return [Words(block.text, "h4")]
        case Paragraph() | Note():
            return [Words(block.text)]
        case Verdict():
            lines = [f"{block.action}: {block.sentence}", block.detail]
            return [Words(line) for line in lines if line]
        case Facts():
            return [Rows(block.pairs, (False, False))]
        case Findings():
            return [Rows(block.items, (False, False))]
        case Table():
            return _parts_of_table(block)
    raise TypeError(f"a {type(block).__name__} is no block that a notebook shows.")


def _parts_of_table(table: Table) -> list[Words | Rows]:
    """Return a table's caption, its rows under their heads, and its note."""
    heads = [f"{c.label} ({c.unit})" if c.unit else c.label for c in table.columns]
    right = [column.number for column in table.columns]
    strong = [k + 1 for k in table.strong]
    rows = Rows([heads, *table.rows], right, heads=1, strong=strong)
    notes = [table.note, "" if table.rows else NOTHING]
    return [Words(table.caption), rows, *(Words(note) for note in notes if note)]


def _look_at_pictures(block: Picture | SideBySide) -> None:
    """Show one picture, or two side by side, above their captions."""
    pictures = [block] if isinstance(block, Picture) else [block.left, block.right]
    png = as_png([picture.svg for picture in pictures])
    alt = " ".join(printable(picture.alt) for picture in pictures)
    width = round(int.from_bytes(png[_PNG_WIDTH]) * _SCREEN_DPI / _DPI)
    data = {"text/plain": alt, "image/png": png}
    display(data, metadata={"image/png": {"alt": alt, "width": width}}, raw=True)
    look(*(Paragraph(picture.caption) for picture in pictures))


def as_png(svgs: Sequence[bytes]) -> bytes:
    """Return pictures side by side as PNG, set in the typeface they were measured in.

    Examples
    --------
    >>> from kitlib.reports.drawing import blank, svg_bytes
    >>> as_png([svg_bytes(blank(2, 1))])[1:4]
    b'PNG'
    """
    words = json.dumps([svg.decode() for svg in svgs])
    inputs = {"pictures": words}
    full = compiler().compile(_PAGE, format="png", ppi=_DPI, sys_inputs=inputs)
    # A palette of 256 colours keeps those of the figures and takes a third of the room.
    out = BytesIO()
    with Image.open(BytesIO(full)) as image:
        image.convert("RGB").quantize(256, dither=Image.Dither.NONE).save(out, "PNG")
    return out.getvalue()
