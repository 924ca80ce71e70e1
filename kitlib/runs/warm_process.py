"""A process that has all modules imported and the season's audit, to fork kernels.

A kernel forked from it starts within milliseconds and shares its memory until one
of the two writes to it. Forking is sound only while the process has one thread, so
it says so, and ends, where it has more.
"""

import ast
import fcntl
import gc
import json
import os
import pickle
import random
import socket
import sys
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from select import select

import numpy as np
from ipykernel.kernelapp import IPKernelApp
from nbformat import NotebookNode
from PIL import Image

from kitlib.pages.typeset import compiler
from kitlib.reports.trial_report import share_curves, trial_report
from kitlib.runs.notebook_files import NOTEBOOKS, read_notebook
from kitlib.runs.processes import die_with_parent
from kitlib.season.season import SeasonAudit, hold_audit

_STDIN, _STDOUT, _STDERR = range(3)
_OF_THE_KERNEL = (
    "IPython.core.completer",
    "ipykernel.debugger",
    "ipykernel.ipkernel",
    "ipykernel.zmqshell",
    "matplotlib_inline.backend_inline",
)


def main(address: str) -> None:
    """Warm up, print a line, then fork a kernel at each order.

    The line is empty, or says why a fork would not be sound. The season's audit is
    read from the standard input, for reading its tables would start threads.

    Parameters
    ----------
    address : str
        Name of the socket to listen at.
    """
    del sys.path[0]  # the folder it was started in, which a kernel adds by itself
    warm_up(pickle.load(sys.stdin.buffer))
    gc.collect()
    gc.freeze()  # or a child's first collection would copy all that it shares
    unsound = why_unsound()
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(address)
        server.listen()
        print(unsound, flush=True)
        if unsound:
            return
        os.dup2(_STDERR, _STDOUT)  # nobody reads on
        order = next_order(server)
    if order is not None:
        run_kernel(order)


def warm_up(audit: SeasonAudit) -> None:
    """Import what notebooks import, hold the season's audit, and rehearse a report.

    What the reports of trials share is worked out here, once, and so are the widths
    of letters in the rehearsal. It makes no PDF, for the typesetter starts threads
    when it is used.
    """
    for name in _OF_THE_KERNEL:
        import_module(name)
    for name in NOTEBOOKS:
        exec(imports_of(read_notebook(name)), {})
    hold_audit(audit)
    share_curves(audit)
    for trial in audit.trials[:1]:
        trial_report(audit, trial)
    compiler()
    Image.preinit()


def imports_of(notebook: NotebookNode) -> str:
    """Return the import statements of a notebook."""
    cells = [cell.source for cell in notebook.cells if cell.cell_type == "code"]
    statements = ast.parse("\n".join(cells)).body
    imports = [s for s in statements if isinstance(s, ast.Import | ast.ImportFrom)]
    return "\n".join(map(ast.unparse, imports))


def why_unsound() -> str:
    """Return why a fork of this process would not be sound, empty if it would.

    A fork takes along one thread only, and with it the locks that others hold.
    """
    threads = len(os.listdir("/proc/self/task"))
    return f"{threads} threads run in the warm process" if threads > 1 else ""


def next_order(server: socket.socket) -> dict | None:
    """Fork a child at each order; return the order in the child alone.

    None is returned in the process itself, once the other end of its standard
    input is closed, which is when the run ends, however it ends.
    """
    while _STDIN not in select([_STDIN, server], [], [])[0]:
        connection, _ = server.accept()
        with connection, connection.makefile() as lines:
            order = json.loads(lines.readline())
            child = os.fork()
            if child == 0:
                return order
            handle = os.pidfd_open(child)
            socket.send_fds(connection, [str(child).encode()], [handle])
            os.close(handle)
        _reap()
    return None


def _reap() -> None:
    """Take leave of the children that have ended."""
    try:
        while os.waitpid(-1, os.WNOHANG) != (0, 0):
            pass
    except ChildProcessError:
        pass


def run_kernel(order: dict) -> None:
    """Become the kernel that was ordered, with nothing of its parent but memory.

    Parameters
    ----------
    order : dict
        `argv` of the kernel, its `env` and its `cwd`.
    """
    os.setsid()  # an interrupt of the run is not for it, and it is killed as a group
    parent = os.getppid()
    die_with_parent()
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, _STDIN)
    os.close(nothing)
    reopen_files()
    os.environ.clear()
    os.environ.update(order["env"])
    os.chdir(order["cwd"])
    random.seed()
    np.random.seed()  # a notebook may use the global state
    sys.argv = [find_spec("ipykernel_launcher").origin, *order["argv"]]
    # The kernel ends with its parent too if it ended before the call above.
    kernel = IPKernelApp.instance(parent_handle=parent)
    kernel.initialize(order["argv"])
    kernel.start()


def reopen_files() -> None:
    """Give this process a position of its own in every file that it inherited open.

    Such as the fonts of figures: two children that read one through the same position
    would each find what the other looked for.
    """
    for link in Path("/proc/self/fd").iterdir():
        number = int(link.name)
        if number > _STDERR and link.is_file():
            own = os.open(link, fcntl.fcntl(number, fcntl.F_GETFL))
            os.lseek(own, os.lseek(number, 0, os.SEEK_CUR), os.SEEK_SET)
            os.dup2(own, number, inheritable=False)
            os.close(own)


if __name__ == "__main__":
    main(*sys.argv[1:])
