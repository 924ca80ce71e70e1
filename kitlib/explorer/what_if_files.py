"""A what-if put on record: a row of what_if.csv and a page of its own."""

from dataclasses import dataclass
from io import BytesIO
from pathlib import Path

import pandas as pd

from kitlib.explorer.explorer import CurveExplorer
from kitlib.explorer.explorer_look import Look
from kitlib.explorer.what_if_page import what_if_page
from kitlib.intake.outputs import csv_bytes, file_name, sole_use, write_bytes
from kitlib.pages.typeset import typeset
from kitlib.season.season import SeasonAudit
from kitlib.words.errors import KitError

FOLDER, TABLE = "explore", "what_if.csv"
LONGEST_REASON = 400


class NotWritten(KitError):
    """A what-if cannot be put on record as asked."""


@dataclass(frozen=True, kw_only=True)
class Written:
    """Where a what-if was put on record."""

    table: Path
    page: Path


def explore_folder(season: SeasonAudit, out: str | Path) -> Path:
    """Return where a season's what-ifs go: beside the audit's outputs, never among."""
    return Path(out) / file_name(season.settings.name) / FOLDER


def write_what_if(
    explorer: CurveExplorer, look: Look, reason: str, folder: str | Path
) -> Written:
    """Put a what-if on record: one more row of what_if.csv, and a page as PDF.

    Rows that stand already are kept byte for byte. The files are written whole.

    Parameters
    ----------
    explorer : CurveExplorer
    look : Look
    reason : str
        Why it is put on record, in the user's own words.
    folder : str or Path
        Made if it is not there.

    Raises
    ------
    NotWritten
        If the reason is empty or too long, or what_if.csv is not ours.
    OutputBusy
        If another what-if is being written there.
    """
    folder, said = Path(folder), " ".join(reason.split())
    if not said:
        raise NotWritten("the reason is empty; say why this what-if is kept.")
    if len(said) > LONGEST_REASON:
        raise NotWritten(
            f"the reason has {len(said)} letters; expected {LONGEST_REASON} at most. "
            "Say it shorter."
        )
    with sole_use(folder):
        path = folder / TABLE
        before = path.read_bytes() if path.exists() else b""
        number = _next_number(before, folder)
        page = folder / f"what_if_{number:03d}.pdf"
        table = pd.DataFrame([what_if_row(explorer, look, said, number, page.name)])
        after = _with_row(before, csv_bytes(table))
        write_bytes(page, typeset(what_if_page(explorer, look, said, number)))
        return Written(table=write_bytes(path, after), page=page)


def what_if_row(explorer, look: Look, reason: str, number: int, page: str) -> dict:
    """Return a what-if as one row, the choice first, then what follows, at last why."""
    choice, found, at, trial = look.choice, look.outlook, look.at, look.trial
    ranks = trial.ranks if trial else None
    entries = trial.lines.entries if trial else None
    return {
        "what_if": number,
        "season": explorer.season.settings.name,
        "crop": explorer.audit.crop,
        "curve": explorer.audit.curve,
        "offset": choice.offset,
        "tilt": choice.tilt,
        "pivot_pct": look.pivot,
        "band_low_pct": choice.band.low,
        "band_high_pct": choice.band.high,
        "samples_left_out": "; ".join(
            str(explorer.samples.sample[k]) for k in sorted(choice.left_out)
        ),
        "standard_pct": choice.standard_pct,
        "select": choice.select,
        "n": found.n,
        "n_trials": found.n_trials,
        "bias": found.bias[at],
        "rmsep": found.rmsep[at],
        "rmsep_left_out": found.rmsep_left_out[at],
        "share_within": found.share_within[at],
        "newly_selected": look.changed[at] if explorer.trials else None,
        "trial": choice.trial,
        "entries_in": "; ".join(entries[ranks.entered]) if ranks else "",
        "entries_out": "; ".join(entries[ranks.left]) if ranks else "",
        "audit_action": explorer.advice.action,
        "audit_offset": explorer.advice.offset,
        "page": page,
        "reason": reason,
    }


def _next_number(table: bytes, folder: Path) -> int:
    """Return a number that no row and no page has yet."""
    pages = (path.stem.removeprefix("what_if_") for path in folder.glob("*.pdf"))
    taken = [int(number) for number in pages if number.isdecimal()]
    if table:
        taken += pd.read_csv(BytesIO(table), usecols=[0]).iloc[:, 0].to_list()
    return max(taken, default=0) + 1


def _with_row(before: bytes, new: bytes) -> bytes:
    """Return the table with a row more, those before it as they are."""
    if not before:
        return new
    head, row = new.split(b"\n", 1)
    if not before.startswith(head + b"\n"):
        raise NotWritten(
            f"{TABLE}: its columns are not those of a what-if; expected "
            f"{head.decode()[:40]}... Move the file away."
        )
    return before.removesuffix(b"\n") + b"\n" + row
