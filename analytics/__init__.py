"""The pure core: what would still be true with another sensor and another phone. Standard library only, no I/O, no clock."""
