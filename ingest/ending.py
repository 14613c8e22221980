"""The end of a worker that must not go on for another instant, not even to tidy up."""

import os
import sys

EXIT_CODE = 75
"""EX_TEMPFAIL of sysexits.h: start it again."""


def exit_at_once(reason: str) -> None:
    """End the process: what is not committed is not acknowledged, so it comes again, and states that are no longer true write nothing more."""
    sys.stderr.write(f"This worker ends at once and must be started again: {reason}\n")
    sys.stderr.flush()
    os._exit(EXIT_CODE)
