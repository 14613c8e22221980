"""Battery ids that can stand in a topic and in a routing key without meaning something else. Only the form is judged."""

import re

from analytics.battery import DeclarationError

LONGEST = 64
"""Characters; judgement: longer than any plate or fleet number, short enough for every index and topic."""

_FORM = re.compile(rf"[A-Za-z0-9_-]{{1,{LONGEST}}}", re.ASCII)


def checked_battery_id(battery_id: str) -> str:
    """The id, if it is one level of a topic. Raises DeclarationError.

    A broker that routes MQTT over AMQP takes a dot and a slash for the same separator (measured: `readings.a` reaches who
    subscribed `readings/a`), and `+`, `#`, `*` are wildcards: such an id could receive or hide another battery's readings.
    """
    if not isinstance(battery_id, str) or not _FORM.fullmatch(battery_id):
        raise DeclarationError("id", battery_id, f"1 to {LONGEST} letters, digits, hyphens or underscores (no dot, no slash)")
    return battery_id
