"""A season folder to fill in: tables with headers only, and commented settings."""

from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

from kitlib.curves.observations import observe_season
from kitlib.intake.checks import read_tables, table_findings
from kitlib.intake.files import write_bytes
from kitlib.intake.pairs import pair_samples
from kitlib.intake.reference import reference_values
from kitlib.intake.schema import SCHEMAS, Table, located, needed_columns
from kitlib.intake.settings import SETTINGS_FILE, Season, read_season, season_folder
from kitlib.words.findings import FAULT, SEVERITIES, STOP, Finding, refuse
from kitlib.words.terms import counted

# A line that begins with "#" and a letter is a setting at its default, or an example
# of one that has none; with the "#" taken away it is in force.
SETTINGS = """\
# Settings of the season. A setting begins a line; take away the "#" to change it.
# What is left out keeps its default. Moistures are percent wet basis; differences
# of moistures are points.

# Names the output folder and heads every report.
name = "my-season"

# Harvest year, and the date printed on the reports: no clock is ever read.
#year = 2025
#report_date = 2025-12-01

# Start of every resampling: the same seed gives the same results.
#seed = 1

# Level of the intervals.
#confidence = 0.95

# Step in which an offset can be entered at the sensor, in points.
#setting_step = 0.1

# How many entries of a trial are selected: a share, or a number in its place.
#selection_share = 0.2
#selection_count = 5

# Entries that the others of a trial are compared with.
#check_entries = ["check-1", "check-2"]

# Unit of yields in the reports: "t/ha", "kg/ha" or "bu/ac". The tables that the
# audit writes stay in kg/ha.
#yield_unit = "t/ha"

# Dishes a sample needs to count. Left out: two where duplicates are the lab's
# routine, else one.
#minimum_dishes = 2

# Oven methods that may stand for each other; others are not mixed within a crop.
#methods_alike = [["ISO 712-1", "AACC 44-15.02"]]

# A moisture above this is taken for a slip of the decimal point.
#highest_moisture = 60

# Trials of a curve from which on a new slope may be advised; with fewer it is open.
#trials_for_reslope = 8

# Tolerance rule for crops without a tolerance of their own.
#rule = "Handbook 44"

# Half-width wanted of the bias's interval next season, in points. Left out: half the
# allowed bias.
#wanted_half_width = 0.25

# What sampling costs, in hours or money. Left out: hours of work.
#costs = { trial = 4.0, sample = 0.25, dish = 0.2, benchtop_reading = 0.1 }

# Files in this folder that are no tables.
#ignore = ["notes*.xlsx"]

# Moisture that yields are stated at, by crop.
[standard_moisture]
#maize = 15.5

# Bias that is allowed, in points. Left out: half the tolerance at the curve's mean
# moisture.
[allowed_bias]
#maize = 0.5

# Largest SEP a curve may have, in points. Left out: from the SEP at set-up where the
# register has it, else the tolerance at the mean moisture.
[max_sep]
#maize = 1.0

# Tolerance = the larger of fraction × moisture and minimum, in points. Left out: by
# the rule.
[tolerance]
#maize = { fraction = 0.05, minimum = 0.8 }

# How far two dishes of one sample may lie apart, in points, by oven method. Left out:
# the method's own limit, where it is known.
[repeatability]
#"ISO 712-1" = 0.15

# Weight of a bushel in lb, for yields in bu/ac.
[bushel_lb]
#maize = 56

# From which numbers on a curve's set-up is in doubt: known samples, fillings of each
# (fewest and wanted), points their moistures span (least and wanted), share of the
# plots outside that span, points of the first from the standard moisture, °C of the
# grain from the air, kg in a filling.
[setup]
#samples = 2
#runs = 2
#runs_wanted = 3
#span = 3.0
#span_wanted = 10.0
#outside_share = 0.1
#from_standard = 2.0
#from_air_c = 5.0
#grain_kg = 2.7

# Which reasons for taking a sample are blind to the sensor's reading; samples taken
# for any other are shown apart and left out of the bias.
[selection]
#blind = ["random", "stratified", "all", "systematic"]

# What others call it: ours = ["theirs"], for trial, entry, crop, curve, method.
[alias.trial]
#"N12" = ["North 12"]

# An offset put in force during the season, in place of a column offset_in_force;
# before the first it is the one in the table curves.
#[[offsets]]
#curve = "maize-S1"
#from = 2025-10-04T12:00:00
#value = 0.3

# Units of your tables: moisture percent, fraction or dry_basis; mass kg, lb or g;
# test_weight kg_hl or lb_bu; area m2, ft2 or ac; temperature c or f. For one table
# alone: [units.benchtop].
[units]
#moisture = "percent"
#mass = "kg"
#test_weight = "kg_hl"
#area = "m2"
#temperature = "c"

# Your own headers, table by table: ours = "yours".
[columns.benchtop]
#moisture_pct = "Moisture %"

# Files as they were exported: which to read, and how they are written. Dates are
# ISO 8601 unless their form is given; separator and encoding are found out.
[files.benchtop]
#read = ["meter/*.csv", "book.xlsx#Sheet"]
#header_row = 3
#units_row = true
#separator = ";"
#decimal = ","
#encoding = "cp1252"
#dates = "%m/%d/%Y %H:%M"
#missing = ["-", "n/a"]
#skip_rows_where = { trial = ["Total", ""] }
#fixed = { meter = "bench-1" }
"""


