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

from kitlib.curves.advice import Recommendation
from kitlib.explorer.explorer import Look, SeasonExplorer, State, say
from kitlib.explorer.pictures import NOT_THE_AUDIT, ErrorPicture, OffsetPicture
from kitlib.explorer.what_if import not_left_out
from kitlib.intake import outputs
from kitlib.reports import blocks as page
from kitlib.reports.drawing import HALF
from kitlib.reports.typeset import SIGNS, typeset
from kitlib.season.season import SeasonAudit
from kitlib.words import terms
from kitlib.words.findings import KitError

FOLDER, TABLE, CHOICES = "explore", "what_if.csv", "choices.json"
ON_RECORD = f"{FOLDER}/{TABLE}"  # in a season's output folder
LONGEST_REASON = 400


# ---- what a look says ----------------------------------------------------------------


def figures_frame(look: Look) -> pd.DataFrame:
    """Return the figures as recorded, as audited and as chosen, one row each.

    The columns are those that `columns.csv` declares for what_if; shares are of 1.
    """
    found = [look.part.recorded, look.curve.audited, look.chosen]
    frame = pd.concat(found, ignore_index=True)
    frame.insert(0, "case", ["as recorded", look.curve.advice.action, "what if"])
    low, high = look.newly_span
    counts: dict[str, Any] = {
        "newly_selected": [0, look.audited_newly, look.newly],
        "newly_low": [0, nan, low],
        "newly_high": [0, nan, high],
    }
    return frame.assign(**counts if look.trial else dict.fromkeys(counts, nan))


def figures_note(look: Look) -> str:
    """Return what the figures' reader must know."""
    level = look.curve.season.settings.confidence
    remark = not_left_out(look.part.samples, look.turn.tilt)
    lines = look.trial.lines if look.trial else None
    said = [say("intervals", level=level)]
    if remark:
        said.append(say("not_left_out", remark=remark))
    if lines and len(lines.per_point) > 1:
        said.append(say("shared"))
    if lines and lines.ratio_held:
        said.append(say("held"))
    return " ".join(said)


def choice_in_words(look: Look) -> str:
    """Return what is done to a reading, and the setting it means."""
    turn, curve = look.turn, look.curve
    step = curve.season.settings.setting_step
    key = "setting" if isfinite(curve.loaded) else "no_setting"
    key = "line" if turn.tilt else key if turn.offset else "as_read"
    return say(
        key,
        curve=curve.audit.curve,
        turn=turn,
        intercept=turn.offset - turn.tilt * turn.pivot,
        slope=1 + turn.tilt,
        step=step,
        setting=terms.round_to_step(curve.loaded + turn.offset, step),
        loaded=curve.loaded,
    )


def trial_in_words(look: Look) -> str:
    """Return what becomes of the trial looked at, or why nothing is known of it."""
    trial, curve = look.trial, look.curve
    if not isfinite(curve.standard_pct):
        return say("no_standard", crop=curve.audit.crop)
    if trial is None:
        key = "no_plots" if look.served else "reading_trials"
        return say(key, curve=curve.audit.curve)
    ranks, lines, unit = trial.ranks, trial.lines, curve.unit
    changes = unit.of(trial.after - trial.before)
    span = changes.min(), changes.max()
    # Checks take no place among the selected: the trial's report counts without them.
    n, checks = int(lines.candidate.sum()), int((~lines.candidate).sum())
    besides = f" (besides {terms.counted(checks, 'check')})" if checks else ""
    return say(
        "moves" if (ranks.entered | ranks.left).any() else "same",
        trial=lines.trial,
        span=terms.show_span(*span, unit.decimals + 1, sign=True),
        unit=unit.name,
        entries=terms.counted(n, "entry", "entries") + besides,
        count=trial.count,
        entered=terms.listed(lines.entries[ranks.entered]) or "none",
        left=terms.listed(lines.entries[ranks.left]) or "none",
    )


def trial_labels(look: Look) -> list[list[str]]:
    """Return the curve's trials as a list shows them, those that change first."""
    said = {}
    for name, (entered, left) in look.moves.items():
        inside, out = (", ".join(names) or "none" for names in (entered, left))
        said[name] = f"{name}: in {inside}; out {out}"
    same = {name: f"{name}: no change" for name in look.trials if name not in said}
    return [[name, words] for name, words in (said | same).items()]


