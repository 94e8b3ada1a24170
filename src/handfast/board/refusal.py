"""A request that a board refuses."""

from __future__ import annotations


class Nack(Exception):  # noqa: N818 - not an error of the program
    """A request is refused: reason, where, excess."""

    def __init__(self, reason: str, where: int = 255, excess: int = 0):
        super().__init__(reason)
        self.reason, self.where, self.excess = reason, where, min(int(excess), 65535)
