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
from html import escape, unescape
from typing import Any

import pandas as pd
from IPython.display import display
from matplotlib.figure import Figure

from kitlib.reports.drawing import png_bytes, printable
from kitlib.words.terms import Column, Sentences, counted, shown

# What an answer calls for: nothing, a change, or more samples.
CALM, ACT, OPEN = "calm", "act", "open"
_COLOURS = {CALM: "#1C7C6C", ACT: "#B4540A", OPEN: "#5B6873"}
_WHOLE = 24  # letters of a cell that is not broken over lines
_FIGURE_SPACE, _POINT_SPACE = "\u2007", "\u2008"  # as wide as a digit, as a point
_SAID = "caption", "note"  # of a table
_LINE_END, _CELL_END = r"<br>|</(?:p|li|tr|h\d|caption)>", r"</t[hd]>(?=<t)"


class Block:
    """A part of a page; `number` is that of its caption, 0 where it has none."""

    counted_as = ""  # what its number counts

    def html(self, number: int = 0) -> str:
        """Return it as a notebook shows it."""
        return self._html(number)

    def text(self, number: int = 0) -> str:
        """Return it as plain text."""
        return _plain(self._html(number))

    def parts(self) -> dict[str, Any]:
        """Return it as the template of the PDF reads it."""
        return vars(self)

    def _html(self, number: int) -> str:
        raise NotImplementedError

    def _repr_mimebundle_(self, number: int = 0, **_more) -> dict[str, str]:
        return {"text/html": self.html(number), "text/plain": self.text(number)}


@dataclass(frozen=True)
class Heading(Block):
    """A section's heading, level 1, or one below it, level 2."""

    words: str
    level: int = 1
    room: float = 0  # share of a page that must be free, or it begins a new one

    def _html(self, number: int) -> str:
        return _tag(f"h{self.level + 2}", self.words)


@dataclass(frozen=True)
class Paragraph(Block):
    """Running text; a small one is a side note, such as the sign of the errors."""

    words: str
    small: bool = False

    def _html(self, number: int) -> str:
        return _tag("p", self.words)


@dataclass(frozen=True)
class Items(Block):
    """A list; a numbered one where the order matters."""

    items: Sequence[str]
    numbered: bool = False
    small: bool = False

    def _html(self, number: int) -> str:
        tag = "ol" if self.numbered else "ul"
        return f"<{tag}>{''.join(_tag('li', item) for item in self.items)}</{tag}>"


@dataclass(frozen=True)
class Answer(Block):
    """The answer in a word or a few, the reason, and what follows in a lighter line.

    The tone is CALM where nothing need be done, ACT where something must, else OPEN.
    """

    word: str
    sentence: str
    detail: str = ""
    tone: str = OPEN

    def __post_init__(self) -> None:
        """Begin the word with a capital letter, wherever it comes from."""
        object.__setattr__(self, "word", self.word[:1].upper() + self.word[1:])

    def _html(self, number: int) -> str:
        look = f"border-left: 4px solid {_COLOURS[self.tone]}; padding-left: 10px"
        below = [_safe(said) for said in (self.sentence, self.detail) if said]
        lines = "<br>".join([_tag("strong", self.word), *below])
        return f'<div style="{look}">{lines}</div>'


@dataclass(frozen=True)
class Facts(Block):
    """Numbers at a glance: (name, value, note), side by side; a note may be empty."""

    facts: Sequence[tuple[str, ...]]

    def _html(self, number: int) -> str:
        head, rows = '<th scope="row" style="text-align: left">', ""
        for name, value, note in self.facts:
            rows += f"<tr>{head}{_safe(name)}</th>{_cell(value)}{_cell(note)}</tr>"
        return f"<table>{rows}</table>"


@dataclass(frozen=True)
class Findings(Block):
    """What was found: (severity, message, remedy), the most serious first."""

    findings: Sequence[tuple[str, str, str]]

    def _html(self, number: int) -> str:
        items = ""
        for severity, said, remedy in self.findings:
            items += f"<li>{_safe(f'{severity}: {said}')} {_tag('strong', remedy)}</li>"
        return f"<ul>{items}</ul>"


@dataclass(frozen=True)
class Caution(Block):
    """A box with what no reader may overlook."""

    title: str
    lines: Sequence[str]

    def _html(self, number: int) -> str:
        return _tag("p", self.title) + Items(self.lines)._html(0)


