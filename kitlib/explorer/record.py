"""What-ifs on record: what_if.csv and a page each, in the output folder's explore.

What is chosen but not on record is kept beside them, in choices.json.
"""

import csv
import hashlib
import json
from collections.abc import Collection, Mapping
from datetime import datetime
from io import StringIO
from math import isfinite, nan
from pathlib import Path
from typing import Any

import pandas as pd

from kitlib.explorer.explorer import Look, SeasonExplorer
from kitlib.explorer.pictures import (
    NOT_THE_AUDIT,
    ErrorPicture,
    LivePicture,
    OffsetPicture,
)
from kitlib.intake.files import (
    DISTRIBUTION,
    code_hash,
    csv_bytes,
    json_bytes,
    sha256_of,
    sole_use,
    versions,
    write_bytes,
)
from kitlib.reports.blocks import (
    Block,
    Caution,
    Facts,
    Paragraph,
    Picture,
    Report,
    SideBySide,
    Table,
)
from kitlib.reports.drawing import HALF
from kitlib.reports.typeset import SIGNS, typeset
from kitlib.season.season import SeasonAudit
from kitlib.words.findings import KitError
from kitlib.words.terms import (
    columns_of,
    counted,
    listed,
    round_to_step,
    show,
    show_span,
)

SHARED = "Plots that other curves read are corrected as chosen for those curves. "
HELD = (
    "Where blocks are random, the ratio of their variance to the plots' is held as "
    "fitted to the yields as recorded. The audit fits it anew, which can move a count. "
)
# Row, name in an outlook, and scale, decimals and sign for a reader.
FIGURE_ROWS = (
    ("Bias left (points)", "bias", 1, 2, True),
    ("RMSEP in-sample (points)", "rmsep", 1, 2, False),
    ("RMSEP on trials left out (points)", "rmsep_left_out", 1, 2, False),
    ("Samples within tolerance (%)", "share_within", 100, 0, False),
)
RECORDED, WHAT_IF = "as recorded", "what if"


def figures_frame(look: Look) -> pd.DataFrame:
    """Return the figures as recorded, as audited and as chosen, one row each.

    The columns are those that `columns.csv` declares for what_if; shares are of 1.
    """
    newly = (
        (RECORDED, look.part.recorded, 0, (0, 0)),
        (look.curve.advice.action, look.audited, look.audited_newly, (nan, nan)),
        (WHAT_IF, look.chosen, look.newly, look.newly_span),
    )
    rows = []
    for case, found, entries, span in newly:
        row: dict[str, Any] = {"case": case, "offset": found.offsets[0]}
        row |= {"n": found.n, "n_trials": found.n_trials}
        for _, name, *_ in FIGURE_ROWS:
            row[name] = getattr(found, name)[0]
            ends = found.spans.get(name, (nan, nan))
            row |= {f"{name}_low": ends[0], f"{name}_high": ends[1]}
        row["newly_selected"] = entries if look.trial else nan
        ends = span if look.trial else (nan, nan)
        rows.append(row | {"newly_low": ends[0], "newly_high": ends[1]})
    return pd.DataFrame(rows)


def figures_note(look: Look) -> str:
    """Return what the figures' reader must know."""
    level = look.curve.season.settings.confidence
    said = (
        f"In brackets {level:.0%} intervals, trials taken as drawn at random; of the "
    )
    said += "entries, the least and most over offsets as far away as the interval of "
    said += "the bias reaches. "
    remark = look.chosen.remark
    said += f"On trials left out not known: {remark}. " if remark else ""
    lines = look.trial.lines if look.trial else None
    said += SHARED if lines and len(lines.slopes) > 1 else ""
    return (said + (HELD if lines and lines.ratio_held else "")).strip()


