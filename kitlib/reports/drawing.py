"""How a page carries text, and the look and lettering that all figures share.

Names and remarks come from people's files and may hold anything. Characters that
cannot be seen are spelled by their Unicode number, so that two names that look the
same can be told apart; very long text is cut in its middle and its length said.
"""

import re
from collections.abc import Iterator, Sequence
from functools import cache
from io import BytesIO
from itertools import groupby
from typing import Any
from unicodedata import category

import numpy as np
from matplotlib import get_data_path
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.ft2font import FT2Font, LoadFlags
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator, ScalarFormatter
from PIL import Image

# Width between the margins of an A4 page, and of half of it. [in]
FULL, HALF = 6.69, 3.24
FONT, FONT_FOLDER = "DejaVu Sans", f"{get_data_path()}/fonts/ttf"
SMALL = 7.5  # smallest lettering at print size [pt]
DPI = 216  # of the one picture that notebook and PDF share; finer ones only cost time

INK, MUTED = "#1E2A35", "#5B6873"
# Flat greys that black-and-white print tells apart: L* is 93, 77 and 55.
BAND, MID, DOT = "#E9ECEE", "#B7BFC5", "#7D868D"
RULE = "#D8DDE1"
BLUE, AMBER, TEAL, PLUM = "#1F5C99", "#E08A00", "#4DB6A0", "#8C2F62"
SKY, OLIVE = "#8DBCE6", "#5E5A1E"
ACCENT, SIGNAL = "#0F4C5C", "#B4540A"
# Told apart by their shapes as well as their colours, whose least distance in CIE Lab
# is 39, and 17 under simulated colour blindness (calculated).
GROUP_STYLES = list(zip([BLUE, AMBER, TEAL, PLUM, OLIVE, SKY], "o^sDvP", strict=True))
ACTION_STYLES = {
    "keep": (TEAL, "o"),
    "shift": (BLUE, "^"),
    "reslope": (AMBER, "D"),
    "rebuild": (PLUM, "s"),
    "unresolved": (MUTED, "X"),
}
# From below zero to above, told apart by lightness and sign as well as hue.
SCALE = ["#1F5C99", "#6FA3D3", "#C3DAEE", "#E4E7E5", "#F7D9A8", "#EFA94A", "#C46A00"]
# A legend's sign of something filled.
SWATCH: dict[str, Any] = {"linewidth": 7, "solid_capstyle": "butt"}

# Where the template may break a word; a reader's own one is spelled out instead.
BREAK = "\u200b"
_LINE_ENDS = re.compile(r"\r\n|[\n\r\v\f\x85\u2028\u2029]")
# Control, surrogate, private and unassigned characters cannot be printed; format
# characters cannot be seen, but for the joiners Arabic and Indic words need.
_UNSEEN, _JOINERS = ("Cc", "Cs", "Co", "Cn", "Cf"), "\u200c\u200d"
_LONGEST_WORD = 80  # letters, so that a hash of 64 stays whole
_REMARK = len("… (1,000,000 letters)")
_LONG_WORD = re.compile(r"\S{13,}")
_AFTER_SEPARATOR = re.compile(r"(?<=[_/.,;:|=+])(?=[^\W_])")
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=[%°])")  # not to be parted from its number
_PIECE = re.compile(r"\S{12}(?=\S)")
_LETTER = 0.07  # average width of a letter at 8 pt, with a margin [in]
_MEASURED_AT = 100.0  # points
_FONT = FT2Font(f"{FONT_FOLDER}/DejaVuSans.ttf")
_FONT.set_size(_MEASURED_AT, 72)
_PICTURES = frozenset(_FONT.get_charmap())  # characters the typeface can show
LETTERING: dict[str, Any] = {"fontsize": SMALL, "color": INK}
_LEGEND_LINE, _KEY, _GAP = 0.165, 0.3, 0.16  # height of a line, width of a sign [in]
# From axes to the middle of their numbers, their ends, and the names. [in]
_BELOW, _BESIDE, _NAME_BELOW, _NAME_BESIDE = 0.13, 0.09, 0.3, 0.5
_TICK, _LINE = 0.042, 0.125  # length of a tick, height of a line [in]


def printable(text: object) -> str:
    """Return text with line ends as ↵ and what cannot be seen by its Unicode number."""
    plain = _LINE_ENDS.sub("↵", str(text))
    if plain.isascii() and plain.isprintable():
        return plain
    return "".join(
        spelled(c) if category(c) in _UNSEEN and c not in _JOINERS else c for c in plain
    )