def advice_in_words(look: Look) -> list[str]:
    """Return what the audit advises, and what it would on the samples that count."""
    counts, curve = look.part.counted, look.curve
    gone, level = int((~counts).sum()), curve.season.settings.confidence
    cases: dict[str, Recommendation | None]
    cases = {f"All {terms.counted(counts.size, 'sample')}": curve.advice}
    if gone:
        cases[f"Without {terms.counted(gone, 'sample')}"] = curve.advice_on(counts)
    return [
        say(
            "advised",
            samples=samples,
            action=advice.action,
            offset=advice.offset,
            level=level,
            interval=advice.interval,
            reason=advice.reason[0].upper() + advice.reason[1:],
        )
        if advice
        else say("none_left", gone=gone)
        for samples, advice in cases.items()
    ]


# ---- reading -------------------------------------------------------------------------


def read_records(home: str | Path) -> pd.DataFrame:
    """Return the what-ifs on record in a season's output folder, oldest first."""
    columns = terms.columns_of("what_if")
    frame = pd.DataFrame(_rows(Path(home) / ON_RECORD), columns=list(columns))
    for name, column in columns.items():
        if column.number:
            frame[name] = pd.to_numeric(frame[name], errors="coerce")
    return frame


def records_section(home: str | Path) -> list[page.Block]:
    """Return the list of what-ifs on record in a season's output folder, if any."""
    records = read_records(home) if home else pd.DataFrame()
    if records.empty:
        return []
    table = page.table_of("what_if_records", records)
    return [page.Heading("What-ifs on record"), table]


def changed_records(home: str | Path) -> list[str]:
    """Return one line for each record or page that is not as it was written."""
    folder, lines = Path(home) / FOLDER, []
    for row in _rows(folder / TABLE):
        file = folder / row.get("page", "")
        if row.get("row_sha256") != row_hash(row):
            number = row.get("what_if")
            lines.append(f"record changed: {ON_RECORD}, what-if {number}")
        elif not file.is_file():
            lines.append(f"record missing: {FOLDER}/{file.name}")
        elif outputs.sha256_of(file) != row["page_sha256"]:
            lines.append(f"record changed: {FOLDER}/{file.name}")
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
        raise KitError("the reason is empty; say why this what-if is kept.")
    if len(said) > LONGEST_REASON:
        raise KitError(
            f"the reason has {len(said)} letters; expected {LONGEST_REASON} at most. "
            "Say it shorter."
        )
    with outputs.sole_use(folder):
        rows = _own_rows(folder)
        taken = [path.stem.removeprefix("what_if_") for path in folder.glob("*.pdf")]
        taken += [row["what_if"] for row in rows]
        number = 1 + max((int(k) for k in taken if k.isdecimal()), default=0)
        file = folder / f"what_if_{number:03d}.pdf"
        printed = typeset(_page(look, said, number, now))
        row = _row(explorer, look) | {"what_if": number, "reason": said}
        row |= {"recorded_at": now.isoformat(timespec="seconds"), "page": file.name}
        row["page_sha256"] = hashlib.sha256(printed).hexdigest()
        # As the cells are written: defused, and in full precision.
        frame = pd.DataFrame([row], columns=list(terms.columns_of("what_if")))
        written = StringIO(outputs.csv_bytes(frame).decode(), newline="")
        [cells] = csv.DictReader(written)
        cells["row_sha256"] = row_hash(cells)
        outputs.write_bytes(file, printed)
        _write_rows(folder, [*rows, cells])
    return number


def delete_records(home: Path, numbers: Collection[int]) -> None:
    """Take records off the table and delete their pages; the rest stays as it is."""
    folder, gone = home / FOLDER, {str(number) for number in numbers}
    if (folder / TABLE).exists():
        with outputs.sole_use(folder):
            rows = _own_rows(folder)
            _write_rows(folder, [row for row in rows if row["what_if"] not in gone])
            for row in rows:
                if row["what_if"] in gone:
                    (folder / Path(row["page"]).name).unlink(missing_ok=True)


def _own_rows(folder: Path) -> list[dict[str, str]]:
    """Return the rows that stand, if the table is one of ours."""
    path, head = folder / TABLE, ",".join(terms.columns_of("what_if"))
    if path.exists() and path.read_text(encoding="utf-8").split("\n")[0] != head:
        raise KitError(
            f"{TABLE}: its columns are not those of a what-if; expected "
            f"{head[:40]}... Move the file away."
        )
    return _rows(path)


