"""Processes that cannot outlive this one: when it ends, however it ends, its pipe closes and the whole group is killed. For tests only."""

import contextlib
import os
import signal
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO

_SHELL = 'exec 3<&0; "$@" </dev/null & child=$!; { cat <&3 >/dev/null; kill -9 0; } & wait $child; code=$?; exit $code'


class Tethered:
    """A command in a process group of its own."""

    def __init__(
        self, command: Sequence[str], *, env: Mapping[str, str] | None = None, cwd: Path | str | None = None, log: Path | None = None
    ) -> None:
        out: IO[bytes] | int = subprocess.DEVNULL if log is None else log.open("ab")
        try:
            self._process = subprocess.Popen(
                ["sh", "-c", _SHELL, "tether", *command],
                env=env,
                cwd=cwd,
                stdin=subprocess.PIPE,
                stdout=out,
                stderr=out,
                start_new_session=True,
            )
        finally:
            if not isinstance(out, int):
                out.close()

    def poll(self) -> int | None:
        return self._process.poll()

    def signal(self, number: int) -> None:
        """To the whole group."""
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, number)

    def kill(self) -> None:
        """Kill -9 all of it, even if it is frozen, and wait until it is gone."""
        self.signal(signal.SIGKILL)
        if self._process.stdin is not None:
            self._process.stdin.close()
        self._process.wait(10)
