"""Which kind of charger a behaviour is, and what may be said of it: its own kind, or that it cannot be told. Never another kind."""

from collections import Counter
from collections.abc import Iterable

from analytics.charging.describe import CANNOT_TELL, kind_of_charger
from analytics.core import State

KINDS: dict[str, str] = {
    "never full": "fixed-voltage supply",
    "fixed supply": "fixed-voltage supply",
    "broken regulator": "fixed-voltage supply",
    "old transformer": "transformer without regulation",
    "pulsed maintenance": "source in pulses",
    "desulfation": "source in pulses",
    "solar": "solar",
    "solar set too high": "solar",
    "alternator": "alternator",
    "smart alternator": "smart alternator",
    "dc-dc": "DC-DC charger",
    "dc-dc made for flooded": "DC-DC charger",
}
"""Every other behaviour is a mains charger with stages."""
OUTCOMES = ("right kind", "cannot tell", "wrong kind")


def kind_said(state: State) -> str:
    """What is said of the source of the last charge."""
    session = state.charging.session
    return CANNOT_TELL if session is None else kind_of_charger(state.battery, session, state.charging.drives)


def judged(behaviour: str, said: str) -> str:
    """right kind | cannot tell | wrong kind."""
    if said.startswith(CANNOT_TELL):
        return "cannot tell"
    return "right kind" if said.startswith(KINDS.get(behaviour, "mains charger")) else "wrong kind"


def print_kinds(said: Iterable[tuple[str, str]]) -> int:
    """The table of (behaviour, what was said); gives how many were wrong."""
    counts = Counter((behaviour, judged(behaviour, words)) for behaviour, words in said)
    behaviours = dict.fromkeys(b for b, _ in counts)
    print(f"\n{'kind of charger (voltage and current)':40}" + "".join(f"{o:>14}" for o in OUTCOMES))
    for behaviour in behaviours:
        print(f"  {behaviour:38}" + "".join(f"{counts[behaviour, o]:>14}" for o in OUTCOMES))
    total = {o: sum(n for (_, outcome), n in counts.items() if outcome == o) for o in OUTCOMES}
    print(f"  {'all':38}" + "".join(f"{total[o]:>14}" for o in OUTCOMES))
    return total["wrong kind"]
