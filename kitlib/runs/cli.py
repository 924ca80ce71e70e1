"""The command `moisture-audit`.

What each command calls is imported when it is needed, for a quick --help.
"""

import argparse
import os
import sys
from collections.abc import Callable, Iterable
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import Any

DONE, PROBLEMS, INTERRUPTED = 0, 1, 130
# More than any season holds; beyond, a slip of the keyboard would run for days.
_MOST_TRIALS, _MOST_PLOTS, _MOST_SEED = 100_000, 20_000_000, 10**18
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
    from kitlib.words.findings import KitError

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


def _run(call: argparse.Namespace) -> int:
    """Audit a season and write its results."""
    from kitlib.runs.kernels import Kernels

    if call.scheduler and find_spec("distributed") is None:
        call.parser.error(
            "--scheduler: install distributed, which the extra `cluster` "
            "of this package asks for"
        )
    with Kernels() as kernels:
        if (Path(call.season) / "season.toml").is_file() and not call.scheduler:
            jobs = call.jobs or os.cpu_count() or 1
            of_the_season = 3  # notebooks, besides those of the trials
            most = len(call.trial) + of_the_season if call.trial else jobs
            kernels.start(min(jobs, most))  # while this process imports and reads
        from kitlib.runs.run import WrongCall, run_here, run_season

        place: Callable = partial(run_here, kernels=kernels)
        if call.scheduler:
            from kitlib.runs.cluster import run_on_cluster

            place = partial(run_on_cluster, call.scheduler, _tell)
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
    _print(*run.summary())
    return PROBLEMS if problems else DONE


def _check(call: argparse.Namespace) -> int:
    """Read and pair a season's tables and list every finding."""
    from kitlib.runs.new_season import check_season, listing

    checked = check_season(call.season)
    _print(*listing(checked.findings))
    if call.pdf:
        from kitlib.reports.data_report import data_report
        from kitlib.reports.typeset import write_report

        _tell(f"written: {write_report(data_report(*checked), call.pdf)}")
    return PROBLEMS if checked.is_faulty else DONE


def _verify(call: argparse.Namespace) -> int:
    """Hold a run's files against its manifest."""
    from kitlib.runs.manifest import verify_run

    found = verify_run(call.out, call.season, call.earlier)
    for remark in found.remarks:
        _tell(remark)
    _print(*found.problems)
    if found.problems:
        _tell(f"{len(found.problems)} of the files are not as the manifest tells.")
        return PROBLEMS
    _print(
        f"all {found.checked} files checked are as the manifest tells",
        f"SHA-256 of manifest.json, to be held against the run's: {found.manifest}",
    )
    return DONE


def _explore(call: argparse.Namespace) -> int:
    """Show the offset explorer in JupyterLab."""
    from kitlib.runs.lab import explore

    return explore(call.season, call.out, browser=not call.no_browser)


def _init(call: argparse.Namespace) -> int:
    """Write a season folder to fill in, or draft one from a folder of foreign files."""
    if not call.source:
        from kitlib.runs.new_season import write_new_season

        files = write_new_season(call.folder)
        _print(f"written to {call.folder}: {', '.join(path.name for path in files)}")
        return DONE
    from kitlib.intake.drafts import draft_season
    from kitlib.words.terms import counted

    draft = draft_season(call.folder, call.source)
    _print(f"drafted {call.folder}/season.toml; look through it before you run")
    _print(*(f"  {t}: {', '.join(names)}" for t, names in draft.tables.items()))
    if draft.questions:
        _print(f"{counted(len(draft.questions), 'question')} to settle in it:")
        _print(*(f"  {question}" for question in draft.questions))
    return DONE


def _simulate(call: argparse.Namespace) -> int:
    """Write an invented season."""
    from kitlib.simulation.harvest import PLOTS_AT_LEAST
    from kitlib.simulation.season import simulate_season

    if call.plots and call.plots < PLOTS_AT_LEAST * (call.trials or 1):
        call.parser.error(f"--plots {call.plots}: at least {PLOTS_AT_LEAST} per trial")
    chosen = {name: getattr(call, name) for name in ("trials", "plots", "seed")}
    given = {name: value for name, value in chosen.items() if value is not None}
    folder = simulate_season(call.folder, **given)
    _print(f"an invented season was written to {folder}; its truth is in truth.csv")
    return DONE


def _tell(said: object) -> None:
    """Say something on the side."""
    print(_visible(str(said)), file=sys.stderr, flush=True)


def _print(*lines: str) -> None:
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


# ---- what each command takes

