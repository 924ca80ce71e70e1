"""Numbers from standards and from the trade, each with its source and its tag.

A tag says how the number was come by: "read" in the source named, "from memory"
(to be checked against the current edition before anyone relies on it), or "common
practice, no source".
"""

import re
from dataclasses import dataclass
from math import nan

from kitlib.words.terms import crop_key

READ = "read"
FROM_MEMORY = "from memory"
PRACTICE = "common practice, no source"


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
        >>> Tolerance(0.05, 0.8, "", "").at(18.0)
        0.9
        """
        if hasattr(reference, "clip"):
            return (self.constant + self.fraction * reference).clip(self.minimum)
        return max(self.constant + self.fraction * reference, self.minimum)

    def __str__(self) -> str:
        constant = f"{self.constant:g} + " if self.constant else ""
        return (
            f"{constant}{self.fraction:g} × M, at least {self.minimum:g} points "
            f"({self.source})"
        )


_HB44 = "NIST Handbook 44, 5.56(a), air-oven method"
_FRENCH_1993 = "French Order of 10 February 1993, article 11"
_FRENCH_2010 = "French Order of 1 July 2010, article 6"
_WIDER = ("maize", "oats", "rice", "sorghum", "sunflower")
_NARROWER = ["wheat", "durum", "barley", "rye", "triticale"]
_NARROWER += ["soybean", "rapeseed", "flax"]
_CEREALS = ("wheat", "durum", "barley", "rye", "triticale", "oats")
_WARM_CEREALS = ("maize", "rice", "sorghum")
_OILSEEDS = ("soybean", "rapeseed", "flax")


def _same(crops, *numbers, **more) -> dict[str, Tolerance]:
    """Give several crops one tolerance."""
    return {crop: Tolerance(*numbers, **more) for crop in crops}


HANDBOOK_RULE = "Handbook 44"
TOLERANCE_RULES: dict[str, dict[str, Tolerance]] = {
    # A limit of commercial meters: official ones are held to 7 CFR 801.6 instead
    # (7 CFR 801.12 does not take the handbook's tolerances over).
    HANDBOOK_RULE: {
        **_same(_WIDER, 0.05, 0.8, _HB44, FROM_MEMORY),
        **_same(_NARROWER, 0.04, 0.7, _HB44, FROM_MEMORY),
    },
    "French 1993 class I": {
        **_same(_CEREALS, 0.03, 0.5, _FRENCH_1993, READ, constant=0.2),
        **_same(_WARM_CEREALS, 0.04, 0.6, _FRENCH_1993, READ, constant=0.2),
        **_same(_OILSEEDS, 0.03, 0.5, _FRENCH_1993, READ, constant=0.2),
        "sunflower": Tolerance(0.04, 0.6, _FRENCH_1993, READ, constant=0.2),
    },
    "French 1993 class II": {
        **_same(_CEREALS, 0.04, 0.6, _FRENCH_1993, READ, constant=0.2),
        **_same(_WARM_CEREALS, 0.05, 0.7, _FRENCH_1993, READ, constant=0.2),
        **_same(_OILSEEDS, 0.08, 0.6, _FRENCH_1993, READ),
        "sunflower": Tolerance(0.08, 0.7, _FRENCH_1993, READ),
    },
    "French 2010": {
        **_same(_CEREALS, 0.04, 0.4, _FRENCH_2010, READ),
        **_same(_WARM_CEREALS, 0.05, 0.5, _FRENCH_2010, READ),
        **_same(_OILSEEDS, 0.06, 0.4, _FRENCH_2010, READ),
        "sunflower": Tolerance(0.06, 0.5, _FRENCH_2010, READ),
    },
}
# A crop without a class of its own is in the narrower one of the handbook.
UNKNOWN_CROP_TOLERANCE = Tolerance(
    0.04, 0.7, f"{_HB44}, all other cereal grains and oilseeds", FROM_MEMORY
)
# A meter's errors are to be found with an uncertainty of at most this share of the
# tolerance (French Order of 1 July 2010, article 21; read).
REFERENCE_SHARE = 1 / 3

# What insurance pays on, in the United States; not what agronomists must use.
_INSURED = "US crop insurance basis, 7 CFR 457"
STANDARD_MOISTURE: dict[str, Sourced] = {
    "maize": Sourced(15.5, "UF/IFAS AG442 (2020), convention of extension", READ),
    "sorghum": Sourced(14.0, f"{_INSURED}.113", READ),
    "soybean": Sourced(13.0, f"{_INSURED}.113", READ),
    "wheat": Sourced(13.5, f"{_INSURED}.101", READ),
    "durum": Sourced(13.5, "taken as for wheat", PRACTICE),
    "barley": Sourced(14.5, f"{_INSURED}.101", READ),
    "oats": Sourced(14.0, f"{_INSURED}.101", READ),
    "rye": Sourced(16.0, f"{_INSURED}.101", READ),
    "rapeseed": Sourced(8.5, f"{_INSURED}.161", READ),
    "sunflower": Sourced(10.0, f"{_INSURED}.108", READ),
    "rice": Sourced(12.0, f"{_INSURED}.141", READ),
    "triticale": Sourced(13.5, "taken as for wheat", PRACTICE),
}

# Largest difference of two dishes of one sample, one analyst. [g per 100 g]
REPEATABILITY: dict[str, Sourced] = {
    "ISO 712": Sourced(0.15, "ISO 712:1998; later editions: 0.12", FROM_MEMORY),
    "ISO 6540": Sourced(0.15, "as for ISO 712 in EU Regulation 1272/2009", FROM_MEMORY),
    "S352.2": Sourced(0.2, "Purdue ABE305 notes on ASAE S352.2", READ),
    "ISO 665": Sourced(0.2, "ISO 665", FROM_MEMORY),
    "AACC 44-15": Sourced(0.2, "AACC 44-15", FROM_MEMORY),
}
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
_ROUTINE = r"routine|whole|38 ?h"
_REFERENCE = r"reference|ground|vacuum|absolute"
# Range of m results against the standard deviation: the factors for the critical
# range, ISO 5725-6 table 1 (from memory; reproduced by the 95 % quantile of the
# range of m standard normal values).
CRITICAL_RANGE: dict[int, float] = dict(
    enumerate(
        (2.8, 3.3, 3.6, 3.9, 4.0, 4.2, 4.3, 4.4, 4.5, 4.6, 4.6, 4.7, 4.7, 4.8), start=2
    )
)

_OSU = "Oklahoma State AGF-503"
_TABLE = "table in an encyclopedia's article on test weight"
BUSHEL_LB: dict[str, Sourced] = {
    "maize": Sourced(56, _OSU, READ),
    "sorghum": Sourced(56, _TABLE, READ),
    "rye": Sourced(56, _OSU, READ),
    "wheat": Sourced(60, _OSU, READ),
    "durum": Sourced(60, "taken as for wheat", PRACTICE),
    "soybean": Sourced(60, _OSU, READ),
    "barley": Sourced(48, _OSU, READ),
    "oats": Sourced(32, _OSU, READ),
    "rice": Sourced(45, _TABLE, READ),
    "flax": Sourced(56, "trade bushel of flaxseed", FROM_MEMORY),
    "rapeseed": Sourced(50, "trade bushel of canola", FROM_MEMORY),
}

# Medians of a trial outside these are taken for another unit of mass or area: far
# wider than what is harvested. Usual practice, no source. [kg/ha, as harvested]
PLAUSIBLE_YIELD: dict[str, tuple[float, float]] = {
    "maize": (1000, 25000),
    "rice": (800, 16000),
    "sorghum": (500, 15000),
    "wheat": (800, 16000),
    "durum": (500, 13000),
    "barley": (800, 14000),
    "rye": (500, 13000),
    "triticale": (500, 14000),
    "oats": (500, 12000),
    "soybean": (400, 8000),
    "rapeseed": (300, 8000),
    "sunflower": (300, 7000),
    "flax": (200, 5000),
}
_ANY_YIELD = (100, 25000)


# Numbers that decisions rest on. Where no source is named, it is a default of the kit;
# "simulated" and "real trials" stand for tests/calibration.
THRESHOLDS: dict[str, float] = {
    # Share of the tolerance allowed as bias: the usual margin in type evaluation.
    "allowed_bias_share": 0.5,
    "trials_for_bias": 2,  # variation between trials needs two of them
    "samples_for_line": 11,  # AACC Approved Method 39-01.01
    "trials_for_reslope": 8,  # with fewer, slopes lose more than they gain; simulated
    # SD of the reference, in SEPs, before a slope is judged: AACC 39-01.01.
    "spread_for_slope": 4,
    # Points from driest to wettest sample that do in its place (simulated), and those
    # needed at least (usual practice).
    "span_for_reslope": 8,
    "span_at_least": 3,
    "samples_per_band": 5,
    # Share of flagged curves that may be flagged by chance: usual practice.
    "false_discovery_rate": 0.05,
    "selection_safe": 0.9,  # chance of being selected from which a selection is safe
    "highest_moisture": 60,  # %; above it: a slip
    # Hours from harvest to oven; later, a sample that is not sealed has changed.
    "hours_to_oven": 72,
    # Grams a sealed sample may lose or gain until it is opened: Form FGIS-923 (2025),
    # Moisture Meter Test.
    "mass_lost": 0.5,
    # Points by which weights and a given moisture may differ: what rounding to 0.1 %
    # and 0.01 g of 5 g can make.
    "weights_apart": 0.3,
    # Times the yield of its entry's other plots, and robust SDs from them besides;
    # times the yield expected from moisture, test weight and evenness, and the same
    # without test weight; twice the log likelihood by which two units fit a trial
    # better than one; points from its trial's median of a reading. All: real trials.
    "plot_yield_factor": 1.7,
    "plot_yield_spreads": 2.5,
    "trial_apart": 1.95,
    "trial_alone": 2.05,
    "mixed_units": 20,
    "reading_apart": 4,
    "run_apart": 3,  # points from the other runs of a known sample
    # Points from the curve's other errors, and robust SDs besides.
    "sample_apart": 2,
    "sample_apart_spreads": 4.5,
    # Points of error before dry basis is suspected: it reads 1.6 above wet at 12 %,
    # 5 at 20 %.
    "basis_error": 1.5,
    # Share of the spread of errors that a column moved by a row would leave.
    "moved_share": 0.6,
    "days_apart": 20,  # between a time and the next that make it odd
}


def threshold(name: str) -> float:
    """Return a number that decisions rest on."""
    return THRESHOLDS[name]


def plausible_yield(crop: str) -> tuple[float, float]:
    """Return the least and most a trial's median plot may yield. [kg/ha]."""
    return PLAUSIBLE_YIELD.get(crop_key(crop), _ANY_YIELD)


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
    if re.search(_ROUTINE, plain):
        return ISO_6540_ROUTINE
    return ISO_6540_REFERENCE if re.search(_REFERENCE, plain) else ISO_6540


def range_factor(dishes: int) -> float:
    """Return how much wider a range of so many dishes may be than one of two.

    Beyond the table the last factor holds, which is on the strict side.
    """
    most = max(CRITICAL_RANGE)
    return CRITICAL_RANGE[min(dishes, most)] / CRITICAL_RANGE[2]


def repeatability_for(method: str, dishes: int = 2) -> float:
    """Return the largest range allowed among a sample's dishes, nan if not known."""
    key = method_key(method)
    found = REPEATABILITY.get(ISO_6540 if key.startswith(ISO_6540) else key)
    return found.value * range_factor(dishes) if found and dishes >= 2 else nan
