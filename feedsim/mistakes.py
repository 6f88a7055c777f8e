"""What a user asked for and cannot have."""

from __future__ import annotations


class Mistake(ValueError):
    """Something asked for that makes no sense; the message is for who asked."""