def spelled(characters: str) -> str:
    """Return the Unicode numbers of characters."""
    return f"⟨{' '.join(f'U+{ord(c):04X}' for c in characters)}⟩"


def as_printed(text: object, most: int) -> str:
    """Return text for a report: visible, cut, with `BREAK` where a word may break.

    The middle of a word or text that is too long is left out and its length said:
    long names often differ in their last letters. What the typeface lacks is printed
    as a box, copies and searches as written, and is named by its Unicode number.
    """

    def shorter(whole: str, most: int) -> str:
        return f"{_ends(whole, most)} ({len(whole):,} letters)"

    longest = min(most, _LONGEST_WORD)
    too_long = re.compile(rf"\S{{{longest + 1},}}")
    short = too_long.sub(lambda word: shorter(word.group(), longest), str(text))
    # The remark on a word's length is no reason to cut again.
    short = short if len(short) <= most + _REMARK else shorter(short, most)
    short = _BEFORE_UNIT.sub("\u00a0", printable(short))
    lacking = "".join(c for c in dict.fromkeys(short) if not _has_picture(c))
    named = f" {spelled(lacking[:8])}" if lacking else ""
    return _LONG_WORD.sub(_breakable, short) + named


def as_drawn(text: object, most: int) -> str:
    """Return text for a figure: visible, and cut.

    What the typeface lacks is replaced by its Unicode number. The room is that of
    `most` letters of average width at 8 pt.

    >>> as_drawn("ABCDEFGHIJKLMNOP", 11)
    'ABCDEF…OP'
    """
    # Measured letter by letter, so what could never fit goes first.
    seen = printable(_ends(str(text), 4 * most))
    parts = groupby(seen, _has_picture)
    seen = "".join("".join(c) if known else spelled("".join(c)) for known, c in parts)
    room, kept, short = most * _LETTER, len(seen), seen
    while width_of(short) > room:
        kept = min(kept - 1, int(kept * room / width_of(short)))
        short = _ends(seen, kept)
    return short


def width_of(text: str, size: float = 8) -> float:
    """Return how wide one line of text is at a size in points. [in]"""
    return sum(_glyph(character)[2] for character in text) * size / 72


def _ends(whole: str, most: int) -> str:
    """Return the beginning and the end of a text longer than `most`."""
    tail = most // 3
    long = len(whole) > most
    return f"{whole[: most - tail]}…{whole[len(whole) - tail :]}" if long else whole


def _breakable(match: re.Match) -> str:
    """Return a long word with places to break it, after separators if it has any."""
    parts = _AFTER_SEPARATOR.sub(BREAK, match.group()).split(BREAK)
    return BREAK.join(
        _PIECE.sub(rf"\g<0>{BREAK}", part) if len(part) > 24 else part for part in parts
    )


def _has_picture(character: str) -> bool:
    """Say whether the typeface can show a character."""
    return ord(character) in _PICTURES or character in _JOINERS + BREAK


@cache
def _glyph(character: str) -> tuple[np.ndarray, np.ndarray, float]:
    """Return a letter of 1 pt: outline, its codes, its width without kerning. [pt]"""
    glyph = _FONT.load_char(ord(character), flags=LoadFlags.NO_HINTING)
    corners, codes = _FONT.get_path()
    width = glyph.linearHoriAdvance / 65536 / _MEASURED_AT
    return np.asarray(corners) / _MEASURED_AT, np.asarray(codes), width


# ---- figures ------------------------------------------------------------------------


class Drawing(Figure):
    """A figure a notebook shows by itself, without pyplot and its global state."""

    def _repr_png_(self) -> bytes:
        return png_bytes(self)


