"""All that follows from one choice, ready to be shown."""

from dataclasses import dataclass

import numpy as np

from kitlib.curves.evidence import Samples
from kitlib.explorer.what_if import Outlook
from kitlib.explorer.what_if_choices import Choice, OwnLine
from kitlib.explorer.what_if_yields import TrialOutlook


@dataclass(frozen=True, kw_only=True, eq=False)
class Look:
    """All that follows from a choice.

    Attributes
    ----------
    choice : Choice
    counted : ndarray of bool
        Which of the curve's samples count.
    samples : Samples
        Those.
    own : OwnLine
        The correction they call for.
    pivot : float
        Their mean reading, about which the tilt turns. [% moisture, wet basis]
    recorded : Outlook
        Their figures without a change, one offset.
    outlook : Outlook
        Their figures at every stop of the offset.
    changed : ndarray of int
        Entries selected that were not as recorded, over the curve's trials, by stop.
    at : int
        The stop chosen.
    trial : TrialOutlook or None
        The trial looked at.
    """

    choice: Choice
    counted: np.ndarray
    samples: Samples
    own: OwnLine
    pivot: float
    recorded: Outlook
    outlook: Outlook
    changed: np.ndarray
    at: int
    trial: TrialOutlook | None
