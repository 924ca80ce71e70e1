"""How foreign files are read: what season.toml says of files, units and samples."""

import codecs
import json
import stat
import tomllib
from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime
from math import nan
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Field,
    ValidationError,
    create_model,
    field_validator,
    model_validator,
)

from kitlib.intake.schema import (
    FORMER_HEADERS,
    NAMES,
    OUR_UNITS,
    SCHEMAS,
    Strict,
    Units,
    column_kinds,
)
from kitlib.words.findings import refuse
from kitlib.words.limits import (
    BUSHEL_LB,
    HANDBOOK_RULE,
    TOLERANCE_RULES,
    UNKNOWN_CROP_TOLERANCE,
    Tolerance,
    method_key,
    range_factor,
    repeatability_for,
    standard_moisture_for,
    threshold,
    tolerance_for,
)
from kitlib.words.terms import crop_key, listed


def in_a_list(value: object) -> object:
    """Return one value as a list of one."""
    return value if isinstance(value, list) else [value]


if TYPE_CHECKING:  # no checker can read choices out of a table
    TableName = str
else:
    TableName = Literal[tuple(SCHEMAS)]
Texts = Annotated[list[str], BeforeValidator(in_a_list)]


# [units] holds for all tables, [units.<table>] for one.
_UNITS_BY_TABLE: dict[str, Any] = {table: (Units, Units()) for table in SCHEMAS}
SeasonUnits: Any = create_model("SeasonUnits", __base__=Units, **_UNITS_BY_TABLE)


class FileOptions(Strict, BaseModel):
    """How the files of one table are read, as [files.<table>] says.

    Attributes
    ----------
    read : list of str
        Paths or patterns inside the season folder; ``file#sheet`` names a sheet. None
        means the file that has the table's name.
    header_row : int
        Row of the headers, as the spreadsheet numbers rows.
    units_row : bool
        Whether a row of units stands under the headers.
    separator, encoding : str or None
        None: found out, and said.
    decimal : str
        Mark before the decimals.
    dates : list of str
        Forms of times as `strptime` writes them, besides ISO 8601.
    missing : list of str
        What stands for an empty cell.
    skip_rows_where : dict
        Rows left out for what a column of ours says, such as totals.
    fixed : dict
        Columns of ours that are the same in all rows.
    columns, units
        Those of these files only.
    """

    read: Texts = []
    header_row: Annotated[int, Field(ge=1)] = 1
    units_row: bool = False
    separator: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] = "."
    encoding: str | None = None
    dates: Texts = []
    missing: Texts = []
    skip_rows_where: dict[str, Texts] = {}
    fixed: dict[str, str | bool | int | float | datetime | date] = {}
    columns: dict[str, Texts] = {}
    units: Units = Units()

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, encoding: str | None) -> str | None:
        try:
            return codecs.lookup(encoding).name if encoding else None
        except LookupError as error:
            raise ValueError("expected an encoding such as utf-8 or cp1252") from error

    @field_validator("dates")
    @classmethod
    def _known_forms(cls, forms: list[str]) -> list[str]:
        for form in forms:
            if date.min.strftime(form) == form or "%" not in form:
                raise ValueError('expected a form such as "%d/%m/%Y %H:%M"')
        return forms


class OffsetChange(Strict):
    """An offset in force on a curve from a time on."""

    curve: str
    start: datetime = Field(alias="from")
    value: Annotated[float, Field(ge=-20, le=20)]

    @field_validator("start")
    @classmethod
    def _without_zone(cls, start: datetime) -> datetime:
        return start.astimezone(UTC).replace(tzinfo=None) if start.tzinfo else start


class Selection(Strict, BaseModel):
    """Which reasons for taking a sample are blind to the sensor's reading."""

    blind: Texts = ["random", "stratified", "all", "systematic"]

    def is_blind(self, reason: str) -> bool:
        """Whether a reason is one of them, letter case and outer spaces apart."""
        plain = reason.strip().casefold()
        return not plain or plain in {name.strip().casefold() for name in self.blind}


