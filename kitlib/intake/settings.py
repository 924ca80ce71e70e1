"""The settings of a season, read from season.toml."""

import codecs
import json
import stat
import tomllib
from collections.abc import Mapping
from datetime import UTC, date, datetime
from math import nan
from pathlib import Path
from typing import Annotated, Any, Literal

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
)
from kitlib.words import limits
from kitlib.words.findings import no_files_left, refuse
from kitlib.words.terms import crop_key, listed

SETTINGS_FILE = "season.toml"
# Beside a run's notebooks: where the season lay, and the earlier ones' results.
SEASON_PATH, EARLIER_PATHS = "season.path", "earlier.path"
# A settings file longer than this is some other file. [bytes]
LARGEST_SETTINGS = 1 << 20


def in_a_list(value: object) -> object:
    """Return one value as a list of one."""
    return value if isinstance(value, list) else [value]


def _no_fraction(percent: float) -> float:
    """Refuse a moisture given as a fraction: no grain is below 1 %."""
    if percent < 1:
        raise ValueError(f"expected percent, such as 15.5; {percent:g} is a fraction")
    return percent


def _known_encoding(encoding: str) -> str:
    """Return an encoding under Python's name for it."""
    try:
        "".encode(encoding)  # LookupError too for one that is not of texts, such as hex
        name = codecs.lookup(encoding).name
        return "utf-8-sig" if name == "utf-8" else name  # with its mark or without
    except LookupError as error:
        raise ValueError("expected an encoding such as utf-8 or cp1252") from error


def _known_form(form: str) -> str:
    """Refuse a form of dates that writes none."""
    if "%" not in form or date.min.strftime(form) == form:
        raise ValueError('expected a form such as "%d/%m/%Y %H:%M"')
    return form


def _under_our_names(by_column: dict) -> dict:
    """Return what is said of columns, those of former names under ours."""
    return {FORMER_HEADERS.get(name, name): said for name, said in by_column.items()}


def _without_zone(time: datetime) -> datetime:
    """Return a time as the tables have it: in UTC if it names its zone."""
    return time.astimezone(UTC).replace(tzinfo=None) if time.tzinfo else time


