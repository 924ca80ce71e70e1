"""How foreign files are read: what season.toml says of files, units and samples."""

import codecs
import json
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    create_model,
    field_validator,
)

from kitlib.intake.schema import SCHEMAS


def in_a_list(value: object) -> object:
    """Return one value as a list of one."""
    return value if isinstance(value, list) else [value]


if TYPE_CHECKING:  # no checker can read choices out of a table
    TableName = str
else:
    TableName = Literal[tuple(SCHEMAS)]
Texts = Annotated[list[str], BeforeValidator(in_a_list)]
Moisture = Literal["percent", "fraction", "dry_basis"]


class Strict(BaseModel):
    """Settings that refuse a key they do not know."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Units(Strict):
    """Units that tables are written in; None where it is not said here."""

    moisture: Moisture | None = None
    mass: Literal["kg", "lb", "g"] | None = None
    test_weight: Literal["kg_hl", "lb_bu"] | None = None
    area: Literal["m2", "ft2", "ac"] | None = None
    temperature: Literal["c", "f"] | None = None


OUR_UNITS = Units(
    moisture="percent", mass="kg", test_weight="kg_hl", area="m2", temperature="c"
)
# [units] holds for all tables, [units.<table>] for one.
_UNITS_BY_TABLE: dict[str, Any] = {table: (Units, Units()) for table in SCHEMAS}
SeasonUnits: Any = create_model("SeasonUnits", __base__=Units, **_UNITS_BY_TABLE)


class FileOptions(Strict):
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


class Selection(Strict):
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
