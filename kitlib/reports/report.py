"""The two reports: one for the season, one for each trial's owner."""

from kitlib.reports.season_report import season_report, write_season_report
from kitlib.reports.trial_report import trial_report, write_trial_report

__all__ = [
    "season_report",
    "trial_report",
    "write_season_report",
    "write_trial_report",
]
