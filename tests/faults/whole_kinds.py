"""Changes of whole columns and of whole files: what exports and spreadsheets do."""

import gzip
from datetime import datetime, timedelta

import numpy as np

from faults.good_season import TABLES, bytes_of
from faults.mutations import HARMLESS, CannotBeDone, Change, at, kind, pick

EPOCH = datetime(1899, 12, 30)  # of spreadsheets' day numbers


def _whole(name, columns, become, expected="harmful", told_in=None):
    """Register a change of every cell of one of some columns.

    What contradicts another table may be told of that one.
    """

    def make(files, rng):
        table, column = pick(rng, columns)
        cells = files.cells(table, column)
        if not cells:
            raise CannotBeDone(column)
        files.set(table, column, become(cells, rng))
        return Change(f"all of {table}.{column}", (told_in or {}).get(table, table))

    kind(name, expected)(make)


def _each(become):
    """Return a change of all cells that changes each by itself."""
    return lambda cells, rng: {row: become(text) for row, text in cells.items()}


def _times(factor):
    """Return a change of all cells by a factor."""
    return _each(lambda text: repr(float(text) * factor))


def _in_order(order):
    """Return a change of all cells that puts them in another order."""

    def become(cells, rng):
        return dict(zip(cells, order(list(cells.values()), rng), strict=True))

    return become


def _date(form):
    """Return a change of all times into another form."""
    return _each(lambda text: form(datetime.fromisoformat(text)))


SENSOR, MASS, AREA = [
    [("plots", c)] for c in ("sensor_pct", "plot_mass_kg", "plot_area_m2")
]
WEIGHT = [("plots", "test_weight_kg_hl"), ("benchtop", "test_weight_kg_hl")]
WARMTH = [("plots", "grain_temp_c"), ("benchtop", "grain_temp_c")]
GRAMS = [("oven", c) for c in ("tare_g", "wet_g", "dry_g")]
KNOWN = [("setup_runs", "known_pct"), ("check_runs", "known_pct")]
TIMES = [("plots", "harvested_at"), ("oven", "sampled_at"), ("oven", "weighed_at")]
KEYS = [("plots", "plot"), ("oven", "plot"), ("benchtop", "plot")]
NAMES = [("plots", "trial"), ("oven", "trial"), ("benchtop", "trial")]

# ---- units and scales of a whole column
_whole("all readings a tenth of what they are", SENSOR, _times(0.1))
_whole("all readings ten times what they are", SENSOR, _times(10))
_whole("all readings as fractions of one", SENSOR, _times(0.01))
_whole("all plot masses in g", MASS, _times(1000))
_whole("all plot masses in t", MASS, _times(0.001))
_whole("all plot masses a hundredfold", MASS, _times(100))
_whole("all plot areas in ha", AREA, _times(1e-4))
_whole("all plot areas in acres", AREA, _times(1 / 4046.8564224))
_whole("all plot areas in cm²", AREA, _times(1e4))
_whole("all test weights in g/l", WEIGHT, _times(10))
_whole("all test weights in kg/l", WEIGHT, _times(0.01))
_whole("all temperatures in K", WARMTH, _each(lambda t: repr(float(t) + 273.15)))
_whole("one of the dish weights in mg", GRAMS, _times(1000))
_whole("one of the dish weights in kg", GRAMS, _times(0.001))
_whole("moistures of known samples as fractions", KNOWN, _times(0.01))
_whole("moistures of known samples ten times", KNOWN, _times(10))
_whole(
    "all benchtop moistures as fractions", [("benchtop", "moisture_pct")], _times(0.01)
)
_whole("all loaded offsets a tenfold", [("curves", "offset_loaded")], _times(10))
_whole("all SEPs at set-up a hundredfold", [("curves", "sep_at_setup")], _times(100))
_whole(
    "lower and upper ends of ranges as fractions",
    [("curves", "low_pct"), ("curves", "high_pct")],
    _times(0.01),
)

