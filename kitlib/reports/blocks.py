"""What notebooks and reports are made of: blocks of finished words, tables, pictures.

A block shows itself in a notebook and is typeset from the very same object: what was
shown is what is printed. Text is shown as it stands; nothing in it is read as markup.
"""

import re
from base64 import b64encode
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date as Date
from functools import cached_property
from hashlib import sha256
from html import escape

import pandas as pd
from IPython.display import display
from matplotlib.figure import Figure

from kitlib.reports.drawing import png_bytes, printable
from kitlib.words.findings import KitError
from kitlib.words.terms import Column, counted, shown

# What an answer calls for: nothing, a change, or more samples.
CALM, ACT, OPEN = "calm", "act", "open"
_COLOURS = {CALM: "#1C7C6C", ACT: "#B4540A", OPEN: "#5B6873"}
MOST_ROWS = 40
_WHOLE = 24  # letters of a cell that is not broken over lines
_FIGURE_SPACE, _POINT_SPACE = "\u2007", "\u2008"  # as wide as a digit, as a point


class IncompleteReport(KitError):
    """A part of a report lacks what its readers need."""


class Block:
    """A part of a page. `number` is that of its caption, 0 where it has none."""

    counted_as = ""

    def html(self, number: int = 0) -> str:
        """Return it as a notebook shows it."""
        raise NotImplementedError

    def text(self, number: int = 0) -> str:
        """Return it as plain text."""
        raise NotImplementedError

    def parts(self) -> dict:
        """Return it as the template of the PDF reads it."""
        return {"block": type(self).__name__, **vars(self)}

    def _repr_mimebundle_(self, **_more) -> dict[str, str]:
        return {"text/html": self.html(), "text/plain": self.text()}


@dataclass(frozen=True)
class Heading(Block):
    """A section's heading, level 1, or one below it, level 2."""

    words: str
    level: int = 1
    new_page: bool = False

    def html(self, number: int = 0) -> str:
        """Return it as HTML, below the notebook's own headings."""
        return _tag(f"h{self.level + 2}", self.words)

    def text(self, number: int = 0) -> str:
        """Return its words."""
        return printable(self.words)


@dataclass(frozen=True)
class Paragraph(Block):
    """Running text; a small one is a side note, such as the sign of the errors."""

    words: str
    small: bool = False

    def html(self, number: int = 0) -> str:
        """Return it as HTML."""
        return _tag("p", self.words)

    def text(self, number: int = 0) -> str:
        """Return its words."""
        return printable(self.words)


@dataclass(frozen=True)
class Items(Block):
    """A list; a numbered one where the order matters."""

    items: Sequence[str]
    numbered: bool = False
    small: bool = False

    def html(self, number: int = 0) -> str:
        """Return it as an HTML list."""
        tag = "ol" if self.numbered else "ul"
        return f"<{tag}>{''.join(_tag('li', item) for item in self.items)}</{tag}>"

    def text(self, number: int = 0) -> str:
        """Return one line for each item."""
        marks = [
            f"{k}." if self.numbered else "–" for k in range(1, 1 + len(self.items))
        ]
        lines = zip(marks, map(printable, self.items), strict=True)
        return "\n".join(f"{mark} {line}" for mark, line in lines)


@dataclass(frozen=True)
class Answer(Block):
    """The answer: a word or a few, the reason in one sentence, and what follows.

    Attributes
    ----------
    word : str
        Such as "selection holds", or an action.
    sentence : str
        The reason.
    detail : str
        A lighter line, such as the new setting; may be empty.
    tone : str
        CALM where nothing need be done, ACT where something must, else OPEN.
    """

    word: str
    sentence: str
    detail: str = ""
    tone: str = OPEN

    def html(self, number: int = 0) -> str:
        """Return it as HTML, a bar of its colour at its side."""
        look = f"border-left: 4px solid {_COLOURS[self.tone]}; padding-left: 10px"
        lines = [_tag("strong", self.word), escape(printable(self.sentence))]
        lines += [escape(printable(self.detail))] if self.detail else []
        return f'<div style="{look}">{"<br>".join(lines)}</div>'

    def text(self, number: int = 0) -> str:
        """Return its lines."""
        lines = [f"{self.word}: {self.sentence}", self.detail]
        return "\n".join(printable(line) for line in lines if line)