def toml_text(text: str) -> str:
    r"""Return text as TOML writes it.

    Examples
    --------
    >>> print(toml_text('5" pan'))
    "5\" pan"
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


if TYPE_CHECKING:  # no checker can read choices out of a table
    RuleName = str
    NamingColumn = str
else:
    RuleName = Literal[tuple(TOLERANCE_RULES)]
    NamingColumn = Literal[NAMES]

SETTINGS_FILE = "season.toml"
# Beside a run's notebooks: where the season lay, and the earlier ones' results.
SEASON_PATH, EARLIER_PATHS = "season.path", "earlier.path"
BY_USER = "season.toml"
# A settings file longer than this is some other file. [bytes]
LARGEST_SETTINGS = 1 << 20


def _no_fraction(percent: float) -> float:
    """Refuse a moisture given as a fraction: no grain is below 1 %."""
    if percent < 1:
        raise ValueError(f"expected percent, such as 15.5; {percent:g} is a fraction")
    return percent


Positive = Annotated[float, Field(gt=0)]
Percent = Annotated[float, Field(gt=0, lt=100), AfterValidator(_no_fraction)]


class ToleranceSetting(Strict):
    """A tolerance of the user's own: max(fraction × M, minimum)."""

    fraction: Annotated[float, Field(ge=0, lt=1)]
    minimum: Positive


class CostSetting(Strict):
    """What sampling costs, all in one unit, money or hours."""

    trial: Annotated[float, Field(ge=0)]
    sample: Annotated[float, Field(ge=0)]
    dish: Annotated[float, Field(ge=0)]
    benchtop_reading: Annotated[float, Field(ge=0)]


class SetupLimits(Strict):
    """From which numbers on something done at set-up puts an offset in doubt.

    Attributes
    ----------
    samples, runs, runs_wanted : int
        Known samples, and fillings of each: the fewest, and what is better.
    span, span_wanted : float
        Between the driest and wettest of them, likewise. [points]
    outside_share : float
        Share of the harvested plots that may lie outside that range.
    from_standard : float
        Of the first sample, from the standard moisture. [points]
    from_air_c : float
        Of the grain, from the temperature of the air. [°C]
    grain_kg : float
        Least grain in a filling. [kg]
    """

    samples: Annotated[int, Field(ge=1)] = 2
    runs: Annotated[int, Field(ge=1)] = 2
    runs_wanted: Annotated[int, Field(ge=1)] = 3
    span: Positive = 3.0
    span_wanted: Positive = 10.0
    outside_share: Annotated[float, Field(ge=0, le=1)] = 0.1
    from_standard: Positive = 2.0
    from_air_c: Positive = 5.0
    grain_kg: Positive = 2.7


