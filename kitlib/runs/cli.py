"""The command `moisture-audit`; what it says of itself stands in commands.toml.

What each command calls is imported when it is needed, for a quick --help.
"""

import argparse
import gc
import os
import sys
import tomllib
from collections.abc import Callable
from functools import partial
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

DONE, PROBLEMS, INTERRUPTED = 0, 1, 130
# More than any season holds; beyond, a slip of the keyboard would run for days.
_MOST = {"trials": 100_000, "plots": 20_000_000, "seed": 10**18, "jobs": 1000}


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
    from kitlib.words.findings import KitError, no_files_left

    try:
        call = _parser().parse_args(arguments)
        return call.command(call)
    except KitError as error:
        _tell(error)
    except BrokenPipeError:  # the reader of our output, such as `head`, has left
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        _tell(
            "too many files are open at once. Give fewer --jobs, close other programs, "
            "or raise the limit (`ulimit -n` shows it); then give the same command."
            if no_files_left(error)
            else f"{error.filename or 'the disk'}: {error.strerror or error}."
        )
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
    gc.disable()  # imports leave nothing to collect, and to look takes long
    from kitlib.runs.kernels import Kernels

    if call.scheduler and find_spec("distributed") is None:
        said = "--scheduler: install distributed, which the extra `cluster` of this "
        call.parser.error(f"{said}package asks for")
    jobs = call.jobs or os.cpu_count() or 1
    if call.trial:
        jobs = min(jobs, len(call.trial) + 3)  # three notebooks are of the season
    with Kernels(jobs) as kernels:
        if (Path(call.season) / "season.toml").is_file() and not call.scheduler:
            kernels.start(jobs)  # while this process imports and reads
        from kitlib.runs.run import WrongCall, run_here, run_season

        gc.enable()
        place: Callable = partial(run_here, kernels)
        if call.scheduler:
            from kitlib.runs.cluster import run_on_cluster

            place = partial(run_on_cluster, call.scheduler, _tell)
        try:
            asked: dict = {"trials": call.trial, "earlier": call.earlier}
            asked |= {"replace": call.replace, "say": _tell, "run_notebooks": place}
            run = run_season(call.season, call.out, **asked)
        except WrongCall as error:
            call.parser.error(str(error))
    problems = run.problems()
    for line in problems:
        _tell(line)
    _print(*run.summary())
    return PROBLEMS if problems else DONE


def _check(call: argparse.Namespace) -> int:
    """Read and pair a season's tables and list every finding."""
    from kitlib.runs.before_audit import check_season, listing

    checked = check_season(call.season)
    _print(*listing(checked.findings))
    if call.pdf:
        from kitlib.reports.typeset import write_report
        from kitlib.runs.before_audit import data_report

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
        from kitlib.runs.before_audit import write_new_season

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
    from kitlib.simulation.scenario import TRIALS
    from kitlib.simulation.season import simulate_season

    if call.plots and call.plots < PLOTS_AT_LEAST * (call.trials or len(TRIALS)):
        call.parser.error(f"--plots {call.plots}: at least {PLOTS_AT_LEAST} per trial")
    told = {name: getattr(call, name) for name in ("trials", "plots", "seed")}
    given = {name: value for name, value in told.items() if value is not None}
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


# ---- what each command takes


def _parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    told = tomllib.loads((files("kitlib.runs") / "commands.toml").read_text("utf-8"))
    look: dict[str, Any] = {
        "formatter_class": argparse.RawDescriptionHelpFormatter,
        "epilog": told["exit_codes"],
    }
    parser = argparse.ArgumentParser(
        "moisture-audit", description=told["about"], **look
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND", title="commands")
    for name, one in told["commands"].items():
        # Not capitalize(), which would write JupyterLab small.
        text = f"{one['about'][0].upper()}{one['about'][1:]}.\n\n"
        text += f"example: moisture-audit {one['example']}"
        added = commands.add_parser(name, help=one["about"], description=text, **look)
        added.set_defaults(command=_COMMANDS[name], parser=added)
        for argument, (stands, help_) in one["takes"].items():
            _add(added, argument, stands, help_)
    return parser


def _add(parser: Any, name: str, stands: str, about: str) -> None:
    """Add an argument, by what stands for its value: nothing for a flag."""
    more: dict[str, Any] = {"metavar": stands.removesuffix("...")}
    if not stands:
        more = {"action": "store_true"}
    elif stands.endswith("..."):
        more |= {"action": "append", "default": []}
        about += "; may be given several times"
    elif stands == "N":
        plain = name.removeprefix("--")
        more["type"] = partial(_whole, int(plain != "seed"), _MOST[plain])
    elif name == "--out":
        more["default"] = "reports"
    elif name == "--from":
        more["dest"] = "source"
    parser.add_argument(name, help=about, **more)


def _whole(least: int, most: int, text: str) -> int:
    """Return a whole number between bounds from the command line."""
    # The length first: a number of a million digits takes long to convert.
    fits = text.isdecimal() and len(text) <= len(str(most))
    if not (fits and least <= int(text) <= most):
        raise argparse.ArgumentTypeError(
            f"{text[:40]!r} is not a whole number from {least} to {most}"
        )
    return int(text)


_COMMANDS = {
    command.__name__.removeprefix("_"): command
    for command in (_run, _check, _verify, _explore, _init, _simulate)
}
