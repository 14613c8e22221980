"""`make arm64`: every pinned dependency of the van has a wheel for 64-bit ARM or is pure Python, for each Python we promise.

Asks the package index through pip; nothing is installed. Ends with 1 and pip's words where a wheel is missing.
"""

import json
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).parent.parent
PYTHONS = ("3.11", "3.12", "3.13")
PLATFORMS = ("manylinux_2_17_aarch64", "manylinux2014_aarch64", "manylinux_2_28_aarch64")
EXTRAS = ("broker", "modbus")
"""Web push is left out: its http-ece comes as pure Python source without a wheel, which pip builds on any machine."""


def wheels(python: str) -> list[str]:
    """Names and versions that pip would install on such a machine. Raises CalledProcessError where one is missing."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    wanted = [*project["dependencies"], *(d for extra in EXTRAS for d in project["optional-dependencies"][extra])]
    platforms = [part for p in PLATFORMS for part in ("--platform", p)]
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.json"
        command = [sys.executable, "-m", "pip", "install", "--dry-run", "--quiet", "--ignore-installed", "--only-binary=:all:"]
        command += ["--disable-pip-version-check", "--target", folder, "--python-version", python, *platforms]
        command += ["--constraint", str(ROOT / "constraints.txt"), "--report", str(report), *wanted]
        subprocess.run(command, check=True, cwd=folder, capture_output=True, text=True)
        installed = json.loads(report.read_text())["install"]
    return sorted(f"{i['metadata']['name']} {i['metadata']['version']}" for i in installed)


def main() -> int:
    for python in PYTHONS:
        try:
            found = wheels(python)
        except subprocess.CalledProcessError as e:
            print(f"Python {python}, 64-bit ARM: a wheel is missing\n{e.stderr}")
            return 1
        print(f"Python {python}, 64-bit ARM: {len(found)} packages, all as wheels")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
