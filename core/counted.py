"""Numbers of things in words."""

from __future__ import annotations


def counted(number: int, singular: str, plural: str | None = None) -> str:
    """So many of something, such as "1 row" and "2 rows"; plural : left out where it is the singular with an s."""
    return f"{number} {singular if number == 1 else plural or singular + 's'}"