@dataclass(frozen=True)
class Facts(Block):
    """Numbers at a glance: (name, value, note), side by side; a note may be empty."""

    facts: Sequence[tuple[str, str, str]]

    def html(self, number: int = 0) -> str:
        """Return it as an HTML table with row heads."""
        rows = [
            f'<tr><th scope="row" style="text-align: left">'
            f"{escape(printable(name))}</th>{_cell(value)}{_cell(note)}</tr>"
            for name, value, note in self.facts
        ]
        return f"<table>{''.join(rows)}</table>"

    def text(self, number: int = 0) -> str:
        """Return one line for each fact."""
        lines = [f"{n}: {v}{f' ({note})' if note else ''}" for n, v, note in self.facts]
        return "\n".join(map(printable, lines))


@dataclass(frozen=True)
class Findings(Block):
    """What was found: (severity, message, remedy), the most serious first."""

    findings: Sequence[tuple[str, str, str]]

    def html(self, number: int = 0) -> str:
        """Return one line for each, the remedy in bold."""
        items = [
            f"<li>{escape(printable(f'{severity}: {said}'))} "
            f"{_tag('strong', remedy)}</li>"
            for severity, said, remedy in self.findings
        ]
        return f"<ul>{''.join(items)}</ul>"

    def text(self, number: int = 0) -> str:
        """Return one line for each."""
        return "\n".join(printable(f"{s}: {m} {r}") for s, m, r in self.findings)


@dataclass(frozen=True)
class Caution(Block):
    """A box with what no reader may overlook."""

    title: str
    lines: Sequence[str]

    def html(self, number: int = 0) -> str:
        """Return it as HTML."""
        return _tag("p", self.title) + Items(self.lines).html()

    def text(self, number: int = 0) -> str:
        """Return its lines."""
        return "\n".join([printable(self.title), Items(self.lines).text()])


@dataclass(frozen=True, eq=False)
class Table(Block):
    """A frame as a numbered table: columns as `columns.csv` declares them.

    Attributes
    ----------
    caption : str
        One sentence.
    frame : DataFrame
        Some columns of an output table; both ends of an interval become one column.
    table : str
        The table of `columns.csv` that declares them.
    note : str
        Small print below the table; may be empty.
    most : int
        Rows shown; the rest are counted.
    whole : str
        File of the output folder that holds all rows.
    units : mapping of str to (str, int)
        Unit and decimals of columns that stand in another unit than declared, such
        as yields in the unit of the season.
    """

    caption: str
    frame: pd.DataFrame = field(repr=False)
    table: str
    note: str = ""
    most: int = MOST_ROWS
    whole: str = ""
    units: Mapping[str, tuple[str, int]] = field(default_factory=dict)

    counted_as = "Table"

    @cached_property
    def columns(self) -> list[tuple[Column, list[str]]]:
        """Its columns, each with the cells a reader sees."""
        columns = shown(self.frame.iloc[: self.most], self.table, self.units)
        return [(c, aligned(cells) if c.number else cells) for c, cells in columns]

    @property
    def rows(self) -> list[tuple[str, ...]]:
        """Its rows, as a reader sees them."""
        return list(zip(*(cells for _, cells in self.columns), strict=True))

    @property
    def small_print(self) -> str:
        """The note, and how many rows are not shown."""
        hidden = len(self.frame) - self.most
        if self.frame.empty:
            return f"None. {self.note}".strip()
        if hidden <= 0:
            return self.note
        place = f" in {self.whole}" if self.whole else ""
        return f"{counted(hidden, 'more row')}{place}. {self.note}".strip()

    def html(self, number: int = 0) -> str:
        """Return it as an HTML table with a caption and header cells."""
        right = [column.number for column, _ in self.columns]
        heads = "".join(
            f'<th scope="col" style="text-align: {_side(r)}">'
            f"{escape(printable(column.head))}</th>"
            for (column, _), r in zip(self.columns, right, strict=True)
        )
        rows = [
            "".join(_cell(said, r) for said, r in zip(row, right, strict=True))
            for row in self.rows
        ]
        body = "".join(f"<tr>{row}</tr>" for row in rows)
        note = _tag("p", self.small_print) if self.small_print else ""
        caption = f"{_label('Table', number)}{escape(printable(self.caption))}"
        return (
            f'<table><caption style="text-align: left">{caption}</caption>'
            f"<thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>{note}"
        )

    def text(self, number: int = 0) -> str:
        """Return it as lines, cells in columns of one width."""
        rows = [[c.head for c, _ in self.columns], *self.rows]
        rows = [[printable(cell) for cell in row] for row in rows]
        widths = [max(map(len, cells)) for cells in zip(*rows, strict=True)]
        right = [column.number for column, _ in self.columns]
        lines = [
            "  ".join(
                cell.rjust(width) if to_right else cell.ljust(width)
                for cell, width, to_right in zip(row, widths, right, strict=True)
            ).rstrip()
            for row in rows
        ]
        head = f"Table {number}. " if number else ""
        return "\n".join([head + printable(self.caption), *lines, self.small_print])

    def parts(self) -> dict:
        """Return caption, columns and rows for the template."""
        columns = [
            {"label": c.label, "unit": c.unit, "number": c.number}
            for c, _ in self.columns
        ]
        return {
            "block": "Table",
            "caption": self.caption,
            "columns": columns,
            "rows": self.rows,
            "note": self.small_print,
        }