def png_bytes(figure: Figure) -> bytes:
    """Return a figure as PNG: the same bytes for the same figure."""
    figure.set_dpi(DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return packed(canvas)


def packed(canvas: FigureCanvasAgg) -> bytes:
    """Return what is drawn as PNG of the figures' own colours.

    So it is less than half as large, and packed in a third of the time.
    """
    size, out, dpi = canvas.get_width_height(), BytesIO(), canvas.figure.dpi
    drawn = Image.frombuffer("RGBA", size, canvas.buffer_rgba(), "raw", "RGBA", 0, 1)
    few = drawn.convert("RGB").quantize(palette=PALETTE, dither=Image.Dither.NONE)
    few.save(out, "PNG", compress_level=1, dpi=(dpi, dpi))
    return out.getvalue()


def _palette() -> Image.Image:
    """Return the colours of all figures, each with its shades towards white."""
    named = [INK, MUTED, BAND, MID, DOT, RULE, BLUE, AMBER, TEAL, PLUM, SKY, OLIVE]
    colours = [np.array(to_rgb(c)) for c in ["white", *named, ACCENT, SIGNAL, *SCALE]]
    for shade in [s for c in colours[1:] for s in np.linspace(c, 1, 12)[1:-1]]:
        # Of two that are nearly alike the packer would not always find the nearer.
        if np.abs(np.array(colours) - shade).max(axis=1).min() > 0.03:
            colours.append(shade)
    image = Image.new("P", (1, 1))
    image.putpalette((np.ravel(colours) * 255).round().astype(np.uint8).tobytes())
    return image


PALETTE = _palette()


def framed(
    width: float,
    height: float,
    keys: Sequence[Line2D],
    across: str = "",
    up: str = "",
    left: float = 0.56,
    right: float = 0.1,
    ruled: str = "xy",
) -> tuple[Figure, Axes]:
    """Return a figure and its axes, all sizes in inches, margins around the axes.

    The height is that without the legend, whose entries are made by `key_line`. For
    the rest see `add_scales`.
    """
    bottom, above = 0.46, legend_height(keys, width)
    height += above
    figure = Drawing(figsize=(width, height), facecolor="white")
    shares = 1 - (left + right) / width, 1 - (above + bottom) / height
    ax = figure.add_axes((left / width, bottom / height, *shares))
    add_scales(ax, across, up, ruled)
    draw_legend(figure, keys)
    return figure, ax


def blank(width: float, height: float, said: str = "no samples") -> Figure:
    """Return a figure that says why nothing is drawn."""
    figure = Drawing(figsize=(width, height), facecolor="white")
    figure.text(0.5, 0.5, said, ha="center", va="center", **LETTERING)
    return figure


def add_scales(ax: Axes, across: str = "", up: str = "", ruled: str = "xy") -> None:
    """Name both axes and number them; those `ruled` have a line and a grid.

    The names come from `kitlib.words.terms`.
    """
    ax.set(xlabel=across, ylabel=up)
    ax.set_axis_off()
    ax.add_artist(Scales(ruled))
    tick_evenly(ax)


def tick_evenly(ax: Axes, across: int = 6, up: int = 8, integer: bool = False) -> None:
    """Put ticks at round or whole numbers, at most about as many as asked for."""
    for axis, most in ((ax.xaxis, across), (ax.yaxis, up)):
        axis.set_major_locator(MaxNLocator(most, steps=[1, 2, 5, 10], integer=integer))
        numbers = ScalarFormatter(useOffset=False)
        numbers.set_scientific(False)
        axis.set_major_formatter(numbers)


def tick_rows(ax: Axes, names: Sequence[str]) -> None:
    """Name rows from 0 beside axes, the first at the top."""
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.yaxis.set_major_locator(FixedLocator(range(len(names))))
    ax.yaxis.set_major_formatter(FixedFormatter(names))


class Scales(Artist):
    """Grid, lines, numbers and names of axes, drawn as the axes' ticks now are.

    matplotlib's own ticks are several objects each: half of a picture's time.
    """

    zorder = 0.5  # below whatever is drawn

    def __init__(self, ruled: str) -> None:
        super().__init__()
        self.ruled = ruled

    def draw(self, renderer: Any) -> None:
        """Draw each of them as one path."""
        ax: Any = self.axes
        dpi, inches = ax.figure.dpi, ax.figure.dpi_scale_trans
        left, low, right, high = ax.bbox.extents / dpi
        grid, lines, words = [], [], Words()
        for at, said in _ticks(ax, 0):
            words.add(said, (at, low - _BELOW), 0.5)
            grid += [(at, low), (at, high)] if "x" in self.ruled else []
            lines += [(at, low), (at, low - _TICK)] if "x" in self.ruled else []
        for at, said in _ticks(ax, 1):
            words.add(said, (left - _BESIDE, at), 1.0)
            grid += [(left, at), (right, at)] if "y" in self.ruled else []
            lines += [(left, at), (left - _TICK, at)] if "y" in self.ruled else []
        lines += [(left, low), (right, low)] if "x" in self.ruled else []
        lines += [(left, low), (left, high)] if "y" in self.ruled else []
        words.add(ax.get_xlabel(), ((left + right) / 2, low - _NAME_BELOW), 0.5)
        # What would be longer than the axis stands on two lines.
        name = ax.get_ylabel()
        if width_of(name) > high - low + 0.3:
            name = name.replace(" (", "\n(")
        for k, part in enumerate(name.split("\n")):
            place = left - _NAME_BESIDE + k * _LINE, (low + high) / 2
            words.add(part, place, 0.5, upright=True)
        pen = renderer.new_gc()
        for ends, colour, width in ((grid, RULE, 0.5), (lines, MUTED, 0.8)):
            pen.set_foreground(colour)
            pen.set_linewidth(width)
            codes = [Path.MOVETO, Path.LINETO] * (len(ends) // 2)
            renderer.draw_path(pen, Path(np.reshape(ends, (-1, 2)), codes), inches)
        pen.set_linewidth(0)
        renderer.draw_path(pen, words.path(), inches, to_rgb(INK))
        pen.restore()


def _ticks(ax: Axes, k: int) -> Iterator[tuple[float, str]]:
    """Yield the ticks of an axis within its limits: place and words. [in]"""
    axis = (ax.xaxis, ax.yaxis)[k]
    places = np.asarray(axis.get_majorticklocs(), float)
    said = axis.get_major_formatter().format_ticks(list(places))
    at = ax.transData.transform(np.column_stack([places, places]))[:, k]
    low, high = ax.bbox.get_points()[:, k]
    for place, word in zip(at, said, strict=True):
        if low - 0.5 < place < high + 0.5:  # dots
            yield place / ax.figure.dpi, word


class Words:
    """Outlines of words, gathered to be drawn as one path.

    A hundred texts one by one take a third of a second.
    """

    def __init__(self) -> None:
        self.corners, self.codes = [np.empty((0, 2))], [np.empty(0, np.uint8)]

    def add(self, said: str, place, share: float, upright: bool = False) -> None:
        """Add words of which a share of the width lies before the place. [in]"""
        # In the middle is half of a capital's height.
        pen = np.array([-share * width_of(said, SMALL), -0.36 * SMALL / 72])
        for outline, of_outline, width in map(_glyph, said):
            corners = outline * SMALL / 72 + pen
            turned = np.column_stack([-corners[:, 1], corners[:, 0]])
            self.corners.append((turned if upright else corners) + place)
            self.codes.append(of_outline)
            pen += [width * SMALL / 72, 0]

    def path(self) -> Path:
        """Return the outlines, in inches of the figure."""
        return Path(np.concatenate(self.corners), np.concatenate(self.codes))

    def into(self, figure: Any, colour: str = INK) -> None:
        """Draw the words into a figure."""
        look = {"facecolor": colour, "linewidth": 0, "zorder": 6}
        place = figure.dpi_scale_trans
        figure.add_artist(PathPatch(self.path(), transform=place, **look))


def write_all(ax: Axes, x, y, words, share: float = 0.5, colour: str = INK) -> None:
    """Write many words at once into axes whose limits are set.

    Their middle is at height `y`, and a share of their width lies before `x`.
    """
    places, drawn = ax.transData.transform(np.column_stack([x, y])), Words()
    for place, said in zip(places / ax.figure.dpi, words, strict=True):
        drawn.add(said, place, share)
    drawn.into(ax.figure, colour)


def key_line(label: str, **look) -> Line2D:
    """Return a legend's entry: a line or marker and its words."""
    return Line2D([], [], label=label, **look)


def legend_height(keys: Sequence[Line2D], width: float) -> float:
    """Return the room to leave above the axes for a legend. [in]"""
    return len(_lines_of_keys(keys, width)) * _LEGEND_LINE + 0.08


def draw_legend(figure: Figure, keys: Sequence[Line2D]) -> None:
    """Set a legend above the axes, in lines like words, from the left edge."""
    (width, height), words = figure.get_size_inches(), Words()
    for row, line in enumerate(_lines_of_keys(keys, width)):
        up = 1 - (row + 0.55) * _LEGEND_LINE / height
        for key, across in line:
            ends = np.linspace(across + 0.02, across + _KEY - 0.08, 3) / width
            if key.get_linestyle() == "None":
                ends[:] = ends[1]
            key.set(xdata=ends, ydata=[up] * 3, markevery=[1])
            figure.add_artist(key)
            said, at = str(key.get_label()), across + _KEY
            words.add(said, (at, up * height), 0.0)
    words.into(figure)


def _lines_of_keys(keys, width: float) -> list[list[tuple[Line2D, float]]]:
    """Return the entries of a legend line by line, each with its place. [in]"""
    lines: list[list[tuple[Line2D, float]]] = []
    across = width
    for key in keys:
        takes = _KEY + width_of(str(key.get_label())) + _GAP
        if across + takes - _GAP > width:
            lines.append([])
            across = 0.0
        lines[-1].append((key, across))
        across += takes
    return lines
