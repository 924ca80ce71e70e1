"""What a curve's readings are corrected by, with the uncertainty of its audit."""

import numpy as np

from kitlib.curves.audit import CurveAudit
from kitlib.curves.corrections import Correction


def offset_correction(audit: CurveAudit) -> Correction:
    """Return the correction that adds −bias, with the bias's own uncertainty."""
    bias = audit.bias
    return Correction(
        curve=audit.curve,
        pivot=audit.found.anchor,
        shift=-bias.value,
        tilt=0.0,
        covariance=np.diag([bias.se**2, 0.0]),
        df=bias.df,
    )


def line_correction(audit: CurveAudit) -> Correction:
    """Return the correction by the prediction line, with its joint uncertainty."""
    line = audit.found.line
    fit = line.fit
    return Correction(
        curve=audit.curve,
        pivot=line.anchor,
        shift=float(fit.coefficients[0]),
        tilt=float(fit.coefficients[1]),
        covariance=fit.covariance,
        df=line.tilt.df,
    )


def no_correction(audit: CurveAudit) -> Correction:
    """Return the correction that changes nothing, the bias as uncertain as it is."""
    bias = audit.bias
    return Correction(
        curve=audit.curve,
        pivot=audit.found.anchor,
        shift=0.0,
        tilt=0.0,
        covariance=np.diag([bias.se**2, 0.0]),
        df=bias.df,
    )
