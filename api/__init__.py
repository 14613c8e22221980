"""Outcomes to the outside world: what is kept, who is told, what is shown, and the composition root."""