@dataclass(frozen=True, eq=False)
class Picture(Block):
    """A numbered figure, drawn once for notebook and PDF.

    Attributes
    ----------
    figure : Figure
        Drawn at print size.
    caption : str
        What the figure shows, in a sentence or two.
    alt : str
        What a reader who cannot see the figure must know; screen readers read it
        aloud, and PDF/UA demands it.

    Raises
    ------
    IncompleteReport
        If `alt` is empty.
    """

    figure: Figure = field(repr=False)
    caption: str
    alt: str

    counted_as = "Figure"

    def __post_init__(self) -> None:
        if not self.alt.strip():
            raise IncompleteReport(
                f"figure {self.caption!r}: alt is empty; expected what a reader who "
                "cannot see the figure must know. Write a sentence or two."
            )

    @cached_property
    def png(self) -> bytes:
        """The picture, sharp enough for print."""
        return png_bytes(self.figure)

    @property
    def file(self) -> str:
        """Name of its file beside the template: alike pictures are one."""
        return f"{sha256(self.png).hexdigest()[:32]}.png"

    def html(self, number: int = 0) -> str:
        """Return it as an HTML figure with its alternative text and caption."""
        source = f"data:image/png;base64,{b64encode(self.png).decode()}"
        width = round(96 * self.figure.get_figwidth())
        caption = f"{_label('Figure', number)}{escape(printable(self.caption))}"
        return (
            f'<figure><img src="{source}" alt="{escape(printable(self.alt))}" '
            f'width="{width}"><figcaption>{caption}</figcaption></figure>'
        )

    def text(self, number: int = 0) -> str:
        """Return its caption and what it shows."""
        head = f"Figure {number}. " if number else ""
        return f"{head}{printable(self.caption)}\n{printable(self.alt)}"

    def parts(self) -> dict:
        """Return caption, alternative text and size for the template. [in]"""
        width, height = map(float, self.figure.get_size_inches())
        return {
            "block": "Picture",
            "caption": self.caption,
            "alt": self.alt,
            "file": self.file,
            "width": width,
            "height": height,
        }