def _write_rows(folder: Path, rows: list[dict[str, str]]) -> None:
    """Write the table whole; cells that were read are written as they stood."""
    text = StringIO(newline="")
    table = csv.DictWriter(text, terms.columns_of("what_if"), lineterminator="\n")
    table.writeheader()
    table.writerows(rows)
    outputs.write_bytes(folder / TABLE, text.getvalue().encode())


def _row(explorer: SeasonExplorer, look: Look) -> dict[str, Any]:
    """Return a what-if as a row: the choice first, then what follows."""
    curve, choices = look.curve, look.state.choices
    crop, name = curve.audit.crop, curve.audit.curve
    others = [
        f"{other} {terms.show(choice.offset, sign=True)}"
        for other, choice in choices.items()
        if other != name
        and choice != explorer.curves[other].start
        and explorer.options[other] == crop
    ]
    trial = str(look.trial.lines.trial) if look.trial else ""
    entered, left = look.moves.get(trial, ([], []))
    version = outputs.versions()[outputs.DISTRIBUTION]
    return {
        "season": explorer.season.settings.name,
        "crop": crop,
        "curve": name,
        "tilt": look.turn.tilt,
        "pivot_pct": look.turn.pivot,
        "band_low_pct": look.choice.band.low,
        "band_high_pct": look.choice.band.high,
        "samples_left_out": "; ".join(curve.names[sorted(look.choice.left_out)]),
        "standard_pct": look.standard_pct,
        "select": look.state.select,
        "other_curves": "; ".join(others),
        **figures_frame(look).iloc[-1],
        "trial": trial,
        "entries_in": "; ".join(entered),
        "entries_out": "; ".join(left),
        "audit_action": curve.advice.action,
        "audit_offset": curve.advice.offset,
        "inputs_sha256": inputs_digest(explorer.season),
        "kit_version": f"{version} {outputs.code_hash()[:12]}",
        "choices": json.dumps(explorer.saved(), ensure_ascii=False, sort_keys=True),
    }


def _page(look: Look, reason: str, number: int, now: datetime) -> page.Report:
    """Return a what-if as a report of one page."""
    curve, select = look.curve, look.state.select
    names = curve.names[sorted(look.choice.left_out)]
    chosen = [
        ("Moisture band", f"{terms.show_span(*look.choice.band, 1)} %", ""),
        ("Samples left out", terms.listed(names) if names.size else "none", ""),
        ("Standard moisture", f"{terms.show(look.standard_pct, 1)} %", ""),
        ("Selected", f"{select:.0%}" if select < 1 else f"{select:g}", "entries"),
    ]
    pictures = []
    for picture in (ErrorPicture(curve, HALF), OffsetPicture(curve, HALF)):
        picture.show(look)
        words = picture.caption, picture.alt(look)
        pictures.append(page.Picture(picture.figure, *words))
    frame, title = figures_frame(look), f"curve {curve.audit.curve}"
    return page.Report(
        kind="What-if",
        title=f"What if {number}: {title}",
        subtitle="What another correction would do",
        running=f"What if {number}, {title}",
        date=now.date(),
        facts=[("Season", curve.season.settings.name), ("Crop", curve.audit.crop)],
        blocks=[
            page.Caution(NOT_THE_AUDIT, (say("apart"),)),
            page.Paragraph(f"Reason given: {reason}"),
            page.Paragraph(choice_in_words(look)),
            page.Facts(chosen),
            page.table_of("what_if", frame, note=figures_note(look)),
            page.SideBySide(*pictures),
            page.Paragraph(trial_in_words(look)),
            page.Paragraph(SIGNS),
        ],
    )


# ---- choices kept --------------------------------------------------------------------


def keep_choices(explorer: SeasonExplorer, home: Path) -> None:
    """Keep what is chosen on disk, for a kernel that is started again."""
    told = {"inputs": inputs_digest(explorer.season), "state": explorer.saved()}
    outputs.write_bytes(home / FOLDER / CHOICES, outputs.json_bytes(told))


def kept_choices(explorer: SeasonExplorer, home: Path) -> State | None:
    """Return the choices kept last, None where there are none of these inputs."""
    try:
        told = json.loads((home / FOLDER / CHOICES).read_text(encoding="utf-8"))
        same = told["inputs"] == inputs_digest(explorer.season)
        return explorer.restored(told["state"]) if same else None
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return None
