"""The invented breeding programme as data, and how its sensors read.

Everything here is made up: places, labs, sensors and the errors of every meter; each
curve tells another story, so that every action an audit can recommend has its
example. The sizes of the errors follow published studies of electronic moisture
meters: about 85 % of the random error is the sample's own, 10 % the repeat reading
and 5 % the oven, and it grows with moisture (Hurburgh, Hazen and Bern, Trans. ASAE
28 (1985) 634-640; Paulsen, Hill and Dixon, Trans. ASAE 27 (1984) 1917).
"""

from pathlib import Path

import numpy as np
import pandas as pd

DEFAULT_SEED = 2  # one of many whose samples tell every story as it was meant
CHECKS = ["check-1", "check-2", "check-3"]  # entries sown in every trial of a crop
REPEAT_SHARE = 0.10 / 0.95  # of the sensor's own error variance, from the studies
GROWTH_PER_POINT = 0.04  # rise of the sample error per point above the anchor
METER_SAMPLE_SD, METER_REPEAT_SD = 0.25, 0.10  # of any benchtop meter [% moisture]

# How trials are laid out, and how samples were chosen.
INCOMPLETE, CHECKED = "incomplete", "repeated checks"
RANDOM, STRATIFIED, SUSPICIOUS = "random", "stratified", "suspicious"
ODD_TOO, NO_OVEN = "stratified, odd readings too", "benchtop only"


def _read(name: str) -> pd.DataFrame:
    """Return a table of the programme."""
    return pd.read_csv(Path(__file__).with_name(f"{name}.csv"), keep_default_na=False)


# `anchor_pct` is the crop's standard moisture. A dish holds `portion_g`, from
# `wet_from_pct` up `wet_portion_g`; from `prestage_from_pct` up a sample is dried in
# two stages. `dish_sd` is the repeatability SD of one dish. ASAE S352.2: 15 g whole
# grain, 100 g above 25 % moisture; 103 C, 72 h. ISO 712-1: 5 g ground grain,
# conditioned first above 17 %; ISO 665: 5 g to 10 g (both from memory).
CROPS = _read("crops")
# Benchtop meters on each crop, with errors as a curve has them.
METERS = _read("meters")
# The curves of the register and the truth about their errors, one a row:
#   bias_at_anchor  sensor - true moisture at the standard moisture, offset loaded
#   gain            sensor points per point of true moisture, below bend_from_pct
#   bend            further points of error per point of moisture above that
#   sd_trial        SD of the errors a trial shares; sd_sample of a sample's own, at
#                   the anchor; sd_setup of those seen when the curve was set up
#   careful_setup   set up so that its runs hold no cause of a wrong offset
#   retest_change   by how much its wetter check sample had changed, dried again
#   offset_before   in force before offset_changed_on, if changed in mid-season
#   action          what an audit with trials_needed or more should recommend
CURVES = _read("curves").merge(CROPS, on="crop", validate="many_to_one")
CURVE_CODES = {curve: code for code, curve in enumerate(CURVES["curve"])}
# The trials as planned; plots are shared out among two curves by block or by range.
# A lab weighs where it reports the weighings, not only the percentage.
TRIALS = _read("trials").merge(_read("places"), on="location", validate="many_to_one")


def of_curve(name, curve_code):
    """Return a property of curves by their codes."""
    return CURVES[name].to_numpy()[curve_code]


def systematic_error(curve_code, true_pct):
    """Return a curve's mean error over all trials at a true moisture. [points]

    Sensor - true moisture with the register's offset loaded: the bias at the
    anchor, plus what the gain and the bend add away from it.
    """
    from_anchor = true_pct - of_curve("anchor_pct", curve_code)
    beyond = np.maximum(true_pct - of_curve("bend_from_pct", curve_code), 0)
    return (
        of_curve("bias_at_anchor", curve_code)
        + (of_curve("gain", curve_code) - 1) * from_anchor
        + of_curve("bend", curve_code) * beyond
    )


def sample_sd(curve_code, true_pct):
    """Return the SD of a sample's own error at a true moisture. [points]"""
    from_anchor = true_pct - of_curve("anchor_pct", curve_code)
    growth = np.maximum(1 + GROWTH_PER_POINT * from_anchor, 0.5)
    return of_curve("sd_sample", curve_code) * growth


def read_sensor(rng, plots: pd.DataFrame, curve_code) -> np.ndarray:
    """Return what plots read by a curve, its register's offset loaded. [%]

    A curve recorded in parallel shares the trial's error and the sample's own, as
    both come from the same signal; only the repeatability is drawn anew.
    """
    true_pct = plots["true_pct"].to_numpy()
    repeat = rng.standard_normal(len(plots))
    own = np.sqrt(1 - REPEAT_SHARE) * plots["z_sample"] + np.sqrt(REPEAT_SHARE) * repeat
    return (
        true_pct
        + systematic_error(curve_code, true_pct)
        + of_curve("sd_trial", curve_code) * plots["z_trial"].to_numpy()
        + sample_sd(curve_code, true_pct) * own.to_numpy()
    )


def offset_in_force(curve_code, at) -> np.ndarray:
    """Return the offset that was loaded at a time, by curve. [points]"""
    changed = pd.to_datetime(CURVES["offset_changed_on"]).to_numpy()[curve_code]
    before = np.asarray(at) < changed  # no change is no date, and never before it
    loaded = of_curve("offset_loaded", curve_code)
    return np.where(before, of_curve("offset_before", curve_code), loaded)
