"""Numbers from standards and from the trade, each with its source and its tag.

A tag says how the number was come by: "read" in the source named, "from memory"
(to be checked against the current edition before anyone relies on it), "own
arithmetic", or "common practice, no source".
"""

from dataclasses import dataclass
from math import nan

from kitlib.words.terms import crop_key

READ = "read"
FROM_MEMORY = "from memory"
ARITHMETIC = "own arithmetic"
PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Sourced:
    """A number with its source and how it was come by."""

    value: float
    source: str
    tag: str


@dataclass(frozen=True)
class Tolerance:
    """Largest error allowed at a reference moisture.

    Attributes
    ----------
    fraction : float
        Share of the reference moisture.
    constant, minimum : float
        Points added, and the least tolerance. [% moisture]
    source, tag : str
        Where the numbers come from, and how they were come by.
    """

    fraction: float
    minimum: float
    source: str
    tag: str
    constant: float = 0.0

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
            f"({self.source}; {self.tag})"
        )


_HB44 = "NIST Handbook 44, 5.56(a), air-oven method"
_FRENCH_1993 = "French Order of 10 February 1993, article 11"
_FRENCH_2010 = "French Order of 1 July 2010, article 6"
_GRAINY = ("maize", "oats", "rice", "sorghum", "sunflower")
_CEREALS = ("wheat", "barley", "rye", "triticale", "oats")
_WARM_CEREALS = ("maize", "rice", "sorghum")
_OILSEEDS = ("soybean", "rapeseed")
_OTHER = ("wheat", "barley", "rye", "triticale", "soybean", "rapeseed")


def _same(crops, *numbers, **more) -> dict[str, Tolerance]:
    """Give several crops one tolerance."""
    return {crop: Tolerance(*numbers, **more) for crop in crops}


