"""What is told of a curve besides its bias: the oven's error, cold and wet plots."""

import re
import tomllib

import numpy as np
import pandas as pd
import pytest
from curves import SEASON, audit_of

from kitlib.curves.evidence import cold_or_wet
from kitlib.curves.observations import OBSERVED, observe_curve, say
from kitlib.intake.settings import Season

SENSOR = np.array([15.1, 16.2, 17.0, 18.1, 19.2, 20.0])
REFERENCE = np.array([15.0, 16.0, 17.0, 18.0, 19.0, 20.0])


def observed(plots=None, reference_se=0.05):
    """Return the audit of six samples in three trials, and findings by code."""
    unset = {"low_pct": np.nan, "high_pct": np.nan}
    audit = audit_of(
        SENSOR, REFERENCE, list("AABBCC"), reference_se=reference_se, **unset
    )
    plots = pd.DataFrame(plots or {}, columns=OBSERVED)
    return audit, {f.code: f for f in observe_curve(audit, plots, SEASON)}


@pytest.mark.parametrize("above", [False, True])
def test_the_oven_is_held_against_a_third_of_the_tolerance(above):
    # French Order of 1 July 2010, article 21. For wheat 0.04 x M, at least 0.7: 0.7 at
    # 17.5 % moisture, so that 0.233 is the limit.
    audit, found = observed(reference_se=0.24 if above else 0.23)
    assert audit.reference_limit == pytest.approx(0.7 / 3)
    assert ("reference-coarse" in found) == above


def test_plots_too_cold_or_too_wet_are_estimates_only():
    plots = {
        "grain_temp_c": [4.9, 5.0, np.nan, np.nan, 12.0],
        "recorded_pct": [18.0, 25.0, 25.1, np.nan, 17.0],
        "trial": list("AABBC"),
        "curve": "W",
    }
    cold, wet = cold_or_wet(pd.DataFrame(plots))
    assert (cold.tolist(), wet.tolist()) == (
        [True, False, False, False, False],
        [False, False, True, False, False],
    )
    _, found = observed(plots)
    message = found["beyond-estimates"].message
    said = "of its 5 plots, 1 with grain below 5 °C and 1 with readings above 25 %"
    assert f"{said} (40% in all)" in message
    assert "not on record" not in message
    _, found = observed(plots | {"grain_temp_c": [np.nan] * 5})
    message = found["beyond-estimates"].message
    assert "of its 5 plots, 1 with readings above 25 % (20% in all)" in message
    assert "temperatures of the grain are not on record" in message


def test_what_to_write_for_a_crop_without_defaults_is_toml():
    said = say("crop-unknown", crop="maíz")
    parts = re.findall(r"(\S+ = (?:\[.*?\]|{.*?}|[\d.]+)) under (\[[a-z_.]+\])", said)
    told = tomllib.loads("\n".join(f"{place}\n{line}" for line, place in parts))
    assert told["alias"] == {"crop": {"maize": ["maíz"]}} and len(parts) == 3
    settings = Season.model_validate({"name": "a"} | told)
    assert settings.tolerance_of("maíz").minimum == 0.7
    assert settings.standard_moisture_of("maíz") == 14.0