def write_new_season(folder: str | Path) -> list[Path]:
    """Write a season folder to fill in.

    Every table of the contract with its header row, required columns first; the
    optional tables may be deleted. Settings stand in season.toml, commented.

    Parameters
    ----------
    folder : str or Path
        Made if it is not there.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    SeasonRefused
        If the folder holds anything.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        said = "it is not an empty folder, and nothing in it is overwritten. "
        refuse(str(folder), [f"{said}Name a new one."])
    written = [
        write_bytes(folder / f"{table}.csv", f"{','.join(headers(table))}\n".encode())
        for table in SCHEMAS
    ]
    return [*written, write_bytes(folder / SETTINGS_FILE, SETTINGS.encode())]


def headers(table: str) -> list[str]:
    """Return the columns of a table, the required ones first.

    Examples
    --------
    >>> headers("curves")[:4]
    ['curve', 'crop', 'offset_loaded', 'sensor']
    """
    needed = needed_columns(table)
    return [*needed, *(name for name in SCHEMAS[table] if name not in needed)]


MOST_ROWS = 12


class CheckedSeason(NamedTuple):
    """A season's tables and every finding on them, the most serious first."""

    folder: Path
    settings: Season
    tables: dict[str, Table]
    findings: list[Finding]


def check_season(folder: str | Path) -> CheckedSeason:
    """Return a season's tables with every finding on them, curves not audited.

    Raises
    ------
    SeasonRefused
        If the season cannot be read; every reason is named.
    """
    folder = season_folder(folder)
    settings = read_season(folder)
    tables = read_tables(folder, settings)
    reference = reference_values(tables["oven"], tables["plots"].frame, settings)
    pairing = pair_samples(tables, reference, settings)
    found = table_findings(tables, settings) + reference.findings + pairing.findings
    found += observe_season(pairing, tables["oven"].frame, settings)
    found = located(found, tables)
    found.sort(key=lambda each: SEVERITIES.index(each.severity))
    return CheckedSeason(folder, settings, tables, found)


def is_faulty(findings: Sequence[Finding]) -> bool:
    """Whether anything is to be put right before the results are believed."""
    return any(found.severity in (STOP, FAULT) for found in findings)


def listing(findings: Sequence[Finding]) -> list[str]:
    """Return findings as lines, grouped by severity in the order given.

    Examples
    --------
    >>> one = Finding(code="row-twice", table="oven", rows=(4, 9), message="twice.")
    >>> listing([one])
    ['1 fault', '  oven: twice. Delete one of the two rows. [row-twice; rows 4, 9]']
    """
    lines = []
    for severity, group in groupby(findings, lambda found: found.severity):
        members = list(group)
        lines.append(counted(len(members), severity))
        lines += [f"  {f} {f.remedy} [{'; '.join(_place(f))}]" for f in members]
    return lines or ["nothing was found"]


def _place(found: Finding) -> list[str]:
    """Return a finding's code and its rows."""
    if not found.rows:
        return [found.code]
    if found.where:
        return [found.code, found.where]
    rows = ", ".join(map(str, found.rows[:MOST_ROWS]))
    more = len(found.rows) - MOST_ROWS
    rows += f" and {more} more" if more > 0 else ""
    return [found.code, f"{'rows' if len(found.rows) > 1 else 'row'} {rows}"]