def choice_in_words(look: Look) -> str:
    """Return what is done to a reading, and the setting it means."""
    turn, curve = look.turn, look.curve
    name = curve.audit.curve
    if not (turn.offset or turn.tilt):
        return f"What if the readings of {name} were left as they are?"
    said = f"What if {show(turn.offset, sign=True)} points were added to the readings "
    said += f"of {name}"
    if turn.tilt:
        return (
            f"{said} at {show(turn.pivot, 1)} %, and {show(turn.tilt, 3, sign=True)} "
            f"more per point above it? Corrected = "
            f"{show(turn.offset - turn.tilt * turn.pivot, 3)} + "
            f"{show(1 + turn.tilt, 4)} × reading, which is no single setting."
        )
    if not isfinite(curve.loaded):
        return f"{said}? The offset in force is not known, so no setting is given."
    step = curve.season.settings.setting_step
    setting = round_to_step(curve.loaded + turn.offset, step)
    return (
        f"{said}? The setting, in steps of {step:g}, would be "
        f"{show(setting, sign=True)} in place of {show(curve.loaded, sign=True)}."
    )


def trial_in_words(look: Look) -> str:
    """Return what becomes of the trial looked at, or why nothing is known of it."""
    trial, curve = look.trial, look.curve
    if not isfinite(curve.standard_pct):
        return (
            f"The standard moisture of {curve.audit.crop} is not known, so there are "
            "no yields. Set it in season.toml."
        )
    if trial is None:
        return f"Curve {curve.audit.curve} served no plot that can be ranked."
    ranks, entries, unit = trial.ranks, trial.lines.entries, curve.unit
    changes = unit.of(trial.after - trial.before)
    span = show_span(changes.min(), changes.max(), unit.decimals + 1, sign=True)
    said = (
        f"Trial {trial.lines.trial}: yields change by {span} {unit.name}; of "
        f"{counted(entries.size, 'entry', 'entries')} "
    )
    if not (ranks.entered | ranks.left).any():
        return f"{said}the same {trial.count} are selected."
    return (
        f"{said}{trial.count} are selected; {listed(entries[ranks.entered]) or 'none'} "
        f"would move in and {listed(entries[ranks.left]) or 'none'} drop out."
    )


FOLDER, TABLE, CHOICES = "explore", "what_if.csv", "choices.json"
LONGEST_REASON = 400
FIGURES = "What the samples show, and how many entries would be selected that were not."
PRINTED = [
    "case",
    "offset",
    "bias",
    "bias_low",
    "bias_high",
    "rmsep",
    "rmsep_left_out",
    "share_within",
    "newly_selected",
]
APART = (
    "Someone asked what another choice would do; this page shows the answer. What the "
    "audit found and advises stands in the season's report and in curves.csv, and is "
    "not changed by it.",
)


class NotWritten(KitError):
    """A what-if cannot be put on record as asked."""


# ---- reading -------------------------------------------------------------------------


def read_records(home: str | Path) -> pd.DataFrame:
    """Return the what-ifs on record in a season's output folder, oldest first.

    Parameters
    ----------
    home : str or Path
        The season's output folder, the one that holds the folder explore.

    Returns
    -------
    DataFrame
        A row per record, with the columns that `columns.csv` declares for what_if;
        page is a file in explore. No rows where nothing is on record.
    """
    columns = columns_of("what_if")
    frame = pd.DataFrame(_rows(Path(home) / FOLDER / TABLE), columns=list(columns))
    for name, column in columns.items():
        if column.number:
            frame[name] = pd.to_numeric(frame[name], errors="coerce")
    return frame


def changed_records(home: str | Path) -> list[str]:
    """Return one line for each record or page that is not as it was written."""
    folder, lines = Path(home) / FOLDER, []
    for row in _rows(folder / TABLE):
        name, page = f"{FOLDER}/{TABLE}", folder / row.get("page", "")
        if row.get("row_sha256") != row_hash(row):
            lines.append(f"record changed: {name}, what-if {row.get('what_if')}")
        elif not page.is_file():
            lines.append(f"record missing: {FOLDER}/{page.name}")
        elif sha256_of(page) != row["page_sha256"]:
            lines.append(f"record changed: {FOLDER}/{page.name}")
    return lines


def row_hash(row: Mapping[str, str]) -> str:
    """Return the SHA-256 of a record's cells as they are written, but for itself."""
    cells = [text for name, text in row.items() if name != "row_sha256"]
    return hashlib.sha256("\x1f".join(cells).encode()).hexdigest()


def inputs_digest(season: SeasonAudit) -> str:
    """Return one SHA-256 over the names and SHA-256 of all that the audit read."""
    told = "".join(f"{name} {sha}\n" for name, sha in sorted(season.inputs.items()))
    return hashlib.sha256(told.encode()).hexdigest()


