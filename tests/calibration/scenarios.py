"""Invented truths to draw seasons from: one curve each, or all curves of a crop."""

from dataclasses import dataclass

MOISTURE_MEAN = 18.0
TEMPERATURE_MEAN = 25.0
UNEQUAL = (1, 1, 2, 3, 4, 5, 6, 8, 12, 20)


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """What is true of one curve, and how its samples are taken.

    Attributes
    ----------
    name, story : str
    samples : tuple of int
        Samples with an oven value, by trial.
    bias : float
        Mean error over plots taken at random. [% moisture]
    gain : float
        Sensor points per point of true moisture.
    bend : float
        How much higher the error lies at the mean moisture than 4 points either
        side of it. [% moisture]
    per_degree : float
        Error for each degree of grain temperature above the mean.
    sd_trial, sd_sample, sd_dish : float
        SD of the error a trial shares, of a plot's own, of a dish. [% moisture]
    growth : float
        How much the logarithm of `sd_sample` grows per point of moisture.
    form : str
        Of trial and plot errors: "normal", "heavy" (t with 4 degrees of freedom)
        or "skewed" (exponential), all scaled to their SD.
    dishes : int
        Dishes of a sample, whose mean is its reference value.
    gross_share, gross_size : float
        Share of samples whose reference is a slip, and by how much, up or down.
    between, within : float
        SD of true moisture between trials, and in a trial.
    by_trial_moisture : float
        Error for each point of a trial's mean moisture above the mean: something that
        wet and dry trials differ in, not a gain. [points per point]
    wild_share, wild_size : float
        Share of trials whose errors are all off, and by how much, upwards.
    setup_sd : float
        SEP found at set-up on 40 samples; 0 if it is not known. [% moisture]
    choice : str
        Plots sampled: at "random", the driest and the wettest ("extremes") or the
        "wettest" of 20 plots a trial, by their readings.
    sensors : int
        Sensors that share the work, each with an error of its own; 0: one only.
    sensors_cross : bool
        Whether every sensor works in every trial, or one in each trial.
    sd_sensor : float
        SD of the sensors' own errors. [% moisture]
    bench : tuple of int
        Further samples that only the benchtop meter measured, by trial; the meter
        measured the oven samples too.
    """

    name: str
    story: str
    samples: tuple[int, ...]
    bias: float = 0.0
    gain: float = 1.0
    bend: float = 0.0
    per_degree: float = 0.0
    sd_trial: float = 0.25
    sd_sample: float = 0.45
    sd_dish: float = 0.06
    growth: float = 0.0
    form: str = "normal"
    dishes: int = 2
    gross_share: float = 0.0
    gross_size: float = 0.0
    between: float = 2.5
    within: float = 1.2
    by_trial_moisture: float = 0.0
    wild_share: float = 0.0
    wild_size: float = 0.0
    setup_sd: float = 0.0
    choice: str = "random"
    sensors: int = 0
    sensors_cross: bool = False
    sd_sensor: float = 0.0
    bench: tuple[int, ...] = ()

    @property
    def straight(self) -> bool:
        """Whether a line is all the correction the curve needs."""
        return self.bend == 0


@dataclass(frozen=True, kw_only=True)
class CropScenario:
    """What is true of the curves of a crop.

    Attributes
    ----------
    name, story : str
    curves : int
    samples : tuple of int
        Samples of each curve, by trial.
    mean, between : float
        Mean and SD of the true offsets over curves like these. [% moisture]
    sd_trial, sd_sample : float
        SD of the error a trial shares, and of a sample's own. [% moisture]
    unequal : float
        How many times larger both are in every second curve.
    """

    name: str
    story: str
    curves: int
    samples: tuple[int, ...] = (4, 4, 4, 4)
    mean: float = 0.2
    between: float = 0.2
    sd_trial: float = 0.25
    sd_sample: float = 0.45
    unequal: float = 1.0