class Season(Strict, BaseModel):
    """What the season is called and how it is to be audited.

    Attributes
    ----------
    name : str
        Names the output folder and heads every report.
    year : int or None
        Harvest year.
    report_date : date or None
        Printed on the reports; no clock is read.
    seed : int
        Start of every resampling.
    confidence : float
        Level of the intervals.
    setting_step : float
        Step in which an offset can be entered at the sensor. [% moisture]
    selection_share : float
        Share of a trial's entries that is selected.
    selection_count : int or None
        Number selected, in place of the share.
    minimum_dishes : int or None
        Dishes a sample needs; None: two where duplicates are the lab's routine.
    methods_alike : list of lists of str
        Oven methods that may stand for each other.
    check_entries : list of str
        Entries the others of a trial are compared with.
    highest_moisture : float
        A moisture above this is a slip of the decimal point. [%]
    yield_unit : str
        Unit of yields in the reports; the tables stay in kg/ha.
    costs : CostSetting or None
        Of a trial visit, a sample, a dish and a benchtop reading, for the plan.
    trials_for_reslope : int
        Trials a curve needs before a slope is advised.
    wanted_half_width : float or None
        Of the bias's interval, for the plan; None: half the allowed bias. [points]
    setup : SetupLimits
        From which numbers on a curve's set-up is in doubt.
    rule : str
        Name of the tolerance rule for crops without a tolerance of their own.
    files, columns, units, ignore
        Where the tables come from, under which headers, in which units; files of the
        folder that are no tables.
    alias : dict
        By column, our name for a thing and the names that others write for it.
    offsets : list of OffsetChange
        Offsets in force by curve and time, in place of a column of the plots.
    selection : Selection
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    year: int | None = None
    report_date: date | None = None
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 1
    confidence: Annotated[float, Field(gt=0.5, lt=1)] = 0.95
    setting_step: Positive = 0.1
    selection_share: Annotated[float, Field(gt=0, lt=1)] = 0.2
    selection_count: Annotated[int, Field(ge=1)] | None = None
    minimum_dishes: Annotated[int, Field(ge=1)] | None = None
    methods_alike: list[list[str]] = []
    check_entries: list[str] = []
    highest_moisture: Percent = threshold("highest_moisture")
    rule: RuleName = HANDBOOK_RULE
    standard_moisture: dict[str, Percent] = {}
    allowed_bias: dict[str, Positive] = {}
    max_sep: dict[str, Positive] = {}
    tolerance: dict[str, ToleranceSetting] = {}
    repeatability: dict[str, Positive] = {}
    bushel_lb: dict[str, Positive] = {}
    yield_unit: Literal["t/ha", "kg/ha", "bu/ac"] = "t/ha"
    costs: CostSetting | None = None
    trials_for_reslope: Annotated[int, Field(ge=4)] = int(
        threshold("trials_for_reslope")
    )
    wanted_half_width: Positive | None = None
    setup: SetupLimits = SetupLimits()
    units: SeasonUnits = SeasonUnits()
    columns: dict[TableName, dict[str, Texts]] = {}
    files: dict[
        TableName, Annotated[list[FileOptions], BeforeValidator(in_a_list)]
    ] = {}
    ignore: Texts = []
    alias: dict[NamingColumn, dict[str, Texts]] = {}
    offsets: list[OffsetChange] = []
    selection: Selection = Selection()

    @field_validator("name")
    @classmethod
    def _plain_name(cls, name: str) -> str:
        if name != name.strip() or any(mark in name for mark in '/\\\0\n\r\t:*?"<>|'):
            raise ValueError("use letters, digits, spaces, dots and dashes only")
        if name.strip(".") == "":
            raise ValueError("a name of dots only would leave the output folder")
        return name

    @field_validator(
        "standard_moisture", "allowed_bias", "max_sep", "tolerance", "bushel_lb"
    )
    @classmethod
    def _by_crop_key(cls, by_crop: dict) -> dict:
        return {crop_key(crop): value for crop, value in by_crop.items()}

    @model_validator(mode="after")
    def _columns_of_their_table(self) -> "Season":
        named: list[tuple[str, str, Iterable[str]]] = [
            (f"columns.{t}", t, names) for t, names in self.columns.items()
        ]
        for table, options in self.files.items():
            for one in options:
                named.append((f"files.{table}.columns", table, one.columns))
                named.append((f"files.{table}.fixed", table, one.fixed))
        wrong = [
            f"{place}.{name} is no column of the table {table}, which has "
            f"{listed(column_kinds(table), most=99)}"
            for place, table, names in named
            for name in names
            if FORMER_HEADERS.get(name, name) not in column_kinds(table)
        ]
        if wrong:
            raise ValueError("; ".join(wrong))
        return self

    def sources_of(self, table: str) -> list[FileOptions]:
        """Return how each group of a table's files is read, columns and units filled.

        What is said nearer to the file wins: [files.<table>], then [units.<table>]
        and [columns.<table>], then [units].
        """
        columns = self.columns.get(table, {})
        general = self.units.model_dump(include=set(Units.model_fields))
        told = [
            OUR_UNITS.model_dump(),
            general,
            getattr(self.units, table).model_dump(),
        ]
        sources = []
        for options in self.files.get(table, [FileOptions()]):
            units: dict = {}
            for said in [*told, options.units.model_dump()]:
                units |= {name: unit for name, unit in said.items() if unit}
            filled = {
                "columns": _present(columns | options.columns),
                "units": Units.model_validate(units),
            }
            sources.append(options.model_copy(update=filled))
        return sources

    def tolerance_of(self, crop: str) -> Tolerance:
        """Return the crop's tolerance: the user's, the rule's, or the widest."""
        own = self.tolerance.get(crop_key(crop))
        if own:
            return Tolerance(own.fraction, own.minimum, BY_USER, "set by the user")
        return tolerance_for(crop, self.rule) or UNKNOWN_CROP_TOLERANCE

    def allowed_bias_at(self, crop: str, reference: float) -> float:
        """Return the bias allowed at a mean reference moisture. [% moisture]"""
        own = self.allowed_bias.get(crop_key(crop))
        share = threshold("allowed_bias_share")
        return own or share * self.tolerance_of(crop).at(reference)

    def standard_moisture_of(self, crop: str) -> float:
        """Return the crop's standard moisture, nan where none is known. [%]"""
        own = self.standard_moisture.get(crop_key(crop))
        return own or standard_moisture_for(crop)

    def bushel_of(self, crop: str) -> float:
        """Return the crop's trade bushel, nan where none is known. [lb]"""
        own, known = self.bushel_lb.get(crop_key(crop)), BUSHEL_LB.get(crop_key(crop))
        return own or (known.value if known else nan)

    def repeatability_of(self, method: str, dishes: int = 2) -> float:
        """Return the range allowed among dishes, nan where not known. [points]"""
        own = {method_key(name): limit for name, limit in self.repeatability.items()}
        if method_key(method) in own:
            return own[method_key(method)] * range_factor(dishes)
        return repeatability_for(method, dishes)

    def method_group(self, method: str) -> str:
        """Return the name under which a method's results may be put together."""
        for alike in self.methods_alike:
            if method_key(method) in map(method_key, alike):
                return " = ".join(alike)
        return method

    def crop_is_known(self, crop: str) -> bool:
        """Whether every default the crop needs is there."""
        has_tolerance = crop_key(crop) in self.tolerance or tolerance_for(crop)
        return bool(has_tolerance) and self.standard_moisture_of(crop) > 0