# ---- cells of a column in another order, or all alike
_whole(
    "readings sorted without their rows",
    SENSOR,
    _in_order(lambda v, rng: sorted(v, key=float)),
)
_whole(
    "masses sorted without their rows",
    MASS,
    _in_order(lambda v, rng: sorted(v, key=float)),
)
_whole(
    "plots of the oven table sorted without their rows",
    [("oven", "plot")],
    _in_order(lambda v, rng: sorted(v)),
)
_whole("readings upside down", SENSOR, _in_order(lambda v, rng: v[::-1]))
_whole(
    "all readings alike, as filled down",
    SENSOR,
    _in_order(lambda v, rng: [v[0]] * len(v)),
)
_whole(
    "all masses alike, as filled down", MASS, _in_order(lambda v, rng: [v[0]] * len(v))
)
_whole(
    "all entries alike, as filled down",
    [("plots", "entry")],
    _in_order(lambda v, rng: [v[0]] * len(v)),
)
_whole(
    "all plots of a table alike, as filled down",
    KEYS,
    _in_order(lambda v, rng: [v[0]] * len(v)),
)
_whole(
    "all curves alike, as filled down",
    [("plots", "curve")],
    _in_order(lambda v, rng: [v[0]] * len(v)),
)
_whole(
    "known moistures in another order",
    [("setup_runs", "known_pct")],
    _in_order(lambda v, rng: rng.permutation(v).tolist()),
)
_whole(
    "keys counted up, as dragged down",
    KEYS,
    _in_order(lambda v, rng: [str(n) for n in range(1, len(v) + 1)]),
)
_whole(
    "dry weights moved down a row",
    [("oven", "dry_g")],
    _in_order(lambda v, rng: [v[-1], *v[:-1]]),
)
_whole("masses moved down a row", MASS, _in_order(lambda v, rng: [v[-1], *v[:-1]]))

# ---- how cells of a column are written
_whole(
    "a decimal comma in a whole column",
    SENSOR + MASS + GRAMS,
    _each(lambda t: t.replace(".", ",")),
)
_whole(
    "a unit behind every number of a column",
    SENSOR + MASS + GRAMS,
    _each(lambda t: f"{t} kg"),
)
_whole("a percent sign behind every reading", SENSOR, _each(lambda t: f"{t} %"))
_whole(
    "thousands set apart in a whole column",
    MASS,
    _each(lambda t: f"1,{t.replace('.', '')[:3]:0>3}"),
)
_whole("a dash for every number of a column", SENSOR + MASS, _each(lambda t: "-"))
_whole("n/a for every number of a column", SENSOR + MASS, _each(lambda t: "n/a"))
_whole(
    "a required column emptied",
    SENSOR + MASS + AREA + [("plots", "entry"), ("oven", "method")],
    _each(lambda t: ""),
)
_whole("a key column emptied", KEYS + NAMES, _each(lambda t: ""))
_whole("all dates day first", TIMES, _date(lambda d: f"{d:%d/%m/%Y %H:%M}"))
_whole("all dates month first", TIMES, _date(lambda d: f"{d:%m/%d/%Y %H:%M}"))
_whole(
    "all dates as day numbers of a spreadsheet",
    TIMES,
    _date(lambda d: repr((d - EPOCH).total_seconds() / 86400)),
)
_whole("all dates with the year in two digits", TIMES, _date(lambda d: f"{d:%d.%m.%y}"))
_whole(
    "all dates as seconds since 1970",
    TIMES,
    _date(lambda d: str(int((d - datetime(1970, 1, 1)).total_seconds()))),
)
_whole("all times with a zone", TIMES, _each(lambda t: f"{t}+02:00"))
_whole(
    "all times with a zone after a space",
    TIMES,
    _each(lambda t: f"{t} +02:00"),
)
_whole(
    "the dates of a table a century late",
    TIMES,
    _date(lambda d: (d + timedelta(days=36524)).isoformat()),
    told_in={"plots": "oven"},  # by the samples of the plots: a season has its years
)
_whole(
    "the dates of a table a year early",
    TIMES,
    _date(lambda d: (d - timedelta(days=365)).isoformat()),
)
_whole("all keys of a column with a decimal point", KEYS, _each(lambda t: f"{t}.0"))
_whole(
    "all keys of a column in scientific notation",
    KEYS,
    _each(lambda t: f"{float(t):.2E}"),
)
_whole("a letter before all keys of a table", KEYS, _each(lambda t: f"P{t}"))
_whole("a space within all keys of a table", KEYS, _each(lambda t: f"{t[:1]} {t[1:]}"))
_whole("trials of a table under other names", NAMES, _each(lambda t: f"{t}-2025"))
_whole(
    "trials of a table in capitals",
    NAMES,
    _each(str.upper),
    told_in={"plots": "oven"},  # the plots' is the most frequent spelling
)
_whole("entries replaced by placeholders", [("plots", "entry")], _each(lambda t: "-"))
_whole("every entry a border plot", [("plots", "entry")], _each(lambda t: "border"))
_whole(
    "methods of all dishes replaced by a lab's own word",
    [("oven", "method")],
    _each(lambda t: "standard"),
)
_whole("formulas where numbers were", SENSOR + MASS, _each(lambda t: "=B2*1"))
_whole(
    "errors of a spreadsheet in a whole column",
    SENSOR + MASS + GRAMS,
    _each(lambda t: "#REF!"),
)
_whole(
    "all remarks in another script",
    [("plots", "remark")],
    _each(lambda t: "倒伏"),
    HARMLESS,
)
_whole(
    "all numbers of a column in full-width digits",
    SENSOR + MASS,
    _each(lambda t: "".join(chr(ord(c) + 0xFEE0) if c.isdigit() else c for c in t)),
)


