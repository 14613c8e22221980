"""The outside world to readings: sources, decoders, and the loop that commits and then acknowledges."""
