"""Workers as processes that are started again whenever they end, as a container's restart policy does. For tests only."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parent.parent.parent


class Workers:
    """A context."""

    def __init__(self, folder: Path, count: int, amqp: dict[str, Any], database: str, commit_every_s: float = 0.1) -> None:
        self._folder, self._count = folder, count
        self._settings = [
            {"database": database, "commit_every_s": commit_every_s, "amqp": {**amqp, "worker": n, "workers": count}} for n in range(count)
        ]
        self._processes: dict[int, subprocess.Popen[bytes]] = {}
        self._ending = threading.Event()
        self._lock = threading.Lock()
        self.restarts = 0

    def __enter__(self) -> "Workers":
        for n, settings in enumerate(self._settings):
            (self._folder / f"worker{n}.json").write_text(json.dumps(settings))
            self._start(n)
        self._watch = threading.Thread(target=self._keep_alive, daemon=True)
        self._watch.start()
        return self

    def _start(self, n: int) -> None:
        with (self._folder / f"worker{n}.log").open("ab") as log:
            command = [sys.executable, "-m", "tests.fleet.worker", str(self._folder / f"worker{n}.json")]
            self._processes[n] = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=log, stderr=log)

    def _keep_alive(self) -> None:
        while not self._ending.wait(0.1):
            with self._lock:
                for n, process in self._processes.items():
                    if process.poll() is not None and not self._ending.is_set():
                        self.restarts += 1
                        self._start(n)

    def kill(self, n: int) -> None:
        """Kill -9."""
        self._processes[n].kill()

    def cpu_s(self, n: int) -> float:
        """Seconds of processor time that this worker has used since it was started."""
        fields = Path(f"/proc/{self._processes[n].pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def stop(self, seconds: float = 20) -> None:
        """Let them end cleanly, and kill those that do not."""
        self._ending.set()
        with self._lock:
            for process in self._processes.values():
                with contextlib.suppress(ProcessLookupError):
                    process.send_signal(signal.SIGTERM)
            deadline = time.monotonic() + seconds
            for process in self._processes.values():
                try:
                    process.wait(max(0.1, deadline - time.monotonic()))
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()

    def logs(self) -> str:
        return "\n".join(f"{f.name}: {f.read_text(errors='replace')[-1500:]}" for f in sorted(self._folder.glob("worker*.log")))

    def __exit__(self, *_: object) -> None:
        self.stop()
