"""Kernels of notebooks: forked from a warm process, or plain ones in its place."""

import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
import uuid
from collections.abc import Callable
from pathlib import Path
from queue import Empty
from select import select

from jupyter_client import AsyncKernelClient, AsyncKernelManager
from jupyter_client.kernelspec import KernelSpec
from jupyter_client.provisioning import LocalProvisioner
from traitlets import Type, Unicode, default

from kitlib.runs.notebook_files import KERNEL

# Under this name pyproject.toml offers it to jupyter_client.
PROVISIONER = "kitlib-forked"
_BETWEEN_LOOKS = 0.005  # at whether a kernel has ended [s]
_BETWEEN_MESSAGES = 1.0  # before a look at whether the kernel still lives [s]
_NOT_TOLD = -1  # what an ended process returned, which only its parent learns


class ForkedProcess:
    """A process forked by another one, handled as a `subprocess.Popen`.

    Parameters
    ----------
    pid : int
    handle : int
        File descriptor that stands for the process, whose number may be used again.
    """

    stdin = stdout = stderr = None

    def __init__(self, pid: int, handle: int):
        self.pid, self.returncode = pid, None
        self._handle = handle

    def poll(self) -> int | None:
        """Return None while it runs."""
        return self._ended_within(0)

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end."""
        if self._ended_within(timeout) is None:
            raise subprocess.TimeoutExpired("kernel", timeout)
        return self.returncode

    def _ended_within(self, timeout: float | None) -> int | None:
        """Return None if it still runs after a time; without a time, wait."""
        if self.returncode is None and select([self._handle], [], [], timeout)[0]:
            os.close(self._handle)
            self.returncode = _NOT_TOLD
        return self.returncode

    def send_signal(self, number: int) -> None:
        """Send it a signal, unless it has ended."""
        if self.poll() is None:
            signal.pidfd_send_signal(self._handle, number)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it."""
        self.send_signal(signal.SIGKILL)


class ForkingProvisioner(LocalProvisioner):
    """Has a warm process fork the kernel, or starts a plain one if that has ended.

    Attributes
    ----------
    address : str
        Name of the socket at which the warm process listens.
    """

    address = Unicode("", config=True)

    async def launch_kernel(self, cmd: list[str], **more) -> dict:
        """Start the kernel; `cmd` is the command that would start a plain one."""
        order = {"argv": cmd[3:], "env": more["env"], "cwd": str(more["cwd"])}
        try:
            self.process = forked(self.address, order)
        except OSError:
            return await super().launch_kernel(cmd, **more)
        self.pid = self.pgid = self.process.pid
        self.cwd = more["cwd"]
        return self.connection_info


def forked(address: str, order: dict) -> ForkedProcess:
    """Have the process that listens at an address fork a kernel.

    Raises
    ------
    OSError
        If there is no such process, or it ends meanwhile.
    """
    with socket.socket(socket.AF_UNIX) as connection:
        connection.connect(address)
        connection.sendall(json.dumps(order).encode() + b"\n")
        pid, handles, _, _ = socket.recv_fds(connection, 32, 1)
    if not handles:
        raise ConnectionResetError(f"{address}: no kernel was forked.")
    return ForkedProcess(int(pid), handles[0])


class ReadyClient(AsyncKernelClient):
    """A client that knows when the kernel is ready, where others wait a while."""

    async def wait_for_ready(self, timeout: float | None = None) -> None:
        """Wait until the kernel publishes to this client, answers, and is idle.

        Raises
        ------
        RuntimeError
            If the kernel dies or takes longer.
        """
        async with asyncio.timeout(timeout):
            await self._heard(self.iopub_channel, lambda m: _is(m, "iopub_welcome"))
            asked = self.kernel_info()
            answer = await self._heard(self.shell_channel, lambda m: _answers(m, asked))
            self._handle_kernel_info_reply(answer)
            await self._heard(
                self.iopub_channel,
                lambda m: (
                    _answers(m, asked) and m["content"].get("execution_state") == "idle"
                ),
            )

    async def _heard(self, channel, expected: Callable[[dict], bool]) -> dict:
        """Return the first message of a kind; what comes before it is let go."""
        while True:
            try:
                message = await channel.get_msg(timeout=_BETWEEN_MESSAGES)
            except Empty:
                if not await self._async_is_alive():
                    raise RuntimeError("Kernel died before it was ready") from None
                continue
            if expected(message):
                return message


def _is(message: dict, kind: str) -> bool:
    """Whether a message is of a kind."""
    return message["header"]["msg_type"] == kind


def _answers(message: dict, asked: str) -> bool:
    """Whether a message is about a request."""
    return message["parent_header"].get("msg_id") == asked


class FileKernelManager(AsyncKernelManager):
    """A kernel reached through files: no port for two runs to race for.

    Attributes
    ----------
    sockets : Path
        Folder for their names, which must be short.
    spec : KernelSpec
    """

    sockets: Path
    spec: KernelSpec
    client_factory = Type(klass=AsyncKernelClient, default_value=ReadyClient)

    @property
    def kernel_spec(self) -> KernelSpec:
        """The kit's own, whatever others the machine has."""
        return self.spec

    @default("transport")
    def _over_files(self) -> str:
        return "ipc"

    @default("ip")
    def _beside_other_kernels(self) -> str:
        return str(self.sockets / uuid.uuid4().hex[:12])

    @default("connection_file")
    def _beside_its_sockets(self) -> str:
        return f"{self.ip}.json"

    async def _async_wait(self, pollinterval: float = _BETWEEN_LOOKS) -> None:
        """Wait for the kernel's end, looking often."""
        await super()._async_wait(pollinterval)


def kernel_managers(
    sockets: Path, environment: dict[str, str], address: str = ""
) -> type[FileKernelManager]:
    """Return the class of managers whose kernels get an environment.

    Parameters
    ----------
    sockets : Path
    environment : dict
        What the kernels' environment has besides this process's own.
    address : str
        Where a warm process listens; empty for plain kernels.
    """
    forking = {"provisioner_name": PROVISIONER, "config": {"address": address}}
    spec = KernelSpec(
        argv=[sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"],
        env={name: value.replace("$", "$$") for name, value in environment.items()},
        metadata={"kernel_provisioner": forking} if address else {},
        display_name=KERNEL["display_name"],
        language=KERNEL["language"],
    )
    return type(
        "KernelManager", (FileKernelManager,), {"sockets": sockets, "spec": spec}
    )
