"""The command `moisture-audit`.

Each command is two functions that stand together: what it takes, and what it does.
What they call is imported when it is needed, for a quick --help.
"""

import argparse
import os
import sys
from collections.abc import Callable, Iterable
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from kitlib.words.findings import KitError

DONE, PROBLEMS, WRONG_CALL, INTERRUPTED = 0, 1, 2, 130
# More than any season holds; beyond, a slip of the keyboard would run for days.
MOST_TRIALS, MOST_PLOTS, MOST_SEED = 100_000, 20_000_000, 10**18

_ABOUT = """\
Season-end audit of a combine's moisture curves against the lab's air-oven.

A season is one folder: season.toml with the settings, and tables as CSV, Parquet or
Excel. Needed are plots (what was harvested and what the sensor read), oven (the
dishes) and curves (the register of calibrations with the offset loaded in each);
benchtop, readings, setup_runs and check_runs are used if they are there.

  moisture-audit init my-season         a folder to fill in, with every column named
  moisture-audit init my-season --from exports    a season drafted from foreign files
  moisture-audit simulate demo          an invented season to try things on
  moisture-audit check my-season        what is wrong in the tables, row by row
  moisture-audit run my-season          the whole audit, into reports/
  moisture-audit verify reports/NAME    whether a run's files are still as it left them
  moisture-audit explore my-season      see what another offset would do
"""
_CODES = """\
exit codes:
  0    done; warnings and notes do not change that
  1    the season was refused, rows in it are faulty (all listed; what could be made
       without them was made), or no curve could be audited
  2    wrong call
  130  interrupted; the same call goes on where it was broken off
"""
_LOOK: dict[str, Any] = {
    "formatter_class": argparse.RawDescriptionHelpFormatter,
    "epilog": _CODES,
}


def main(arguments: list[str] | None = None) -> int:
    """Run the command and return its exit code.

    What people can put right, in their data or on their disk, is said in words; a
    programmer's mistake shows its traceback.
    """
    for library in ("OPENBLAS", "OMP", "MKL"):  # threads cost time on small matrices
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")  # and can move last digits
    # No process that we start looks for modules in the folder we were called from.
    os.environ["PYTHONSAFEPATH"] = "1"
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="backslashreplace")
    call = _parser().parse_args(arguments)
    try:
        return call.command(call)
    except KitError as error:
        _tell(error)
    except BrokenPipeError:  # the reader of our output, such as `head`, has left
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        _tell(f"{error.filename or 'the disk'}: {error.strerror or error}.")
    except MemoryError:
        _tell(
            "there is too little memory for this season. Close other programs, give "
            "fewer --jobs, or audit the season in parts, each a season folder."
        )
    except KeyboardInterrupt:
        _tell("interrupted; the same call goes on where this one was broken off.")
        return INTERRUPTED
    return PROBLEMS


def _parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    parser = argparse.ArgumentParser("moisture-audit", description=_ABOUT, **_LOOK)
    commands = parser.add_subparsers(required=True, metavar="COMMAND", title="commands")
    for add in _COMMANDS:
        add(commands)
    return parser


def _added(
    commands: Any, name: str, command: Callable, about: str, example: str
) -> argparse.ArgumentParser:
    """Add a command and return the parser of what it takes."""
    description = f"{about[0].upper()}{about[1:]}.\n\nexample: moisture-audit {example}"
    parser = commands.add_parser(name, help=about, description=description, **_LOOK)
    parser.set_defaults(command=command, parser=parser)
    return parser


def _add_season(parser: argparse.ArgumentParser) -> None:
    """Add the season folder."""
    parser.add_argument("season", metavar="SEASON", help="the season folder")


def _add_out(parser: argparse.ArgumentParser, what: str) -> None:
    """Add where results go."""
    parser.add_argument(
        "--out",
        metavar="DIR",
        default="reports",
        help=f"{what} to DIR/<name of the season>/ (default: reports)",
    )


def _add_several(
    parser: argparse.ArgumentParser, option: str, metavar: str, about: str
) -> None:
    """Add an option that may be given several times."""
    about += "; may be given several times"
    parser.add_argument(
        option, metavar=metavar, action="append", default=[], help=about
    )