HANDBOOK_RULE = "Handbook 44"
TOLERANCE_RULES: dict[str, dict[str, Tolerance]] = {
    HANDBOOK_RULE: {
        **_same(_GRAINY, 0.05, 0.8, _HB44, FROM_MEMORY),
        **_same(_OTHER, 0.04, 0.7, _HB44, FROM_MEMORY),
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
# A crop no rule knows is held to the wider of the two handbook tolerances.
UNKNOWN_CROP_TOLERANCE = Tolerance(0.05, 0.8, f"{_HB44}, wider group", FROM_MEMORY)

_CFR_457 = "7 CFR 457"
STANDARD_MOISTURE: dict[str, Sourced] = {
    "maize": Sourced(15.5, "UF/IFAS AG442 (2020); extension convention", READ),
    "sorghum": Sourced(14.0, f"{_CFR_457}.113", READ),
    "soybean": Sourced(13.0, f"{_CFR_457}.113", READ),
    "wheat": Sourced(13.5, f"{_CFR_457}.101", READ),
    "barley": Sourced(14.5, f"{_CFR_457}.101", READ),
    "oats": Sourced(14.0, f"{_CFR_457}.101", READ),
    "rye": Sourced(16.0, f"{_CFR_457}.101", READ),
    "rapeseed": Sourced(8.5, f"{_CFR_457}.161", READ),
    "sunflower": Sourced(10.0, f"{_CFR_457}.108", READ),
    "rice": Sourced(12.0, f"{_CFR_457}.141", READ),
    "triticale": Sourced(13.5, "taken as for wheat", PRACTICE),
}

# Largest difference of two dishes of one sample, one analyst. [g per 100 g]
REPEATABILITY: dict[str, Sourced] = {
    "ISO 712-1": Sourced(0.15, "ISO 712:1998", FROM_MEMORY),
    "ISO 6540": Sourced(0.15, "as for ISO 712 in EU Regulation 1272/2009", FROM_MEMORY),
    "S352.2": Sourced(0.2, "Purdue ABE305 notes on ASAE S352.2", READ),
    "ISO 665": Sourced(0.2, "ISO 665", FROM_MEMORY),
    "AACC 44-15": Sourced(0.2, "AACC 44-15", FROM_MEMORY),
}
# Range of m results against the limit for two: the factors for the critical
# range, ISO 5725-6 table 1 (from memory; reproduced by the 95 % quantile of the
# range of m standard normal values).
CRITICAL_RANGE: dict[int, float] = {2: 2.8, 3: 3.3, 4: 3.6, 5: 3.9, 6: 4.0}

BUSHEL_LB: dict[str, Sourced] = {
    "maize": Sourced(56, "Oklahoma State AGF-503", READ),
    "sorghum": Sourced(56, "summary of USDA bushel weights", READ),
    "rye": Sourced(56, "Oklahoma State AGF-503", READ),
    "wheat": Sourced(60, "Oklahoma State AGF-503", READ),
    "soybean": Sourced(60, "Oklahoma State AGF-503", READ),
    "barley": Sourced(48, "Oklahoma State AGF-503", READ),
    "oats": Sourced(32, "Oklahoma State AGF-503", READ),
    "rice": Sourced(45, "summary of USDA bushel weights", READ),
    "rapeseed": Sourced(50, "trade bushel of canola", FROM_MEMORY),
}

# Medians of a trial outside these are taken for another unit of mass or area: far
# wider than what is harvested. [kg/ha, as harvested]
PLAUSIBLE_YIELD: dict[str, tuple[float, float]] = {
    "maize": (1000, 20000),
    "rice": (800, 15000),
    "sorghum": (500, 13000),
    "wheat": (800, 14000),
    "barley": (800, 13000),
    "rye": (500, 12000),
    "triticale": (500, 13000),
    "oats": (500, 11000),
    "soybean": (400, 7000),
    "rapeseed": (300, 7000),
    "sunflower": (300, 6000),
}
_ANY_YIELD = (100, 25000)


@dataclass(frozen=True)
class Threshold:
    """A number a decision rests on, with the reason for it."""

    value: float
    reason: str


THRESHOLDS: dict[str, Threshold] = {
    "allowed_bias_share": Threshold(
        0.5, "half the tolerance, as type evaluation is said to do (from memory)"
    ),
    "trials_for_bias": Threshold(2, "variation between trials needs two trials"),
    "samples_for_line": Threshold(11, "AACC 39-01.01 asks for at least 11 samples"),
    "trials_for_reslope": Threshold(
        8, "own simulation: with fewer, slopes lose more than they gain"
    ),
    "spread_for_slope": Threshold(
        4, "AACC 39-01.01: SD of the reference at least 4 × SEP"
    ),
    "span_for_reslope": Threshold(
        8, "points from driest to wettest that stand in for a wide SD (own simulation)"
    ),
    "span_at_least": Threshold(
        3, "points from driest to wettest (common practice, no source)"
    ),
    "samples_per_band": Threshold(
        5, "a band mean on fewer samples decides nothing (own choice)"
    ),
    "false_discovery_rate": Threshold(
        0.05, "share of flagged curves that may be flagged by chance"
    ),
    "selection_safe": Threshold(0.9, "chance of selection called safe (own choice)"),
    "highest_moisture": Threshold(
        60, "a moisture above this is taken for a slip of the decimal (own choice)"
    ),
    "hours_to_oven": Threshold(
        72, "later weighing lets a sample change (own choice; keep samples sealed)"
    ),
    "plot_yield_factor": Threshold(
        1.7, "a plot this many times its trial's median is worth a look (own choice)"
    ),
    "trial_yield_factor": Threshold(
        1.75,
        "a trial this many times its crop's others: lb are 2.2 to a kg (own choice)",
    ),
    "reading_apart": Threshold(
        5, "points from its trial's median that make a reading odd (own choice)"
    ),
    "run_apart": Threshold(
        3, "points from the other runs that make a known sample's run odd (own choice)"
    ),
    "sample_apart": Threshold(
        2, "points from the curve's other errors that make a sample odd (own choice)"
    ),
    "sample_apart_spreads": Threshold(
        4.5, "robust SDs from the curve's other errors, besides (own choice)"
    ),
    "basis_error": Threshold(
        1.5, "points; dry basis reads 1.6 above wet at 12 %, 5 at 20 % (own arithmetic)"
    ),
    "moved_share": Threshold(
        0.6,
        "share of the spread of errors that a moved column would leave (own choice)",
    ),
    "days_apart": Threshold(
        20, "days between a time and the next that make it odd (own choice)"
    ),
}


def threshold(name: str) -> float:
    """Return the value of a decision's threshold."""
    return THRESHOLDS[name].value


def plausible_yield(crop: str) -> tuple[float, float]:
    """Return the least and the most a trial's median plot may yield. [kg/ha].

    Common practice, no source.

    Examples
    --------
    >>> plausible_yield("corn"), plausible_yield("teff")
    ((1000, 20000), (100, 25000))
    """
    return PLAUSIBLE_YIELD.get(crop_key(crop), _ANY_YIELD)


def tolerance_for(crop: str, rule: str = HANDBOOK_RULE) -> Tolerance | None:
    """Return the tolerance of a crop under a rule, None where it is not known.

    Examples
    --------
    >>> tolerance_for("corn").at(25.0), tolerance_for("wheat").at(12.0)
    (1.25, 0.7)
    """
    return TOLERANCE_RULES[rule].get(crop_key(crop))


def standard_moisture_for(crop: str) -> float:
    """Return the crop's standard moisture, nan where none is known. [%]"""
    found = STANDARD_MOISTURE.get(crop_key(crop))
    return found.value if found else nan


def repeatability_for(method: str, dishes: int = 2) -> float:
    """Return the largest range allowed among a sample's dishes, nan if not known.

    Examples
    --------
    >>> repeatability_for("ISO 712-1"), round(repeatability_for("ISO 712-1", 3), 3)
    (0.15, 0.177)
    """
    found = REPEATABILITY.get(method)
    if found is None or dishes < 2:
        return nan
    factor = CRITICAL_RANGE.get(dishes, max(CRITICAL_RANGE.values()))
    return found.value * factor / CRITICAL_RANGE[2]
