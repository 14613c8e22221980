"""The energy budget: what a plan of use needs, and which battery carries it. Pure arithmetic; files are read in `api/plan.py`."""