def _add_run(commands: Any) -> None:
    """Add `run`."""
    about = "audit a season and write all results"
    parser = _added(commands, "run", _run, about, "run demo")
    _add_season(parser)
    _add_out(parser, "results go")
    _add_several(parser, "--trial", "NAME", "make this trial's notebook and PDF only")
    _add_several(
        parser,
        "--earlier",
        "DIR",
        "output folder of an earlier season, the earliest first",
    )
    parser.add_argument(
        "--jobs",
        metavar="N",
        type=partial(_whole, 1, 1000),
        help="notebooks run at once (default: the number of processors)",
    )
    parser.add_argument(
        "--replace",
        action="store_true",
        help="replace the results of another season that has the same name",
    )
    parser.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="run the notebooks on the Dask cluster whose scheduler is there, such as "
        "tcp://host:8786",
    )


def _run(call: argparse.Namespace) -> int:
    """Audit a season and write its results."""
    from kitlib.runs.kernels import Kernels

    with Kernels() as kernels:
        if (Path(call.season) / "season.toml").is_file() and not call.scheduler:
            kernels.start(_kernels_wanted(call))  # while this process imports and reads
        return _run_with(call, kernels)


def _kernels_wanted(call: argparse.Namespace) -> int:
    """Return how many kernels a run can use, as far as its call tells."""
    jobs = call.jobs or os.cpu_count() or 1
    of_the_season = 3
    return min(jobs, len(call.trial) + of_the_season) if call.trial else jobs


def _run_with(call: argparse.Namespace, kernels: Any) -> int:
    """Audit a season, its notebooks in these kernels unless a cluster is named."""
    from kitlib.runs.run import WrongCall, run_here, run_season

    place = _cluster(call) if call.scheduler else partial(run_here, kernels=kernels)
    try:
        run = run_season(
            call.season,
            call.out,
            trials=call.trial,
            earlier=call.earlier,
            jobs=call.jobs,
            replace=call.replace,
            say=_tell,
            track=_progress,
            run_notebooks=place,
        )
    except WrongCall as error:
        call.parser.error(str(error))
    problems = run.problems()
    for line in problems:
        _tell(line)
    _print(run.summary())
    return PROBLEMS if problems else DONE


def _cluster(call: argparse.Namespace) -> Callable:
    """Return what runs notebooks on the cluster that is named."""
    if find_spec("distributed") is None:
        call.parser.error(
            "--scheduler: install distributed, which the extra `cluster` "
            "of this package asks for"
        )
    from kitlib.runs.cluster import run_on_cluster

    return partial(run_on_cluster, call.scheduler)


def _add_check(commands: Any) -> None:
    """Add `check`."""
    about = "list what is wrong in a season"
    check = _added(commands, "check", _check, about, "check demo --pdf problems.pdf")
    _add_season(check)
    check.add_argument(
        "--pdf",
        metavar="FILE",
        help="write a data report to send to the lab or the field crew: their rows "
        "under their headers, and what to do",
    )


def _check(call: argparse.Namespace) -> int:
    """Read and pair a season's tables and list every finding."""
    from kitlib.runs.new_season import check_season, is_faulty, listing

    checked = check_season(call.season)
    _print(listing(checked.findings))
    if call.pdf:
        from kitlib.reports.data_report import data_report
        from kitlib.reports.typeset import write_report

        written = write_report(data_report(*checked), call.pdf)
        _tell(f"written: {written}")
    return PROBLEMS if is_faulty(checked.findings) else DONE


def _add_verify(commands: Any) -> None:
    """Add `verify`."""
    about = "hold a run's files against its manifest"
    example = "verify reports/demo --season demo"
    parser = _added(commands, "verify", _verify, about, example)
    parser.add_argument("out", metavar="OUT", help="a season's output folder")
    parser.add_argument(
        "--season", metavar="DIR", help="the season folder; checks the inputs too"
    )
    _add_several(
        parser,
        "--earlier",
        "DIR",
        "output folder of an earlier season that the run was given",
    )


def _verify(call: argparse.Namespace) -> int:
    """Hold a run's files against its manifest."""
    from kitlib.runs.manifest import verify_run

    found = verify_run(call.out, call.season, call.earlier)
    for remark in found.remarks:
        _tell(remark)
    _print(found.problems)
    if found.problems:
        _tell(f"{len(found.problems)} of the files are not as the manifest tells.")
        return PROBLEMS
    _print(
        [
            f"all {found.checked} files checked are as the manifest tells",
            f"SHA-256 of manifest.json, to be held against the run's: {found.manifest}",
        ]
    )
    return DONE


