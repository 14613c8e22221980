"""The demonstration as a person runs it: plain sentences, a warning ahead of time, an alert that ends, an address, a clean stop."""

import re
import signal
import subprocess
import sys
import time
from pathlib import Path

COMMAND = [sys.executable, "-c", "from api.cli import main; main()", "demo", "--port", "0"]


def test_the_demonstration_tells_its_story_and_leaves_only_its_folder(tmp_path: Path) -> None:
    """Fourteen days in half a minute: a forecast for otter before it is low, an alert that is over, live states, the page's address."""
    done = subprocess.run([*COMMAND, "--told-for", "30", "--for", "60"], cwd=tmp_path, capture_output=True, text=True, timeout=150)
    assert done.returncode == 0, done.stderr[-3000:]
    said = done.stdout
    assert re.search(r"http://127\.0\.0\.1:\d+", said)
    forecast = said.index("Otter: May fall below 50 %")
    assert "Otter: Below the safe limit" not in said[:forecast]
    assert re.search(r"Over: Curlew: Below the safe limit", said)
    assert re.search(r"Marten: .*(voltage too high|Equalisation)", said)
    assert re.search(r"otter: About \d+ %, very likely between \d+ and \d+ %", said)
    assert "Traceback" not in said + done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["data"]
    assert sorted(p.suffix for p in (tmp_path / "data" / "demo").iterdir() if not p.name.endswith(("-wal", "-shm", ".reserve"))) == [".db"]


def test_ctrl_c_stops_the_demonstration_cleanly(tmp_path: Path) -> None:
    """An interrupt in the middle of the story ends it with 0 and without a traceback; no process is left."""
    process = subprocess.Popen(COMMAND, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert process.stdout is not None
    lines = []
    for line in process.stdout:
        lines.append(line)
        if "Fourteen days are told" in line:
            break
    time.sleep(3)
    process.send_signal(signal.SIGINT)
    rest, _ = process.communicate(timeout=30)
    assert process.returncode == 0, "".join(lines) + rest
    assert "Traceback" not in rest
    assert "Stopped. What was kept is in" in rest