def _rows(path: Path) -> list[dict[str, str]]:
    """Return the rows of the table as text, none where there is no table."""
    if not path.exists():
        return []
    rows = csv.DictReader(StringIO(path.read_text(encoding="utf-8"), newline=""))
    return [{name: text or "" for name, text in row.items() if name} for row in rows]


# ---- writing -------------------------------------------------------------------------


def write_record(
    explorer: SeasonExplorer, look: Look, reason: str, home: Path, now: datetime
) -> int:
    """Put a what-if on record: one more row of what_if.csv, and a page as PDF.

    Rows that stand already are kept byte for byte. The files are written whole.

    Parameters
    ----------
    explorer : SeasonExplorer
    look : Look
        What is shown.
    reason : str
        Why it is put on record, in the user's own words.
    home : Path
        The season's output folder.
    now : datetime

    Returns
    -------
    int
        The number of the record.

    Raises
    ------
    NotWritten
        If the reason is empty or too long, or what_if.csv is not ours.
    OutputBusy
        If another what-if is being written there.
    """
    folder, said = home / FOLDER, " ".join(reason.split())
    if not said:
        raise NotWritten("the reason is empty; say why this what-if is kept.")
    if len(said) > LONGEST_REASON:
        raise NotWritten(
            f"the reason has {len(said)} letters; expected {LONGEST_REASON} at most. "
            "Say it shorter."
        )
    with sole_use(folder):
        before = _table_bytes(folder)
        number = _next_number(folder)
        page = folder / f"what_if_{number:03d}.pdf"
        printed = typeset(_page(look, said, number, now))
        row = _row(explorer, look, number, now)
        row |= {"reason": said, "page": page.name}
        row["page_sha256"] = hashlib.sha256(printed).hexdigest()
        head, new = _written_row(row)
        write_bytes(page, printed)
        write_bytes(folder / TABLE, (before or head) + new)
    return number


def delete_records(home: Path, numbers: Collection[int]) -> None:
    """Take records off the table and delete their pages; the rest stays as it is."""
    folder = home / FOLDER
    if not (folder / TABLE).exists():
        return
    with sole_use(folder):
        lines = _table_bytes(folder).splitlines(keepends=True)
        # A cell never holds the end of a line: reasons are one line of words.
        gone = {str(number).encode() for number in numbers}
        kept = [line for line in lines if line.partition(b",")[0] not in gone]
        pages = [
            row["page"]
            for row in _rows(folder / TABLE)
            if row["what_if"].encode() in gone
        ]
        write_bytes(folder / TABLE, b"".join(kept))
        for page in pages:
            (folder / Path(page).name).unlink(missing_ok=True)


def _table_bytes(folder: Path) -> bytes:
    """Return the table as it stands, empty if there is none.

    Raises
    ------
    NotWritten
        If it is not a table of ours.
    """
    path = folder / TABLE
    before = path.read_bytes() if path.exists() else b""
    head = ",".join(columns_of("what_if")).encode() + b"\n"
    if before and not before.startswith(head):
        raise NotWritten(
            f"{TABLE}: its columns are not those of a what-if; expected "
            f"{head.decode()[:40]}... Move the file away."
        )
    return before if not before or before.endswith(b"\n") else before + b"\n"


def _next_number(folder: Path) -> int:
    """Return a number that no row and no page has yet."""
    taken = [path.stem.removeprefix("what_if_") for path in folder.glob("*.pdf")]
    taken += [row["what_if"] for row in _rows(folder / TABLE)]
    return max((int(text) for text in taken if text.isdecimal()), default=0) + 1


def _written_row(row: dict[str, Any]) -> tuple[bytes, bytes]:
    """Return the head of the table and one row with its hash, as CSV."""
    names = list(columns_of("what_if"))
    frame = pd.DataFrame([row | {"row_sha256": ""}], columns=names)
    head, plain = csv_bytes(frame).split(b"\n", 1)
    # What is hashed are the cells as they are written: defused, full precision.
    cells = next(csv.reader([plain.decode()]))
    frame["row_sha256"] = row_hash(dict(zip(names, cells, strict=True)))
    return head + b"\n", csv_bytes(frame).split(b"\n", 1)[1]


