"""`python -m tests.torture [--rounds N] [--seed S]`: kill −9 and power cuts, hundreds of rounds each."""

import argparse
import sys
import tempfile
import time
from pathlib import Path

from tests.torture.rounds import torture


def main() -> int:
    parser = argparse.ArgumentParser(description="Kill the service and cut its power at random moments, and check the books.")
    parser.add_argument("--rounds", type=int, default=300, help="kills of each sort")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    failed = False
    for power_cut in (False, True):
        with tempfile.TemporaryDirectory() as folder:
            began = time.monotonic()
            tally = torture(Path(folder), given.rounds, given.seed, power_cut=power_cut)
            failed = failed or bool(tally.wrong)
            print(f"{'power cut' if power_cut else 'kill -9'}: {tally} ({time.monotonic() - began:.0f} s)", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
