"""Faults on purpose: the process killed at random moments, and the power cut. `make torture` runs hundreds of rounds, the suite a few."""
