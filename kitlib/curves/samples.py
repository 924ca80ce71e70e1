"""The samples of one curve, and a statistic of them or why there is none."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import pandas as pd

from kitlib.words.errors import KitError

Found = TypeVar("Found")


@dataclass(frozen=True, kw_only=True, eq=False)
class Samples:
    """The samples of one curve, as arrays of one length.

    Attributes
    ----------
    sensor, reference : ndarray
        Readings restated to the offset in the register, and air-oven values of
        the same samples. [% moisture, wet basis]
    reference_se : ndarray
        Standard error of each reference value; nan where not known.
    trial, sample : ndarray of str
    """

    sensor: np.ndarray
    reference: np.ndarray
    reference_se: np.ndarray
    trial: np.ndarray
    sample: np.ndarray

    @property
    def error(self) -> np.ndarray:
        """Sensor minus air-oven. [% moisture]."""
        return self.sensor - self.reference

    @property
    def n(self) -> int:
        """Number of samples."""
        return self.sensor.size

    @property
    def n_trials(self) -> int:
        """Number of trials they come from."""
        return len(set(self.trial))

    @classmethod
    def of(cls, pairs: pd.DataFrame) -> "Samples":
        """Return the samples of a table of pairs."""
        numbers = {
            name: pairs[column].to_numpy(float)
            for name, column in (
                ("sensor", "sensor_pct"),
                ("reference", "reference_pct"),
                ("reference_se", "reference_se"),
            )
        }
        texts = {name: pairs[name].to_numpy(object) for name in ("trial", "sample")}
        return cls(**numbers, **texts)


def tried(make: Callable[..., Found], *args) -> tuple[Found | None, str]:
    """Return a statistic, or None and why the samples do not give it."""
    try:
        return make(*args), ""
    except KitError as reason:
        return None, str(reason)
