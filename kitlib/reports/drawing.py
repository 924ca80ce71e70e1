"""The look all figures share, and text as a page or a picture can carry it."""

import re
import unicodedata
from functools import cache
from io import BytesIO
from itertools import groupby
from typing import Any

import numpy as np
from matplotlib import get_data_path
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.ft2font import FT2Font, LoadFlags
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from matplotlib.ticker import MaxNLocator
from PIL import Image

FONT = "DejaVu Sans"
LETTER = 0.07  # its average width at 8 pt, with a margin [in]
FONT_FOLDER = f"{get_data_path()}/fonts/ttf"
# Where the template may break a word; a reader's own one is spelled out instead.
BREAK = "\u200b"
_LINE_ENDS = re.compile(r"\r\n|[\n\r\v\f\x85\u2028\u2029]")
# Control, surrogate, private and unassigned characters cannot be printed; format
# characters cannot be seen, but for the joiners Arabic and Indic words need.
_UNSEEN = ("Cc", "Cs", "Co", "Cn", "Cf")
_JOINERS = "\u200c\u200d"
_LONG_WORD = re.compile(r"\S{13,}")
# A hash of 64 letters stays whole.
_LONGEST_WORD = 80
_REMARK = len("… (1,000,000 letters)")
_AFTER_SEPARATOR = re.compile(r"(?<=[_/.,;:|=+])(?=[^\W_])")
_PIECE = 12
_MEASURED_AT = 100.0  # points


def printable(text: object) -> str:
    r"""Return text with everything unseen made visible.

    Line ends become ↵; characters that cannot be printed or seen, marks that turn
    the direction of writing among them, become their Unicode number.

    Examples
    --------
    >>> printable("two\nlines"), printable("a\u200bb")
    ('two↵lines', 'a⟨U+200B⟩b')
    """
    plain = _LINE_ENDS.sub("↵", str(text))
    if plain.isascii() and plain.isprintable():
        return plain
    return "".join(spelled(c) if _is_unseen(c) else c for c in plain)


def spelled(characters: str) -> str:
    r"""Return the Unicode numbers of characters.

    Examples
    --------
    >>> spelled("\u7389\u7c73")
    '⟨U+7389 U+7C73⟩'
    """
    return f"⟨{' '.join(f'U+{ord(c):04X}' for c in characters)}⟩"


def cut(text: object, most: int) -> str:
    """Return text with the middle of what is too long left out and its length said.

    Beginning and end both stay, for long names often differ in their last letters.

    Parameters
    ----------
    text : object
        A text of any length.
    most : int
        Letters kept of the whole; of a single word never more than eighty.

    Examples
    --------
    >>> cut("wheat", 9), cut("ABCDEFGHIJKLMNOP", 9)
    ('wheat', 'ABCDEF…NOP (16 letters)')
    """
    whole = str(text)
    if len(whole) <= min(most, _LONGEST_WORD):
        return whole
    longest = min(most, _LONGEST_WORD)
    words = re.sub(rf"\S{{{longest + 1},}}", lambda w: _cut(w.group(), longest), whole)
    # The remark on a word's length is no reason to cut again.
    return words if len(words) <= most + _REMARK else _cut(words, most)


def _cut(whole: str, most: int) -> str:
    """Return both ends of a text and its length."""
    return f"{_ends(whole, most)} ({len(whole):,} letters)"


def as_printed(text: object, most: int) -> str:
    r"""Return text for a report: visible, cut, breakable, its rare letters named.

    What the typeface lacks is printed as a box, copies and searches as written,
    and is named at the end by its Unicode number.

    Parameters
    ----------
    text : object
        What to print.
    most : int
        Letters kept, about.

    Returns
    -------
    str
        With `BREAK` where a long word may be broken.

    Examples
    --------
    >>> as_printed("\u7389\u7c73", 40)
    '玉米 ⟨U+7389 U+7C73⟩'
    """
    short = printable(cut(text, most))
    if short.isascii():
        return _LONG_WORD.sub(_breakable, short)
    lacking = "".join(dict.fromkeys(c for c in short if not _has_picture(c)))
    named = f" {spelled(lacking[:8])}" if lacking else ""
    return _LONG_WORD.sub(_breakable, short) + named


