"""Numbers from standards and from the trade, each with its source and its tag.

A tag says how the number was come by: "read" in the source named, "from memory"
(to be checked against the current edition before anyone relies on it), or "common
practice, no source". Numbers by crop and method, and those that decisions rest on,
stand in limits.toml.
"""

import re
import tomllib
from dataclasses import dataclass
from math import nan
from pathlib import Path

import numpy as np

from kitlib.words.terms import crop_key

FROM_MEMORY = "from memory"


@dataclass(frozen=True)
class Sourced:
    """A number with its source and how it was come by."""

    value: float
    source: str
    tag: str


@dataclass(frozen=True)
class Tolerance:
    """Largest error allowed at a reference moisture, a share of it and more."""

    fraction: float  # share of the reference moisture
    minimum: float  # the least tolerance [% moisture]
    source: str
    tag: str  # how the numbers were come by
    constant: float = 0.0  # points added [% moisture]

    def at(self, reference):
        """Return the tolerance at reference moistures, scalar or array. [points]

        Examples
        --------
        >>> float(Tolerance(0.05, 0.8, "", "").at(18.0))
        0.9
        """
        return np.maximum(self.constant + self.fraction * reference, self.minimum)

    def __str__(self) -> str:
        constant = f"{self.constant:g} + " if self.constant else ""
        return (
            f"{constant}{self.fraction:g} × M, at least {self.minimum:g} points "
            f"({self.source})"
        )


HANDBOOK_RULE = "Handbook 44"
_TOLD = tomllib.loads(Path(__file__).with_name("limits.toml").read_text("utf-8"))
TOLERANCE_RULES: dict[str, dict[str, Tolerance]] = {}
for _row in _TOLD["tolerance"]:
    _rule = TOLERANCE_RULES.setdefault(_row.pop("rule"), {})
    _rule.update(dict.fromkeys(_row.pop("crops"), Tolerance(**_row)))
# A crop without a class of its own is in the narrower one of the handbook.
UNKNOWN_CROP_TOLERANCE = TOLERANCE_RULES[HANDBOOK_RULE].pop("any other")
# A meter's errors are to be found with an uncertainty of at most this share of the
# tolerance (French Order of 1 July 2010, article 21; read).
REFERENCE_SHARE = 1 / 3


def _sourced(name: str) -> dict[str, Sourced]:
    """Return the numbers of one table, each with its source and tag."""
    return {key: Sourced(float(n), *said) for key, (n, *said) in _TOLD[name].items()}


STANDARD_MOISTURE = _sourced("standard_moisture")  # [%], by crop
REPEATABILITY = _sourced("repeatability")  # of two dishes [g per 100 g], by method
BUSHEL_LB = _sourced("bushel_lb")  # by crop
THRESHOLDS: dict[str, float] = _TOLD["thresholds"]
PLAUSIBLE_YIELD = {crop: tuple(ends) for crop, ends in _TOLD["plausible_yield"].items()}
ISO_6540 = "ISO 6540"
ISO_6540_REFERENCE, ISO_6540_ROUTINE = f"{ISO_6540} reference", f"{ISO_6540} routine"
# What the methods above are called, whatever stands before and after.
_METHOD_NAMES = {
    "ISO 712": r"\biso[ _-]*712\b(?![ _-]*2\b)",
    ISO_6540: r"\biso[ _-]*6540\b",
    "ISO 665": r"\biso[ _-]*665\b",
    "S352.2": r"\bs[ _-]*352(\.\d)?\b",
    "AACC 44-15": r"\b44[-–]15(\.\d+)?[a-z]?\b",
}
# Range of m results against the standard deviation: the factors for the critical
# range, ISO 5725-6 table 1 (from memory; reproduced by the 95 % quantile of the
# range of m standard normal values).
CRITICAL_RANGE: dict[int, float] = dict(
    enumerate(
        (2.8, 3.3, 3.6, 3.9, 4.0, 4.2, 4.3, 4.4, 4.5, 4.6, 4.6, 4.7, 4.7, 4.8), start=2
    )
)


def threshold(name: str) -> float:
    """Return a number that decisions rest on."""
    return THRESHOLDS[name]


def tolerance_for(crop: str, rule: str = HANDBOOK_RULE) -> Tolerance | None:
    """Return the tolerance of a crop under a rule, None where it has no class."""
    return TOLERANCE_RULES[rule].get(crop_key(crop))


def standard_moisture_for(crop: str) -> float:
    """Return the crop's standard moisture, nan where none is known. [%]"""
    found = STANDARD_MOISTURE.get(crop_key(crop))
    return found.value if found else nan


def method_key(method: str) -> str:
    """Return the name by which an oven method is known, or its words in lower case.

    Case, prefix and edition are left off. The reference and the routine procedure of
    ISO 6540 are two methods: the second one, on whole grain, is not suitable for
    checking meters (ISO 6540:2021, clause 1).

    Examples
    --------
    >>> method_key("EN ISO 712:2009"), method_key("ASABE S352.2 (R2022)")
    ('ISO 712', 'S352.2')
    >>> method_key("iso 6540, whole grain"), method_key("Lab's own")
    ('ISO 6540 routine', "lab's own")
    """
    plain = " ".join(method.casefold().split())
    names = _METHOD_NAMES.items()
    known = next((name for name, form in names if re.search(form, plain)), plain)
    if known != ISO_6540:
        return known
    if re.search(r"routine|whole|38 ?h", plain):
        return ISO_6540_ROUTINE
    ground = re.search(r"reference|ground|vacuum|absolute", plain)
    return ISO_6540_REFERENCE if ground else ISO_6540


def range_factor(dishes: int) -> float:
    """Return how much wider a range of so many dishes may be than one of two.

    nan for one dish, which has no range. Beyond the table the last factor holds, which
    is on the strict side.
    """
    most = max(CRITICAL_RANGE)
    return CRITICAL_RANGE.get(min(dishes, most), nan) / CRITICAL_RANGE[2]


def repeatability_for(method: str, dishes: int = 2) -> float:
    """Return the largest range allowed among a sample's dishes, nan if not known."""
    key = method_key(method)
    found = REPEATABILITY.get(ISO_6540 if key.startswith(ISO_6540) else key)
    return found.value * range_factor(dishes) if found else nan
