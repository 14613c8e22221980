"""The table of rules, read top to bottom: a new one is one file and one line here."""

from analytics.rules.deep_discharge import DEEP_DISCHARGE
from analytics.rules.forecast_low import FORECAST_LOW
from analytics.rules.low_voltage import LOW_VOLTAGE
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.rules.silence import SILENCE

RULES: tuple[Rule, ...] = (
    DEEP_DISCHARGE,
    LOW_VOLTAGE,
    FORECAST_LOW,
    SILENCE,
)

__all__ = ["HOLD", "RULES", "Judgement", "Rule"]