def as_drawn(text: object, most: int) -> str:
    r"""Return text for a figure: visible, cut, never read as mathematics.

    What the typeface lacks is replaced by its Unicode number.

    Parameters
    ----------
    text : object
        What to write.
    most : int
        Room, in letters of average width at 8 pt.

    Examples
    --------
    >>> as_drawn("cost $5$", 20), as_drawn("ABCDEFGHIJKLMNOP", 11)
    ('cost \\$5\\$', 'ABCDEF…OP')
    """
    whole = str(text)
    seen = printable(whole if len(whole) <= 4 * most else _ends(whole, 4 * most))
    parts = groupby(seen, _has_picture)
    seen = "".join("".join(c) if known else spelled("".join(c)) for known, c in parts)
    room, kept, short = most * LETTER, len(seen), seen
    while width_of(short) > room:
        kept = min(kept - 1, int(kept * room / width_of(short)))
        short = _ends(seen, kept)
    return short.replace("$", r"\$")


def true_minus(number: str) -> str:
    """Return a number as it is printed, with a minus as wide as a plus.

    Examples
    --------
    >>> true_minus("-0.30 to +0.10")
    '−0.30 to +0.10'
    """
    return number.replace("-", "−")


def width_of(text: str, size: float = 8) -> float:
    """Return how wide one line of text is at a size in points. [in]

    Examples
    --------
    >>> round(width_of("0000000000"), 2)  # a digit is 0.636 of the size wide
    0.71
    """
    return sum(map(_advance, text)) * size / 72


def outline(text: str, size: float) -> tuple[np.ndarray, np.ndarray]:
    """Return one line of text as the corners and codes of a path, from its left end.

    Returns
    -------
    corners : ndarray, shape (k, 2)
        [in]
    codes : ndarray, shape (k,)
        As `matplotlib.path.Path` takes them.
    """
    corners, codes, across = [np.empty((0, 2))], [np.empty(0, np.uint8)], 0.0
    for character in text:
        of_glyph, its_codes = _glyph(character)
        corners.append(of_glyph + np.array([across, 0.0]))
        codes.append(its_codes)
        across += _advance(character)
    return np.concatenate(corners) * size / 72, np.concatenate(codes)


def _ends(whole: str, most: int) -> str:
    """Return the beginning and the end of a long text."""
    tail = most // 3
    return f"{whole[: most - tail]}…{whole[len(whole) - tail :]}"


def _is_unseen(character: str) -> bool:
    """Say whether a character cannot be printed or seen."""
    return unicodedata.category(character) in _UNSEEN and character not in _JOINERS


def _breakable(match: re.Match) -> str:
    """Return a long word with places to break it, after separators if it has any."""
    parts = _AFTER_SEPARATOR.sub(BREAK, match.group()).split(BREAK)
    return BREAK.join(
        BREAK.join(part[i : i + _PIECE] for i in range(0, len(part), _PIECE))
        if len(part) > 2 * _PIECE
        else part
        for part in parts
    )


def _has_picture(character: str) -> bool:
    """Say whether the typeface can show a character."""
    return ord(character) in _pictures() or character in _JOINERS + BREAK


@cache
def _pictures() -> frozenset[int]:
    """Return the characters the typeface has a picture for."""
    return frozenset(_font().get_charmap())


@cache
def _advance(character: str) -> float:
    """Return how far a letter of 1 pt reaches, kerning left out. [pt]"""
    glyph = _font().load_char(ord(character), flags=LoadFlags.NO_HINTING)
    return glyph.linearHoriAdvance / 65536 / _MEASURED_AT