_OUT = "to DIR/<name of the season>/ (default: reports)"
_AGAIN = "; may be given several times"
_FLAG: dict[str, Any] = {"action": "store_true"}
_SEVERAL: dict[str, Any] = {"action": "append", "default": []}
_LOOK: dict[str, Any] = {
    "formatter_class": argparse.RawDescriptionHelpFormatter,
    "epilog": _CODES,
}


def _parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    parser = argparse.ArgumentParser("moisture-audit", description=_ABOUT, **_LOOK)
    commands = parser.add_subparsers(required=True, metavar="COMMAND", title="commands")
    _add_run(commands)
    _add_looks(commands)
    _add_beginnings(commands)
    return parser


def _added(commands: Any, command: Callable, about: str, example: str) -> Callable:
    """Add a command; return what adds an argument to it: name, metavar, help."""
    name = example.split()[0]
    # Not capitalize(), which would write JupyterLab small.
    text = f"{about[0].upper()}{about[1:]}.\n\nexample: moisture-audit {example}"
    parser = commands.add_parser(name, help=about, description=text, **_LOOK)
    parser.set_defaults(command=command, parser=parser)

    def takes(argument: str, metavar: str, said: str, **more: Any) -> None:
        named = {"metavar": metavar} if metavar else {}
        parser.add_argument(argument, help=said, **named, **more)

    return takes


def _add_run(commands: Any) -> None:
    """Add the command that audits."""
    takes = _added(commands, _run, "audit a season and write all results", "run demo")
    takes("season", "SEASON", "the season folder")
    takes("--out", "DIR", f"results go {_OUT}", default="reports")
    about = f"make this trial's notebook and PDF only{_AGAIN}"
    takes("--trial", "NAME", about, **_SEVERAL)
    about = f"output folder of an earlier season, the earliest first{_AGAIN}"
    takes("--earlier", "DIR", about, **_SEVERAL)
    about = "notebooks run at once (default: the number of processors)"
    takes("--jobs", "N", about, type=_whole(1, 1000))
    about = "replace the results of another season that has the same name"
    takes("--replace", "", about, **_FLAG)
    about = "run the notebooks on the Dask cluster whose scheduler is there, such as "
    takes("--scheduler", "ADDRESS", f"{about}tcp://host:8786")


def _add_looks(commands: Any) -> None:
    """Add the commands that look at what is there."""
    about, example = "list what is wrong in a season", "check demo --pdf problems.pdf"
    takes = _added(commands, _check, about, example)
    takes("season", "SEASON", "the season folder")
    about = "write a data report to send to the lab or the field crew: their rows "
    takes("--pdf", "FILE", f"{about}under their headers, and what to do")

    about = "hold a run's files against its manifest"
    takes = _added(commands, _verify, about, "verify reports/demo --season demo")
    takes("out", "OUT", "a season's output folder")
    takes("--season", "DIR", "the season folder; checks the inputs too")
    about = f"output folder of an earlier season that the run was given{_AGAIN}"
    takes("--earlier", "DIR", about, **_SEVERAL)

    about = "open the offset explorer in JupyterLab, on this machine only"
    takes = _added(commands, _explore, about, "explore demo")
    takes("season", "SEASON", "the season folder")
    takes("--out", "DIR", f"what is written out goes {_OUT}", default="reports")
    takes("--no-browser", "", "print the address only", **_FLAG)


def _add_beginnings(commands: Any) -> None:
    """Add the commands that write a season."""
    takes = _added(commands, _init, "write a season folder to fill in", "init 2026")
    takes("folder", "DIR", "a new or empty folder")
    about = "files as programmes exported them: they are copied into DIR/exports, and "
    about += "the settings that read them are drafted"
    takes("--from", "FOLDER", about, dest="source")

    takes = _added(commands, _simulate, "write an invented season", "simulate demo")
    takes("folder", "DIR", "a new folder, or a simulated one")
    takes("--trials", "N", "number of trials", type=_whole(1, _MOST_TRIALS))
    takes("--plots", "N", "plots in all trials together", type=_whole(1, _MOST_PLOTS))
    takes("--seed", "N", "start of the random numbers", type=_whole(0, _MOST_SEED))


def _whole(least: int, most: int) -> Callable[[str], int]:
    """Return what reads a whole number between bounds from the command line."""

    def read(text: str) -> int:
        # The length first: a number of a million digits takes long to convert.
        fits = text.isdecimal() and len(text) <= len(str(most))
        if not (fits and least <= int(text) <= most):
            raise argparse.ArgumentTypeError(
                f"{text[:40]!r} is not a whole number from {least} to {most}"
            )
        return int(text)

    return read
