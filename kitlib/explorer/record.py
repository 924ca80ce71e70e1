"""What-ifs on record: what_if.csv and a page each, in the output folder's explore.

What is chosen but not on record is kept beside them, in choices.json.
"""

import csv
import hashlib
import json
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from io import StringIO
from math import isfinite, nan
from pathlib import Path
from typing import Any

import pandas as pd

from kitlib.explorer.explorer import Look, SeasonExplorer
from kitlib.explorer.pictures import NOT_THE_AUDIT, ErrorPicture, OffsetPicture
from kitlib.explorer.what_if import FIGURES, Outlook
from kitlib.intake.outputs import (
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
    Heading,
    Paragraph,
    Picture,
    Report,
    SideBySide,
    Table,
)
from kitlib.reports.drawing import HALF
from kitlib.reports.typeset import SIGNS, typeset
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import NO_INTERVAL
from kitlib.words.findings import KitError
from kitlib.words.terms import (
    columns_of,
    counted,
    listed,
    round_to_step,
    show,
    show_span,
)

FOLDER, TABLE, CHOICES = "explore", "what_if.csv", "choices.json"
ON_RECORD = f"{FOLDER}/{TABLE}"  # in a season's output folder
LONGEST_REASON = 400
SHARED = "Plots that other curves read are corrected as chosen for those curves. "
HELD = (
    "Where blocks are random, the ratio of their variance to the plots' is held as "
    "fitted to the yields as recorded. The audit fits it anew, which can move a count. "
)
CAPTION = "What the samples show, and how many entries would be selected that were not."
PRINTED = "case offset bias bias_low bias_high rmsep rmsep_left_out share_within"
PRINTED += " newly_selected"
LISTED = "what_if curve offset tilt bias bias_low bias_high newly_selected reason"
APART = (
    "Someone asked what another choice would do; this page shows the answer. What the "
    "audit found and advises stands in the season's report and in curves.csv, and is "
    "not changed by it.",
)


class NotWritten(KitError):
    """A what-if cannot be put on record as asked."""


# ---- what a look says ----------------------------------------------------------------


def figures_frame(look: Look) -> pd.DataFrame:
    """Return the figures as recorded, as audited and as chosen, one row each.

    The columns are those that `columns.csv` declares for what_if; shares are of 1.
    """
    cases = (
        ("as recorded", look.part.recorded, 0, (0, 0)),
        (look.curve.advice.action, look.curve.audited, look.audited_newly, (nan, nan)),
        ("what if", look.chosen, look.newly, look.newly_span),
    )
    rows = []
    for case, found, newly, span in cases:
        row = {"case": case, "offset": found.offsets[0], **figures_of(found)}
        counts = (newly, *span) if look.trial else (nan, nan, nan)
        names = ("newly_selected", "newly_low", "newly_high")
        rows.append(row | dict(zip(names, counts, strict=True)))
    return pd.DataFrame(rows)


def figures_of(found: Outlook, names: Sequence[str] = FIGURES) -> dict[str, Any]:
    """Return figures of an outlook's first offset, each with both ends."""
    row: dict[str, Any] = {"n": found.n, "n_trials": found.n_trials}
    for name in names:
        low, high = found.spans.get(name, NO_INTERVAL)
        row |= {name: getattr(found, name)[0], f"{name}_low": low, f"{name}_high": high}
    return row


def figures_note(look: Look) -> str:
    """Return what the figures' reader must know."""
    level = look.curve.season.settings.confidence
    remark, lines = look.chosen.remark, look.trial.lines if look.trial else None
    said = (
        f"In brackets {level:.0%} intervals, trials taken as drawn at random; of the "
        "entries, the least and most over offsets as far away as the interval of the "
        "bias reaches. "
    )
    said += f"On trials left out not known: {remark}. " if remark else ""
    said += SHARED if lines and len(lines.per_point) > 1 else ""
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
    # Checks take no place among the selected: the trial's report counts without them.
    n, checks = int(trial.lines.candidate.sum()), int((~trial.lines.candidate).sum())
    said = (
        f"Trial {trial.lines.trial}: yields change by {span} {unit.name}; of "
        f"{counted(n, 'entry', 'entries')} "
    )
    said += f"(besides {counted(checks, 'check')}) " if checks else ""
    if not (ranks.entered | ranks.left).any():
        return f"{said}the same {trial.count} are selected."
    return (
        f"{said}{trial.count} are selected; {listed(entries[ranks.entered]) or 'none'} "
        f"would move in and {listed(entries[ranks.left]) or 'none'} drop out."
    )


# ---- reading -------------------------------------------------------------------------


def read_records(home: str | Path) -> pd.DataFrame:
    """Return the what-ifs on record in a season's output folder, oldest first.

    The columns are those that `columns.csv` declares for what_if; page is a file in
    the folder explore. No rows where nothing is on record.
    """
    columns = columns_of("what_if")
    frame = pd.DataFrame(_rows(Path(home) / ON_RECORD), columns=list(columns))
    for name, column in columns.items():
        if column.number:
            frame[name] = pd.to_numeric(frame[name], errors="coerce")
    return frame


def records_section(home: str | Path) -> list[Block]:
    """Return the season report's list of what-ifs on record, nothing if there is none.

    `home` is the season's output folder, empty for none.
    """
    records = read_records(home) if home else pd.DataFrame()
    if records.empty:
        return []
    return [
        Heading("What-ifs on record"),
        Table(
            "What was tried in the explorer and put on record.",
            records[LISTED.split()],
            "what_if",
            note="None of them changes the audit. Each has a page in explore.",
            whole=ON_RECORD,
        ),
    ]