@cache
def _glyph(character: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the outline of a letter of 1 pt. [pt]."""
    font = _font()
    font.load_char(ord(character), flags=LoadFlags.NO_HINTING)
    corners, codes = font.get_path()
    return np.asarray(corners) / _MEASURED_AT, np.asarray(codes)


@cache
def _font() -> FT2Font:
    """Return the typeface, at the size all measuring is done at."""
    font = FT2Font(f"{FONT_FOLDER}/DejaVuSans.ttf")
    font.set_size(_MEASURED_AT, 72)
    return font


# Width between the margins of an A4 page, and of half of it. [in]
FULL, HALF = 6.69, 3.24
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
GROUP_STYLES = [
    (BLUE, "o"),
    (AMBER, "^"),
    (TEAL, "s"),
    (PLUM, "D"),
    (OLIVE, "v"),
    (SKY, "P"),
]
ACTION_STYLES = {
    "keep": (TEAL, "o"),
    "shift": (BLUE, "^"),
    "reslope": (AMBER, "D"),
    "rebuild": (PLUM, "s"),
    "unresolved": (MUTED, "X"),
}
# A legend's sign of something filled.
SWATCH: dict[str, Any] = {"linewidth": 7, "solid_capstyle": "butt"}
NO_SAMPLES = "no samples"

_STEPS = [1, 2, 5, 10]
_LETTERING: dict[str, Any] = {"fontsize": SMALL, "color": INK}
_LEGEND_LINE, _KEY, _GAP = 0.165, 0.3, 0.16  # height of a line, width of a sign [in]


class Drawing(Figure):
    """A figure a notebook shows by itself, without pyplot and its global state."""

    def _repr_png_(self) -> bytes:
        """Return the picture a notebook shows."""
        return png_bytes(self)


def png_bytes(figure: Figure) -> bytes:
    """Return a figure as PNG: the same bytes for the same figure.

    Examples
    --------
    >>> png_bytes(blank(2, 1, "nothing")) == png_bytes(blank(2, 1, "nothing"))
    True
    """
    out, before = BytesIO(), figure.dpi
    figure.set_dpi(DPI)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    # Three bytes a pixel, no transparency: a third smaller than matplotlib writes it.
    with Image.fromarray(np.asarray(canvas.buffer_rgba())[..., :3]) as picture:
        picture.save(out, "PNG", compress_level=4, dpi=(DPI, DPI))
    figure.set_dpi(before)
    return out.getvalue()


def framed(width, height, left=0.56, right=0.1, top=0.1, bottom=0.46):
    """Return a figure and its axes, all sizes in inches, margins around the axes."""
    figure = Drawing(figsize=(width, height), facecolor="white")
    shares = 1 - (left + right) / width, 1 - (top + bottom) / height
    ax = figure.add_axes([left / width, bottom / height, *shares])
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_color(MUTED)
    ax.tick_params(labelsize=SMALL, color=MUTED, labelcolor=INK, length=3)
    ax.grid(color=RULE, linewidth=0.5)
    ax.set_axisbelow(True)
    return figure, ax


def tick_evenly(ax: Axes, across: int = 6, up: int = 9) -> None:
    """Put ticks at round numbers, about as many as asked for."""
    ax.xaxis.set_major_locator(MaxNLocator(across, steps=_STEPS))
    ax.yaxis.set_major_locator(MaxNLocator(up, steps=_STEPS))


def tick_whole(ax: Axes, across: int = 16, up: int = 16) -> None:
    """Put ticks at whole numbers only, at most as many as asked for."""
    for axis, most in ((ax.xaxis, across), (ax.yaxis, up)):
        axis.set_major_locator(MaxNLocator(most, steps=_STEPS, integer=True))


def blank(width: float, height: float, said: str = NO_SAMPLES) -> Figure:
    """Return a figure that says why nothing is drawn."""
    figure = Drawing(figsize=(width, height), facecolor="white")
    figure.text(0.5, 0.5, as_drawn(said, 80), ha="center", va="center", **_LETTERING)
    return figure


def figure_of(ax: Axes) -> Figure:
    """Return the figure that axes stand in."""
    figure = ax.figure
    if not isinstance(figure, Figure):
        raise TypeError("the axes stand in a part of a figure.")
    return figure


def label_axes(ax: Axes, across: str, up: str) -> None:
    """Name both axes; the words come from `kitlib.words.terms`."""
    ax.set_xlabel(across, **_LETTERING)
    room = ax.get_position().height * figure_of(ax).get_figheight()
    if width_of(up) > room + 0.3:
        up = up.replace(" (", "\n(")
    ax.set_ylabel(up, **_LETTERING)


def write(ax: Axes, x, y, said: str, **more):
    """Write ready words into a figure."""
    return ax.text(x, y, said, **{**_LETTERING, **more})


def write_all(ax: Axes, x, y, words, side: str = "center", colour: str = INK) -> None:
    """Write many words at once, each at its place in the axes, whose limits are set.

    They are one path: a hundred texts one by one take a third of a second.

    Parameters
    ----------
    ax : Axes
    x, y : array_like, shape (n,)
        Where the words stand; their middle is at `y`. [data]
    words : sequence of str, length n
    side : str
        Which side of the words is at `x`: left, center or right.
    colour : str
    """
    figure = figure_of(ax)
    share = {"left": 0.0, "center": 0.5, "right": 1.0}[side]
    places = ax.transData.transform(np.column_stack([x, y])) / figure.dpi
    down = 0.36 * SMALL / 72  # half of a capital's height
    corners, codes = [np.empty((0, 2))], [np.empty(0, np.uint8)]
    for place, said in zip(places, words, strict=True):
        letters, of_letters = outline(said, SMALL)
        corners.append(letters + place - [share * width_of(said, SMALL), down])
        codes.append(of_letters)
    path = Path(np.concatenate(corners), np.concatenate(codes))
    look = {"facecolor": colour, "linewidth": 0, "clip_on": False, "zorder": 6}
    figure.add_artist(PathPatch(path, transform=figure.dpi_scale_trans, **look))


def fill_cells(ax: Axes, left, right, low, high, **look) -> None:
    """Fill cells, given by their sides, within limits that are set already.

    They are one path, for a thousand paths are slow to draw and to read.
    """
    corners = [(left, low), (right, low), (right, high), (left, high)]
    cells = np.stack([np.column_stack(corner) for corner in corners], axis=1)
    path = Path.make_compound_path_from_polys(cells)
    ax.add_artist(PathPatch(path, **look))


def key_line(label: str, **look) -> Line2D:
    """Return a legend's entry: a line or marker and its words."""
    return Line2D([], [], label=label, **look)


def legend_height(keys: list[Line2D], width: float) -> float:
    """Return the room to leave above the axes for a legend. [in]"""
    lines = _lines_of_keys(keys, width)
    return len(lines) * _LEGEND_LINE + 0.08


def draw_legend(figure: Figure, keys: list[Line2D]) -> None:
    """Set a legend above the axes, in lines like words, from the left edge."""
    width, height = figure.get_size_inches()
    for row, line in enumerate(_lines_of_keys(keys, width)):
        up = height - (row + 0.55) * _LEGEND_LINE
        for key, across in line:
            _draw_key(figure, key, across, up)


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


def _draw_key(figure: Figure, key: Line2D, across: float, up: float) -> None:
    """Draw one entry of a legend at a place given in inches."""
    width, height = figure.get_size_inches()
    ends = [(across + 0.02) / width, (across + _KEY - 0.08) / width]
    if key.get_linestyle() == "None":
        ends = [sum(ends) / 2] * 2
    key.set_data(ends, [up / height] * 2)
    figure.add_artist(key)
    said = str(key.get_label())
    place = ((across + _KEY) / width, up / height)
    figure.text(*place, said, va="center_baseline", **_LETTERING)
