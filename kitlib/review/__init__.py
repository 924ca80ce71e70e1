"""Set-up, check samples, parallel curves, sources of error, plan, earlier seasons."""
