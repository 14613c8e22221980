"""The table of rules, read top to bottom: a new one is one file and one line here."""

from analytics.rules.check_due import CHECK_DUE
from analytics.rules.deep_discharge import DEEP_DISCHARGE
from analytics.rules.forecast_low import FORECAST_LOW
from analytics.rules.freezing import FREEZING
from analytics.rules.low_voltage import LOW_VOLTAGE
from analytics.rules.maintainer import MAINTAINER
from analytics.rules.refresh_due import REFRESH_DUE
from analytics.rules.returned_low import RETURNED_LOW
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.rules.silence import SILENCE
from analytics.rules.standing_load import STANDING_LOAD
from analytics.rules.sulfation import SULFATION
from analytics.rules.unexplained_rise import UNEXPLAINED_RISE

RULES: tuple[Rule, ...] = (
    DEEP_DISCHARGE,
    LOW_VOLTAGE,
    FORECAST_LOW,
    SILENCE,
    FREEZING,
    STANDING_LOAD,
    RETURNED_LOW,
    MAINTAINER,
    REFRESH_DUE,
    CHECK_DUE,
    SULFATION,
    UNEXPLAINED_RISE,
)

__all__ = ["HOLD", "RULES", "Judgement", "Rule"]
