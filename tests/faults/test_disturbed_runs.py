"""Runs that are killed, find no room, meet another run or have no network."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from faults.kills import killed_runs
from faults.runs import (
    NAME,
    assert_as_undisturbed,
    call,
    files_of,
    hashes_of,
)

pytestmark = pytest.mark.slow  # whole runs

IS_ROOT = os.geteuid() == 0


def test_killed_at_four_moments_it_goes_on_to_the_same_bytes(finished, tmp_path):
    # By this seed one run after the other is killed, at several stages of the work.
    ended, seen = killed_runs(finished, tmp_path, kills=4, seed=108124)
    assert finished.moments > 50 and ended >= 1 and len(set(seen)) >= 3


# ---- no room, no right to write


@pytest.fixture
def small_disk(tmp_path):
    """Return a function that makes a disk of some kB, and one that locks it."""
    made = []

    def mount(kilobytes: int) -> Path:
        place = tmp_path / f"disk-{len(made)}"
        place.mkdir()
        options = f"size={kilobytes}k,mode=755"
        words = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
        if not IS_ROOT or subprocess.run(words, capture_output=True).returncode:
            pytest.skip("no right to mount a small disk here")
        made.append(place)
        return place

    yield mount
    for place in made:
        subprocess.run(["umount", "-l", str(place)], check=True)


def earlier_run(finished, place: Path) -> Path:
    """Put the output of an earlier run into a place."""
    for name, content in finished.files.items():
        (place / NAME / name).parent.mkdir(parents=True, exist_ok=True)
        (place / NAME / name).write_bytes(content)
    return place / NAME


@pytest.fixture(scope="module")
def changed_season(finished, tmp_path_factory):
    """Return a copy of the season with one weight corrected: all is to be redone."""
    copy = tmp_path_factory.mktemp("changed") / "season"
    shutil.copytree(finished.season, copy)
    text = (copy / "oven.csv").read_text()
    (copy / "oven.csv").write_text(text.replace("28.61", "28.62"))
    return copy


@pytest.fixture(scope="module")
def of_changed(changed_season, tmp_path_factory, run_here):
    """Return the files that a run of the changed season writes."""
    out = tmp_path_factory.mktemp("of-changed")
    assert run_here(changed_season, "--out", out).returncode == 0
    return files_of(out / NAME)


def test_a_full_disk_is_said_and_leaves_all_as_it_was(
    finished, changed_season, small_disk, run_here
):
    disk = small_disk(1024)
    home = earlier_run(finished, disk)
    with (disk / "filler").open("wb", buffering=0) as filler, pytest.raises(OSError):
        while True:
            filler.write(bytes(4096))
    before = hashes_of(changed_season)
    done = run_here(changed_season, "--out", disk)
    assert done.returncode == 1
    assert "No space left on device" in done.stderr
    assert str(home) in done.stderr  # which place is full
    assert "Traceback" not in done.stderr
    assert files_of(home) == finished.files
    assert hashes_of(changed_season) == before


@pytest.mark.parametrize("room", [24, 200])
def test_a_disk_that_fills_up_keeps_every_file_whole(
    finished, changed_season, of_changed, small_disk, room, run_here
):
    used = 4 * sum(-(-len(content) // 4096) for content in finished.files.values())
    disk = small_disk(used + 16 + room)
    home = earlier_run(finished, disk)
    done = run_here(changed_season, "--out", disk)
    assert done.returncode == 1
    assert "No space left on device" in done.stderr
    for name, content in files_of(home).items():
        assert content in (finished.files.get(name), of_changed.get(name)), name
    for name in finished.files.keys() - files_of(home).keys():
        assert name == "manifest.json"  # no longer true of what lies there


def test_a_read_only_output_folder_is_said_and_nothing_changes(
    finished, changed_season, small_disk, tmp_path, run_here
):
    if IS_ROOT:
        disk = small_disk(4096)
    else:
        disk = tmp_path / "locked"
        disk.mkdir()
    home = earlier_run(finished, disk)
    if IS_ROOT:
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    else:
        for folder in (home / "trials", home, disk):
            folder.chmod(0o555)
    done = run_here(changed_season, "--out", disk)
    if not IS_ROOT:
        for folder in (disk, home, home / "trials"):
            folder.chmod(0o755)
    assert done.returncode == 1
    assert "Read-only file system" in done.stderr or "Permission" in done.stderr
    assert str(home) in done.stderr and "Traceback" not in done.stderr
    assert files_of(home) == finished.files


# ---- two runs at once; no network, and nothing written elsewhere

_BLOCK = """
import os, socket
_real = socket.socket.connect
def _connect(self, address):
    local = self.family == socket.AF_UNIX or str(address[0]).startswith("127.")
    if not local:
        with open(os.environ["REACHED_OUT"], "a") as log:
            log.write(f"{address}\\n")
        raise OSError("the test lets nobody out")
    return _real(self, address)