def _row(
    explorer: SeasonExplorer, look: Look, number: int, now: datetime
) -> dict[str, Any]:
    """Return a what-if as one row: the choice first, then what follows."""
    trial, curve = look.trial, look.curve
    crop, name = curve.audit.crop, curve.audit.curve
    others = [
        k for k in look.state.choices if k != name and explorer.options[k] == crop
    ]
    entered, left = look.moves.get(trial.lines.trial, ([], [])) if trial else ([], [])
    return {
        "what_if": number,
        "recorded_at": now.isoformat(timespec="seconds"),
        "season": explorer.season.settings.name,
        "crop": crop,
        "curve": name,
        "tilt": look.turn.tilt,
        "pivot_pct": look.turn.pivot,
        "band_low_pct": look.choice.band.low,
        "band_high_pct": look.choice.band.high,
        "samples_left_out": "; ".join(curve.names[sorted(look.choice.left_out)]),
        "standard_pct": explorer.standard_pct(name),
        "select": look.state.select,
        "other_curves": "; ".join(
            f"{k} {show(look.state.choices[k].offset, sign=True)}" for k in others
        ),
        **figures_frame(look).iloc[-1],
        "trial": trial.lines.trial if trial else "",
        "entries_in": "; ".join(entered),
        "entries_out": "; ".join(left),
        "audit_action": curve.advice.action,
        "audit_offset": curve.advice.offset,
        "inputs_sha256": inputs_digest(explorer.season),
        "kit_version": f"{versions()[DISTRIBUTION]} {code_hash()[:12]}",
        "choices": json.dumps(explorer.saved(), ensure_ascii=False, sort_keys=True),
    }


def _page(look: Look, reason: str, number: int, now: datetime) -> Report:
    """Return a what-if as a report of one page."""
    curve, settings = look.curve, look.curve.season.settings
    select, names = look.state.select, curve.names[sorted(look.choice.left_out)]
    standard = look.state.standard.get(curve.audit.crop, curve.standard_pct)
    chosen = [
        ("Moisture band", f"{show_span(*look.choice.band, 1)} %", ""),
        ("Samples left out", listed(names) if names.size else "none", ""),
        ("Standard moisture", f"{show(standard, 1)} %", ""),
        ("Selected", f"{select:.0%}" if select < 1 else f"{select:g}", "entries"),
    ]
    blocks: list[Block] = [
        Caution(NOT_THE_AUDIT, APART),
        Paragraph(f"Reason given: {reason}"),
        Paragraph(choice_in_words(look)),
        Facts(chosen),
        Table(FIGURES, figures_frame(look)[PRINTED], "what_if", figures_note(look)),
        SideBySide(
            _picture(ErrorPicture(curve, HALF), look, "Errors over moisture."),
            _picture(OffsetPicture(curve, HALF), look, "What other offsets would do."),
        ),
        Paragraph(trial_in_words(look)),
        Paragraph(SIGNS),
    ]
    return Report(
        kind="What-if",
        title=f"What if {number}: curve {curve.audit.curve}",
        subtitle="What another correction would do",
        running=f"What if {number}, curve {curve.audit.curve}",
        date=now.date(),
        facts=[("Season", settings.name), ("Crop", curve.audit.crop)],
        blocks=blocks,
    )


def _picture(live: LivePicture, look: Look, caption: str) -> Picture:
    """Return a live picture of a look as it is printed."""
    live.show(look)
    return Picture(live.figure, caption, live.alt(look))


# ---- choices kept --------------------------------------------------------------------


def keep_choices(explorer: SeasonExplorer, home: Path) -> None:
    """Keep what is chosen on disk, for a kernel that is started again."""
    told = {"inputs": inputs_digest(explorer.season), "state": explorer.saved()}
    write_bytes(home / FOLDER / CHOICES, json_bytes(told))


def kept_choices(explorer: SeasonExplorer, home: Path) -> dict[str, Any] | None:
    """Return the choices kept last, None where there are none of these inputs."""
    try:
        told = json.loads((home / FOLDER / CHOICES).read_text(encoding="utf-8"))
        same = told["inputs"] == inputs_digest(explorer.season)
        return told["state"] if same else None
    except (OSError, ValueError, KeyError, TypeError):
        return None
