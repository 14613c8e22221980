"""How a long-running command runs."""

import gc

from api.running import GARBAGE, _rarer, collect_rarely


def test_who_holds_more_is_searched_for_garbage_more_seldom() -> None:
    """Never sooner than after so many objects more; with two millions held, after some hundred thousand."""
    was = gc.get_threshold()
    try:
        collect_rarely()
        before = gc.get_threshold()[0]
        held = [object() for _ in range(2_000_000)]
        gc.collect()
        assert GARBAGE <= before < gc.get_threshold()[0] - len(held) // 20
        collect_rarely()
        assert gc.callbacks.count(_rarer) == 1
    finally:
        gc.callbacks.remove(_rarer)
        gc.set_threshold(*was)
