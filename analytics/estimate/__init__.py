"""The state-of-charge estimator. What the rest may use is here; how it works stands in the other files.

Read them in this order: `model` (constants), `belief` (the states), `counting` (prediction), `filtering` (the algebra), `voltage`
(correction), `resting`, `charged` and `emptied` (anchors), `advancing` (one reading).
"""

from __future__ import annotations

from analytics.estimate.advancing import advance, believable_c
from analytics.estimate.belief import Belief, fresh
from analytics.estimate.model import Model, model_of, rest_pct, rest_v
from analytics.estimate.telling import (
    aged,
    capacity_ah,
    compensated_v,
    current_offset_a,
    interval,
    is_rested,
    last_full_ms,
    learned,
    learned_offset,
    noted,
    resistance_ohm,
    table_offset_v,
)

__all__ = [
    "Belief", "Model", "advance", "aged", "believable_c", "capacity_ah", "compensated_v", "current_offset_a", "fresh", "interval",
    "is_rested", "last_full_ms", "learned", "learned_offset", "model_of", "noted", "resistance_ohm", "rest_pct", "rest_v", "table_offset_v",
]  # fmt: skip
