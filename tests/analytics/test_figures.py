"""What some whole lives come to, every figure and word of it: nothing in the analytics changes unseen."""

import json
from math import isclose
from typing import Any

import pytest

from tests.analytics.figures import EVERY, FOLDER, figures_of

ANEW = "if this is meant, write them anew (python -m tests.analytics.figures) and read the difference"


def differences(now: Any, then: Any, place: str) -> list[str]:
    """Where two plain values differ. Numbers may by a part in ten thousand: another machine's logarithm has another last digit."""
    if isinstance(now, dict) and isinstance(then, dict):
        return [d for key in sorted(now.keys() | then.keys()) for d in differences(now.get(key), then.get(key), f"{place} {key}")]
    if isinstance(now, list) and isinstance(then, list) and len(now) == len(then):
        return [d for n, (one, other) in enumerate(zip(now, then, strict=True)) for d in differences(one, other, f"{place} {n}")]
    numbers = not {type(now), type(then)} - {int, float}
    same = isclose(now, then, rel_tol=1e-4, abs_tol=1e-9) if numbers else now == then
    return [] if same else [f"{place}: {then} was written, {now} is found"]


@pytest.mark.parametrize("life", EVERY)
def test_the_same_lives_come_to_the_same_figures(life: str) -> None:
    """A replay of years must give the alerts that were told then: belief, memories, events and words are those written down, also the answers to plans and the words of findings."""
    then = json.loads((FOLDER / f"{life}.json").read_text(encoding="utf-8"))
    found = differences(json.loads(json.dumps(figures_of(life))), then, life)
    assert not found, f"{len(found)} figures differ; {ANEW}:\n" + "\n".join(found[:12])