@dataclass(frozen=True)
class SideBySide(Block):
    """Two blocks, each of about half the page's width."""

    left: Block
    right: Block

    def html(self, number: int = 0) -> str:
        """Return one after the other; a notebook's page may be narrow."""
        return self.left.html() + self.right.html()

    def text(self, number: int = 0) -> str:
        """Return one after the other."""
        return f"{self.left.text()}\n{self.right.text()}"

    def parts(self) -> dict:
        """Return both for the template."""
        sides = {"left": self.left.parts(), "right": self.right.parts()}
        return {"block": "SideBySide", **sides}


@dataclass(kw_only=True)
class Report:
    """A report, from its title to its last block, gathered as it is shown.

    Attributes
    ----------
    kind : str
        Such as "Trial report".
    title : str
        What it is about, such as the trial's name.
    subtitle : str
        A line below the title; may be empty.
    running : str
        What stands beside the page number; left out, the title.
    date : datetime.date or None
        As given by the season; None prints "undated".
    facts : sequence of (name, value)
        Beside the title: season, site, crop, curve and the like.
    blocks : list of Block
        In reading order.

    Examples
    --------
    >>> report = Report(kind="Trial report", title="Weir Bank")
    >>> report.parts()["day"]
    'undated'
    """

    kind: str
    title: str
    subtitle: str = ""
    running: str = ""
    date: Date | None = None
    facts: Sequence[tuple[str, str]] = ()
    blocks: list[Block] = field(default_factory=list)

    def show(self, *blocks: Block) -> None:
        """Show blocks in a notebook, numbered as they are printed, and keep them."""
        for block in blocks:
            before = [b.counted_as for b in every_block(self.blocks)]
            self.blocks.append(block)
            for part in every_block([block]):
                number = 1 + before.count(part.counted_as) if part.counted_as else 0
                before.append(part.counted_as)
                display(
                    {"text/html": part.html(number), "text/plain": part.text(number)},
                    raw=True,
                )

    def parts(self) -> dict:
        """Return it as the template reads it."""
        day = f"{self.date.day} {self.date:%B %Y}" if self.date else "undated"
        return {
            "kind": self.kind,
            "title": self.title,
            "subtitle": self.subtitle,
            "running": self.running or self.title,
            "day": day,
            "facts": list(self.facts),
            "blocks": [block.parts() for block in self.blocks],
        }


def every_block(blocks: Iterable[Block]) -> Iterator[Block]:
    """Yield blocks one by one, those side by side from the left."""
    for block in blocks:
        if isinstance(block, SideBySide):
            yield from every_block([block.left, block.right])
        else:
            yield block


def aligned(cells: Sequence[str]) -> list[str]:
    """Return numbers set to the right so that their decimal points stand in line.

    Examples
    --------
    >>> [len(cell) for cell in aligned(["0.5", "1.001", "12"])]
    [5, 5, 6]
    """
    tails = [re.search(r"\d(?:\.(\d+))?\D*$", cell) for cell in cells]
    decimals = [-1 if t is None else len(t.group(1) or "") for t in tails]
    most = max(decimals, default=0)
    return [
        cell + _room(most, own) if own >= 0 else cell
        for cell, own in zip(cells, decimals, strict=True)
    ]


def _room(most: int, own: int) -> str:
    """Return as much room as the decimals that a number has less than another."""
    point = _POINT_SPACE if most and not own else ""
    return point + _FIGURE_SPACE * (most - own)


def _tag(tag: str, words: str) -> str:
    """Return words under an HTML tag; nothing in them is read as markup."""
    return f"<{tag}>{escape(printable(words))}</{tag}>"


def _label(kind: str, number: int) -> str:
    """Return the number of a caption as HTML."""
    return f"<strong>{kind} {number}.</strong> " if number else ""


def _side(right: bool) -> str:
    """Return the side a column is set to."""
    return "right" if right else "left"


def _cell(said: str, right: bool = False) -> str:
    """Return a cell as HTML."""
    style = f"text-align: {_side(right)}"
    if len(said) <= _WHOLE:
        style += "; white-space: nowrap"
    return f'<td style="{style}">{escape(printable(said))}</td>'