def changed_records(home: str | Path) -> list[str]:
    """Return one line for each record or page that is not as it was written."""
    folder, lines = Path(home) / FOLDER, []
    for row in _rows(folder / TABLE):
        page = folder / row.get("page", "")
        if row.get("row_sha256") != row_hash(row):
            number = row.get("what_if")
            lines.append(f"record changed: {ON_RECORD}, what-if {number}")
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
    """Put a what-if on record, with its reason; return the number of the record.

    It becomes one more row of what_if.csv and a page as PDF, each written whole.
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
        rows = _own_rows(folder)
        taken = [path.stem.removeprefix("what_if_") for path in folder.glob("*.pdf")]
        taken += [row["what_if"] for row in rows]
        number = 1 + max((int(k) for k in taken if k.isdecimal()), default=0)
        page = folder / f"what_if_{number:03d}.pdf"
        printed = typeset(_page(look, said, number, now))
        row = _row(explorer, look, number, now) | {"reason": said, "page": page.name}
        row["page_sha256"] = hashlib.sha256(printed).hexdigest()
        write_bytes(page, printed)
        _write_rows(folder, [*rows, _cells(row)])
    return number


def delete_records(home: Path, numbers: Collection[int]) -> None:
    """Take records off the table and delete their pages; the rest stays as it is."""
    folder, gone = home / FOLDER, {str(number) for number in numbers}
    if (folder / TABLE).exists():
        with sole_use(folder):
            rows = _own_rows(folder)
            _write_rows(folder, [row for row in rows if row["what_if"] not in gone])
            for row in rows:
                if row["what_if"] in gone:
                    (folder / Path(row["page"]).name).unlink(missing_ok=True)


def _own_rows(folder: Path) -> list[dict[str, str]]:
    """Return the rows that stand, if the table is one of ours."""
    path, head = folder / TABLE, ",".join(columns_of("what_if"))
    if path.exists() and path.read_text(encoding="utf-8").split("\n")[0] != head:
        raise NotWritten(
            f"{TABLE}: its columns are not those of a what-if; expected "
            f"{head[:40]}... Move the file away."
        )
    return _rows(path)


def _write_rows(folder: Path, rows: list[dict[str, str]]) -> None:
    """Write the table whole; cells that were read are written as they stood."""
    text = StringIO(newline="")
    table = csv.DictWriter(text, list(columns_of("what_if")), lineterminator="\n")
    table.writeheader()
    table.writerows(rows)
    write_bytes(folder / TABLE, text.getvalue().encode())


def _cells(row: dict[str, Any]) -> dict[str, str]:
    """Return a row as its cells are written: defused, full precision, and hashed."""
    frame = pd.DataFrame([row], columns=list(columns_of("what_if")))
    [cells] = csv.DictReader(StringIO(csv_bytes(frame).decode(), newline=""))
    return cells | {"row_sha256": row_hash(cells)}


def _row(
    explorer: SeasonExplorer, look: Look, number: int, now: datetime
) -> dict[str, Any]:
    """Return a what-if as one row: the choice first, then what follows."""
    trial, curve, choices = look.trial, look.curve, look.state.choices
    crop, name = curve.audit.crop, curve.audit.curve
    others = [
        f"{other} {show(choice.offset, sign=True)}"
        for other, choice in choices.items()
        if other != name and explorer.options[other] == crop
    ]
    looked_at = str(trial.lines.trial) if trial else ""
    entered, left = look.moves.get(looked_at, ([], []))
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
        "other_curves": "; ".join(others),
        **figures_frame(look).iloc[-1],
        "trial": looked_at,
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
    curve, select = look.curve, look.state.select
    names = curve.names[sorted(look.choice.left_out)]
    standard = look.state.standard.get(curve.audit.crop, curve.standard_pct)
    chosen = [
        ("Moisture band", f"{show_span(*look.choice.band, 1)} %", ""),
        ("Samples left out", listed(names) if names.size else "none", ""),
        ("Standard moisture", f"{show(standard, 1)} %", ""),
        ("Selected", f"{select:.0%}" if select < 1 else f"{select:g}", "entries"),
    ]
    lives = {
        "Errors over moisture.": ErrorPicture(curve, HALF),
        "What other offsets would do.": OffsetPicture(curve, HALF),
    }
    pictures = []
    for caption, live in lives.items():
        live.show(look)
        pictures.append(Picture(live.figure, caption, live.alt(look)))
    frame = figures_frame(look)[PRINTED.split()]
    blocks: list[Block] = [
        Caution(NOT_THE_AUDIT, APART),
        Paragraph(f"Reason given: {reason}"),
        Paragraph(choice_in_words(look)),
        Facts(chosen),
        Table(CAPTION, frame, "what_if", figures_note(look)),
        SideBySide(*pictures),
        Paragraph(trial_in_words(look)),
        Paragraph(SIGNS),
    ]
    return Report(
        kind="What-if",
        title=f"What if {number}: curve {curve.audit.curve}",
        subtitle="What another correction would do",
        running=f"What if {number}, curve {curve.audit.curve}",
        date=now.date(),
        facts=[("Season", curve.season.settings.name), ("Crop", curve.audit.crop)],
        blocks=blocks,
    )


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
