"""The invented breeding programme: its crops, places, labs and meters, as data.

Everything here is made up: places, labs, sensors and the errors of every meter.
The sizes of the errors follow published studies of electronic moisture meters:
about 85 % of the random error is the sample's own, 10 % the repeat reading and
5 % the oven, and it grows with moisture (Hurburgh, Hazen and Bern, Trans. ASAE
28 (1985) 634-640; Paulsen, Hill and Dixon, Trans. ASAE 27 (1984) 1917).
"""

from dataclasses import dataclass
from math import inf

CHECK_ENTRIES = 3  # entries sown in every trial of a crop
REPEAT_SHARE = 0.10 / 0.95  # of the sensor's own error variance, from the studies
GROWTH_PER_POINT = 0.04  # rise of the sample error per point above the anchor


@dataclass(frozen=True, kw_only=True)
class OvenMethod:
    """How the samples of one crop are dried.

    Attributes
    ----------
    method : str
        Name of the published method.
    portion_g, wet_portion_g : float
        Grain in a dish, and from `wet_from_pct` upwards. [g]
    prestage_from_pct : float
        Moisture from which the sample is dried in two stages. [% moisture]
    dish_sd : float
        Repeatability standard deviation of one dish. [% moisture]
    """

    method: str
    portion_g: float
    wet_portion_g: float
    wet_from_pct: float = inf
    prestage_from_pct: float = inf
    dish_sd: float


@dataclass(frozen=True, kw_only=True)
class Crop:
    """A crop of the programme; `anchor_pct` is its standard moisture."""

    crop: str
    code: str
    anchor_pct: float
    yield_kg_ha: float
    plot_area_m2: float
    test_weight_kg_hl: float
    oven: OvenMethod


@dataclass(frozen=True, kw_only=True)
class Place:
    """A trial site, with the lab and the benchtop meter that serve it."""

    location: str
    lab: str
    weighs: bool  # the lab reports the weighings, not only the percentage
    meter: str
    air_temp_c: float


@dataclass(frozen=True, kw_only=True)
class Meter:
    """A benchtop meter on one crop; errors as for a curve. [% moisture]"""

    meter: str
    crop: str
    bias_at_anchor: float
    gain: float = 1.0
    sd_sample: float = 0.25
    sd_repeat: float = 0.10


CROPS = (
    Crop(
        crop="maize",
        code="MZ",
        anchor_pct=15.5,
        yield_kg_ha=10400,
        plot_area_m2=7.95,
        test_weight_kg_hl=72.0,
        # ASAE S352.2: 15 g whole grain, 100 g above 25 % moisture; 103 C, 72 h.
        oven=OvenMethod(
            method="S352.2",
            portion_g=15,
            wet_portion_g=100,
            wet_from_pct=25,
            dish_sd=0.065,
        ),
    ),
    Crop(
        crop="wheat",
        code="WH",
        anchor_pct=13.5,
        yield_kg_ha=7200,
        plot_area_m2=10.0,
        test_weight_kg_hl=78.0,
        # ISO 712-1: 5 g ground grain, conditioned first above 17 % (from memory).
        oven=OvenMethod(
            method="ISO 712-1",
            portion_g=5,
            wet_portion_g=5,
            prestage_from_pct=17,
            dish_sd=0.05,
        ),
    ),
    Crop(
        crop="soybean",
        code="SB",
        anchor_pct=13.0,
        yield_kg_ha=3300,
        plot_area_m2=9.0,
        test_weight_kg_hl=71.0,
        # ISO 665: 5 g to 10 g (from memory).
        oven=OvenMethod(
            method="ISO 665", portion_g=10, wet_portion_g=10, dish_sd=0.065
        ),
    ),
)

PLACES = (
    Place(
        location="Quillmoor", lab="lab A", weighs=True, meter="bench-1", air_temp_c=17
    ),
    Place(
        location="Ostrafell", lab="lab A", weighs=True, meter="bench-1", air_temp_c=14
    ),
    Place(
        location="Brenhow",
        lab="lab B",
        weighs=False,
        meter="bench-2",
        air_temp_c=19,
    ),
    Place(
        location="Tamberlea", lab="lab A", weighs=True, meter="bench-2", air_temp_c=16
    ),
)

METERS = (
    Meter(meter="bench-1", crop="maize", bias_at_anchor=0.30, gain=0.98),
    Meter(meter="bench-1", crop="wheat", bias_at_anchor=-0.15),
    Meter(meter="bench-1", crop="soybean", bias_at_anchor=0.20),
    Meter(meter="bench-2", crop="maize", bias_at_anchor=-0.25, gain=1.02),
    Meter(meter="bench-2", crop="wheat", bias_at_anchor=0.10, gain=0.97),
    Meter(meter="bench-2", crop="soybean", bias_at_anchor=0.35),
)
