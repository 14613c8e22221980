"""The table of chemistries: a new one is one file and one line here."""

from analytics.chemistries.agm import AGM
from analytics.chemistries.efb import EFB
from analytics.chemistries.flooded import FLOODED
from analytics.chemistries.gel import GEL
from analytics.chemistries.lifepo4 import LIFEPO4
from analytics.chemistry import Chemistry

CHEMISTRIES: dict[str, Chemistry] = {c.name: c for c in (FLOODED, EFB, AGM, GEL, LIFEPO4)}