def _present(columns: dict[str, list[str]]) -> dict[str, list[str]]:
    """Return mapped columns under the names they have today."""
    return {FORMER_HEADERS.get(name, name): theirs for name, theirs in columns.items()}


def folders_named(place: Path) -> list[Path]:
    """Return the folders that a `.path` file names, one a line, as seen from it.

    Such files lie beside a run's notebooks, which so hold no place of any machine.

    Raises
    ------
    SeasonRefused
        If the file cannot be read.
    """
    try:
        lines = place.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        said = "cannot be read. Run the notebook in the folder that it lies in "
        said += "(`papermill --cwd FOLDER`), or name the season folder in its place."
        refuse(str(place), [said])
    return [place.parent / line for line in lines if line.strip()]


def season_folder(place: str | Path) -> Path:
    """Return a season folder: the one given, or the one that a `.path` file names."""
    place = Path(place)
    if place.suffix != ".path" or place.is_dir():
        return place
    folders = folders_named(place)
    if len(folders) != 1 or not folders[0].is_dir():
        said = "names no folder that is there; expected one line, the season folder "
        said += f"as seen from {place.parent.resolve()}. Mend it if the season moved."
        refuse(str(place), [said])
    return folders[0].resolve()


def read_season(folder: str | Path) -> Season:
    """Return the settings of a season folder.

    Parameters
    ----------
    folder : str or Path
        Folder that holds season.toml, or a `.path` file that names it.

    Returns
    -------
    Season

    Raises
    ------
    SeasonRefused
        If the file is missing, is not TOML, or any setting is wrong; every wrong
        setting is named.
    """
    path = season_folder(folder) / SETTINGS_FILE
    try:
        return Season.model_validate(_settings_in(path))
    except FileNotFoundError:
        refuse(str(path), ["not found; `moisture-audit init` writes one to fill in."])
    except ValidationError as error:
        refuse(SETTINGS_FILE, [_in_words(problem) for problem in error.errors()])
    except ValueError as error:  # also of a number with thousands of digits
        refuse(SETTINGS_FILE, [f"not readable as TOML in UTF-8: {error}."])
    except OSError as error:
        refuse(str(path), [f"cannot be opened: {error.strerror}."])
    except RecursionError:
        refuse(SETTINGS_FILE, ["it is nested too deeply to be settings of a season."])
    raise AssertionError("refuse() always raises for a problem")


def _settings_in(path: Path) -> Mapping:
    """Return what a TOML file says; its kind and size are looked at before it is."""
    told = path.stat()
    if not stat.S_ISREG(told.st_mode):
        refuse(str(path), ["it is no ordinary file; expected settings in TOML."])
    if told.st_size > LARGEST_SETTINGS:
        size = f"{told.st_size / 1e6:.1f} MB; expected at most 1 MB of settings."
        refuse(str(path), [f"it has {size}"])
    return tomllib.loads(path.read_text(encoding="utf-8-sig"))


def _in_words(problem: Any) -> str:
    """Say which setting is wrong, what it is and what was expected."""
    place = ".".join(map(str, problem["loc"]))
    if problem["type"] == "extra_forbidden":
        said = "is no setting of the audit. Check its spelling or delete it."
        return f"{_cut(place)} {said}"
    said = problem["msg"].removeprefix("Value error, ").rstrip(".")
    if problem["type"] == "dict_type":
        said = f"expected a heading [{place}] with a setting a line under it"
    if not place:
        return f"{said}."
    value = "missing" if problem["type"] == "missing" else _cut(repr(problem["input"]))
    return f"{_cut(place)} is {value}; {said[:1].lower()}{said[1:]}."


def _cut(text: str, longest: int = 80) -> str:
    """Return a text cut where it is long."""
    return text if len(text) <= longest else f"{text[:longest]}…"