def _add_explore(commands: Any) -> None:
    """Add `explore`."""
    about = "open the offset explorer in JupyterLab, on this machine only"
    parser = _added(commands, "explore", _explore, about, "explore demo")
    _add_season(parser)
    _add_out(parser, "what is written out goes")
    parser.add_argument(
        "--no-browser", action="store_true", help="print the address only"
    )


def _explore(call: argparse.Namespace) -> int:
    """Show the offset explorer in JupyterLab."""
    from kitlib.runs.lab import explore

    return explore(call.season, call.out, browser=not call.no_browser)


def _add_init(commands: Any) -> None:
    """Add `init`."""
    about = "write a season folder to fill in"
    parser = _added(commands, "init", _init, about, "init 2026")
    parser.add_argument("folder", metavar="DIR", help="a new or empty folder")
    parser.add_argument(
        "--from",
        metavar="FOLDER",
        dest="source",
        help="files as programmes exported them: they are copied into DIR/exports, and "
        "the settings that read them are drafted",
    )


def _init(call: argparse.Namespace) -> int:
    """Write a season folder to fill in."""
    from kitlib.runs.new_season import write_new_season

    if call.source:
        return _draft(call)
    files = write_new_season(call.folder)
    _print([f"written to {call.folder}: {', '.join(path.name for path in files)}"])
    return DONE


def _draft(call: argparse.Namespace) -> int:
    """Draft a season from a folder of foreign files."""
    from kitlib.intake.drafts import draft_season
    from kitlib.words.terms import counted

    draft = draft_season(call.folder, call.source)
    _print([f"drafted {call.folder}/season.toml; look through it before you run"])
    _print([f"  {t}: {', '.join(names)}" for t, names in draft.tables.items()])
    if draft.questions:
        _print([f"{counted(len(draft.questions), 'question')} to settle in it:"])
        _print([f"  {question}" for question in draft.questions])
    return DONE


def _add_simulate(commands: Any) -> None:
    """Add `simulate`."""
    about = "write an invented season"
    parser = _added(commands, "simulate", _simulate, about, "simulate demo")
    parser.add_argument(
        "folder", metavar="DIR", help="a new folder, or a simulated one"
    )
    for name, least, most, said in (
        ("trials", 1, MOST_TRIALS, "number of trials"),
        ("plots", 1, MOST_PLOTS, "plots in all trials together"),
        ("seed", 0, MOST_SEED, "start of the random numbers"),
    ):
        wanted = partial(_whole, least, most)
        parser.add_argument(f"--{name}", metavar="N", type=wanted, help=said)


def _simulate(call: argparse.Namespace) -> int:
    """Write an invented season."""
    from kitlib.simulation.harvest import PLOTS_AT_LEAST
    from kitlib.simulation.season import simulate_season

    if call.plots and call.plots < PLOTS_AT_LEAST * (call.trials or 1):
        call.parser.error(f"--plots {call.plots}: at least {PLOTS_AT_LEAST} per trial")
    chosen = {name: getattr(call, name) for name in ("trials", "plots", "seed")}
    given = {name: value for name, value in chosen.items() if value is not None}
    folder = simulate_season(call.folder, **given)
    _print([f"an invented season was written to {folder}; its truth is in truth.csv"])
    return DONE


def _whole(least: int, most: int, text: str) -> int:
    """Return a whole number from the command line."""
    digits = len(str(most))
    if not (text.isdecimal() and len(text) <= digits and least <= int(text) <= most):
        raise argparse.ArgumentTypeError(
            f"{text[:40]!r} is not a whole number from {least} to {most}"
        )
    return int(text)


def _tell(said: object) -> None:
    """Say something on the side."""
    print(_visible(str(said)), file=sys.stderr, flush=True)


def _print(lines: Iterable[str]) -> None:
    """Print the answer."""
    for line in lines:
        print(_visible(line))


def _visible(text: str) -> str:
    """Return text with what would steer a terminal made visible."""
    return "".join(c if c.isprintable() or c == "\n" else ascii(c)[1:-1] for c in text)


def _progress(ended: Iterable, total: int) -> Iterable:
    """Return the ended notebooks behind a progress bar, if a terminal is there."""
    if not sys.stderr.isatty():
        return ended
    from tqdm import tqdm

    return tqdm(ended, total=total, unit="notebook", file=sys.stderr)


_COMMANDS = (
    _add_run,
    _add_check,
    _add_verify,
    _add_explore,
    _add_init,
    _add_simulate,
)