SCENARIOS = (
    Scenario(
        name="two-trials",
        story="2 trials, 8 and 4 samples",
        samples=(8, 4),
    ),
    Scenario(
        name="three-trials",
        story="3 trials, 9, 5 and 2 samples",
        samples=(9, 5, 2),
    ),
    Scenario(
        name="five-trials",
        story="5 trials of 4 samples",
        samples=(4,) * 5,
    ),
    Scenario(
        name="one-sample-trials",
        story="10 trials of 1 sample",
        samples=(1,) * 10,
    ),
    Scenario(
        name="unequal-trials",
        story="10 trials of 1 to 20 samples",
        samples=UNEQUAL,
    ),
    Scenario(
        name="two-very-unequal",
        story="2 trials of 2 and 30 samples",
        samples=(2, 30),
    ),
    Scenario(
        name="six-very-unequal",
        story="6 trials, by turns of 2 and 30 samples",
        samples=(2, 30) * 3,
    ),
    Scenario(
        name="six-unequal-skewed",
        story="6 trials, by turns of 2 and 30 samples, exponential errors",
        samples=(2, 30) * 3,
        form="skewed",
        sd_trial=0.45,
        sd_sample=0.25,
    ),
    Scenario(
        name="wild-trials",
        story="one trial in ten is off by 1.5 points",
        samples=(5,) * 10,
        wild_share=0.1,
        wild_size=1.5,
    ),
    Scenario(
        name="between-only",
        story="errors rise 0.1 per point between trials, gain 1 within",
        samples=(6,) * 10,
        by_trial_moisture=0.1,
        between=3.0,
        within=1.5,
    ),
    Scenario(
        name="slope-six-trials",
        story="gain 0.9 over a wide span, six trials",
        samples=(9,) * 6,
        gain=0.9,
        between=3.5,
        within=2.0,
        sd_trial=0.15,
        sd_sample=0.35,
    ),
    Scenario(
        name="as-at-setup",
        story="scatter as at set-up, which is known",
        samples=(5,) * 10,
        setup_sd=0.515,
    ),
    Scenario(
        name="worse-than-setup",
        story="scatter 1.5 times that at set-up, which is known",
        samples=(5,) * 10,
        setup_sd=0.343,
    ),
    Scenario(
        name="thirty-trials",
        story="30 trials of 1 to 10 samples; bias inside the allowed",
        samples=(1, 2, 3, 5, 7, 10) * 5,
        bias=0.15,
    ),
    Scenario(
        name="tight",
        story="a tight straight curve: SDs 0.10 and 0.20",
        samples=(5,) * 10,
        sd_trial=0.10,
        sd_sample=0.20,
    ),
    Scenario(
        name="no-trial-sd",
        story="trials alike; bias at the allowed",
        samples=(5,) * 10,
        bias=0.36,
        sd_trial=0.0,
    ),
    Scenario(
        name="trial-sd-large",
        story="trials differ more than samples: SDs 0.45 and 0.25",
        samples=(5,) * 10,
        sd_trial=0.45,
        sd_sample=0.25,
    ),
    Scenario(
        name="biased",
        story="bias beyond the allowed",
        samples=(5,) * 10,
        bias=0.6,
    ),
    Scenario(
        name="spread-rises",
        story="SD of samples from 0.22 at 14 % to 0.57 at 22 %",
        samples=(5,) * 10,
        sd_sample=0.35,
        growth=0.12,
    ),
    Scenario(
        name="gross-errors",
        story="5 % of the oven values are off by 2 points",
        samples=(5,) * 10,
        gross_share=0.05,
        gross_size=2.0,
    ),
    Scenario(
        name="gain-0.8",
        story="gain 0.8 over a wide span",
        samples=(5,) * 12,
        gain=0.8,
        between=3.5,
    ),
    Scenario(
        name="gain-0.95",
        story="gain 0.95, too little to see",
        samples=(5,) * 12,
        gain=0.95,
    ),
    Scenario(
        name="gain-1.2",
        story="gain 1.2; bias at the allowed",
        samples=(4,) * 10,
        gain=1.2,
        bias=0.36,
        between=3.5,
    ),
    Scenario(
        name="wide-span",
        story="gain 1 over a wide span: no slope is needed",
        samples=(5,) * 12,
        between=4.0,
        sd_trial=0.20,
        sd_sample=0.40,
    ),
    Scenario(
        name="extremes",
        story="the 2 driest and 2 wettest of 20 plots a trial",
        samples=(4,) * 10,
        choice="extremes",
    ),
    Scenario(
        name="wettest",
        story="the 4 wettest of 20 plots a trial",
        samples=(4,) * 10,
        choice="wettest",
    ),
    Scenario(
        name="wettest-biased",
        story="the 4 wettest of 20 plots a trial, bias beyond the allowed",
        samples=(4,) * 10,
        choice="wettest",
        bias=0.6,
    ),
    Scenario(
        name="wettest-gain-0.9",
        story="the 4 wettest of 20 plots a trial, gain 0.9",
        samples=(4,) * 10,
        choice="wettest",
        gain=0.9,
    ),
    Scenario(
        name="one-dish",
        story="one dish a sample, SD 0.25",
        samples=(5,) * 10,
        dishes=1,
        sd_dish=0.25,
    ),
    Scenario(
        name="two-dishes",
        story="two dishes a sample, SD 0.25; moisture spreads little",
        samples=(5,) * 10,
        sd_dish=0.25,
        between=1.2,
        within=0.8,
    ),
    Scenario(
        name="heavy-tails",
        story="trial and sample errors t with 4 df",
        samples=(5,) * 10,
        form="heavy",
    ),
    Scenario(
        name="skewed",
        story="trial and sample errors exponential, less their mean",
        samples=(5,) * 10,
        form="skewed",
    ),
    Scenario(
        name="bent",
        story="errors bend by 0.8 points",
        samples=(5,) * 12,
        bend=0.8,
    ),
    Scenario(
        name="warm-grain",
        story="0.06 points per °C of grain temperature",
        samples=(5,) * 10,
        per_degree=0.06,
    ),
    Scenario(
        name="benchtop",
        story="2 oven samples in 8 of 12 trials, 4 more by benchtop in all 12",
        samples=(2,) * 8 + (0,) * 4,
        bias=0.2,
        bench=(4,) * 12,
    ),
    Scenario(
        name="sensors-crossed",
        story="3 sensors in every one of 12 trials, SD 0.30 between sensors",
        samples=(6,) * 12,
        sensors=3,
        sensors_cross=True,
        sd_sensor=0.30,
    ),
    Scenario(
        name="sensors-by-trial",
        story="12 trials shared by 3 sensors, one a trial, SD 0.30 between sensors",
        samples=(6,) * 12,
        sensors=3,
        sd_sensor=0.30,
    ),
)

CROPS = (
    CropScenario(
        name="crop-unequal",
        story="6 curves of 5 trials, every second one five times as scattered",
        curves=6,
        samples=(4,) * 5,
        sd_trial=0.12,
        sd_sample=0.2,
        unequal=5.0,
    ),
    CropScenario(
        name="crop-of-5-unequal",
        story="5 curves of 4 trials, every second one three times as scattered",
        curves=5,
        unequal=3.0,
    ),
    CropScenario(name="crop-of-8", story="8 curves of 4 trials", curves=8),
    CropScenario(
        name="crop-alike",
        story="8 curves of 4 trials with one and the same offset",
        curves=8,
        between=0.0,
    ),
    CropScenario(
        name="crop-of-20",
        story="20 curves of 2 to 6 samples in 6 trials",
        curves=20,
        samples=(2, 3, 4, 4, 5, 6),
        between=0.3,
    ),
)