socket.socket.connect = _connect
def _resolve(host, *rest, **more):
    if host not in (None, "localhost") and not str(host).startswith("127."):
        with open(os.environ["REACHED_OUT"], "a") as log:
            log.write(f"{host}\\n")
        raise OSError("the test lets nobody out")
    return _real_resolve(host, *rest, **more)
_real_resolve = socket.getaddrinfo
socket.getaddrinfo = _resolve
"""

_WATCH = """
import os, sys, threading
_changes = {"os.remove", "os.rename", "os.mkdir", "os.rmdir"}
_busy = threading.local()
def _watch(event, args):
    if getattr(_busy, "now", False):
        return
    if event == "open":
        path, mode, flags = args
        writes = bool((flags or 0) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
        named = [path] if writes and isinstance(path, (str, bytes)) else []
    elif event in _changes and args[-1] == -1:  # else within a folder that is open
        named = args[:2] if event == "os.rename" else args[:1]
    else:
        return
    _busy.now = True
    try:
        for path in named:
            with open(os.environ["WRITTEN"], "a") as log:
                log.write(os.path.realpath(os.fsdecode(path)) + chr(10))
    finally:
        _busy.now = False
sys.addaudithook(_watch)
"""


@pytest.fixture(scope="module")
def watched(finished, tmp_path_factory):
    """Return the place of two runs at once into one folder, and how they ended.

    They are let out nowhere, and all they write is told. Where a namespace without any
    network may be made, the kernel blocks the rest.
    """
    place = tmp_path_factory.mktemp("run")  # short, for sockets have short names
    for name in ("hooks", "tmp"):
        (place / name).mkdir()
    (place / "hooks" / "sitecustomize.py").write_text(_BLOCK + _WATCH)
    held = {"PYTHONPATH": str(place / "hooks"), "TMPDIR": str(place / "tmp")}
    held |= {"WRITTEN": str(place / "log"), "REACHED_OUT": str(place / "reached_out")}
    environment = os.environ | held | {"PYTHONDONTWRITEBYTECODE": "1"}
    # The block holds: what does reach out is stopped and written down.
    reaching = "import socket; socket.create_connection(('192.0.2.1', 80), 1)"
    stopped = subprocess.run(
        [sys.executable, "-c", reaching], env=environment, capture_output=True
    )
    assert b"lets nobody out" in stopped.stderr
    assert (place / "reached_out").read_text()
    (place / "reached_out").unlink()
    (place / "log").unlink()
    apart = ["unshare", "--net"]
    able = (
        shutil.which("unshare")
        and not subprocess.run([*apart, "true"], capture_output=True).returncode
    )
    before = hashes_of(finished.season)
    words = [*(apart if able else ()), *call(finished.season, "--out", place / "out")]
    piped = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    both = [subprocess.Popen(words, env=environment, **piped) for _ in range(2)]
    said = [process.communicate()[1] for process in both]
    assert hashes_of(finished.season) == before
    return place, dict(zip([process.returncode for process in both], said, strict=True))


def test_of_two_runs_into_one_folder_one_is_refused(finished, watched):
    place, said = watched
    assert said.keys() == {0, 1}, said
    assert "another run is writing here; wait for it to end" in said[1]
    assert_as_undisturbed(place / "out" / NAME, finished)


def test_a_run_writes_into_its_output_and_a_temporary_folder_only(watched):
    place, _ = watched
    written = {Path(line) for line in (place / "log").read_text().splitlines()}
    allowed = [place / "out", place / "tmp", Path("/dev"), Path("/proc")]
    # matplotlib keeps its list of fonts from one program to the next.
    allowed += [Path.home() / name / "matplotlib" for name in (".cache", ".config")]
    assert place / "out" / NAME / "season.pdf" in written  # it is watched indeed
    outside = [p for p in written if not any(p.is_relative_to(a) for a in allowed)]
    assert outside == []
    assert list((place / "tmp").iterdir()) == []


def test_a_run_uses_no_network(finished, watched):
    place, _ = watched
    log = place / "reached_out"
    assert not log.exists(), log.read_text()
    assert_as_undisturbed(place / "out" / NAME, finished)
