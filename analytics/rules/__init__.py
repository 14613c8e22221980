"""The table of rules, read top to bottom: a new one is one file and one line here."""

from analytics.rules.rule import HOLD, Judgement, Rule

RULES: tuple[Rule, ...] = ()

__all__ = ["HOLD", "RULES", "Judgement", "Rule"]
