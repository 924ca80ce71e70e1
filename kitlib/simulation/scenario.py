"""The invented breeding programme: its crops, places, labs and meters, as data.

Everything here is made up: places, labs, sensors and the errors of every meter.
The sizes of the errors follow published studies of electronic moisture meters:
about 85 % of the random error is the sample's own, 10 % the repeat reading and
5 % the oven, and it grows with moisture (Hurburgh, Hazen and Bern, Trans. ASAE
28 (1985) 634-640; Paulsen, Hill and Dixon, Trans. ASAE 27 (1984) 1917).

The invented season, as data: its curves with their true errors, its trials.

Nothing here happened; each curve tells another story, so that every action an
audit can recommend has its example. A season of more trials uses the planned ones
again, at other moistures.
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


SEASON_NAME = "quillmoor-2025"
SEASON_YEAR = 2025
REPORT_DATE = "2025-12-01"
DEFAULT_SEED = 2  # one of many whose samples tell every story as it was meant

BLOCK, RANGE = "block", "range"
COMPLETE, INCOMPLETE, CHECKED = "complete", "incomplete", "repeated checks"
RANDOM, STRATIFIED, SUSPICIOUS = "random", "stratified", "suspicious"
ODD_TOO, NO_OVEN = "stratified, odd readings too", "benchtop only"


@dataclass(frozen=True, kw_only=True)
class Curve:
    """A curve of the register and the truth about its errors.

    Attributes
    ----------
    bias_at_anchor : float
        Sensor - true moisture at the crop's standard moisture, offset loaded.
    gain : float
        Sensor points per point of true moisture, below `bend_from_pct`.
    bend, bend_from_pct : float
        Further points of error per point of moisture above `bend_from_pct`.
    sd_trial, sd_sample : float
        SD of the errors a trial shares, and of a sample's own at the anchor.
    sd_setup : float
        SD of the errors seen when the curve was set up.
    careful_setup : bool
        Whether it was set up by a careful crew, so that no cause of a wrong offset
        is to be found in its runs.
    retest_change : float
        By how much its wetter check sample had changed when dried again.
    action, trials_needed : str, int
        What an audit with that many trials or more should recommend.
    offset_before, offset_changed_on : float, str
        Offset in force before that date, if it was changed in mid-season.
    """

    curve: str
    crop: str
    sensor: str
    chamber_config: str = "standard"
    offset_loaded: float = 0.0
    bias_at_anchor: float
    gain: float = 1.0
    bend: float = 0.0
    bend_from_pct: float = 0.0
    sd_trial: float = 0.20
    sd_sample: float = 0.40
    sd_setup: float = 0.55
    careful_setup: bool = False
    retest_change: float = 0.0
    low_pct: float
    high_pct: float
    n_at_setup: int = 50
    built_on: str = "2024-11-18"
    parallel_of: str = ""
    offset_before: float = 0.0
    offset_changed_on: str = ""
    action: str
    trials_needed: int
    story: str


@dataclass(frozen=True)
class Trial:
    """A trial as planned; its plots are shared out among curves by block or range.

    `selection` says how the samples for the oven were chosen: at random, stratified
    by the sensor reading, the oddest readings besides, or not at all.
    """

    location: str
    curves: tuple[str, ...]
    shared_by: str
    design: str
    replicates: int
    plots: int
    mean_pct: float
    starts_on: str
    selection: str = STRATIFIED


CURVES = (
    Curve(
        curve="maize-S1",
        crop="maize",
        sensor="S1",
        offset_loaded=0.2,
        bias_at_anchor=0.05,
        sd_setup=0.60,
        low_pct=11,
        high_pct=34,
        action="keep",
        trials_needed=6,
        story="a good curve",
    ),
    Curve(
        curve="maize-S1-new",
        crop="maize",
        sensor="S1",
        bias_at_anchor=1.10,
        sd_sample=0.35,
        sd_setup=0.50,
        careful_setup=True,
        low_pct=11,
        high_pct=34,
        built_on="2025-03-10",
        parallel_of="maize-S1",
        action="shift",
        trials_needed=6,
        story="a new curve recorded in parallel: tighter, but it reads high",
    ),
    Curve(
        curve="maize-S2",
        crop="maize",
        sensor="S2",
        offset_loaded=-0.1,
        bias_at_anchor=0.30,
        gain=0.84,
        sd_setup=0.70,
        low_pct=11,
        high_pct=34,
        action="reslope",
        trials_needed=8,
        story="reads ever lower as the grain gets wetter",
    ),
    Curve(
        curve="wheat-S1",
        crop="wheat",
        sensor="S1",
        chamber_config="reduced",
        offset_loaded=0.3,
        bias_at_anchor=0.95,
        careful_setup=True,
        low_pct=9,
        high_pct=24,
        offset_before=0.6,
        offset_changed_on="2025-07-28",
        action="shift",
        trials_needed=5,
        story="reads high; its offset was lowered in mid-season, not enough",
    ),
    Curve(
        curve="wheat-S2",
        crop="wheat",
        sensor="S2",
        chamber_config="reduced",
        bias_at_anchor=0.10,
        bend=-0.45,
        bend_from_pct=16.5,
        sd_trial=0.30,
        sd_sample=0.95,
        retest_change=-0.25,
        low_pct=9,
        high_pct=24,
        built_on="2023-12-04",
        action="rebuild",
        trials_needed=4,
        story="noisy, and bent at the wet end",
    ),
    Curve(
        curve="soybean-S1",
        crop="soybean",
        sensor="S1",
        bias_at_anchor=0.45,
        sd_trial=0.30,
        low_pct=8,
        high_pct=20,
        n_at_setup=30,
        action="shift",
        trials_needed=8,
        story="perhaps high, but too few trials went to the oven",
    ),
    Curve(
        curve="soybean-S2",
        crop="soybean",
        sensor="S2",
        bias_at_anchor=-0.20,
        sd_trial=0.30,
        sd_sample=0.45,
        low_pct=8,
        high_pct=20,
        n_at_setup=30,
        action="keep",
        trials_needed=12,
        story="two trials, one of them in another chamber configuration",
    ),
)

MAIZE = ("maize-S1", "maize-S2")
MAIZE_S2 = ("maize-S2",)
WHEAT = ("wheat-S1", "wheat-S2")
SOYBEAN = ("soybean-S1", "soybean-S2")
SOYBEAN_S1 = ("soybean-S1",)

TRIALS = (
    Trial("Quillmoor", MAIZE, BLOCK, COMPLETE, 4, 96, 17.0, "2025-10-20"),
    Trial("Ostrafell", MAIZE, BLOCK, INCOMPLETE, 3, 108, 24.5, "2025-10-06"),
    Trial("Brenhow", MAIZE_S2, BLOCK, COMPLETE, 3, 84, 19.0, "2025-10-02", RANDOM),
    Trial("Tamberlea", MAIZE, RANGE, CHECKED, 1, 110, 27.5, "2025-09-24"),
    Trial("Quillmoor", MAIZE, BLOCK, INCOMPLETE, 2, 120, 21.0, "2025-10-11", ODD_TOO),
    Trial("Ostrafell", MAIZE, RANGE, COMPLETE, 4, 80, 15.5, "2025-11-03", RANDOM),
    Trial("Brenhow", MAIZE, BLOCK, COMPLETE, 3, 90, 23.0, "2025-09-19", ODD_TOO),
    Trial("Tamberlea", MAIZE_S2, BLOCK, INCOMPLETE, 3, 96, 29.5, "2025-09-16"),
    Trial("Quillmoor", WHEAT, BLOCK, COMPLETE, 4, 96, 13.2, "2025-07-21"),
    Trial("Ostrafell", WHEAT, BLOCK, INCOMPLETE, 3, 114, 17.0, "2025-07-31", ODD_TOO),
    Trial("Brenhow", WHEAT, RANGE, CHECKED, 1, 100, 15.0, "2025-07-24", RANDOM),
    Trial("Tamberlea", WHEAT, BLOCK, COMPLETE, 3, 90, 19.5, "2025-08-05"),
    Trial("Quillmoor", WHEAT, BLOCK, COMPLETE, 2, 80, 16.0, "2025-08-11", ODD_TOO),
    Trial("Quillmoor", SOYBEAN, BLOCK, COMPLETE, 4, 72, 12.5, "2025-09-29"),
    Trial("Tamberlea", SOYBEAN, RANGE, COMPLETE, 3, 84, 14.2, "2025-10-08", RANDOM),
    Trial(
        "Ostrafell", SOYBEAN_S1, BLOCK, INCOMPLETE, 3, 80, 11.5, "2025-10-15", NO_OVEN
    ),
)
