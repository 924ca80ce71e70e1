"""What a trial's report rests on: as long as it is the same, so is the report."""

from kitlib.intake.pairs import OVEN
from kitlib.pages.blocks import Block, Column, Heading, Table
from kitlib.reports.method_note import made_with
from kitlib.reports.trial_condition import curve_condition
from kitlib.season.season import SeasonAudit, findings_on
from kitlib.words.digests import digest, kept


def trial_basis(season: SeasonAudit, name: str) -> dict[str, str]:
    """Return the SHA-256 of all that a trial's notebook and report are made from.

    These are rows of the season's tables, joined and corrected, and what was found of
    the curves that served the trial; nothing else of the season enters a report.

    Parameters
    ----------
    season : SeasonAudit
    name : str
        The trial.

    Returns
    -------
    dict of str to str
        By the part, as the report names it.
    """
    plots = season.plots_of(name)
    curves = sorted(plots["curve"].dropna().unique())
    pairs, left_out = season.pairing.pairs, season.pairing.left_out
    own = pairs[pairs["trial"] == name]
    left = left_out[left_out["trial"] == name]
    findings = findings_on(season, name, curves)
    return {
        "settings": digest(season.settings),
        f"plots of the trial ({len(plots)})": digest(plots),
        f"samples of the trial ({len(own)})": digest(own),
        f"rows left out ({len(left)})": digest(left),
        f"findings ({len(findings)})": digest(findings),
        **{f"curve {curve}": curve_digest(season, curve) for curve in curves},
    }


def basis_blocks(season: SeasonAudit, name: str) -> list[Block]:
    """Return what a trial's report rests on, and the versions it was made with."""
    return [
        Heading("Provenance"),
        Table(
            caption="All that this report rests on, with SHA-256.",
            columns=[Column("Part of the season"), Column("SHA-256")],
            rows=list(trial_basis(season, name).items()),
            note="As long as these are the same, so is the report, whatever changes "
            "elsewhere in the season. The manifest.json of the run lists them for each "
            "report, with the SHA-256 of the files the season was read from.",
        ),
        made_with(season),
    ]


@kept
def curve_digest(season: SeasonAudit, curve: str) -> str:
    """Return one hash of all that reports show of a curve."""
    pairs = season.pairing.pairs
    drawn = pairs[(pairs["curve"] == curve) & (pairs["basis"] == OVEN)]
    return digest(
        {
            "audit": season.audits.get(curve),
            "advice": season.advice.get(curve),
            "samples": drawn,
            "condition": curve_condition(season, curve),
        }
    )
