"""What good set-up practice asks of a curve: each number with why it matters."""

from dataclasses import dataclass
from math import nan

from kitlib.words.limits import PRACTICE

OWN_CHOICE = "own choice"

SAMPLES, SPAN, FIRST_SAMPLE = "setup-samples", "setup-span", "setup-first-sample"
RUNS, MASS, TEMPERATURE = "setup-runs", "setup-mass", "setup-temperature"
REWETTED, LOAD_CELLS = "setup-rewetted", "setup-load-cells"
CONFIGURATION = "setup-configuration"
# How a rule fared.
MET, LESS, BROKEN = "met", "met, less than preferred", "not met"
NOT_RECORDED = "not recorded"


@dataclass(frozen=True, kw_only=True)
class SetupRule:
    """One rule of setting a curve up.

    Attributes
    ----------
    asks : str
        The rule in words.
    why : str
        What goes wrong where it is not met.
    at_least, preferred : float
        The number it rests on, and the better one, in the unit `asks` names; nan
        where it has none.
    source : str
        Where the number comes from.
    """

    asks: str
    why: str
    at_least: float = nan
    preferred: float = nan
    source: str = PRACTICE


# Keyed by the code of the finding. 2.7 kg are 6 lb.
SETUP_RULES: dict[str, SetupRule] = {
    SAMPLES: SetupRule(
        asks="at least 2 samples of known moisture",
        why="one sample cannot tell its own oddity from an error of the sensor",
        at_least=2,
    ),
    SPAN: SetupRule(
        asks="at least 3 points between the driest and the wettest, 10 preferred",
        why="samples alike in moisture say nothing of wetter or drier grain",
        at_least=3,
        preferred=10,
    ),
    FIRST_SAMPLE: SetupRule(
        asks="first a sample within 2 points of the standard moisture, its test "
        "weight known",
        why="the first sample anchors the curve, and the moisture model leans on test "
        "weight",
        at_least=2,
        source=f"{PRACTICE}; how near is near: {OWN_CHOICE}",
    ),
    RUNS: SetupRule(
        asks="each sample run at least twice, three to five times recommended",
        why="one run does not tell the sample from the chance of its filling",
        at_least=2,
        preferred=3,
    ),
    MASS: SetupRule(
        asks="at least 2.7 kg (6 lb) of grain in each sample",
        why="too little grain does not fill the chamber as a plot does",
        at_least=2.7,
    ),
    TEMPERATURE: SetupRule(
        asks="grain within 5 °C of the ambient temperature",
        why="the reading of warm or cold grain holds an error of temperature",
        at_least=5,
        source=f"{PRACTICE}; how near is near: {OWN_CHOICE}",
    ),
    REWETTED: SetupRule(
        asks="grain of natural moisture, never rewetted",
        why="water added to dry grain lies elsewhere in the kernel and reads "
        "differently",
    ),
    LOAD_CELLS: SetupRule(
        asks="the load cells behind mass and bulk density verified beforehand",
        why="an error of mass is one of test weight, and so of moisture",
    ),
    CONFIGURATION: SetupRule(
        asks="a curve of its own for each chamber configuration",
        why="volume changes test weight, and the moisture model leans on test weight",
    ),
}
