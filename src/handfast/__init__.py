"""handfast: from a box of servos to a two-armed task that works."""

__version__ = "0.1.0"
