"""Text as a page can carry it: what is odd in it is shown, never lost or obeyed.

Names and remarks come from people's files and may hold anything. Characters that
cannot be seen are spelled by their Unicode number, so that two names that look the
same can be told apart; very long text is cut in its middle and its length said.
"""

import re
import unicodedata
from functools import cache
from itertools import groupby
from pathlib import Path

import numpy as np
from matplotlib import get_data_path
from matplotlib.ft2font import FT2Font, LoadFlags

FONT = "DejaVu Sans"
LETTER = 0.07  # its average width at 8 pt, with a margin [in]
FONT_FOLDER = Path(get_data_path()) / "fonts" / "ttf"
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
    font = FT2Font(str(FONT_FOLDER / "DejaVuSans.ttf"))
    font.set_size(_MEASURED_AT, 72)
    return font
