"""How far the state of charge is from the truth: `python -m tests.score` prints the tables."""
