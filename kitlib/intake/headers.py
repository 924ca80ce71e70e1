"""What the words and units of foreign headers mean: English, German and French."""

import csv
import re
import unicodedata
from collections.abc import Sequence
from functools import cache
from pathlib import Path

from kitlib.intake.schema import MOISTURES, SCHEMAS, column_kinds

# Units as headers and rows of units write them: quantity and our name of the unit.
_UNITS = {
    "mass": {"kg": "kg kgs", "lb": "lb lbs pounds", "g": "g gr gramm grams"},
    "test_weight": {"kg_hl": "kg/hl", "lb_bu": "lb/bu lbs/bu #/bu"},
    "area": {"m2": "m2 m² qm sqm", "ft2": "ft2 ft² sqft", "ac": "ac acre acres"},
    "temperature": {"c": "°c c degc", "f": "°f f degf"},
    "moisture": {
        "percent": "% pct percent %wb",
        "fraction": "fraction kg/kg",
        "dry_basis": "%db db %ts %dm",
    },
}
_UNIT_WORDS = {
    word: (quantity, unit)
    for quantity, units in _UNITS.items()
    for unit, words in units.items()
    for word in words.split()
}
_PER_AREA = ("t/ha", "kg/ha", "dt/ha", "q/ha", "bu/ac", "bu/acre", "lb/ac")
# Words of a header that only number what it names.
_NUMBERING = re.compile(r"[a-h]|\d+|no|nr|n|num|numero|number|nummer|id|code|name|nom")
# Crops as others write them, by the name that the table of limits has.
CROP_WORDS = {
    word: crop
    for crop, words in {
        "maize": "maize corn mais kornermais koernermais",
        "wheat": "wheat weizen winterweizen ble|ble tendre|wheat hrw|wheat srw",
        "barley": "barley gerste orge wintergerste braugerste",
        "oats": "oats hafer avoine",
        "rye": "rye roggen seigle",
        "soybean": "soybean soybeans soja soya sojabohne",
        "rapeseed": "rapeseed canola raps winterraps colza",
        "sorghum": "sorghum milo",
        "sunflower": "sunflower sonnenblume sonnenblumen tournesol",
    }.items()
    for part in words.split("|")
    for word in ([part] if "|" in words and " " in part else part.split())
}


@cache
def _words() -> dict[str, dict[str, list[str]]]:
    """Return the headers that mean each column, by table."""
    words: dict[str, dict[str, list[str]]] = {table: {} for table in SCHEMAS}
    with Path(__file__).with_name("headers.csv").open(encoding="utf-8") as file:
        for line in csv.DictReader(file):
            tables = SCHEMAS if line["table"] == "*" else [line["table"]]
            for table in (t for t in tables if line["column"] in column_kinds(t)):
                known = words[table].setdefault(line["column"], [])
                known += line["headers"].split("|")
    return words


def plain_words(text: object) -> str:
    """Return a header's words, without accents, marks and letter case.

    Examples
    --------
    >>> plain_words("Prüfglied-Nr."), plain_words("Grain_Wt")
    ('prufglied nr', 'grain wt')
    """
    apart = unicodedata.normalize("NFKD", str(text).casefold())
    letters = "".join(c for c in apart if not unicodedata.combining(c))
    return " ".join(re.findall(r"[a-z0-9]+", letters))


def unit_of(text: object) -> tuple[str, str] | None:
    """Return quantity and unit that a header or a cell of a units row ends in.

    Examples
    --------
    >>> unit_of("TW lb/bu"), unit_of("Area (sq ft)"), unit_of("Plot")
    (('test_weight', 'lb_bu'), ('area', 'ft2'), None)
    """
    bare = re.sub(r"[()\[\]_]", " ", str(text).casefold()).replace("sq ", "sq")
    bare = re.sub(
        r"%\s+(?=d\.?b|t\.?s|d\.?m|w\.?b)", "%", bare.replace("dry basis", "db")
    )
    last = (bare.split() or [""])[-1].replace(".", "")
    return ("yield", last) if last in _PER_AREA else _UNIT_WORDS.get(last)


def quantity_of(column: str) -> str:
    """Return what quantity a column is of, empty if it has no unit to choose."""
    if column in MOISTURES:
        return "moisture"
    ends = {"_kg_hl": "test_weight", "_kg": "mass", "_m2": "area", "_c": "temperature"}
    return next((q for end, q in ends.items() if column.endswith(end)), "")


def _strength(header: str, column: str, words: Sequence[str]) -> int:
    """Return how surely a header means a column: 4 its own name, 0 not at all."""
    if header.strip().casefold() == column:
        return 4
    unit = unit_of(header)
    own = plain_words(header)
    if unit and unit[0] == (quantity_of(column) or unit[0]) and unit[0] != "yield":
        tail = plain_words(re.split(r"[\s_(\[]+", header.strip())[-1])
        cut = own.removesuffix(tail).strip().removesuffix(" sq").strip()
        own = cut or own
    elif unit and unit[0] in ("yield", "mass", "area", "test_weight"):
        return 0  # another quantity's unit, or a yield
    if own in words:
        return 3
    unnumbered = " ".join(w for w in own.split() if not _NUMBERING.fullmatch(w))
    if unnumbered in words:
        return 2
    tokens = set(unnumbered.split())
    inside = [w for w in words if len(w) > 3 and set(w.split()) <= tokens]
    return 1 if inside else 0


def claims_of(headers: Sequence[str], table: str) -> dict[str, dict[str, int]]:
    """Return how surely each header means each column of a table, where it does."""
    return {
        header: {
            column: strength
            for column, words in _words()[table].items()
            if (strength := _strength(header, column, words))
        }
        for header in headers
    }
