"""All words that the interface shows: from the registered classes, and from the code that puts words together."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy

ADDON = Path(__file__).resolve().parents[2] / "addon"
CALLS = {"phrase": 0, "told": 0, "wrapped": 1, "refuse": 1}
"""Functions that show words, and which of their arguments those are."""
UNSEEN = {"rna_type", "filter_glob", "check_existing", "name", "bl_idname"}
"""Properties that the host adds or hides."""


def registered_words(classes: tuple[Any, ...]) -> dict[str, str]:
    """Labels, tooltips, names and items of classes that are registered; what says each."""
    found: dict[str, str] = {}
    for each in classes:
        rna = each.bl_rna
        if issubclass(each, bpy.types.Operator):
            family, _, name = each.bl_idname.partition(".")
            rna = getattr(getattr(bpy.ops, family), name).get_rna_type()
            found[rna.name] = found[rna.description] = each.__name__
        elif issubclass(each, bpy.types.Panel | bpy.types.Menu):
            found[each.bl_label] = each.__name__
        for own in rna.properties:
            found.update(_property_words(each, own))
    return {words: place for words, place in found.items() if words}


def _property_words(owner: Any, own: bpy.types.Property) -> dict[str, str]:
    if own.identifier in UNSEEN or own.identifier.startswith("bl_") or not _is_own(owner, own.identifier) or own.is_hidden:
        return {}
    if own.name == own.identifier:  # kept for the panels, never shown by its name
        return {}
    place = f"{owner.__name__}.{own.identifier}"
    found = {own.name: place, own.description: place}
    if own.type == "ENUM":
        for item in own.enum_items:
            found[item.name] = found[item.description] = place
    return found


def _is_own(owner: Any, name: str) -> bool:
    """Whether the class, or a mixin of it, declares the property."""
    return any(name in getattr(each, "__annotations__", {}) for each in owner.__mro__)


def written_words() -> dict[str, str]:
    """Literal words in the add-on's code that are shown: arguments named ``text``, and those of the functions that show words."""
    from ringwright.addon.operators.draw_limb import STATUS
    from ringwright.addon.operators.mending import MENDS

    found = {words: "draw_limb.STATUS" for _, words in STATUS} | {words: "mending.MENDS" for words, _ in MENDS.values()}
    for path in sorted(ADDON.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        place = path.relative_to(ADDON).as_posix()
        constants = _constants(tree)
        for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
            for shown in _shown(call):
                for words in _literals(shown, constants):
                    found[words] = f"{place}:{call.lineno}"
    return {words: place for words, place in found.items() if any(letter.isalpha() for letter in words)}


def _shown(call: ast.Call) -> Iterator[ast.expr]:
    name = call.func.id if isinstance(call.func, ast.Name) else call.func.attr if isinstance(call.func, ast.Attribute) else ""
    if name in CALLS and len(call.args) > CALLS[name]:
        yield call.args[CALLS[name]]
    yield from (keyword.value for keyword in call.keywords if keyword.arg == "text" and name not in {"search"})


def _literals(node: ast.expr, constants: dict[str, str]) -> Iterator[str]:
    """Literal words that an expression may be."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    elif isinstance(node, ast.Name) and node.id in constants:
        yield constants[node.id]
    elif isinstance(node, ast.IfExp):
        yield from _literals(node.body, constants)
        yield from _literals(node.orelse, constants)


def _constants(tree: ast.Module) -> dict[str, str]:
    """Words that a module keeps under a name."""
    return {target.id: node.value.value for node in tree.body if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
            and isinstance(node.value.value, str) for target in node.targets if isinstance(target, ast.Name)}
