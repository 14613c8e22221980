"""Chargers, right and wrong, against the verdicts: simulated sessions of every chemistry, behaviour and temperature."""