# ---- whole files
def _file(name, become, expected="harmful", among=TABLES, told_in=""):
    """Register a change of a file's rows, which may be told of another table."""

    def make(files, rng):
        table = pick(rng, among)
        rows = files.rows(table)
        made = become(rows, rng)
        content = made if isinstance(made, bytes) else bytes_of(made)
        files.content[f"{table}.csv"] = content
        return Change(f"{name}: {table}", told_in or table)

    kind(name, expected)(make)


def _shuffled(rows, rng):
    """Return the rows in a chance order, the header first."""
    order = rng.permutation(len(rows) - 1) + 1
    return [rows[0], *(rows[n] for n in order)]


def _text(rows, **how):
    """Return rows as the text of a CSV file."""
    return bytes_of(rows, **how).decode()


def _with_twin(rows):
    """Return rows with the second column once more, under the same header."""
    return [[*row, row[1]] for row in rows]


ORDERED = ["plots", "oven", "benchtop", "curves"]
_file("rows of a file in another order", _shuffled, HARMLESS, ["oven", "readings"])
_file("all rows of a file twice", lambda rows, rng: rows + rows[1:])
_file("a file put behind itself, header and all", lambda rows, rng: rows + rows)
_file(
    "the header again in the middle",
    lambda rows, rng: [*rows[: len(rows) // 2], rows[0], *rows[len(rows) // 2 :]],
)
_file(
    "a row of totals at the end",
    lambda rows, rng: [*rows, ["Total", *[""] * (len(rows[0]) - 1)]],
)
_file(
    "a row of units under the header",
    lambda rows, rng: [
        rows[0],
        ["%" if h.endswith("_pct") else "-" for h in rows[0]],
        *rows[1:],
    ],
    among=ORDERED,
)
_file("a title above the header", lambda rows, rng: [["Harvest 2025"], *rows])
_file(
    "a comment above the header", lambda rows, rng: [["# exported by the lab"], *rows]
)
_file("two header rows", lambda rows, rng: [rows[0], *rows])
_file(
    "headers in capitals", lambda rows, rng: [[h.upper() for h in rows[0]], *rows[1:]]
)
_file(
    "headers with spaces for underscores",
    lambda rows, rng: [[h.replace("_", " ") for h in rows[0]], *rows[1:]],
    among=["plots", "oven", "curves"],
)
_file("no header", lambda rows, rng: rows[1:])
_file("a header twice", lambda rows, rng: _with_twin(rows))
_file(
    "a column of numbers before the first",
    lambda rows, rng: [
        ["", *rows[0]],
        *([str(n), *r] for n, r in enumerate(rows[1:], 1)),
    ],
)
_file("a column without its header", lambda rows, rng: [["", *rows[0][1:]], *rows[1:]])
_file(
    "headers moved one to the right", lambda rows, rng: [["", *rows[0][:-1]], *rows[1:]]
)
_file(
    "a comma at the end of every line",
    lambda rows, rng: _text(rows).replace("\n", ",\n").encode(),
)
_file(
    "rows and columns exchanged",
    lambda rows, rng: [list(r) for r in zip(*rows, strict=True)],
)
_file(
    "line ends of old machines",
    lambda rows, rng: _text(rows).replace("\n", "\r").encode(),
)
_file(
    "line ends of two kinds",
    lambda rows, rng: _text(rows).replace("\n", "\r\n", len(rows) // 2).encode(),
    HARMLESS,
)
_file(
    "semicolons and decimal commas",
    lambda rows, rng: _text(rows, delimiter=";").replace(".", ",").encode(),
)
_file("a file in UTF-16", lambda rows, rng: _text(rows).encode("utf-16"))
_file(
    "a compressed file under the same name",
    lambda rows, rng: gzip.compress(bytes_of(rows), mtime=0),
)
_file(
    "a web page in place of a table",
    lambda rows, rng: b"<html><table><tr><td>" + bytes_of(rows) + b"</table></html>",
)
_file(
    "a table as JSON",
    lambda rows, rng: repr(
        [dict(zip(rows[0], r, strict=False)) for r in rows[1:]]
    ).encode(),
)
_file(
    "zero bytes among the rows",
    lambda rows, rng: bytes_of(rows).replace(b"\n", b"\0\n", 5),
)
_file(
    "a file of one long line", lambda rows, rng: _text(rows).replace("\n", ",").encode()
)
_file(
    "the first half of the register lost",
    lambda rows, rng: [rows[0], *rows[len(rows) // 2 :]],
    among=["curves"],
    told_in="plots",  # their curves are not in the register
)
_file(
    "a quote that is never closed",
    lambda rows, rng: _text(rows).replace("\n", '\n"', 2).encode(),
)
_file(
    "every quote doubled",
    lambda rows, rng: "\n".join(",".join(f'""{c}""' for c in r) for r in rows).encode(),
)
_file(
    "apostrophes around all cells",
    lambda rows, rng: "\n".join(",".join(f"'{c}'" for c in r) for r in rows).encode(),
)
_file(
    "the header of another table",
    lambda rows, rng: [["curve", "crop", "offset_loaded"], *rows[1:]],
    among=["plots", "oven"],
)
_file(
    "a hundred thousand columns",
    lambda rows, rng: [[*rows[0], *(f"x{n}" for n in range(100_000))], *rows[1:3]],
    among=["plots"],
)


@kind("the content of two files exchanged")
def _(files, rng):
    first, second = rng.permutation(["plots", "oven", "curves"])[:2]
    names = f"{first}.csv", f"{second}.csv"
    files.content.update(
        zip(names, [files.content[n] for n in names[::-1]], strict=True)
    )
    return Change(f"{first} and {second} exchanged", str(first))


@kind("a file under the ending of another kind")
def _(files, rng):
    table, ending = (
        pick(rng, ["plots", "oven", "curves"]),
        pick(rng, ["xlsx", "parquet"]),
    )
    files.content[f"{table}.{ending}"] = files.content.pop(f"{table}.csv")
    return Change(f"{table}.csv called {table}.{ending}", table)


@kind("a pipe in place of a table")
def _(files, rng):
    table = pick(rng, TABLES)
    del files.content[f"{table}.csv"]
    files.broken[f"{table}.csv"] = "pipe"
    return Change(f"{table}.csv is a pipe", table)


@kind("a trial copied under another name")
def _(files, rng):
    rows = files.rows("plots")
    trial = pick(rng, sorted({row[0] for row in rows[1:]}))
    copies = [[f"{trial}b", *row[1:]] for row in rows[1:] if row[0] == trial]
    files.put("plots", rows + copies)
    return Change(f"{trial} also as {trial}b", "plots")


@kind("two trials made one")
def _(files, rng):
    rows = files.rows("plots")
    first, second = rng.permutation(sorted({row[0] for row in rows[1:]}))[:2]
    files.put("plots", [[first if c == second else c for c in row] for row in rows])
    return Change(f"{second} called {first}", "plots")


@kind("a curve of the register lost")
def _(files, rng):
    header, *rows = files.rows("curves")
    served = files.cells("plots", "curve")
    gone = pick(rng, [row[0] for row in rows if row[0] in served.values()])
    files.put("curves", [header, *(row for row in rows if row[0] != gone)])
    plots = [row for row, curve in served.items() if curve == gone]
    return Change(f"curve {gone} not in the register", "plots", at("plots", plots))


@kind("a curve of the register twice")
def _(files, rng):
    rows = files.rows("curves")
    files.put("curves", [*rows, pick(rng, rows[1:])])
    return Change("a curve twice in the register", "curves")


@kind("the register's offsets exchanged")
def _(files, rng):
    cells = files.cells("curves", "offset_loaded")
    first, second = (int(r) for r in rng.permutation(list(cells))[:2])
    if cells[first] == cells[second]:
        raise CannotBeDone("they are the same")
    swapped = {first: cells[second], second: cells[first]}
    files.set("curves", "offset_loaded", swapped)
    return Change("offsets of two curves exchanged", "curves")


_SETTINGS = {
    "a seed below zero": ("seed = 2", "seed = -1"),
    "a step without end": ("setting_step = 0.1", "setting_step = inf"),
    "a step of nothing": ("setting_step = 0.1", "setting_step = 0"),
    "a level above one": ("confidence = 0.95", "confidence = 95"),
    "a share above one": ("selection_share = 0.2", "selection_share = 20"),
    "a number that is no number": ("confidence = 0.95", "confidence = nan"),
    "a number of thousands of digits": ("seed = 2", f"seed = {'9' * 5000}"),
    "a setting as text": ("confidence = 0.95", 'confidence = "0.95"'),
    "a setting twice": ("seed = 2", "seed = 2\nseed = 3"),
    "a name that leads out of the folder": (
        'name = "quillmoor-2025"',
        'name = "../up"',
    ),
}


def _setting(name, old, new):
    """Register a change of one setting."""

    def make(files, rng):
        text = files.content["season.toml"].decode()
        if old not in text:
            raise CannotBeDone(old)
        files.content["season.toml"] = text.replace(old, new).encode()
        return Change(f"season.toml: {new[:40]}", "")

    kind(f"season.toml: {name}")(make)


for _name, _words in _SETTINGS.items():
    _setting(_name, *_words)


@kind("season.toml nested too deeply")
def _(files, rng):
    files.content["season.toml"] += b"\nx = " + b"[" * int(rng.integers(5000, 90_000))
    return Change("season.toml: brackets without end", "")


@kind("season.toml over 1 MB")
def _(files, rng):
    files.content["season.toml"] += b"#" + bytes(np.full(2_000_000, 120, np.uint8))
    return Change("season.toml: two million letters", "")