@dataclass(frozen=True, eq=False)
class Table(Block):
    """A frame as a numbered table: columns as `columns.csv` declares them.

    Both ends of an interval become one column; numbers stand in line at their
    decimal points.
    """

    caption: str  # one sentence
    frame: pd.DataFrame = field(repr=False)
    # Of columns.csv, which declares the frame's columns; "": as they stand, all text.
    table: str
    note: str = ""  # small print below
    most: int = 40  # rows shown; the rest are counted
    whole: str = ""  # file of the output folder that holds all rows
    # Unit and decimals of columns in another unit than declared, such as yields.
    units: Mapping[str, tuple[str, int]] = field(default_factory=dict)

    counted_as = "Table"

    @cached_property
    def columns(self) -> list[tuple[Column, list[str]]]:
        """Its columns, each with the cells a reader sees."""
        frame = self.frame.iloc[: self.most]
        if not self.table:
            cells = frame.astype("str").fillna("")
            return [(Column("", h, h), cells[h].tolist()) for h in map(str, cells)]
        columns = shown(frame, self.table, self.units)
        return [(c, aligned(cells) if c.number else cells) for c, cells in columns]

    @property
    def rows(self) -> list[tuple[str, ...]]:
        """Its rows, as a reader sees them."""
        return list(zip(*(cells for _, cells in self.columns), strict=True))

    @property
    def small_print(self) -> str:
        """The note, and how many rows are not shown."""
        hidden, place = len(self.frame) - self.most, self.whole and f" in {self.whole}"
        first = "None." if self.frame.empty else ""
        first = f"{counted(hidden, 'more row')}{place}." if hidden > 0 else first
        return f"{first} {self.note}".strip()

    def _html(self, number: int) -> str:
        sides = ["right" if c.number else "left" for c, _ in self.columns]
        heads = [
            f'<th scope="col" style="text-align: {side}">{_safe(column.head)}</th>'
            for (column, _), side in zip(self.columns, sides, strict=True)
        ]
        body = [f"<tr>{''.join(map(_cell, row, sides))}</tr>" for row in self.rows]
        caption = _captioned("Table", number, self.caption)
        note = _tag("p", self.small_print) if self.small_print else ""
        return (
            f'<table><caption style="text-align: left">{caption}</caption><thead><tr>'
            f"{''.join(heads)}</tr></thead><tbody>{''.join(body)}</tbody></table>{note}"
        )

    def parts(self) -> dict[str, Any]:
        """Return caption, columns and rows for the template."""
        columns = []
        for c, cells in self.columns:
            longest = sorted(dict.fromkeys(cells), key=len, reverse=True)[:3]
            head = {"label": c.label, "unit": c.unit, "number": c.number}
            columns.append({**head, "longest": longest})
        letters = sum(len(cell) for row in self.rows for cell in row)
        body = {"columns": columns, "rows": self.rows, "letters": letters}
        return {"caption": self.caption, "note": self.small_print, **body}


@dataclass(frozen=True, eq=False)
class Picture(Block):
    """A numbered figure, drawn once for notebook and PDF."""

    figure: Figure = field(repr=False)  # at print size
    caption: str  # what it shows, in a sentence or two
    alt: str  # what a reader who cannot see it must know; PDF/UA demands it

    counted_as = "Figure"

    @cached_property
    def png(self) -> bytes:
        """The picture, sharp enough for print."""
        return png_bytes(self.figure)

    @property
    def file(self) -> str:
        """Name of its file beside the template: alike pictures are one."""
        return f"{sha256(self.png).hexdigest()[:32]}.png"

    def _html(self, number: int) -> str:
        source = f"data:image/png;base64,{b64encode(self.png).decode()}"
        width = round(96 * self.figure.get_figwidth())  # dots of a screen
        caption = _captioned("Figure", number, self.caption)
        return (
            f'<figure><img src="{source}" alt="{_safe(self.alt)}" '
            f'width="{width}"><figcaption>{caption}</figcaption></figure>'
        )

    def parts(self) -> dict[str, Any]:
        """Return caption, alternative text and size for the template. [in]"""
        width, height = map(float, self.figure.get_size_inches())
        words = {"caption": self.caption, "alt": self.alt, "file": self.file}
        return {**words, "width": width, "height": height}


@dataclass(frozen=True)
class SideBySide(Block):
    """Two blocks, each of about half the page's width."""

    left: Block
    right: Block

    def _html(self, number: int) -> str:
        # One after the other: a notebook's page may be narrow.
        return self.left.html() + self.right.html()


# ---- what reports say ---------------------------------------------------------------

_SENTENCES = Sentences("kitlib.reports")


