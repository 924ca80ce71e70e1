"""From a data frame to a table to be read: words, rounded numbers, intervals."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

import pandas as pd

from kitlib.pages.blocks import Column, Table
from kitlib.reports.lettering import printable
from kitlib.words.terms import POINTS, Term, counted, show, show_span

MOST_ROWS = 40


class Shown(NamedTuple):
    """A column to be read: its head, and how its cells are written."""

    column: Column
    cells: Callable[[pd.DataFrame], Sequence[str]]


def words(term: Term) -> Shown:
    """Return a column of text; a missing cell is empty."""

    def cells(frame: pd.DataFrame) -> list[str]:
        column = frame[term.name].astype(object)
        return ["" if pd.isna(cell) else printable(cell) for cell in column]

    return Shown(Column(term.label, term.unit), cells)


def number(term: Term, sign: bool = False, scale: float = 1.0) -> Shown:
    """Return a column of numbers, rounded half up to the term's decimals.

    `scale` turns the data's unit into the term's.
    """

    def cells(frame: pd.DataFrame) -> list[str]:
        column = frame[term.name].astype(float) * scale
        return [show(value, term.decimals, sign) for value in column]

    return Shown(Column(term.label, term.unit, number=True), cells)


def span(term: Term, sign: bool = False) -> Shown:
    """Return a column of intervals, from the columns of both ends."""

    def cells(frame: pd.DataFrame) -> list[str]:
        ends = zip(frame[f"{term.name}_low"], frame[f"{term.name}_high"], strict=True)
        return [show_span(low, high, term.decimals, sign) for low, high in ends]

    return Shown(Column(term.label, term.unit, number=True), cells)


def text(name: str, label: str) -> Shown:
    """Return a column of text under a label of its own."""
    return words(Term(name, "", label))


def count(name: str, label: str) -> Shown:
    """Return a column of counts."""
    return number(Term(name, "", label, 0))


def points(name: str, label: str, sign: bool = False) -> Shown:
    """Return a column of differences of moisture."""
    return number(Term(name, POINTS, label), sign=sign)


def interval(name: str, decimals: int = 2, unit: str = POINTS) -> Shown:
    """Return a column of intervals; those of differences carry their sign."""
    return span(Term(name, unit, "Interval", decimals), sign=unit == POINTS)


def tabulate(
    caption: str,
    frame: pd.DataFrame,
    *columns: Shown,
    note: str = "",
    most: int = MOST_ROWS,
    whole: str = "",
) -> Table:
    """Return a table to be read.

    Parameters
    ----------
    caption : str
    frame : DataFrame
    columns : Shown
        What is shown of it, in order.
    note : str
        Small print below.
    most : int
        Rows shown; the rest are counted.
    whole : str
        File of the output folder that holds all rows.

    Examples
    --------
    >>> found = tabulate("Bias.", pd.DataFrame({"n": [3], "bias": [0.345]}),
    ...                  number(Term("n", "", "Samples", 0)),
    ...                  number(Term("bias", "% moisture", "Bias"), sign=True))
    >>> found.rows
    [('3', '+0.35')]
    """
    top = frame.iloc[:most]
    hidden = len(frame) - len(top)
    if hidden:
        place = f" in {whole}" if whole else ""
        note = f"{counted(hidden, 'more row')}{place}. {note}".rstrip()
    cells = [shown.cells(top) for shown in columns]
    return Table(
        caption=caption,
        columns=[shown.column for shown in columns],
        rows=list(zip(*cells, strict=True)),
        note=note,
    )
