"""Words that are put together while the program runs: put into the artist's language first, filled in afterwards.

What the host shows as it stands (labels, tooltips, menus) it translates itself, by the table in ``translations/``.
"""

from __future__ import annotations

from typing import Any

import bpy


def phrase(text: str, **values: Any) -> str:
    """Words of a panel or of the viewport.

    text : in English, with the names of values in braces
    """
    return bpy.app.translations.pgettext_iface(text).format(**values) if values else bpy.app.translations.pgettext_iface(text)


def told(text: str, **values: Any) -> str:
    """Words of a report, or of the reason why a button is greyed.

    text : in English, with the names of values in braces
    """
    return bpy.app.translations.pgettext_rpt(text).format(**values) if values else bpy.app.translations.pgettext_rpt(text)