# No checker can read choices out of a table.
TableName: Any = Literal[tuple(SCHEMAS)]
RuleName: Any = Literal[tuple(limits.TOLERANCE_RULES)]
NamingColumn: Any = Literal[NAMES]
Texts = Annotated[list[str], BeforeValidator(in_a_list)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Count = Annotated[int, Field(ge=1)]
Percent = Annotated[float, Field(gt=0, lt=100), AfterValidator(_no_fraction)]
Encoding = Annotated[str, AfterValidator(_known_encoding)]
DateForms = Annotated[
    list[Annotated[str, AfterValidator(_known_form)]], BeforeValidator(in_a_list)
]


def toml_text(value: object) -> str:
    """Return a value as TOML writes it; a list of one as its one value."""
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{k} = {toml_text(v)}' for k, v in value.items())} }}"
    if isinstance(value, list):
        many = f"[{', '.join(map(toml_text, value))}]"
        return toml_text(value[0]) if len(value) == 1 else many
    # JSON writes the rest alike, but for the one control character it leaves.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


# [units] holds for all tables, [units.<table>] for one.
_UNITS_BY_TABLE: dict[str, Any] = {table: (Units, Units()) for table in SCHEMAS}
SeasonUnits: Any = create_model("SeasonUnits", __base__=Units, **_UNITS_BY_TABLE)


class FileOptions(Strict, BaseModel):
    """How the files of one table are read, as [files.<table>] says."""

    # Paths or patterns inside the season folder; file#sheet names a sheet. Empty:
    # the file that has the table's name.
    read: Texts = []
    header_row: Count = 1  # as the spreadsheet numbers rows
    units_row: bool = False  # whether a row of units stands under the headers
    # None: found out, and said.
    separator: Annotated[str, Field(pattern=r"^[\t -!#-~]$")] | None = None
    encoding: Encoding | None = None
    decimal: Literal[".", ","] = "."
    dates: DateForms = []  # as `strptime` writes them, besides ISO 8601
    missing: Texts = []  # what stands for an empty cell
    # Rows left out for what a column of ours says, such as totals.
    skip_rows_where: dict[str, Texts] = {}
    # Columns of ours that are the same in all rows.
    fixed: dict[str, str | bool | int | float | datetime | date] = {}
    columns: dict[str, Texts] = {}
    units: Units = Units()


class OffsetChange(Strict):
    """An offset in force on a curve from a time on."""

    curve: str
    start: Annotated[datetime, AfterValidator(_without_zone)] = Field(alias="from")
    value: Annotated[float, Field(ge=-20, le=20)]


class Selection(Strict, BaseModel):
    """Which reasons for taking a sample are blind to the sensor's reading."""

    blind: Texts = ["random", "stratified", "all", "systematic"]

    def is_blind(self, reason: str) -> bool:
        """Whether a reason is one of them, letter case and outer spaces apart."""
        plain = reason.strip().casefold()
        return not plain or plain in {name.strip().casefold() for name in self.blind}


class ToleranceSetting(Strict):
    """A tolerance of the user's own: max(fraction × M, minimum)."""

    fraction: Annotated[float, Field(ge=0, lt=1)]
    minimum: Positive


class CostSetting(Strict):
    """What sampling costs, all in one unit, money or hours."""

    trial: NotNegative
    sample: NotNegative
    dish: NotNegative
    benchtop_reading: NotNegative


class SetupLimits(Strict):
    """From which numbers on something done at set-up puts an offset in doubt."""

    samples: Count = 2  # known samples, and fillings of each: the fewest
    runs: Count = 2
    runs_wanted: Count = 3  # what is better
    span: Positive = 3.0  # between driest and wettest of them, at least [points]
    span_wanted: Positive = 10.0
    outside_share: Annotated[float, Field(ge=0, le=1)] = 0.1  # of harvested plots
    from_standard: Positive = 2.0  # of the first one, from standard moisture [points]
    from_air_c: Positive = 5.0  # of the grain, from the temperature of the air [°C]
    grain_kg: Positive = 2.7  # least in a filling


class Season(Strict, BaseModel):
    """What the season is called and how it is to be audited."""

    name: Annotated[str, Field(min_length=1, max_length=80)]  # and of the outputs
    year: int | None = None  # of the harvest
    report_date: date | None = None  # printed on the reports; no clock is read
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 1  # start of every resampling
    confidence: Annotated[float, Field(gt=0.5, lt=1)] = 0.95  # level of the intervals
    setting_step: Positive = 0.1  # of an offset entered at the sensor [points]
    # Of a trial's entries, how many are selected: a share, or a number in its place.
    selection_share: Annotated[float, Field(gt=0, lt=1)] = 0.2
    selection_count: Count | None = None
    # Dishes a sample needs; None: two where duplicates are the lab's routine.
    minimum_dishes: Count | None = None
    methods_alike: list[list[str]] = []  # oven methods that may stand for each other
    check_entries: list[str] = []  # what the other entries are compared with
    # A moisture above this is a slip of the decimal point. [%]
    highest_moisture: Percent = limits.threshold("highest_moisture")
    rule: RuleName = limits.HANDBOOK_RULE  # for crops without a tolerance of their own
    standard_moisture: dict[str, Percent] = {}
    allowed_bias: dict[str, Positive] = {}
    max_sep: dict[str, Positive] = {}
    tolerance: dict[str, ToleranceSetting] = {}
    repeatability: dict[str, Positive] = {}
    bushel_lb: dict[str, Positive] = {}
    yield_unit: Literal["t/ha", "kg/ha", "bu/ac"] = "t/ha"  # tables stay in kg/ha
    costs: CostSetting | None = None  # for the plan
    # Trials a curve needs before a slope is advised.
    trials_for_reslope: Annotated[int, Field(ge=4)] = int(
        limits.threshold("trials_for_reslope")
    )
    # Of the bias's interval, for the plan; None: half the allowed bias. [points]
    wanted_half_width: Positive | None = None
    setup: SetupLimits = SetupLimits()
    # Where the tables come from, under which headers, in which units.
    units: SeasonUnits = SeasonUnits()
    columns: dict[TableName, dict[str, Texts]] = {}
    files: dict[
        TableName, Annotated[list[FileOptions], BeforeValidator(in_a_list)]
    ] = {}
    ignore: Texts = []  # files of the folder that are no tables
    # By column, our name for a thing and the names that others write for it.
    alias: dict[NamingColumn, dict[str, Texts]] = {}
    offsets: list[OffsetChange] = []  # in place of a column of the plots
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
        named: list[tuple[str, str, Mapping]]
        named = [(f"columns.{t}", t, names) for t, names in self.columns.items()]
        for table, options in self.files.items():
            named += [(f"files.{table}.columns", table, one.columns) for one in options]
            named += [(f"files.{table}.fixed", table, one.fixed) for one in options]
        wrong = [
            f"{place}.{name} is no column of the table {table}, which "
            f"has {listed(SCHEMAS[table], most=99)}"
            for place, table, names in named
            for name in names
            if FORMER_HEADERS.get(name, name) not in SCHEMAS[table]
        ]
        if wrong:
            raise ValueError("; ".join(wrong))
        return self

    def sources_of(self, table: str) -> list[FileOptions]:
        """Return how each group of a table's files is read, columns and units filled.

        What is said nearer to the file wins: [files.<table>], then [units.<table>]
        and [columns.<table>], then [units].
        """
        told = [OUR_UNITS, self.units, getattr(self.units, table)]
        told[2:2] = [Units(mass="g")] if table == "oven" else []  # dishes, not plots
        sources = []
        for options in self.files.get(table, [FileOptions()]):
            units: dict = {}
            for said in [*told, options.units]:
                given = said.model_dump(include=set(Units.model_fields))
                units |= {name: unit for name, unit in given.items() if unit}
            columns = self.columns.get(table, {}) | options.columns
            filled = {
                "columns": _under_our_names(columns),
                "fixed": _under_our_names(options.fixed),
                "skip_rows_where": _under_our_names(options.skip_rows_where),
                "units": Units.model_validate(units),
            }
            sources.append(options.model_copy(update=filled))
        return sources

    def tolerance_of(self, crop: str) -> limits.Tolerance:
        """Return the crop's tolerance: the user's, the rule's, or the narrowest."""
        if own := self.tolerance.get(crop_key(crop)):
            said = SETTINGS_FILE, "set by the user"
            return limits.Tolerance(own.fraction, own.minimum, *said)
        return limits.tolerance_for(crop, self.rule) or limits.UNKNOWN_CROP_TOLERANCE

    def standard_moisture_of(self, crop: str) -> float:
        """Return the crop's standard moisture, nan where none is known. [%]"""
        own = self.standard_moisture.get(crop_key(crop))
        return own or limits.standard_moisture_for(crop)

    def bushel_of(self, crop: str) -> float:
        """Return the crop's trade bushel, nan where none is known. [lb]"""
        key, known = crop_key(crop), limits.BUSHEL_LB.get(crop_key(crop))
        return self.bushel_lb.get(key) or (known.value if known else nan)

    def repeatability_of(self, method: str, dishes: int = 2) -> float:
        """Return the range allowed among dishes, nan where not known. [points]"""
        for name, limit in self.repeatability.items():
            if limits.method_key(name) == limits.method_key(method):
                return limit * limits.range_factor(dishes)
        return limits.repeatability_for(method, dishes)

    def method_group(self, method: str) -> str:
        """Return the name under which a method's results may be put together."""
        for alike in self.methods_alike:
            if limits.method_key(method) in map(limits.method_key, alike):
                return " = ".join(alike)
        return method


def folders_named(place: Path) -> list[Path]:
    """Return the folders that a `.path` file names, one a line, as seen from it.

    Such files lie beside a run's notebooks, which so hold no place of any machine.
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
    """Return the settings of a season folder, or of the one a `.path` file names.

    `SeasonRefused` is raised if season.toml is missing, is not TOML, or any setting is
    wrong; every wrong setting is named.
    """
    path = season_folder(folder) / SETTINGS_FILE
    try:
        # Kind and size are looked at first: a pipe or a disk image is not read.
        told = path.stat()
        if not stat.S_ISREG(told.st_mode):
            refuse(str(path), ["it is no ordinary file; expected settings in TOML."])
        if told.st_size > LARGEST_SETTINGS:
            size = f"{told.st_size / 1e6:.1f} MB; expected at most 1 MB of settings."
            refuse(str(path), [f"it has {size}"])
        settings = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        return Season.model_validate(settings)
    except FileNotFoundError:
        refuse(str(path), ["not found; `moisture-audit init` writes one to fill in."])
    except ValidationError as error:
        refuse(SETTINGS_FILE, [_in_words(problem) for problem in error.errors()])
    except ValueError as error:  # also of a number with thousands of digits
        refuse(SETTINGS_FILE, [f"not readable as TOML in UTF-8: {error}."])
    except OSError as error:
        if no_files_left(error):
            raise  # it is not the file's fault
        refuse(str(path), [f"cannot be opened: {error.strerror}."])
    except RecursionError:
        refuse(SETTINGS_FILE, ["it is nested too deeply to be settings of a season."])


def _in_words(problem: Any) -> str:
    """Say which setting is wrong, what it is and what was expected."""
    kind, place = problem["type"], ".".join(map(str, problem["loc"]))
    at, value = place[:80], "missing" if kind == "missing" else repr(problem["input"])
    value = value if len(value) <= 80 else f"{value[:80]}…"
    if kind == "extra_forbidden":
        return f"{at} is no setting of the audit. Check its spelling or delete it."
    said = problem["msg"].removeprefix("Value error, ").rstrip(".")
    if kind == "dict_type":
        said = f"expected a heading [{place}] with a setting a line under it"
    return f"{at} is {value}; {said[:1].lower()}{said[1:]}." if at else f"{said}."