def texts() -> dict[str, Any]:
    """Return all that the reports say: the sentences and tables of `sentences.toml`."""
    return _SENTENCES.sentences


def say(key: str, **values: object) -> str:
    """Return a sentence of `sentences.toml`, "part.name", its values filled in."""
    part, name = key.split(".")
    return _SENTENCES.format(texts()[part][name], **values)


def say_all(key: str, **values: object) -> tuple[str, ...]:
    """Return sentences that belong together, such as a number's name, value, note."""
    part, name = key.split(".")
    return tuple(_SENTENCES.format(said, **values) for said in texts()[part][name])


def picture_of(name: str, figure: Figure, **values: object) -> Picture:
    """Return a figure with its words of `sentences.toml`, values filled in."""
    return Picture(figure, *say_all(f"pictures.{name}", **values))


def table_of(
    name: str,
    frame: pd.DataFrame,
    units: Mapping[str, tuple[str, int]] = {},
    **values: object,
) -> Table:
    """Return a frame as one of the tables of `sentences.toml`, its values filled in."""
    of_it: dict[str, Any] = {"table": name, "note": "", **texts()["tables"][name]}
    said: dict[str, Any] = {
        key: _SENTENCES.format(of_it.pop(key), **values) for key in _SAID
    }
    columns = of_it.pop("columns", list(frame))
    return Table(frame=frame[columns], units=units, **said, **of_it)


@dataclass(kw_only=True)
class Report:
    """A report, from its title to its last block, gathered as it is shown."""

    kind: str  # such as "Trial report"
    title: str
    subtitle: str = ""
    running: str = ""  # beside the page number; left out, the title
    date: Date | None = None  # as given by the season; None prints "undated"
    facts: Sequence[tuple[str, str]] = ()  # below the title: site, crop and the like
    blocks: list[Block] = field(default_factory=list)  # in reading order

    def show(self, *blocks: Block) -> None:
        """Show blocks in a notebook, numbered as they are printed, and keep them."""
        so_far = [block.counted_as for block in every_block(self.blocks)]
        self.blocks += blocks
        page = []
        for block in every_block(blocks):
            so_far.append(block.counted_as)
            number = so_far.count(block.counted_as) if block.counted_as else 0
            page.append(block.html(number))
        # One message for all: each takes longer than most blocks.
        plain = "\n\n".join(map(_plain, page))
        if blocks:
            display({"text/html": "\n".join(page), "text/plain": plain}, raw=True)

    def parts(self) -> dict[str, Any]:
        """Return it as the template reads it."""
        day = f"{self.date.day} {self.date:%B %Y}" if self.date else "undated"
        return {**vars(self), "running": self.running or self.title, "date": day}


def every_block(blocks: Iterable[Block]) -> Iterator[Block]:
    """Yield blocks one by one, those side by side from the left."""
    for block in blocks:
        yield from vars(block).values() if isinstance(block, SideBySide) else [block]


def aligned(cells: Sequence[str]) -> list[str]:
    """Return numbers set to the right so that their decimal points stand in line."""
    tails = [re.search(r"\d(?:\.(\d+))?\D*$", cell) for cell in cells]
    decimals = [-1 if t is None else len(t.group(1) or "") for t in tails]
    most, out = max(decimals, default=0), []
    for cell, own in zip(cells, decimals, strict=True):
        point = _POINT_SPACE if most > own == 0 else ""
        out.append(cell + point + _FIGURE_SPACE * (most - own) if own >= 0 else cell)
    return out


def _safe(words: object) -> str:
    """Return words for HTML: what cannot be seen is spelled, nothing is markup."""
    return escape(printable(words))


def _plain(html: str) -> str:
    """Return HTML without its tags, what stood in lines and cells apart."""
    lines = re.sub(_CELL_END, "  ", re.sub(_LINE_END, "\n", html))
    return unescape(re.sub("<[^>]+>", "", lines)).strip()


def _tag(tag: str, words: str) -> str:
    """Return words under an HTML tag."""
    return f"<{tag}>{_safe(words)}</{tag}>"


def _captioned(kind: str, number: int, caption: str) -> str:
    """Return a caption with its number, if it has one, as HTML."""
    return (f"<strong>{kind} {number}.</strong> " if number else "") + _safe(caption)


def _cell(said: str, side: str = "left") -> str:
    """Return a cell as HTML."""
    nowrap = "; white-space: nowrap" if len(said) <= _WHOLE else ""
    return f'<td style="text-align: {side}{nowrap}">{_safe(said)}</td>'
