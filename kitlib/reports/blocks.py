"""What notebooks and reports are made of: blocks of finished words, tables, pictures.

A block shows itself in a notebook and is typeset from the very same object: what was
shown is what is printed. Text is shown as it stands; nothing in it is read as markup.
"""

import re
import tomllib
from base64 import b64encode
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date as Date
from functools import cache, cached_property
from hashlib import sha256
from html import escape
from importlib.resources import files
from typing import Any

import pandas as pd
from IPython.display import display
from matplotlib.figure import Figure

from kitlib.reports.drawing import png_bytes, printable
from kitlib.words.terms import Column, counted, shown

# What an answer calls for: nothing, a change, or more samples.
CALM, ACT, OPEN = "calm", "act", "open"
_COLOURS = {CALM: "#1C7C6C", ACT: "#B4540A", OPEN: "#5B6873"}
_WHOLE = 24  # letters of a cell that is not broken over lines
_FIGURE_SPACE, _POINT_SPACE = "\u2007", "\u2008"  # as wide as a digit, as a point


@cache
def texts() -> dict[str, Any]:
    """Return all that the reports say: the sentences and tables of `texts.toml`."""
    text = files("kitlib.reports").joinpath("texts.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def say(key: str, **values: object) -> str:
    """Return a sentence of `texts.toml`, "part.name", with its values filled in."""
    part, name = key.split(".")
    return texts()[part][name].format(**values)


class Block:
    """A part of a page; its kinds differ in `_html` and in `_lines` of plain text.

    `number` is that of its caption, 0 where it has none.
    """

    counted_as = ""

    def html(self, number: int = 0) -> str:
        """Return it as a notebook shows it."""
        return self._html(number)

    def text(self, number: int = 0) -> str:
        """Return it as plain text."""
        return "\n".join(map(printable, self._lines(number)))

    def parts(self) -> dict:
        """Return it as the template of the PDF reads it."""
        return {"block": type(self).__name__, **vars(self)}

    def _html(self, number: int) -> str:
        raise NotImplementedError

    def _lines(self, number: int) -> Sequence[str]:
        raise NotImplementedError

    def _repr_mimebundle_(self, **_more) -> dict[str, str]:
        return {"text/html": self.html(), "text/plain": self.text()}


@dataclass(frozen=True)
class Heading(Block):
    """A section's heading, level 1, or one below it, level 2."""

    words: str
    level: int = 1
    new_page: bool = False

    def _html(self, number: int) -> str:
        return _tag(f"h{self.level + 2}", self.words)  # below the notebook's own

    def _lines(self, number: int) -> Sequence[str]:
        return [self.words]


@dataclass(frozen=True)
class Paragraph(Block):
    """Running text; a small one is a side note, such as the sign of the errors."""

    words: str
    small: bool = False

    def _html(self, number: int) -> str:
        return _tag("p", self.words)

    def _lines(self, number: int) -> Sequence[str]:
        return [self.words]


@dataclass(frozen=True)
class Items(Block):
    """A list; a numbered one where the order matters."""

    items: Sequence[str]
    numbered: bool = False
    small: bool = False

    def _html(self, number: int) -> str:
        tag = "ol" if self.numbered else "ul"
        return f"<{tag}>{''.join(_tag('li', item) for item in self.items)}</{tag}>"

    def _lines(self, number: int) -> Sequence[str]:
        marked = enumerate(self.items, start=1)
        return [f"{f'{k}.' if self.numbered else '–'} {item}" for k, item in marked]


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
        below = [escape(printable(s)) for s in (self.sentence, self.detail) if s]
        lines = "<br>".join([_tag("strong", self.word), *below])
        return f'<div style="{look}">{lines}</div>'

    def _lines(self, number: int) -> Sequence[str]:
        return [f"{self.word}: {self.sentence}", *filter(None, [self.detail])]


@dataclass(frozen=True)
class Facts(Block):
    """Numbers at a glance: (name, value, note), side by side; a note may be empty."""

    facts: Sequence[tuple[str, str, str]]

    def _html(self, number: int) -> str:
        head = '<tr><th scope="row" style="text-align: left">'
        rows = [
            f"{head}{escape(printable(name))}</th>{_cell(value)}{_cell(note)}</tr>"
            for name, value, note in self.facts
        ]
        return f"<table>{''.join(rows)}</table>"

    def _lines(self, number: int) -> Sequence[str]:
        return [f"{n}: {v}{f' ({note})' if note else ''}" for n, v, note in self.facts]


@dataclass(frozen=True)
class Findings(Block):
    """What was found: (severity, message, remedy), the most serious first."""

    findings: Sequence[tuple[str, str, str]]

    def _html(self, number: int) -> str:
        items = [
            f"<li>{escape(printable(f'{severity}: {said}'))} "
            f"{_tag('strong', remedy)}</li>"
            for severity, said, remedy in self.findings
        ]
        return f"<ul>{''.join(items)}</ul>"

    def _lines(self, number: int) -> Sequence[str]:
        return [f"{severity}: {m} {remedy}" for severity, m, remedy in self.findings]


@dataclass(frozen=True)
class Caution(Block):
    """A box with what no reader may overlook."""

    title: str
    lines: Sequence[str]

    def _html(self, number: int) -> str:
        return _tag("p", self.title) + Items(self.lines).html()

    def _lines(self, number: int) -> Sequence[str]:
        return [self.title, *(f"– {line}" for line in self.lines)]


@dataclass(frozen=True, eq=False)
class Table(Block):
    """A frame as a numbered table: columns as `columns.csv` declares them.

    Both ends of an interval become one column; numbers stand in line at their
    decimal points.
    """

    caption: str  # one sentence
    frame: pd.DataFrame = field(repr=False)
    table: str  # of columns.csv, which declares the frame's columns
    note: str = ""  # small print below
    most: int = 40  # rows shown; the rest are counted
    whole: str = ""  # file of the output folder that holds all rows
    # Unit and decimals of columns in another unit than declared, such as yields.
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
        hidden, first = len(self.frame) - self.most, ""
        if self.frame.empty:
            first = "None. "
        elif hidden > 0:
            place = f" in {self.whole}" if self.whole else ""
            first = f"{counted(hidden, 'more row')}{place}. "
        return f"{first}{self.note}".strip()

    def _html(self, number: int) -> str:
        sides = ["right" if column.number else "left" for column, _ in self.columns]
        heads = "".join(
            f'<th scope="col" style="text-align: {side}">'
            f"{escape(printable(column.head))}</th>"
            for (column, _), side in zip(self.columns, sides, strict=True)
        )
        rows = ["".join(map(_cell, row, sides)) for row in self.rows]
        body = "".join(f"<tr>{row}</tr>" for row in rows)
        caption = f"{_label('Table', number)}{escape(printable(self.caption))}"
        note = _tag("p", self.small_print) if self.small_print else ""
        return (
            f'<table><caption style="text-align: left">{caption}</caption>'
            f"<thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>{note}"
        )

    def _lines(self, number: int) -> Sequence[str]:
        parts = []
        for column, cells in self.columns:
            words = [printable(cell) for cell in (column.head, *cells)]
            width = max(map(len, words))
            set_to = str.rjust if column.number else str.ljust
            parts.append([set_to(word, width) for word in words])
        rows = ["  ".join(row).rstrip() for row in zip(*parts, strict=True)]
        head = f"Table {number}. " if number else ""
        return [head + self.caption, *rows, self.small_print]

    def parts(self) -> dict:
        """Return caption, columns and rows for the template."""
        columns = []
        for c, cells in self.columns:
            head = {"label": c.label, "unit": c.unit, "number": c.number}
            longest = sorted(dict.fromkeys(cells), key=len, reverse=True)[:3]
            columns.append({**head, "longest": longest})
        letters = sum(len(cell) for row in self.rows for cell in row)
        words = {"caption": self.caption, "note": self.small_print}
        sizes = {"columns": columns, "rows": self.rows, "letters": letters}
        return {"block": "Table", **words, **sizes}


@dataclass(frozen=True, eq=False)
class Picture(Block):
    """A numbered figure, drawn once for notebook and PDF."""

    figure: Figure = field(repr=False)  # at print size
    caption: str  # what it shows, in a sentence or two
    # What a reader who cannot see it must know: screen readers read it aloud, and
    # PDF/UA demands it.
    alt: str

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
        caption = f"{_label('Figure', number)}{escape(printable(self.caption))}"
        return (
            f'<figure><img src="{source}" alt="{escape(printable(self.alt))}" '
            f'width="{width}"><figcaption>{caption}</figcaption></figure>'
        )

    def _lines(self, number: int) -> Sequence[str]:
        head = f"Figure {number}. " if number else ""
        return [head + self.caption, self.alt]

    def parts(self) -> dict:
        """Return caption, alternative text and size for the template. [in]"""
        width, height = map(float, self.figure.get_size_inches())
        words = {"caption": self.caption, "alt": self.alt, "file": self.file}
        return {"block": "Picture", **words, "width": width, "height": height}


@dataclass(frozen=True)
class SideBySide(Block):
    """Two blocks, each of about half the page's width."""

    left: Block
    right: Block

    def _html(self, number: int) -> str:
        # One after the other: a notebook's page may be narrow.
        return self.left.html() + self.right.html()

    def _lines(self, number: int) -> Sequence[str]:
        return [*self.left._lines(0), *self.right._lines(0)]

    def parts(self) -> dict:
        """Return both for the template."""
        sides = {"left": self.left.parts(), "right": self.right.parts()}
        return {"block": "SideBySide", **sides}


def fact(name: str, **values: object) -> tuple[str, str, str]:
    """Return one of the facts of `texts.toml` with its values filled in."""
    head, value, note = (part.format(**values) for part in texts()["facts"][name])
    return head, value, note


def picture_of(name: str, figure: Figure, **values: object) -> Picture:
    """Return a figure with the words of `texts.toml` for it, values filled in."""
    words = (part.format(**values) for part in texts()["pictures"][name])
    return Picture(figure, *words)


def table_of(
    name: str,
    frame: pd.DataFrame,
    units: Mapping[str, tuple[str, int]] = {},
    **values: object,
) -> Table:
    """Return a frame as one of the tables of `texts.toml`, its values filled in."""
    of_it = texts()["tables"][name]
    return Table(
        of_it["caption"].format(**values),
        frame[of_it.get("columns", list(frame))],
        of_it.get("declared", name),
        of_it.get("note", "").format(**values),
        of_it.get("most", Table.most),
        of_it.get("whole", ""),
        units,
    )


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
        for block in blocks:
            before = [b.counted_as for b in every_block(self.blocks)]
            self.blocks.append(block)
            for part in every_block([block]):
                number = 1 + before.count(part.counted_as) if part.counted_as else 0
                before.append(part.counted_as)
                said = {"text/html": part.html(number), "text/plain": part.text(number)}
                display(said, raw=True)

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
    """Return numbers set to the right so that their decimal points stand in line."""
    tails = [re.search(r"\d(?:\.(\d+))?\D*$", cell) for cell in cells]
    decimals = [-1 if t is None else len(t.group(1) or "") for t in tails]
    most, out = max(decimals, default=0), []
    for cell, own in zip(cells, decimals, strict=True):
        point = _POINT_SPACE if most > own == 0 else ""
        out.append(cell + point + _FIGURE_SPACE * (most - own) if own >= 0 else cell)
    return out


def _tag(tag: str, words: str) -> str:
    """Return words under an HTML tag; nothing in them is read as markup."""
    return f"<{tag}>{escape(printable(words))}</{tag}>"


def _label(kind: str, number: int) -> str:
    """Return the number of a caption as HTML."""
    return f"<strong>{kind} {number}.</strong> " if number else ""


def _cell(said: str, side: str = "left") -> str:
    """Return a cell as HTML."""
    style = f"text-align: {side}"
    if len(said) <= _WHOLE:
        style += "; white-space: nowrap"
    return f'<td style="{style}">{escape(printable(said))}</td>'
