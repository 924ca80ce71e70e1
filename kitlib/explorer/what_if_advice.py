"""What the audit would advise on some of a curve's samples."""

import numpy as np

from kitlib.curves.advice import Recommendation, recommend
from kitlib.curves.audit import CurveAudit, audit_curve
from kitlib.season.season import SeasonAudit


def advice_on(
    season: SeasonAudit, audit: CurveAudit, counted: np.ndarray
) -> Recommendation:
    """Return what the audit would advise had only some samples counted.

    The audit's own functions are run on them. The samples that do not count are taken
    as the audit takes those not blind to the reading: set apart.

    Parameters
    ----------
    season : SeasonAudit
    audit : CurveAudit
        Of one of its curves.
    counted : ndarray of bool, shape (audit.n,)
        True for the samples that count, in the order of the audit; at least one.
    """
    pairs = season.pairing.pairs
    own = pairs[(pairs["curve"] == audit.curve) & (pairs["crop"] == audit.crop)]
    used = own["used"].to_numpy(bool, copy=True)
    used[used] = counted
    own = own.assign(used=used)
    served = season.pairing.plots[season.pairing.plots["curve"] == audit.curve]
    plots = served if len(served) else None
    found = audit_curve(audit.crop, audit.register, own, plots, season.settings)
    return recommend(found, season.settings)
