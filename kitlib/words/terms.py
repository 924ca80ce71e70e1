"""The vocabulary: every column's name, unit, label and decimals, written once."""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from math import isfinite

NOT_KNOWN = "not known"
MINUS = "−"  # as wide as a plus, so that signed numbers stand below each other


def round_half_up(value: float, decimals: int) -> float:
    """Return `value` rounded for display, halves away from zero.

    7 CFR 810.104 rounds grain results half up (6.36 to 6.4, 0.35 to 0.4); the
    decimal text of the number is rounded, so 0.35 counts as a half although its
    binary neighbour lies below.

    Examples
    --------
    >>> round_half_up(2.45, 1), round_half_up(0.35, 1), round_half_up(8.34, 1)
    (2.5, 0.4, 8.3)
    """
    step = Decimal(1).scaleb(-decimals)
    rounded = Decimal(repr(float(value))).quantize(step, rounding=ROUND_HALF_UP)
    return float(rounded) + 0.0  # no minus zero


def round_to_step(value: float, step: float) -> float:
    """Return the multiple of `step` nearest to `value`, halves away from zero.

    Examples
    --------
    >>> round_to_step(-0.25, 0.1), round_to_step(0.37, 0.25)
    (-0.3, 0.25)
    """
    exact = Decimal(repr(float(value))) / Decimal(repr(float(step)))
    whole = exact.to_integral_value(rounding=ROUND_HALF_UP)
    return float(whole * Decimal(repr(float(step)))) + 0.0


def show(value: float | None, decimals: int = 2, sign: bool = False) -> str:
    """Return `value` as the reader sees it, or "not known".

    Examples
    --------
    >>> show(0.345), show(0.345, 1, sign=True), show(float("nan"))
    ('0.35', '+0.3', 'not known')
    """
    if value is None or not isfinite(value):
        return NOT_KNOWN
    shown = f"{round_half_up(value, decimals):{'+' if sign else ''}.{decimals}f}"
    return shown.replace("-", MINUS)


def show_span(low: float, high: float, decimals: int = 2, sign: bool = False) -> str:
    """Return an interval as the reader sees it: "low to high".

    Examples
    --------
    >>> show_span(-0.1, 0.25, sign=True)
    '−0.10 to +0.25'
    """
    if not (isfinite(low) and isfinite(high)):
        return NOT_KNOWN
    return f"{show(low, decimals, sign)} to {show(high, decimals, sign)}"


@dataclass(frozen=True)
class Term:
    """A quantity or key of the season, as every table, label and axis names it.

    Attributes
    ----------
    name : str
        Column header.
    unit : str
        Unit as printed; empty for keys.
    label : str
        What a reader sees.
    decimals : int
        Decimals on display.
    """

    name: str
    unit: str
    label: str
    decimals: int = 2

    @property
    def axis(self) -> str:
        """Label with its unit, for an axis or a table head."""
        return f"{self.label} ({self.unit})" if self.unit else self.label


POINTS = "% moisture"
WET_BASIS = "% moisture, wet basis"

TRIAL = Term("trial", "", "Trial")
PLOT = Term("plot", "", "Plot")
ENTRY = Term("entry", "", "Entry")
CROP = Term("crop", "", "Crop")
CURVE = Term("curve", "", "Curve")
SAMPLE = Term("sample", "", "Sample")
BLOCK = Term("block", "", "Block")
SENSOR = Term("sensor_pct", WET_BASIS, "Sensor", 1)
REFERENCE = Term("reference_pct", WET_BASIS, "Air-oven", 2)
BENCHTOP = Term("benchtop_pct", WET_BASIS, "Benchtop meter", 2)
ERROR = Term("error", POINTS, "Error, sensor − air-oven", 2)
BIAS = Term("bias", POINTS, "Bias", 2)
SEP = Term("sep", POINTS, "SEP", 2)
RMSEP = Term("rmsep", POINTS, "RMSEP", 2)
OFFSET = Term("offset", POINTS, "Offset", 2)
SLOPE = Term("slope", "", "Prediction slope", 3)
GAIN = Term("gain", "", "Gain", 3)
YIELD = Term("yield_t_ha", "t/ha", "Yield at standard moisture", 2)
MASS = Term("plot_mass_kg", "kg", "Plot mass", 3)
AREA = Term("plot_area_m2", "m²", "Plot area", 2)

_ACCEPTED_CROPS = {
    "corn": "maize",
    "canola": "rapeseed",
    "oilseed rape": "rapeseed",
    "soybeans": "soybean",
    "soya": "soybean",
}


def crop_key(crop: str) -> str:
    """Return the crop's name as the table of limits writes it.

    Examples
    --------
    >>> crop_key("Corn"), crop_key(" wheat "), crop_key("Millet")
    ('maize', 'wheat', 'millet')
    """
    plain = " ".join(crop.casefold().split())
    return _ACCEPTED_CROPS.get(plain, plain)


def listed(names: Iterable[object], most: int = 8) -> str:
    """Return names as a phrase, the rest counted.

    Examples
    --------
    >>> listed(["a", "b", "c"]), listed(range(5), most=2)
    ('a, b and c', '0, 1 and 3 more')
    """
    words = [str(name) for name in names]
    if len(words) > most:
        words = [*words[:most], f"{len(words) - most} more"]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def counted(n: int, noun: str, plural: str | None = None) -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> counted(1, "trial"), counted(3, "trial"), counted(0, "dish", "dishes")
    ('1 trial', '3 trials', '0 dishes')
    """
    return f"{n} {noun if n == 1 else plural or noun + 's'}"
