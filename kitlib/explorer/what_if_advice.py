"""What the audit would advise on some of a curve's samples."""

from dataclasses import replace

import numpy as np

from kitlib.curves.advice import Recommendation, recommend
from kitlib.curves.audit import CurveAudit


def advice_on(audit: CurveAudit, counted: np.ndarray) -> Recommendation:
    """Return what the audit would advise had only some samples counted.

    The audit's own functions are run on them. The samples that do not count are taken
    as the audit takes those not blind to the reading: set apart.

    Parameters
    ----------
    audit : CurveAudit
    counted : ndarray of bool, shape (audit.n,)
        True for the samples that count, in the order of the audit; at least one.
    """
    used = audit.pairs["used"].to_numpy(bool, copy=True)
    used[used] = counted
    return recommend(replace(audit, pairs=audit.pairs.assign(used=used)))
