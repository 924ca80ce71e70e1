"""What a report is made of: blocks that hold finished words and pictures.

A report is composed by putting blocks in order. Every number in them is already
written as the reader shall see it; the template only sets them. Text is printed
as it stands: nothing in it is ever read as markup.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

from kitlib.words.errors import KitError


class IncompleteReport(KitError):
    """A part of a report lacks what its readers need."""


@dataclass(frozen=True)
class Heading:
    """A section's heading, level 1, or one below it, level 2."""

    text: str
    level: int = 1


@dataclass(frozen=True)
class Paragraph:
    """Running text."""

    text: str


@dataclass(frozen=True)
class Note:
    """A side note in small print, such as the sign of the errors."""

    text: str


@dataclass(frozen=True)
class Verdict:
    """The report's answer: an action in one word and the reason in one sentence.

    Attributes
    ----------
    action : str
        One of the recommendation's words, or any other short one.
    sentence : str
        The reason.
    detail : str
        A second, lighter line, such as the new setting; may be empty.
    """

    action: str
    sentence: str
    detail: str = ""


@dataclass(frozen=True)
class Facts:
    """Labels with their values, `columns` of them side by side."""

    pairs: Sequence[tuple[str, str]]
    columns: int = 4


@dataclass(frozen=True)
class Column:
    """A table's column.

    Attributes
    ----------
    label, unit : str
        Head, and the unit below it; the unit may be empty.
    number : bool
        Set to the right; the cells' decimals must agree.
    """

    label: str
    unit: str = ""
    number: bool = False


@dataclass(frozen=True, kw_only=True)
class Table:
    """A table with its caption; rows break over pages, the head is repeated.

    Attributes
    ----------
    caption : str
        One sentence.
    columns : sequence of Column
    rows : sequence of sequence of str
        As many cells as there are columns.
    note : str
        Small print below the table; may be empty.
    strong : sequence of int
        Rows to set in bold, counted from 0.

    Raises
    ------
    ValueError
        If a row has too many or too few cells.
    """

    caption: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[str]]
    note: str = ""
    strong: Sequence[int] = ()

    def __post_init__(self) -> None:
        for k, row in enumerate(self.rows):
            if len(row) != len(self.columns):
                raise ValueError(
                    f"Table {self.caption!r}: row {k} has {len(row)} cell(s); expected "
                    f"{len(self.columns)}."
                )


@dataclass(frozen=True, kw_only=True)
class Picture:
    """A figure with its caption.

    Attributes
    ----------
    svg : bytes
        From `kitlib.reports.drawing.svg_bytes`, drawn at print size.
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

    svg: bytes = field(repr=False)
    caption: str
    alt: str

    def __post_init__(self) -> None:
        if not self.alt.strip():
            raise IncompleteReport(
                f"figure {self.caption!r}: alt is empty; expected what a reader who "
                "cannot see the figure must know. Write a sentence or two."
            )


@dataclass(frozen=True)
class SideBySide:
    """Two pictures, each of half the page's width."""

    left: Picture
    right: Picture


@dataclass(frozen=True)
class Findings:
    """What was found: (severity, message) pairs, the most serious first."""

    items: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Caution:
    """A box with what no reader may overlook."""

    title: str
    lines: Sequence[str]


@dataclass(frozen=True)
class Sources:
    """Where numbers and methods come from: (text, tag) pairs.

    The tag says how the number was come by, as in `kitlib.words.limits`; no brackets.
    """

    items: Sequence[tuple[str, str]]


Block = (
    Heading
    | Paragraph
    | Note
    | Verdict
    | Facts
    | Table
    | Picture
    | SideBySide
    | Findings
    | Caution
    | Sources
)


@dataclass(frozen=True, kw_only=True)
class Report:
    """A report, from its title to its last block.

    Attributes
    ----------
    kind : str
        Such as "Trial report".
    title : str
        What it is about, such as the trial's name.
    subtitle : str
        A line below the title; may be empty.
    running : str
        What stands before the page number, such as "Trial X".
    date : datetime.date
        The date as given by the season: also the only time inside the PDF.
    facts : sequence of (label, value)
        Beside the title: season, site, crop, curve and the like.
    blocks : sequence of Block
        In reading order.
    """

    kind: str
    title: str
    subtitle: str = ""
    running: str
    date: date
    facts: Sequence[tuple[str, str]] = ()
    blocks: Sequence[Block]
