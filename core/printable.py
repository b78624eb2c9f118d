"""Text from outside made fit for a page or an XML file."""

from __future__ import annotations

import re

_UNFIT = re.compile("[^\t\n\r\u0020-\u007e\u00a0-\ud7ff\ue000-\ufdcf\ufdf0-\ufffd\U00010000-\U0010ffff]|[\u202a-\u202e\u2066-\u2069]"
                    "|[" + "".join(chr((plane << 16) + last) for plane in range(1, 17) for last in (0xFFFE, 0xFFFF)) + "]")
"""Control characters, halves of pairs and non-characters: XML 1.0 cannot hold some of them, HTML forbids the others; and
the marks that turn the reading direction, by which a name could make what follows it read otherwise."""


def printable(text: str) -> str:
    """The text with the sign for an unknown character in place of each that has no place on a page or in an XML file."""
    return _UNFIT.sub("\ufffd", text)
